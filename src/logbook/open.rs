//! Finding and opening the file.

use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rusqlite::{Connection, ErrorCode, OpenFlags};

use super::error::LogbookError;
use super::schema;

/// How long a program waits for another that is writing. A write takes milliseconds; a slow disk takes longer.
const PATIENCE: Duration = Duration::from_secs(20);
/// First bytes of every SQLite file.
const SIGNATURE: &[u8] = b"SQLite format 3\0";

/// An open logbook.
#[derive(Debug)]
pub struct Logbook {
    pub(super) connection: Connection,
    pub(super) path: PathBuf,
}

/// The logbook's place where nobody names another: `logbook.db` in the platform's folder for a program's data.
///
/// # Errors
/// [`LogbookError::NoFolder`].
pub fn default_path() -> Result<PathBuf, LogbookError> {
    directories::ProjectDirs::from("", "", "narrows")
        .map(|folders| folders.data_dir().join("logbook.db"))
        .ok_or(LogbookError::NoFolder)
}

impl Logbook {
    /// Opens a logbook for reading and writing; where there is none, makes it and its folder.
    ///
    /// # Errors
    /// A file that is no logbook, one that a later program wrote, or a folder that cannot be written.
    pub fn open_or_create(path: &Path) -> Result<Self, LogbookError> {
        if let Some(folder) = path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            fs::create_dir_all(folder).map_err(|error| unopenable(path, &error))?;
        }
        Self::open_for_writing(path, OpenFlags::SQLITE_OPEN_CREATE)
    }

    /// Opens a logbook that is there, for reading and writing.
    ///
    /// # Errors
    /// As [`Logbook::open_or_create`], and [`LogbookError::Missing`].
    pub fn open(path: &Path) -> Result<Self, LogbookError> {
        must_be_there(path)?;
        Self::open_for_writing(path, OpenFlags::empty())
    }

    /// Opens a logbook that is there, for reading alone: this works in a read-only folder too.
    ///
    /// # Errors
    /// As [`Logbook::open`].
    pub fn open_to_read(path: &Path) -> Result<Self, LogbookError> {
        must_be_there(path)?;
        must_be_sqlite(path)?;
        let opened = connect(path, OpenFlags::SQLITE_OPEN_READ_ONLY);
        let opened = match opened {
            // SQLite wants to write beside a file in WAL mode even to read it. Where it cannot, and no other program has
            // left anything beside it, the file can be read as one that does not change.
            Err(LogbookError::Unopenable { .. } | LogbookError::ReadOnly { .. }) if is_empty(&beside(path, "-wal")) => {
                let uri = format!("file:{}?immutable=1", percent_encoded(path));
                connect(Path::new(&uri), OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI)
            }
            other => other,
        };
        let mut book = Self { connection: opened.map_err(|error| error.at(path))?, path: path.to_path_buf() };
        match book.layout()? {
            0 => Err(LogbookError::Missing { path: path.to_path_buf() }),
            // An earlier layout is brought up to date first, which takes a writer.
            found if found < schema::latest() => Self::open(path),
            _ => {
                // A reader that may not write leaves SQLite's files beside the logbook behind; one that may, but does not,
                // takes them away.
                if let Ok(tidy) = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE)
                    && tidy.pragma_update(None, "query_only", true).is_ok()
                {
                    book.connection = tidy;
                }
                Ok(book)
            }
        }
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    fn open_for_writing(path: &Path, create: OpenFlags) -> Result<Self, LogbookError> {
        must_be_sqlite(path)?;
        let is_there = path.exists();
        let run = || {
            let connection = connect(path, OpenFlags::SQLITE_OPEN_READ_WRITE | create)?;
            let mut book = Self { connection, path: path.to_path_buf() };
            book.layout()?;
            book.prepare()?;
            Ok(book)
        };
        run().map_err(|error| match error {
            // A writer also writes beside the file: where it is there and cannot be opened, that is what fails.
            LogbookError::Unopenable { path, .. } if is_there => LogbookError::ReadOnly { path },
            other => other,
        })
    }

    /// Settings of a writer, and the latest layout.
    fn prepare(&mut self) -> Result<(), LogbookError> {
        let fault = |error: rusqlite::Error| LogbookError::from_sql(&self.path, &error);
        // Full: what a command said it has kept is on the disk even if the power fails in the next moment.
        self.connection.pragma_update(None, "synchronous", "FULL").map_err(fault)?;
        self.connection.pragma_update(None, "foreign_keys", true).map_err(fault)?;
        patiently(|| {
            let mode: String =
                self.connection.pragma_update_and_check(None, "journal_mode", "WAL", |row| row.get(0))?;
            // Some network drives cannot: their logbook works too, with one writer or reader at a time.
            debug_assert!(mode == "wal" || mode == "delete" || mode == "memory", "{mode}");
            Ok(())
        })
        .map_err(fault)?;
        let migrated = schema::migrate(&mut self.connection);
        migrated.map_err(|error| LogbookError::from_sql(&self.path, &error))
    }

    /// Layout of the file, 0 where it is empty.
    ///
    /// # Errors
    /// A file that is no logbook, or one that a later program wrote.
    pub(super) fn layout(&self) -> Result<i64, LogbookError> {
        let path = || self.path.clone();
        let fault = |error: rusqlite::Error| LogbookError::from_sql(&self.path, &error);
        let number =
            |pragma| patiently(|| self.connection.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0)));
        let [application, found] = [number("application_id").map_err(fault)?, number("user_version").map_err(fault)?];
        if application == schema::APPLICATION_ID {
            return if found > schema::latest() {
                Err(LogbookError::Newer { path: path(), found, known: schema::latest() })
            } else {
                Ok(found)
            };
        }
        let tables: i64 =
            self.connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).map_err(fault)?;
        // Another program may be making the logbook this moment: then there are tables now, and its mark too.
        if tables == 0 || number("application_id").map_err(fault)? == schema::APPLICATION_ID {
            return Ok(if tables == 0 { 0 } else { schema::latest() });
        }
        Err(LogbookError::NotALogbook { path: path() })
    }
}

