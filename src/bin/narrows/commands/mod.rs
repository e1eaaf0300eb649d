//! One module a command.

pub mod completions;
pub mod drift;
pub mod read;
pub mod spacer;
