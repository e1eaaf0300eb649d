//! One module a command.

pub mod completions;
pub mod plan;
pub mod read;
