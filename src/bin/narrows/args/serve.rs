//! `narrows serve`.

use std::path::PathBuf;

use clap::{Args, ValueHint};

/// The page's port where none is asked for.
pub const PORT: u16 = 8470;

/// More help, with examples.
pub const EXAMPLES: &str = "\
Examples:
  narrows serve
      open the printed address in a browser on this machine

  narrows serve --lan
      for a phone in the workshop: scan the code that is printed, each code pairs one device

Without --lan only this machine can reach the page. With it, what a paired phone sends crosses the local network \
unencrypted. Nothing leaves the local network in either case. Ctrl-C stops it, and finishes what is being written first.";

/// `narrows serve`.
#[derive(Debug, Args)]
pub struct ServeArgs {
    /// Port to listen on; 0 takes any free one
    #[arg(long, value_name = "N", default_value_t = PORT)]
    pub port: u16,

    /// Let paired devices on the local network in, such as a phone
    #[arg(long)]
    pub lan: bool,

    /// The logbook's file, where it is not the usual one
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub logbook: Option<PathBuf>,

    /// Largest picture to open, in millions of pixels
    #[arg(long, value_name = "N", default_value = "100", value_parser = super::megapixels)]
    pub max_megapixels: f64,

    /// One line of JSON with the addresses instead of text
    #[arg(long)]
    pub json: bool,
}
