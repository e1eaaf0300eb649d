//! The logbook: every kept reading and what was done to the machines between them.

mod base64_text;
pub mod baseline;
mod book;
mod entry;
mod error;
mod insert;
mod open;
mod rows;
mod schema;
mod when;

pub use book::{Kept, Record, Said};
pub use entry::{
    Details, Entry, Event, EventKind, FitFacts, Fitting, FocusFacts, HeadFacts, Lens, LensOnMachine, LineFacts,
    Machine, NamedRamp, Picture, RampFacts, RecordId, Slack, SootSide, StationFacts, Withdrawn,
};
pub use error::LogbookError;
pub use open::{Logbook, default_path};
pub use when::{When, WhenError, WhenFrom, zone};
