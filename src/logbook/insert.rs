//! Rows written, within a transaction of the caller's.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, params};

use super::book::Trouble;
use super::entry::{Details, Entry, Event, Lens, Machine, RecordId, Withdrawn};
use super::error::LogbookError;
use super::rows::{Facts, json, text_of, when_from};
use super::when::When;

/// Number of the machine of this name, which is made where there is none.
pub(super) fn name_machine(connection: &Connection, name: &str) -> Result<i64, Trouble> {
    checked_name(name)?;
    connection.execute("INSERT INTO machine (name) VALUES (?1) ON CONFLICT (name) DO NOTHING", [name])?;
    machine_id(connection, name)
}

/// Number of the lens of this name, which is made where there is none.
pub(super) fn name_lens(connection: &Connection, name: &str) -> Result<i64, Trouble> {
    checked_name(name)?;
    connection.execute("INSERT INTO lens (name) VALUES (?1) ON CONFLICT (name) DO NOTHING", [name])?;
    lens_id(connection, name)
}

/// Names are stored in the spelling that they were first given.
pub(super) fn say_machine(connection: &Connection, machine: &Machine, recorded: Timestamp) -> Result<(), Trouble> {
    let mut machine = machine.clone();
    let id = name_machine(connection, &machine.name)?;
    machine.name = spelling(connection, "machine", id)?;
    let lens = machine.lens.as_deref().map(|lens| lens_id(connection, lens)).transpose()?;
    machine.lens = lens.map(|lens| spelling(connection, "lens", lens)).transpose()?;
    connection.execute(
        "INSERT INTO machine_said (machine, recorded, lens, facts) VALUES (?1, ?2, ?3, ?4)",
        params![id, recorded.to_string(), lens, text_of(&machine)],
    )?;
    Ok(())
}

pub(super) fn say_lens(connection: &Connection, lens: &Lens, recorded: Timestamp) -> Result<(), Trouble> {
    let mut lens = lens.clone();
    let id = name_lens(connection, &lens.name)?;
    lens.name = spelling(connection, "lens", id)?;
    for on in &mut lens.on {
        on.machine = spelling(connection, "machine", machine_id(connection, &on.machine)?)?;
    }
    lens.on.sort_by(|one, other| one.machine.cmp(&other.machine));
    connection.execute(
        "INSERT INTO lens_said (lens, recorded, facts) VALUES (?1, ?2, ?3)",
        params![id, recorded.to_string(), text_of(&lens)],
    )?;
    Ok(())
}

fn spelling(connection: &Connection, table: &'static str, id: i64) -> rusqlite::Result<String> {
    connection.query_row(&format!("SELECT name FROM {table} WHERE id = ?1"), [id], |row| row.get(0))
}

/// Inserts a reading; under `id` where that is given.
pub(super) fn insert_reading(
    connection: &Connection,
    entry: &Entry,
    details: &Details,
    id: Option<RecordId>,
) -> Result<RecordId, Trouble> {
    let head = Head {
        uid: &entry.uid,
        kind: "reading",
        recorded: entry.recorded,
        when: &entry.when,
        machine: &entry.machine,
        lens: entry.lens.as_deref(),
        note: entry.note.as_deref(),
        replaces: entry.replaces,
    };
    let id = insert_record(connection, &head, id)?;
    let facts = Facts {
        burn: entry.burn.clone(),
        picture: entry.picture.clone(),
        ramp: entry.ramp,
        head: entry.head.clone(),
        refusal: entry.refusal.clone(),
        focus: entry.focus.clone(),
        line: entry.line.clone(),
        cautions: entry.cautions.clone(),
        version: entry.version.clone(),
    };
    let facts = text_of(&facts);
    // JSON has no word for infinity: what would not come back is not kept.
    if serde_json::from_str::<Facts>(&facts).is_err() {
        return Err(LogbookError::NotFinite.into());
    }
    connection.execute(
        "INSERT INTO reading (record, picture_sha256, facts) VALUES (?1, ?2, ?3)",
        params![id, entry.picture.sha256, facts],
    )?;
    connection.execute(
        "INSERT INTO detail (record, setup, fits, stations, overlay_jpeg) VALUES (?1, ?2, ?3, ?4, ?5)",
        params![id, details.setup, text_of(&details.fits), text_of(&details.stations), details.overlay_jpeg],
    )?;
    Ok(id)
}

/// Inserts an event; under `id` where that is given.
pub(super) fn insert_event(connection: &Connection, event: &Event, id: Option<RecordId>) -> Result<RecordId, Trouble> {
    let head = Head {
        uid: &event.uid,
        kind: "event",
        recorded: event.recorded,
        when: &event.when,
        machine: &event.machine,
        lens: event.lens.as_deref(),
        note: event.note.as_deref(),
        replaces: event.replaces,
    };
    let id = insert_record(connection, &head, id)?;
    connection.execute(
        "INSERT INTO event (record, kind, tube_mark) VALUES (?1, ?2, ?3)",
        params![id, event.kind.as_str(), said(event.tube_mark.as_deref())],
    )?;
    Ok(id)
}

pub(super) fn insert_withdrawal(connection: &Connection, id: RecordId, withdrawn: &Withdrawn) -> Result<(), Trouble> {
    connection.execute(
        "INSERT INTO withdrawal (record, recorded, reason) VALUES (?1, ?2, ?3)",
        params![id, withdrawn.recorded.to_string(), withdrawn.reason],
    )?;
    Ok(())
}

