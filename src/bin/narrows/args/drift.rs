//! Flags of `narrows drift`.

use std::path::PathBuf;

use clap::{Args, ValueHint};

/// Below the long help.
pub const EXAMPLES: &str = "\
Examples:
  narrows drift --machine north
      whether the focus is where it was, and what to check first

  narrows drift --machine north --lens two-inch --axis x --chart drift.svg
      one lens and one axis, with the chart

  narrows drift --machine north --all --report drift.html
      all readings as one series, as a page to print or to send

Without --all the readings since the lens, the nozzle or the head was last out are judged; how much that moved the focus \
is told beside them. Limits are drawn from eight readings on, a trend is told from six on.

Exit status: 0 there is a verdict; 1 there are too few readings for one; 2 the request cannot be served (a wrong flag, an \
unknown machine, no logbook); 3 a fault on this side, such as a damaged logbook.";

/// `narrows drift`.
#[derive(Debug, Args)]
pub struct DriftArgs {
    /// Machine to look at; needed where the logbook knows several
    #[arg(long, value_name = "NAME")]
    pub machine: Option<String>,

    /// Lens to look at [that of the machine's newest reading]
    #[arg(long, value_name = "NAME")]
    pub lens: Option<String>,

    /// Machine axis the lines ran along [that of the newest reading], such as x
    #[arg(long, value_name = "AXIS")]
    pub axis: Option<String>,

    /// Judge all readings as one series, whatever was out and refitted between them
    #[arg(long)]
    pub all: bool,

    /// Only readings from this day on, such as 2026-03-01
    #[arg(long, value_name = "DATE")]
    pub since: Option<String>,

    /// Today's block, in place of the logbook's [such as 7 or "0.276 in"]
    #[arg(long, value_name = "MM")]
    pub spacer_in_use_mm: Option<String>,

    /// The logbook's file, in place of the usual one
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub logbook: Option<PathBuf>,

    /// One line of JSON instead of text
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Draw the block against the date with limits, trend and events, as SVG or PNG
    #[arg(long, value_name = "FILE.svg|.png", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub chart: Option<PathBuf>,

    /// Write a page with verdict, chart and table, as one HTML file
    #[arg(long, value_name = "FILE.html", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub report: Option<PathBuf>,

    /// Leave out the line of warnings about the beam
    #[arg(long, help_heading = "Output")]
    pub quiet: bool,
}
