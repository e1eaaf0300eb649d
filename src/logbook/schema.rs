//! The layout of the file: an append-only list of steps, counted by `user_version`.
//!
//! A step that was released is never changed; a new layout is a further step. What is looked for has a column; what is
//! only ever read whole (facts, setup, fits, stations) is JSON, whose fields may grow without a step.

use rusqlite::Connection;

/// Marks the file as a logbook of narrows ("nrwl" in its header).
pub(super) const APPLICATION_ID: i64 = 0x6e72_776c;

/// The steps, oldest first.
const STEPS: &[&str] = &[
    // 1: machines, lenses, records
    "
    CREATE TABLE machine (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (name <> '')
    ) STRICT;
    CREATE TABLE lens (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (name <> '')
    ) STRICT;
    -- what was said of them, each time it was said; the last holds
    CREATE TABLE machine_said (
        id INTEGER PRIMARY KEY,
        machine INTEGER NOT NULL REFERENCES machine (id),
        recorded TEXT NOT NULL,
        lens INTEGER REFERENCES lens (id),
        facts TEXT NOT NULL CHECK (json_valid(facts))
    ) STRICT;
    CREATE TABLE lens_said (
        id INTEGER PRIMARY KEY,
        lens INTEGER NOT NULL REFERENCES lens (id),
        recorded TEXT NOT NULL,
        facts TEXT NOT NULL CHECK (json_valid(facts))
    ) STRICT;
    CREATE TABLE record (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        uid TEXT NOT NULL UNIQUE CHECK (length(uid) = 32),
        kind TEXT NOT NULL CHECK (kind IN ('reading', 'event')),
        recorded TEXT NOT NULL,
        at INTEGER NOT NULL, -- seconds since 1970-01-01T00:00:00Z
        utc_offset INTEGER NOT NULL, -- seconds
        when_from TEXT NOT NULL CHECK (when_from IN ('given', 'picture', 'now')),
        zone_assumed INTEGER NOT NULL CHECK (zone_assumed IN (0, 1)),
        machine INTEGER NOT NULL REFERENCES machine (id),
        lens INTEGER REFERENCES lens (id),
        note TEXT,
        replaces INTEGER UNIQUE REFERENCES record (id) CHECK (replaces <> id)
    ) STRICT;
    CREATE INDEX record_of_machine ON record (machine, at);
    CREATE TABLE reading (
        record INTEGER PRIMARY KEY REFERENCES record (id),
        picture_sha256 TEXT CHECK (length(picture_sha256) = 64),
        facts TEXT NOT NULL CHECK (json_valid(facts))
    ) STRICT;
    CREATE INDEX reading_of_picture ON reading (picture_sha256);
    CREATE TABLE detail (
        record INTEGER PRIMARY KEY REFERENCES reading (record),
        setup TEXT NOT NULL,
        fits TEXT NOT NULL CHECK (json_valid(fits)),
        stations TEXT NOT NULL CHECK (json_valid(stations)),
        overlay_jpeg BLOB
    ) STRICT;
    CREATE TABLE event (
        record INTEGER PRIMARY KEY REFERENCES record (id),
        kind TEXT NOT NULL,
        tube_mark TEXT
    ) STRICT;
    CREATE TABLE withdrawal (
        record INTEGER PRIMARY KEY REFERENCES record (id),
        recorded TEXT NOT NULL,
        reason TEXT NOT NULL CHECK (reason <> '')
    ) STRICT;

    -- nothing is overwritten and nothing taken out, by whatever program
    CREATE TRIGGER record_stays BEFORE DELETE ON record BEGIN SELECT RAISE(ABORT, 'records stay'); END;
    CREATE TRIGGER record_kept BEFORE UPDATE ON record BEGIN SELECT RAISE(ABORT, 'records are not changed'); END;
    CREATE TRIGGER reading_stays BEFORE DELETE ON reading BEGIN SELECT RAISE(ABORT, 'records stay'); END;
    CREATE TRIGGER reading_kept BEFORE UPDATE ON reading BEGIN SELECT RAISE(ABORT, 'records are not changed'); END;
    CREATE TRIGGER detail_stays BEFORE DELETE ON detail BEGIN SELECT RAISE(ABORT, 'records stay'); END;
    CREATE TRIGGER detail_kept BEFORE UPDATE ON detail BEGIN SELECT RAISE(ABORT, 'records are not changed'); END;
    CREATE TRIGGER event_stays BEFORE DELETE ON event BEGIN SELECT RAISE(ABORT, 'records stay'); END;
    CREATE TRIGGER event_kept BEFORE UPDATE ON event BEGIN SELECT RAISE(ABORT, 'records are not changed'); END;
    CREATE TRIGGER withdrawal_stays BEFORE DELETE ON withdrawal BEGIN SELECT RAISE(ABORT, 'records stay'); END;
    CREATE TRIGGER withdrawal_kept BEFORE UPDATE ON withdrawal BEGIN SELECT RAISE(ABORT, 'records are not changed'); END;

    -- for people with another SQLite program: the readings that count, with their main numbers
    CREATE VIEW answers AS
    SELECT record.id, datetime(record.at + record.utc_offset, 'unixepoch') AS local_time, machine.name AS machine,
        lens.name AS lens, reading.facts ->> '$.spacer_mm.value' AS spacer_mm,
        2 * (reading.facts ->> '$.spacer_mm.standard_uncertainty') AS spacer_give_or_take_mm,
        reading.facts ->> '$.kerf_mm.value' AS kerf_mm, record.note
    FROM reading
    JOIN record ON record.id = reading.record
    JOIN machine ON machine.id = record.machine
    LEFT JOIN lens ON lens.id = record.lens
    WHERE NOT EXISTS (SELECT 1 FROM withdrawal WHERE withdrawal.record = record.id)
        AND NOT EXISTS (SELECT 1 FROM record AS later WHERE later.replaces = record.id)
        AND reading.facts ->> '$.refusal' IS NULL
    ORDER BY record.at, record.id;
    ",
];

