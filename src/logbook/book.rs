//! Keeping and finding: machines, lenses, readings, events, corrections, withdrawals. Each write is one transaction.

use std::collections::BTreeMap;

use jiff::Timestamp;
use rusqlite::{OptionalExtension, Row, Transaction, TransactionBehavior};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::entry::{Details, Entry, Event, Lens, Machine, RecordId, Withdrawn};
use super::error::LogbookError;
use super::insert::{
    insert_event, insert_reading, insert_withdrawal, must_exist, must_not_be_replaced, same_picture, say_lens,
    say_machine,
};
use super::open::Logbook;
use super::rows::{EVENTS, READINGS, SELECT_DETAILS, details_of, entry_of, event_of, json, rows_of, select, timestamp};
use super::when::When;

/// Something that was said of a machine or a lens, and when it was written down.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Said<T> {
    /// When it was written down.
    pub recorded: Timestamp,
    /// What was said: all of it, each time.
    #[serde(flatten)]
    pub what: T,
}

/// What came of keeping a reading.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// It has this number now.
    New(RecordId),
    /// The same picture, looked at in the same place, is there already under this number.
    Already(RecordId),
}

/// A record of either kind.
#[derive(Debug, Clone, PartialEq)]
pub enum Record {
    /// A kept reading.
    Reading(Box<Entry>),
    /// Something that was done.
    Event(Box<Event>),
}

impl Record {
    /// Its number.
    pub const fn id(&self) -> RecordId {
        match self {
            Self::Reading(entry) => entry.id,
            Self::Event(event) => event.id,
        }
    }

    /// When it belongs to.
    pub const fn when(&self) -> &When {
        match self {
            Self::Reading(entry) => &entry.when,
            Self::Event(event) => &event.when,
        }
    }

    /// Its machine.
    pub fn machine(&self) -> &str {
        match self {
            Self::Reading(entry) => &entry.machine,
            Self::Event(event) => &event.machine,
        }
    }

    /// True where it neither was withdrawn nor replaced.
    pub const fn is_current(&self) -> bool {
        match self {
            Self::Reading(entry) => entry.is_current(),
            Self::Event(event) => event.is_current(),
        }
    }

    const fn kind(&self) -> &'static str {
        match self {
            Self::Reading(_) => "a reading",
            Self::Event(_) => "an event",
        }
    }
}

