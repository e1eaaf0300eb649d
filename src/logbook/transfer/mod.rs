//! The whole logbook as text and back: JSON Lines, or a table for a spreadsheet. Both hold everything, so that the way
//! there and back changes nothing.
//!
//! | line's `record` | holds |
//! |---|---|
//! | `logbook` | `schema`, first |
//! | `machine`, `lens` | what was said, each time it was said |
//! | `reading` | an entry, with `details` (setup, fits, stations, overlay) |
//! | `event` | an event |

mod csv_table;
mod import;

use std::io::{self, Write};

use serde::{Deserialize, Serialize};

use super::book::{Record, Said};
use super::entry::{Details, Entry, Event, Lens, Machine};
use super::error::LogbookError;
use super::open::Logbook;
pub use import::Imported;

/// Name and version of the lines' layout.
pub const SCHEMA: &str = "narrows.logbook/1";

/// One line of an export.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "record", rename_all = "snake_case")]
pub(super) enum Line {
    /// The first.
    Logbook {
        /// [`SCHEMA`].
        schema: String,
    },
    /// What was said of a machine.
    Machine(Said<Machine>),
    /// What was said of a lens.
    Lens(Said<Lens>),
    /// A reading.
    Reading(Box<WholeReading>),
    /// An event.
    Event(Box<Event>),
}

/// A reading with its details.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(super) struct WholeReading {
    /// The entry.
    #[serde(flatten)]
    pub(super) entry: Entry,
    /// What only its page shows.
    #[serde(default)]
    pub(super) details: Details,
}

/// Form of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    /// One JSON object a line.
    JsonLines,
    /// One row a record, with a heading; lists stand as JSON in their cell.
    Csv,
}

/// Why an export could not be written.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The logbook cannot be read.
    #[error(transparent)]
    Logbook(#[from] LogbookError),
    /// The text cannot be written.
    #[error("the export cannot be written: {0}")]
    Write(#[from] io::Error),
}

impl Logbook {
    /// Writes everything the logbook holds. Two exports of one logbook are the same, byte for byte.
    ///
    /// # Errors
    /// A logbook that cannot be read, or a writer that fails.
    pub fn export(&self, form: Form, mut to: impl Write) -> Result<(), ExportError> {
        let lines = self.lines(|id| self.whole(id).map(Some))?;
        write(form, lines, &mut to)
    }

    /// Writes what can be read of a damaged logbook, as JSON Lines; gives the number of records written.
    ///
    /// # Errors
    /// Machines and lenses that cannot be read, or a writer that fails.
    pub fn rescue(&self, mut to: impl Write) -> Result<usize, ExportError> {
        let lines = self.lines(|id| Ok(self.whole(id).ok()))?;
        // What a lost record was replaced by, or replaced, cannot be named.
        let kept: Vec<i64> = lines.iter().filter_map(Line::id).collect();
        let lines: Vec<Line> = lines.into_iter().map(|line| line.without_references_to_others(&kept)).collect();
        write(Form::JsonLines, lines, &mut to)?;
        Ok(kept.len())
    }

    fn lines(
        &self,
        mut whole: impl FnMut(i64) -> Result<Option<(Record, Details)>, LogbookError>,
    ) -> Result<Vec<Line>, LogbookError> {
        let mut lines = vec![Line::Logbook { schema: SCHEMA.to_owned() }];
        lines.extend(self.said_of_machines()?.into_iter().map(Line::Machine));
        lines.extend(self.said_of_lenses()?.into_iter().map(Line::Lens));
        for id in self.ids() {
            lines.extend(whole(id)?.map(|(record, details)| match record {
                Record::Reading(entry) => Line::Reading(Box::new(WholeReading { entry: *entry, details })),
                Record::Event(event) => Line::Event(event),
            }));
        }
        Ok(lines)
    }
}

impl Line {
    const fn id(&self) -> Option<i64> {
        match self {
            Self::Reading(reading) => Some(reading.entry.id),
            Self::Event(event) => Some(event.id),
            _ => None,
        }
    }

    fn without_references_to_others(mut self, kept: &[i64]) -> Self {
        let known = |id: Option<i64>| id.filter(|id| kept.contains(id));
        match &mut self {
            Self::Reading(reading) => reading.entry.replaces = known(reading.entry.replaces),
            Self::Event(event) => event.replaces = known(event.replaces),
            _ => {}
        }
        self
    }
}

fn write(form: Form, lines: Vec<Line>, to: &mut impl Write) -> Result<(), ExportError> {
    match form {
        Form::JsonLines => {
            for line in &lines {
                serde_json::to_writer(&mut *to, line).map_err(io::Error::from)?;
                to.write_all(b"\n")?;
            }
        }
        Form::Csv => csv_table::write(&lines, to)?,
    }
    to.flush()?;
    Ok(())
}

/// Reads an export of either form, told from its first letter; each line with its number.
fn parse(text: &str) -> Result<Vec<(usize, Line)>, LogbookError> {
    let text = text.strip_prefix('\u{feff}').unwrap_or(text);
    if !text.trim_start().starts_with('{') {
        return csv_table::read(text);
    }
    let lines = text.lines().enumerate().filter(|(_, line)| !line.trim().is_empty());
    lines
        .map(|(index, line)| {
            let bad = |error: serde_json::Error| LogbookError::BadLine { line: index + 1, what: error.to_string() };
            Ok((index + 1, serde_json::from_str(line).map_err(bad)?))
        })
        .collect()
}
