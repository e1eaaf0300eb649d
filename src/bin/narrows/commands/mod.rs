//! One module a command.

pub mod completions;
pub mod read;
pub mod spacer;