impl Logbook {
    /// The machines as they were last said to be, in order of their names.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn machines(&self) -> Result<Vec<Machine>, LogbookError> {
        Ok(last_said(self.said_of_machines()?, |machine| &machine.name))
    }

    /// The lenses as they were last said to be, in order of their names.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn lenses(&self) -> Result<Vec<Lens>, LogbookError> {
        Ok(last_said(self.said_of_lenses()?, |lens| &lens.name))
    }

    /// The machine of this name; letters' case does not matter.
    ///
    /// # Errors
    /// [`LogbookError::NoMachine`].
    pub fn machine(&self, name: &str) -> Result<Machine, LogbookError> {
        let all = self.machines()?;
        let known = all.iter().map(|machine| machine.name.clone()).collect();
        let found = all.into_iter().find(|machine| same_name(&machine.name, name));
        found.ok_or_else(|| LogbookError::NoMachine { name: name.to_owned(), known })
    }

    /// The lens of this name; letters' case does not matter.
    ///
    /// # Errors
    /// [`LogbookError::NoLens`].
    pub fn lens(&self, name: &str) -> Result<Lens, LogbookError> {
        let all = self.lenses()?;
        let known = all.iter().map(|lens| lens.name.clone()).collect();
        let found = all.into_iter().find(|lens| same_name(&lens.name, name));
        found.ok_or_else(|| LogbookError::NoLens { name: name.to_owned(), known })
    }

    /// Everything that was ever said of machines, in the order it was said.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn said_of_machines(&self) -> Result<Vec<Said<Machine>>, LogbookError> {
        self.said("SELECT recorded, facts FROM machine_said ORDER BY id")
    }

    /// Everything that was ever said of lenses, in the order it was said.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn said_of_lenses(&self) -> Result<Vec<Said<Lens>>, LogbookError> {
        self.said("SELECT recorded, facts FROM lens_said ORDER BY id")
    }

    /// Says what a machine is like from now on. A machine of another name is another machine.
    ///
    /// # Errors
    /// A name that cannot be one, an unknown lens, or a file that cannot be written.
    pub fn say_machine(&mut self, machine: &Machine, recorded: Timestamp) -> Result<(), LogbookError> {
        self.write(|transaction| say_machine(transaction, machine, recorded))
    }

    /// Says what a lens is like from now on. A lens of another name is another lens.
    ///
    /// # Errors
    /// A name that cannot be one, an unknown machine, or a file that cannot be written.
    pub fn say_lens(&mut self, lens: &Lens, recorded: Timestamp) -> Result<(), LogbookError> {
        self.write(|transaction| say_lens(transaction, lens, recorded))
    }

    /// Keeps a reading. Its `id` is given here, and its `uid` where it has none; `replaced_by` and `withdrawn` play no
    /// part. A picture that is there already is not kept a second time unless `again`, or where it replaces a record.
    ///
    /// # Errors
    /// An unknown machine or lens, a record to replace that cannot be, or a file that cannot be written.
    pub fn keep(&mut self, entry: &Entry, details: &Details, again: bool) -> Result<Kept, LogbookError> {
        self.write(|transaction| {
            if !again
                && entry.replaces.is_none()
                && let Some(there) = same_picture(transaction, entry)?
            {
                return Ok(Kept::Already(there));
            }
            insert_reading(transaction, entry, details, None).map(Kept::New)
        })
    }

    /// Keeps an event and gives its number; see [`Logbook::keep`].
    ///
    /// # Errors
    /// An unknown machine or lens, a record to replace that cannot be, or a file that cannot be written.
    pub fn add_event(&mut self, event: &Event) -> Result<RecordId, LogbookError> {
        self.write(|transaction| insert_event(transaction, event, None))
    }

    /// Takes a record back; it stays, marked.
    ///
    /// # Errors
    /// No such record, one that was withdrawn or replaced already, or a file that cannot be written.
    pub fn withdraw(&mut self, id: RecordId, reason: &str, recorded: Timestamp) -> Result<(), LogbookError> {
        self.write(|transaction| {
            must_exist(transaction, id)?;
            must_not_be_replaced(transaction, id)?;
            let earlier: Option<String> = transaction
                .query_row("SELECT reason FROM withdrawal WHERE record = ?1", [id], |row| row.get(0))
                .optional()?;
            if let Some(reason) = earlier {
                return Err(LogbookError::AlreadyWithdrawn { id, reason }.into());
            }
            insert_withdrawal(transaction, id, &Withdrawn { recorded, reason: reason.to_owned() })
        })
    }

    /// Every reading that was ever kept, in order of time, those of one moment in order of number.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn entries(&self) -> Result<Vec<Entry>, LogbookError> {
        self.rows(&select(READINGS, "ORDER BY record.at, record.id"), [], entry_of)
    }

    /// Every event that was ever written down, in order of time, those of one moment in order of number.
    ///
    /// # Errors
    /// A file that cannot be read.
    pub fn events(&self) -> Result<Vec<Event>, LogbookError> {
        self.rows(&select(EVENTS, "ORDER BY record.at, record.id"), [], event_of)
    }

    /// The record of this number.
    ///
    /// # Errors
    /// [`LogbookError::NoRecord`].
    pub fn record(&self, id: RecordId) -> Result<Record, LogbookError> {
        let readings = self.rows(&select(READINGS, "WHERE record.id = ?1"), [id], entry_of)?;
        let events = self.rows(&select(EVENTS, "WHERE record.id = ?1"), [id], event_of)?;
        let reading = readings.into_iter().next().map(|entry| Record::Reading(Box::new(entry)));
        let event = events.into_iter().next().map(|event| Record::Event(Box::new(event)));
        reading.or(event).ok_or(LogbookError::NoRecord { id })
    }

    /// The reading of this number.
    ///
    /// # Errors
    /// [`LogbookError::NoRecord`], or an event of this number.
    pub fn entry(&self, id: RecordId) -> Result<Entry, LogbookError> {
        match self.record(id)? {
            Record::Reading(entry) => Ok(*entry),
            other => Err(LogbookError::OtherKind { id, found: other.kind(), wanted: "a reading" }),
        }
    }

    /// Setup, fits, stations and overlay of a reading.
    ///
    /// # Errors
    /// [`LogbookError::NoRecord`].
    pub fn details(&self, id: RecordId) -> Result<Details, LogbookError> {
        let found = self.rows(SELECT_DETAILS, [id], details_of)?;
        found.into_iter().next().ok_or(LogbookError::NoRecord { id })
    }

    /// Runs a write as one transaction: all of it happens, or nothing.
    pub(super) fn write<T>(
        &mut self,
        work: impl FnOnce(&Transaction<'_>) -> Result<T, Trouble>,
    ) -> Result<T, LogbookError> {
        let path = self.path.clone();
        let run = || {
            let transaction = self.connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
            let done = work(&transaction)?;
            transaction.commit()?;
            Ok(done)
        };
        run().map_err(|trouble: Trouble| trouble.at(&path))
    }

    fn said<T: DeserializeOwned>(&self, sql: &str) -> Result<Vec<Said<T>>, LogbookError> {
        self.rows(sql, [], |row| Ok(Said { recorded: timestamp(row, 0)?, what: json(row, 1)? }))
    }

    pub(super) fn rows<T>(
        &self,
        sql: &str,
        values: impl rusqlite::Params,
        of: impl FnMut(&Row<'_>) -> rusqlite::Result<T>,
    ) -> Result<Vec<T>, LogbookError> {
        rows_of(&self.connection, sql, values, of).map_err(|error| Trouble::Sql(error).at(&self.path))
    }
}

/// What can go wrong within a transaction.
#[derive(Debug)]
pub(super) enum Trouble {
    Sql(rusqlite::Error),
    Book(Box<LogbookError>),
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sql(error)
    }
}