impl LogbookError {
    /// The same, told of the path that the person knows.
    fn at(self, known: &Path) -> Self {
        match self {
            Self::Unopenable { what, .. } => Self::Unopenable { path: known.to_path_buf(), what },
            Self::NotALogbook { .. } => Self::NotALogbook { path: known.to_path_buf() },
            Self::Damaged { what, .. } => Self::Damaged { path: known.to_path_buf(), what },
            Self::Disk { what, .. } => Self::Disk { path: known.to_path_buf(), what },
            Self::ReadOnly { .. } => Self::ReadOnly { path: known.to_path_buf() },
            other => other,
        }
    }
}

/// Opens and reads the first page, where a file shows what it is.
fn connect(path: &Path, flags: OpenFlags) -> Result<Connection, LogbookError> {
    let fault = |error: rusqlite::Error| LogbookError::from_sql(path, &error);
    let connection = Connection::open_with_flags(path, flags | OpenFlags::SQLITE_OPEN_NO_MUTEX).map_err(fault)?;
    connection.busy_timeout(PATIENCE).map_err(fault)?;
    patiently(|| connection.pragma_query_value(None, "schema_version", |row| row.get::<_, i64>(0))).map_err(fault)?;
    Ok(connection)
}

/// Some of SQLite's locks (the change to WAL, recovery after a crash) are refused at once and not waited for.
fn patiently<T>(mut attempt: impl FnMut() -> rusqlite::Result<T>) -> rusqlite::Result<T> {
    let began = Instant::now();
    loop {
        match attempt() {
            Err(error)
                if matches!(error.sqlite_error_code(), Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked))
                    && began.elapsed() < PATIENCE =>
            {
                sleep(Duration::from_millis(5));
            }
            outcome => return outcome,
        }
    }
}

fn must_be_there(path: &Path) -> Result<(), LogbookError> {
    match fs::metadata(path) {
        Ok(metadata) if metadata.len() > 0 || metadata.is_dir() => Ok(()),
        Ok(_) => Err(LogbookError::Missing { path: path.to_path_buf() }),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
            Err(LogbookError::Missing { path: path.to_path_buf() })
        }
        Err(error) => Err(unopenable(path, &error)),
    }
}

/// A file of another kind is told from its first bytes, before SQLite is let near it. A file that is not there or
/// empty passes.
fn must_be_sqlite(path: &Path) -> Result<(), LogbookError> {
    let metadata = match fs::metadata(path) {
        Ok(metadata) => metadata,
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(()),
        Err(error) => return Err(unopenable(path, &error)),
    };
    if !metadata.is_file() {
        return Err(LogbookError::NotALogbook { path: path.to_path_buf() });
    }
    let mut start = Vec::new();
    let read = File::open(path).and_then(|file| file.take(SIGNATURE.len() as u64).read_to_end(&mut start));
    read.map_err(|error| unopenable(path, &error))?;
    if start.is_empty() || start == SIGNATURE {
        Ok(())
    } else {
        Err(LogbookError::NotALogbook { path: path.to_path_buf() })
    }
}

fn unopenable(path: &Path, error: &std::io::Error) -> LogbookError {
    match error.kind() {
        std::io::ErrorKind::ReadOnlyFilesystem => LogbookError::ReadOnly { path: path.to_path_buf() },
        std::io::ErrorKind::StorageFull | std::io::ErrorKind::QuotaExceeded => {
            LogbookError::Full { path: path.to_path_buf() }
        }
        _ => LogbookError::Unopenable { path: path.to_path_buf(), what: error.to_string() },
    }
}

/// The files that SQLite keeps beside a database.
pub(super) fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}

/// True where a file holds nothing or is not there.
fn is_empty(path: &Path) -> bool {
    fs::metadata(path).map_or(true, |metadata| metadata.len() == 0)
}

/// A path in a URI, where `?`, `#` and `%` mean something (RFC 3986, 2.1).
fn percent_encoded(path: &Path) -> String {
    use std::fmt::Write;
    let absolute = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let mut encoded = String::new();
    for byte in absolute.as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-._~".contains(byte) {
            encoded.push(char::from(*byte));
        } else {
            // Writing to a string cannot fail.
            let _ = write!(encoded, "%{byte:02X}");
        }
    }
    encoded
}