/// The layout that this program writes.
pub(super) const fn latest() -> i64 {
    STEPS.len() as i64
}

/// Layout of a file; 0 for an empty one.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Brings the file to the latest layout, in one transaction. Two programs may do this at once: who comes second finds
/// nothing to do.
pub(super) fn migrate(connection: &mut Connection) -> rusqlite::Result<()> {
    migrate_to(connection, latest())
}

fn migrate_to(connection: &mut Connection, last: i64) -> rusqlite::Result<()> {
    if version(connection)? >= last {
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(rusqlite::TransactionBehavior::Immediate)?;
    let done = version(&transaction)?;
    for (number, step) in (1..).zip(STEPS) {
        if done < number && number <= last {
            transaction.execute_batch(step)?;
        }
    }
    if done < last {
        transaction.pragma_update(None, "user_version", last)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    }
    transaction.commit()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn layout(connection: &Connection) -> Vec<(String, Option<String>)> {
        let mut statement = connection.prepare("SELECT name, sql FROM sqlite_schema ORDER BY name").unwrap();
        let rows = statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?))).unwrap();
        rows.map(Result::unwrap).collect()
    }

    #[test]
    fn migrating_twice_changes_nothing() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection).unwrap();
        let once = layout(&connection);
        assert!(once.len() > 10);
        migrate(&mut connection).unwrap();
        assert_eq!(layout(&connection), once);
        assert_eq!(version(&connection).unwrap(), latest());
    }

    #[test]
    fn step_by_step_and_at_once_give_one_layout() {
        let mut at_once = Connection::open_in_memory().unwrap();
        migrate(&mut at_once).unwrap();
        let mut stepwise = Connection::open_in_memory().unwrap();
        for last in 1..=latest() {
            migrate_to(&mut stepwise, last).unwrap();
            assert_eq!(version(&stepwise).unwrap(), last);
        }
        assert_eq!(layout(&stepwise), layout(&at_once));
    }

    #[test]
    fn records_can_neither_be_changed_nor_taken_out() {
        let mut connection = Connection::open_in_memory().unwrap();
        migrate(&mut connection).unwrap();
        connection
            .execute_batch(
                "INSERT INTO machine VALUES (1, 'north');
                 INSERT INTO record VALUES (1, '0123456789abcdef0123456789abcdef', 'event', 't', 0, 0, 'given', 0, 1, NULL,
                     NULL, NULL);
                 INSERT INTO event VALUES (1, 'other', NULL);",
            )
            .unwrap();
        for statement in [
            "DELETE FROM record",
            "UPDATE record SET at = 1",
            "DELETE FROM event",
            "UPDATE event SET kind = 'tube_replaced'",
            "INSERT INTO event VALUES (2, 'other', NULL)",
        ] {
            // The last breaks a foreign key, which is checked from SQLite's own default on.
            connection.pragma_update(None, "foreign_keys", true).unwrap();
            assert!(connection.execute(statement, []).is_err(), "{statement}");
        }
    }
}
