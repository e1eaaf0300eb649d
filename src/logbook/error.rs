//! What can be wrong with a logbook or with what is asked of it.

use std::path::{Path, PathBuf};

use super::entry::RecordId;
use crate::setup::SetupError;

/// Why the logbook cannot do what was asked. Whatever it is, what stood in the logbook before still stands.
#[derive(Debug, thiserror::Error)]
pub enum LogbookError {
    /// There is no file.
    #[error("there is no logbook at {}", path.display())]
    Missing {
        /// Where it was looked for.
        path: PathBuf,
    },
    /// The system names no folder for a program's data.
    #[error("this system names no folder for a program's data")]
    NoFolder,
    /// The file is something else.
    #[error("{} is no logbook of narrows", path.display())]
    NotALogbook {
        /// The file.
        path: PathBuf,
    },
    /// A later program wrote it.
    #[error("the logbook {} was written by a later narrows: its layout is {found}, and this one knows up to {known}", path.display())]
    Newer {
        /// The file.
        path: PathBuf,
        /// Layout of the file.
        found: i64,
        /// Latest layout that this program knows.
        known: i64,
    },
    /// The file's contents contradict themselves.
    #[error("the logbook {} is damaged: {what}", path.display())]
    Damaged {
        /// The file.
        path: PathBuf,
        /// What contradicts.
        what: String,
    },
    /// No room.
    #[error("the logbook {} cannot be written: no room is left on the disk", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// Not permitted.
    #[error("the logbook {} cannot be written: the file or its folder is read-only", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// The file or its folder cannot be opened.
    #[error("the logbook {} cannot be opened: {what}", path.display())]
    Unopenable {
        /// The file.
        path: PathBuf,
        /// What the system says.
        what: String,
    },
    /// Another program held it for too long.
    #[error("the logbook {} is being written by another program and did not become free", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// Reading or writing the file failed in another way.
    #[error("the logbook {} cannot be used: {what}", path.display())]
    Disk {
        /// The file.
        path: PathBuf,
        /// What the database says.
        what: String,
    },
    /// No such machine.
    #[error("the logbook knows no machine \"{name}\"")]
    NoMachine {
        /// As named.
        name: String,
        /// The machines that it knows.
        known: Vec<String>,
    },
    /// No such lens.
    #[error("the logbook knows no lens \"{name}\"")]
    NoLens {
        /// As named.
        name: String,
        /// The lenses that it knows.
        known: Vec<String>,
    },
    /// A name that would be confused with another or cannot be typed.
    #[error("\"{name}\" cannot be a name")]
    BadName {
        /// As named.
        name: String,
    },
    /// No such record.
    #[error("the logbook has no record {id}")]
    NoRecord {
        /// As named.
        id: RecordId,
    },
    /// It was replaced already.
    #[error("record {id} was already replaced by record {by}")]
    AlreadyReplaced {
        /// As named.
        id: RecordId,
        /// Its replacement.
        by: RecordId,
    },
    /// It was withdrawn already.
    #[error("record {id} was already withdrawn: {reason}")]
    AlreadyWithdrawn {
        /// As named.
        id: RecordId,
        /// Why.
        reason: String,
    },
    /// A reading was named where an event belongs, or the other way round.
    #[error("record {id} is {found}, and not {wanted}")]
    OtherKind {
        /// As named.
        id: RecordId,
        /// What it is.
        found: &'static str,
        /// What was wanted.
        wanted: &'static str,
    },
    /// The correction needs the picture.
    #[error("record {id}: {field} moves the places along the strip, which only the picture can tell")]
    NeedsPicture {
        /// The reading.
        id: RecordId,
        /// What was to be corrected.
        field: String,
    },
    /// A corrected setup does not hold together.
    #[error("{0}")]
    Setup(Box<SetupError>),
    /// A number that is none.
    #[error("a reading with a number that is not finite cannot be kept")]
    NotFinite,
    /// Another record with the same identity is in the logbook.
    #[error("{what} in the file differs from what the logbook holds under the same identity {uid}")]
    Conflict {
        /// Which record.
        what: String,
        /// Its identity.
        uid: String,
    },
    /// A line of a file to import.
    #[error("line {line}: {what}")]
    BadLine {
        /// Counted from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A backup would be written over a file.
    #[error("{} is there already", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
}

impl LogbookError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::Missing { .. } => {
                "say which machine there is, narrows log machine north, and keep a first reading: narrows read strip.jpg \
                 --machine north --keep; or name another file with --logbook"
                    .to_owned()
            }
            Self::NoFolder => "name the file with --logbook".to_owned(),
            Self::NotALogbook { .. } => {
                "name another file with --logbook; this one was left as it is".to_owned()
            }
            Self::Newer { .. } => "use that later narrows; the file was left as it is".to_owned(),
            Self::Damaged { .. } => "save what can be read with narrows log check --rescue FILE.jsonl, and import it into a \
                                     new logbook, or take the last backup"
                .to_owned(),
            Self::Full { .. } => "make room and try again; what was kept before is unchanged".to_owned(),
            Self::ReadOnly { .. } | Self::Unopenable { .. } => {
                "check that you may write to the file and its folder, or name another file with --logbook".to_owned()
            }
            Self::Busy { .. } => "wait until the other program has finished, and try again".to_owned(),
            Self::Disk { .. } => "check the disk and its quota, then the logbook: narrows log check".to_owned(),
            Self::NoMachine { known, .. } => unknown(known, "machine"),
            Self::NoLens { known, .. } => unknown(known, "lens"),
            Self::BadName { .. } => {
                "a name has 1 to 60 letters, begins and ends with none that is invisible, and keeps to one line".to_owned()
            }
            Self::NoRecord { .. } => "see the numbers with narrows log list --all".to_owned(),
            Self::AlreadyReplaced { by, .. } => format!("correct or withdraw record {by} in its place"),
            Self::AlreadyWithdrawn { .. } => "to bring it back, correct it: narrows log correct NUMBER --note \"…\"".to_owned(),
            Self::OtherKind { .. } => "see what it is with narrows log list --all".to_owned(),
            Self::NeedsPicture { id, .. } => {
                format!("read the picture again with the right setup: narrows read PICTURE --keep --replaces {id}")
            }
            Self::Setup(error) => error.hint(),
            Self::NotFinite => "keep the picture and the setup and report them, so that this can be put right".to_owned(),
            Self::Conflict { .. } => {
                "import into a new file, --logbook other.db, and compare; nothing was imported".to_owned()
            }
            Self::BadLine { .. } => {
                "import a file that narrows log export wrote; nothing was imported".to_owned()
            }
            Self::Exists { .. } => "choose another name".to_owned(),
        }
    }

    /// True where the fault is on this side (disk, damage) and not in what was asked.
    pub const fn is_broken(&self) -> bool {
        matches!(
            self,
            Self::Damaged { .. }
                | Self::Full { .. }
                | Self::ReadOnly { .. }
                | Self::Unopenable { .. }
                | Self::Busy { .. }
                | Self::Disk { .. }
        )
    }

    /// What the database says, in this module's terms.
    pub(super) fn from_sql(path: &Path, error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode;
        let path = path.to_path_buf();
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::Full { path },
            // The small file beside the logbook could not be made as large as it has to be.
            Some(ErrorCode::SystemIoFailure)
                if error.sqlite_error().is_some_and(|e| e.extended_code == rusqlite::ffi::SQLITE_IOERR_SHMSIZE) =>
            {
                Self::Full { path }
            }
            Some(ErrorCode::SystemIoFailure) if error.sqlite_error().is_some_and(|e| is_write(e.extended_code)) => {
                // A write that fails in the middle is a full disk, a quota, or a broken disk.
                Self::Disk { path, what: "the disk does not take more, by room or by quota".to_owned() }
            }
            Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => Self::ReadOnly { path },
            Some(ErrorCode::CannotOpen) => Self::Unopenable { path, what: "the system does not let it be".to_owned() },
            // What is no database at all was turned away by its first bytes before.
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
                Self::Damaged { path, what: error.to_string() }
            }
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Busy { path },
            _ => Self::Disk { path, what: error.to_string() },
        }
    }
}

const fn is_write(extended_code: i32) -> bool {
    use rusqlite::ffi::{SQLITE_IOERR_FSYNC, SQLITE_IOERR_TRUNCATE, SQLITE_IOERR_WRITE};
    matches!(extended_code, SQLITE_IOERR_WRITE | SQLITE_IOERR_FSYNC | SQLITE_IOERR_TRUNCATE)
}

fn unknown(known: &[String], what: &str) -> String {
    if known.is_empty() {
        format!("say it is there first: narrows log {what} NAME")
    } else {
        format!("name one of {}, or add it: narrows log {what} NAME", known.join(", "))
    }
}
