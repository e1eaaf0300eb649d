//! One module a command.

pub mod completions;
pub mod drift;
mod keep;
pub mod log;
mod log_facts;
pub mod read;
pub mod spacer;
