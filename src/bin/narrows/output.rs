//! Where results go: standard output, or a file that is either the old one or the whole new one.

use std::fs::{self, File};
use std::io::{self, ErrorKind, Write};
use std::path::{Path, PathBuf};

use tempfile::Builder;

use crate::exit::{Failure, Status};

/// Writes to standard output. A reader that has seen enough and closed the pipe is no failure.
pub fn to_stdout(text: &str) -> Result<Status, Failure> {
    let mut stdout = io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => Err(Failure::broken(
            format!("standard output cannot be written: {error}"),
            "make room where it goes, or send it somewhere else",
        )),
        _ => Ok(Status::Answered),
    }
}

/// Writes a file whole or not at all: on any failure what stood there before still stands.
pub fn to_file(path: &Path, contents: &[u8]) -> Result<(), Failure> {
    write_file(path, contents).map_err(|error| {
        Failure::broken(
            format!("{} cannot be written: {error}", path.display()),
            "make room on the disk and check that you may write there, or choose another folder",
        )
    })
}

fn write_file(path: &Path, contents: &[u8]) -> io::Result<()> {
    // A link is followed, so that the file it leads to is replaced and not the link.
    let target = fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    if fs::metadata(&target).is_ok_and(|metadata| !metadata.is_file()) {
        // A device or a pipe has no old contents to keep, and must not be replaced by a file.
        return File::create(&target)?.write_all(contents);
    }
    let mut builder = Builder::new();
    builder.prefix(".narrows-");
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        // As any new file of this user, and not private as temporary files are.
        builder.permissions(fs::Permissions::from_mode(0o666));
    }
    let mut file = builder.tempfile_in(folder_of(&target))?;
    file.write_all(contents)?;
    file.as_file().sync_all()?;
    file.persist(&target).map_err(|error| error.error)?;
    Ok(())
}

/// The folder a path lies in.
pub fn folder_of(path: &Path) -> PathBuf {
    match path.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_path_buf(),
        _ => PathBuf::from("."),
    }
}