impl From<LogbookError> for Trouble {
    fn from(error: LogbookError) -> Self {
        Self::Book(Box::new(error))
    }
}

impl Trouble {
    pub(super) fn at(self, path: &std::path::Path) -> LogbookError {
        match self {
            Self::Book(error) => *error,
            Self::Sql(rusqlite::Error::FromSqlConversionFailure(column, _, error)) => LogbookError::Damaged {
                path: path.to_path_buf(),
                what: format!("a record holds what no record can hold (column {column}: {error})"),
            },
            Self::Sql(error) => LogbookError::from_sql(path, &error),
        }
    }
}

/// The lens that was in a machine at a moment: that of the last event before it that names one, else the machine's own.
/// `events` are in order of time.
pub fn lens_in(machine: &Machine, events: &[Event], at: Timestamp) -> Option<String> {
    let told = events.iter().rev().find(|event| {
        event.is_current() && event.machine == machine.name && event.when.at <= at && event.lens.is_some()
    });
    told.and_then(|event| event.lens.clone()).or_else(|| machine.lens.clone())
}

/// As SQLite's NOCASE compares: letters of ASCII alone.
pub(super) fn same_name(one: &str, other: &str) -> bool {
    one.eq_ignore_ascii_case(other)
}

fn last_said<T>(said: Vec<Said<T>>, name: impl Fn(&T) -> &String) -> Vec<T> {
    let mut last: BTreeMap<String, T> = BTreeMap::new();
    for Said { what, .. } in said {
        last.insert(name(&what).to_ascii_lowercase(), what);
    }
    last.into_values().collect()
}
