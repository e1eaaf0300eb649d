//! One module a command.

pub mod completions;
mod keep;
pub mod log;
mod log_facts;
pub mod drift;
pub mod read;
#[cfg(feature = "web")]
pub mod serve;
pub mod spacer;
