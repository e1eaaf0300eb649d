//! Rows read: what stands in columns and in JSON becomes a record again.

use jiff::Timestamp;
use jiff::tz::Offset;
use rusqlite::types::Type;
use rusqlite::{Connection, Error, Row};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::entry::{
    Details, Entry, Event, EventKind, FocusFacts, HeadFacts, LineFacts, Picture, RampFacts, RecordId, Withdrawn,
};
use super::when::{When, WhenFrom};
use crate::cautions::Caution;
use crate::refusal::Refusal;
use crate::setup::Burn;

/// What is stored of an [`Entry`] beside the columns.
#[derive(Serialize, Deserialize)]
pub(super) struct Facts {
    #[serde(default)]
    pub(super) burn: Burn,
    pub(super) picture: Picture,
    pub(super) ramp: RampFacts,
    #[serde(default)]
    pub(super) head: HeadFacts,
    pub(super) refusal: Option<Refusal>,
    #[serde(flatten)]
    pub(super) focus: FocusFacts,
    pub(super) line: Option<LineFacts>,
    pub(super) cautions: Vec<Caution>,
    pub(super) version: String,
}

/// What is selected of readings and events beside what they have in common.
#[derive(Debug, Clone, Copy)]
pub(super) struct Kind {
    table: &'static str,
    columns: &'static str,
}

pub(super) const READINGS: Kind = Kind { table: "reading", columns: "reading.facts" };
pub(super) const EVENTS: Kind = Kind { table: "event", columns: "event.kind, event.tube_mark" };
/// Number of columns that [`common`] reads, and after which those of the kind begin.
const COMMON: usize = 14;

pub(super) const SELECT_DETAILS: &str = "SELECT setup, fits, stations, overlay_jpeg FROM detail WHERE record = ?1";

/// The query for records of a kind; `rest` holds its conditions and its order.
pub(super) fn select(kind: Kind, rest: &str) -> String {
    let Kind { table, columns } = kind;
    format!(
        "SELECT record.id, record.uid, record.recorded, record.at, record.utc_offset, record.when_from,
            record.zone_assumed, machine.name, lens.name, record.note, record.replaces, later.id,
            withdrawal.recorded, withdrawal.reason, {columns}
         FROM {table}
         JOIN record ON record.id = {table}.record
         JOIN machine ON machine.id = record.machine
         LEFT JOIN lens ON lens.id = record.lens
         LEFT JOIN record AS later ON later.replaces = record.id
         LEFT JOIN withdrawal ON withdrawal.record = record.id
         {rest}"
    )
}

/// What readings and events have in common.
struct Common {
    id: RecordId,
    uid: String,
    recorded: Timestamp,
    when: When,
    machine: String,
    lens: Option<String>,
    note: Option<String>,
    replaces: Option<RecordId>,
    replaced_by: Option<RecordId>,
    withdrawn: Option<Withdrawn>,
}

fn common(row: &Row<'_>) -> rusqlite::Result<Common> {
    let at = Timestamp::from_second(row.get(3)?).map_err(|error| unreadable(3, error))?;
    let offset = Offset::from_seconds(row.get(4)?).map_err(|error| unreadable(4, error))?;
    let from = row.get::<_, String>(5)?;
    let reason: Option<String> = row.get(13)?;
    Ok(Common {
        id: row.get(0)?,
        uid: row.get(1)?,
        recorded: timestamp(row, 2)?,
        when: When { at, offset, from: word(5, &from)?, zone_assumed: row.get(6)? },
        machine: row.get(7)?,
        lens: row.get(8)?,
        note: row.get(9)?,
        replaces: row.get(10)?,
        replaced_by: row.get(11)?,
        withdrawn: reason
            .map(|reason| Ok::<_, Error>(Withdrawn { recorded: timestamp(row, 12)?, reason }))
            .transpose()?,
    })
}

/// The row of a reading.
pub(super) fn entry_of(row: &Row<'_>) -> rusqlite::Result<Entry> {
    let Common { id, uid, recorded, when, machine, lens, note, replaces, replaced_by, withdrawn } = common(row)?;
    let Facts { burn, picture, ramp, head, refusal, focus, line, cautions, version } = json(row, COMMON)?;
    Ok(Entry {
        id,
        uid,
        when,
        recorded,
        machine,
        lens,
        burn,
        picture,
        ramp,
        head,
        refusal,
        focus,
        line,
        cautions,
        version,
        note,
        replaces,
        replaced_by,
        withdrawn,
    })
}

/// The row of an event.
pub(super) fn event_of(row: &Row<'_>) -> rusqlite::Result<Event> {
    let Common { id, uid, recorded, when, machine, lens, note, replaces, replaced_by, withdrawn } = common(row)?;
    let kind: EventKind = word(COMMON, &row.get::<_, String>(COMMON)?)?;
    let tube_mark = row.get(COMMON + 1)?;
    Ok(Event { id, uid, when, recorded, machine, kind, lens, tube_mark, note, replaces, replaced_by, withdrawn })
}

/// All rows of a query.
pub(super) fn rows_of<T>(
    connection: &Connection,
    sql: &str,
    values: impl rusqlite::Params,
    of: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
) -> rusqlite::Result<Vec<T>> {
    let mut statement = connection.prepare(sql)?;
    statement.query_map(values, of)?.collect()
}

/// The row of what only a single reading's page shows, as [`SELECT_DETAILS`] gives it.
pub(super) fn details_of(row: &Row<'_>) -> rusqlite::Result<Details> {
    Ok(Details { setup: row.get(0)?, fits: json(row, 1)?, stations: json(row, 2)?, overlay_jpeg: row.get(3)? })
}

/// A column that holds JSON.
pub(super) fn json<T: DeserializeOwned>(row: &Row<'_>, column: usize) -> rusqlite::Result<T> {
    let text = row.get_ref(column)?.as_str().map_err(|error| unreadable(column, error))?;
    serde_json::from_str(text).map_err(|error| unreadable(column, error))
}

/// A column that holds a moment as RFC 3339.
pub(super) fn timestamp(row: &Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    row.get::<_, String>(column)?.parse().map_err(|error: jiff::Error| unreadable(column, error))
}

/// A word of a fixed list, by the name it has in JSON.
fn word<T: DeserializeOwned>(column: usize, name: &str) -> rusqlite::Result<T> {
    serde_json::from_value(serde_json::Value::from(name)).map_err(|error| unreadable(column, error))
}

fn unreadable(column: usize, error: impl std::error::Error + Send + Sync + 'static) -> Error {
    Error::FromSqlConversionFailure(column, Type::Text, Box::new(error))
}

/// The name of a word in files.
pub(super) const fn when_from(from: WhenFrom) -> &'static str {
    match from {
        WhenFrom::Given => "given",
        WhenFrom::Picture => "picture",
        WhenFrom::Now => "now",
    }
}

/// JSON of plain values: numbers that are not finite become `null`, and nothing else can go wrong.
pub(super) fn text_of(value: &impl Serialize) -> String {
    serde_json::to_string(value).expect("plain values with text keys always have a form in JSON")
}
