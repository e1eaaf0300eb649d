//! One module a command.

pub mod completions;
pub mod drift;
mod keep;
pub mod log;
mod log_facts;
pub mod plan;
pub mod read;
#[cfg(feature = "web")]
pub mod serve;
pub mod spacer;
