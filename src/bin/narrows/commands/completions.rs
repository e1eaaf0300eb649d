//! `narrows completions SHELL`: a script that lets the shell complete flags and words.

use clap::CommandFactory;
use clap_complete::Shell;

use crate::args::Program;
use crate::exit::{Failure, Status};
use crate::output;

/// Writes the script to standard output.
pub fn run(shell: Shell) -> Result<Status, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Program::command(), "narrows", &mut script);
    output::to_stdout(&String::from_utf8_lossy(&script))
}
