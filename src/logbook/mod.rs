//! The logbook: every kept reading and what was done to the machines between them.

mod amend;
mod base64_text;
pub mod baseline;
mod book;
mod care;
mod defaults;
mod entry;
mod error;
mod insert;
mod keepsake;
mod open;
mod rows;
mod schema;
mod transfer;
mod when;

pub use amend::Correction;
pub use book::{Kept, Record, Said, lens_in};
pub use care::Soundness;
pub use defaults::{fitting, supply};
pub use entry::{
    Details, Entry, Event, EventKind, FitFacts, Fitting, FocusFacts, HeadFacts, Lens, LensOnMachine, LineFacts,
    Machine, NamedRamp, Picture, RampFacts, RecordId, Slack, SootSide, StationFacts, Withdrawn,
};
pub use error::LogbookError;
#[cfg(feature = "charts")]
pub use keepsake::small_jpeg;
pub use keepsake::{PictureFile, keepsake, sha256_of_file};
pub use open::{Logbook, default_path};
pub use transfer::{ExportError, Form, Imported, SCHEMA};
pub use when::{When, WhenError, WhenFrom, zone};
