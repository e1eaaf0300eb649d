//! Care of the file: is it sound, what of it can be read, and a copy of it while others write.

use std::collections::BTreeSet;
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::backup::Backup;
use rusqlite::{Connection, OpenFlags};
use serde::Serialize;

use super::book::Record;
use super::entry::{Details, RecordId};
use super::error::LogbookError;
use super::open::{Logbook, beside};

/// What a check found.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize)]
pub struct Soundness {
    /// What contradicts itself; empty where the file is sound.
    pub problems: Vec<String>,
    /// Numbers of the readings that can be read whole.
    pub readings: Vec<RecordId>,
    /// Numbers of the events that can be read.
    pub events: Vec<RecordId>,
    /// Numbers of the records that cannot be read.
    pub lost: Vec<RecordId>,
}

impl Soundness {
    /// True where nothing contradicts and everything can be read.
    pub const fn is_sound(&self) -> bool {
        self.problems.is_empty() && self.lost.is_empty()
    }
}

/// Most problems that are listed.
const MOST_PROBLEMS: usize = 20;

impl Logbook {
    /// Checks the file's structure, the references between its records, and that every record can be read.
    pub fn check(&self) -> Soundness {
        let mut sound = Soundness::default();
        let mut problem = |what: String| {
            if sound.problems.len() < MOST_PROBLEMS && !sound.problems.contains(&what) {
                sound.problems.push(what);
            }
        };
        match self.rows(&format!("PRAGMA integrity_check({MOST_PROBLEMS})"), [], |row| row.get::<_, String>(0)) {
            Ok(lines) => lines.iter().flat_map(|text| text.lines()).filter(|line| *line != "ok").for_each(|line| {
                problem(line.to_owned());
            }),
            Err(error) => problem(error.to_string()),
        }
        match self.rows("PRAGMA foreign_key_check", [], |row| row.get::<_, String>(0)) {
            Ok(tables) => {
                tables.into_iter().for_each(|table| problem(format!("a row of {table} names what is not there")))
            }
            Err(error) => problem(error.to_string()),
        }
        for said in [self.said_of_machines().err(), self.said_of_lenses().err()] {
            said.into_iter().for_each(|error| problem(error.to_string()));
        }
        for id in self.ids() {
            match self.whole(id) {
                Ok((Record::Reading(_), _)) => sound.readings.push(id),
                Ok((Record::Event(_), _)) => sound.events.push(id),
                Err(_) => sound.lost.push(id),
            }
        }
        sound
    }

    /// A record with its details, an event with none.
    pub(super) fn whole(&self, id: RecordId) -> Result<(Record, Details), LogbookError> {
        let record = self.record(id)?;
        let details = match &record {
            Record::Reading(_) => self.details(id)?,
            Record::Event(_) => Details::default(),
        };
        Ok((record, details))
    }

    /// Numbers of the records there are, or were: in a damaged file each place that still names one counts.
    pub(super) fn ids(&self) -> BTreeSet<RecordId> {
        let mut ids = BTreeSet::new();
        for sql in [
            "SELECT id FROM record",
            "SELECT id FROM record ORDER BY id DESC",
            // By way of indices, which lie elsewhere in the file.
            "SELECT id FROM record INDEXED BY record_of_machine",
            "SELECT record FROM reading INDEXED BY reading_of_picture",
            "SELECT record FROM event",
            "SELECT record FROM detail",
        ] {
            // A row at a time: those before the damage are read before it is met.
            let Ok(mut statement) = self.connection.prepare(sql) else { continue };
            let Ok(rows) = statement.query_map([], |row| row.get::<_, RecordId>(0)) else { continue };
            ids.extend(rows.map_while(Result::ok).filter(|id| *id > 0));
        }
        ids
    }

    /// Copies the logbook to a new file while others may write to it (SQLite's online backup). The file appears whole or
    /// not at all.
    ///
    /// # Errors
    /// A file that is there already or cannot be written, or a damaged logbook.
    pub fn backup(&self, to: &Path) -> Result<(), LogbookError> {
        if to.exists() {
            return Err(LogbookError::Exists { path: to.to_path_buf() });
        }
        let unfinished = unfinished(to);
        let done = self.copy_to(&unfinished).and_then(|()| {
            // The rename is refused where another program has made the file meanwhile.
            fs::hard_link(&unfinished, to)
                .or_else(|_| fs::rename(&unfinished, to))
                .map_err(|error| LogbookError::Unopenable { path: to.to_path_buf(), what: error.to_string() })
        });
        for leftover in ["", "-journal", "-wal", "-shm"] {
            // Nothing to be done where it cannot be taken away, or is not there.
            let _ = fs::remove_file(beside(&unfinished, leftover));
        }
        done
    }

    fn copy_to(&self, to: &Path) -> Result<(), LogbookError> {
        let fault = |error: rusqlite::Error| LogbookError::from_sql(to, &error);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let mut copy = Connection::open_with_flags(to, flags).map_err(fault)?;
        let run = Backup::new(&self.connection, &mut copy).map_err(fault)?;
        run.run_to_completion(2000, Duration::from_millis(1), None).map_err(fault)?;
        drop(run);
        let verdict: String = copy.query_row("PRAGMA quick_check(1)", [], |row| row.get(0)).map_err(fault)?;
        drop(copy);
        if verdict != "ok" {
            return Err(LogbookError::Damaged { path: self.path.clone(), what: verdict });
        }
        let synced = File::open(to).and_then(|file| file.sync_all());
        synced.map_err(|error| LogbookError::Disk { path: to.to_path_buf(), what: error.to_string() })
    }
}

/// The name of a file until it is whole.
fn unfinished(to: &Path) -> PathBuf {
    let name = to.file_name().unwrap_or_default().to_string_lossy();
    to.with_file_name(format!(".{name}.{}.part", std::process::id()))
}
