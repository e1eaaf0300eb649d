//! How a run ends: the exit status, and the two lines that say what went wrong and what to do.

use std::io::Write;
use std::process::ExitCode;

use narrows::printable::printable;

/// How a run ended. The largest of several holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Status {
    /// Every picture gave a focus.
    Answered = 0,
    /// At least one picture was refused.
    Refused = 1,
    /// The request cannot be served as it stands.
    Request = 2,
    /// A fault on this side.
    Broken = 3,
}

/// Something that could not be done: what, and what to do about it.
#[derive(Debug)]
pub struct Failure {
    /// [`Status::Request`] or [`Status::Broken`].
    pub status: Status,
    error: String,
    hint: String,
}

impl Failure {
    /// The request cannot be served as it stands.
    pub fn request(error: impl ToString, hint: impl ToString) -> Self {
        Self { status: Status::Request, error: one_line(&error.to_string()), hint: one_line(&hint.to_string()) }
    }

    /// There is no answer.
    pub fn refused(error: impl ToString, hint: impl ToString) -> Self {
        Self { status: Status::Refused, ..Self::request(error, hint) }
    }

    /// A fault on this side.
    pub fn broken(error: impl ToString, hint: impl ToString) -> Self {
        Self { status: Status::Broken, ..Self::request(error, hint) }
    }

    /// Writes both lines to standard error. Where that is closed there is nobody left to tell.
    pub fn tell(&self) {
        let mut stderr = std::io::stderr().lock();
        let _ = writeln!(stderr, "error: {}\nhint: {}", self.error, self.hint);
    }
}

/// The exit code of a run; a failure is told first.
pub fn code(outcome: Result<Status, Failure>) -> ExitCode {
    let status = outcome.unwrap_or_else(|failure| {
        failure.tell();
        failure.status
    });
    ExitCode::from(status as u8)
}

/// Messages of other libraries, and names of files, may hold line ends.
fn one_line(text: &str) -> String {
    let lines: Vec<&str> = text.split(['\n', '\r']).map(str::trim).filter(|line| !line.is_empty()).collect();
    printable(&lines.join(" "))
}