/// What readings and events have in common.
struct Head<'a> {
    uid: &'a str,
    kind: &'static str,
    recorded: Timestamp,
    when: &'a When,
    machine: &'a str,
    lens: Option<&'a str>,
    note: Option<&'a str>,
    replaces: Option<RecordId>,
}

fn insert_record(connection: &Connection, head: &Head<'_>, id: Option<RecordId>) -> Result<RecordId, Trouble> {
    let machine = machine_id(connection, head.machine)?;
    let lens = head.lens.map(|lens| lens_id(connection, lens)).transpose()?;
    if let Some(replaced) = head.replaces {
        let kind: Option<String> =
            connection.query_row("SELECT kind FROM record WHERE id = ?1", [replaced], |row| row.get(0)).optional()?;
        let kind = kind.ok_or(LogbookError::NoRecord { id: replaced })?;
        if kind != head.kind {
            let [found, wanted] = if kind == "event" { ["an event", "a reading"] } else { ["a reading", "an event"] };
            return Err(LogbookError::OtherKind { id: replaced, found, wanted }.into());
        }
        must_not_be_replaced(connection, replaced)?;
    }
    let uid = if head.uid.is_empty() {
        connection.query_row("SELECT lower(hex(randomblob(16)))", [], |row| row.get::<_, String>(0))?
    } else {
        head.uid.to_owned()
    };
    connection.execute(
        "INSERT INTO record
            (id, uid, kind, recorded, at, utc_offset, when_from, zone_assumed, machine, lens, note, replaces)
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
        params![
            id,
            uid,
            head.kind,
            head.recorded.to_string(),
            head.when.at.as_second(),
            head.when.offset.seconds(),
            when_from(head.when.from),
            head.when.zone_assumed,
            machine,
            lens,
            said(head.note),
            head.replaces,
        ],
    )?;
    Ok(connection.last_insert_rowid())
}

/// An empty text says nothing.
fn said(text: Option<&str>) -> Option<&str> {
    text.filter(|text| !text.is_empty())
}

pub(super) fn must_exist(connection: &Connection, id: RecordId) -> Result<(), Trouble> {
    let there: i64 = connection.query_row("SELECT count(*) FROM record WHERE id = ?1", [id], |row| row.get(0))?;
    if there == 0 { Err(LogbookError::NoRecord { id }.into()) } else { Ok(()) }
}

pub(super) fn must_not_be_replaced(connection: &Connection, id: RecordId) -> Result<(), Trouble> {
    let by: Option<RecordId> =
        connection.query_row("SELECT id FROM record WHERE replaces = ?1", [id], |row| row.get(0)).optional()?;
    by.map_or(Ok(()), |by| Err(LogbookError::AlreadyReplaced { id, by }.into()))
}

/// A current reading of the same picture, where the same part of it was looked at.
pub(super) fn same_picture(connection: &Connection, entry: &Entry) -> Result<Option<RecordId>, Trouble> {
    let Some(sha256) = &entry.picture.sha256 else { return Ok(None) };
    let mut statement = connection.prepare(
        "SELECT reading.record, reading.facts FROM reading
         WHERE reading.picture_sha256 = ?1
            AND NOT EXISTS (SELECT 1 FROM withdrawal WHERE withdrawal.record = reading.record)
            AND NOT EXISTS (SELECT 1 FROM record AS later WHERE later.replaces = reading.record)
         ORDER BY reading.record",
    )?;
    let rows: rusqlite::Result<Vec<(RecordId, Facts)>> =
        statement.query_map([sha256], |row| Ok((row.get(0)?, json(row, 1)?)))?.collect();
    let same = rows?.into_iter().find(|(_, facts)| facts.picture.area_px == entry.picture.area_px);
    Ok(same.map(|(id, _)| id))
}

fn machine_id(connection: &Connection, name: &str) -> Result<i64, Trouble> {
    let id = connection.query_row("SELECT id FROM machine WHERE name = ?1", [name], |row| row.get(0)).optional()?;
    id.ok_or_else(|| {
        LogbookError::NoMachine { name: name.to_owned(), known: names(connection, "machine").unwrap_or_default() }
            .into()
    })
}

fn lens_id(connection: &Connection, name: &str) -> Result<i64, Trouble> {
    let id = connection.query_row("SELECT id FROM lens WHERE name = ?1", [name], |row| row.get(0)).optional()?;
    id.ok_or_else(|| {
        LogbookError::NoLens { name: name.to_owned(), known: names(connection, "lens").unwrap_or_default() }.into()
    })
}

fn names(connection: &Connection, table: &'static str) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(&format!("SELECT name FROM {table} ORDER BY name"))?;
    statement.query_map([], |row| row.get(0))?.collect()
}

/// Longest name that still fits a table's column.
const LONGEST_NAME: usize = 60;

fn checked_name(name: &str) -> Result<&str, LogbookError> {
    let fits = !name.is_empty()
        && name.trim() == name
        && name.chars().count() <= LONGEST_NAME
        && !name.chars().any(char::is_control);
    if fits { Ok(name) } else { Err(LogbookError::BadName { name: name.to_owned() }) }
}
