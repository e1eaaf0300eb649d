//! One module a command.

pub mod completions;
pub mod read;
#[cfg(feature = "web")]
pub mod serve;
pub mod spacer;
