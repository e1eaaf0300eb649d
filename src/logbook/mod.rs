//! The logbook: every kept reading and what was done to the machines between them.

mod base64_text;
pub mod baseline;
mod entry;
mod when;

pub use entry::{
    Details, Entry, Event, EventKind, FitFacts, Fitting, FocusFacts, HeadFacts, Lens, LensOnMachine, LineFacts,
    Machine, NamedRamp, Picture, RampFacts, RecordId, Slack, SootSide, StationFacts, Withdrawn,
};
pub use when::{When, WhenError, WhenFrom, zone};
