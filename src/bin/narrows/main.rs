//! The `narrows` program: reads the command line, runs what it asks for, and says how that ended.

mod args;
mod commands;
mod exit;
mod output;

use std::process::ExitCode;

fn main() -> ExitCode {
    let status = match args::parse(std::env::args_os()) {
        Ok(args::Request::Read(request)) => commands::read::run(&request),
        #[cfg(feature = "web")]
        Ok(args::Request::Serve(request)) => commands::serve::run(&request),
        Ok(args::Request::Spacer(request)) => commands::spacer::run(&request),
        Ok(args::Request::Log(request)) => commands::log::run(&request),
        Ok(args::Request::Drift(request)) => commands::drift::run(&request),
        Ok(args::Request::Plan(request)) => commands::plan::run(&request),
        Ok(args::Request::Completions { shell }) => commands::completions::run(shell),
        Ok(args::Request::Show(text)) => output::to_stdout(&text),
        Err(failure) => Err(failure),
    };
    exit::code(status)
}
