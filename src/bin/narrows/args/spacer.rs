//! Flags of `narrows spacer`.

use std::path::PathBuf;

use clap::{Args, ValueHint};
use narrows::setup::{LengthError, parse_length_mm};

use super::UnitsArg;

/// Shown at the foot of the long help.
pub const EXAMPLES: &str = "\
Examples:
  narrows spacer --spacer-mm 8.45 --stock 3.0,4.1,6.2,0.5x4
      the stack of these pieces that comes nearest; 0.5x4 are four pieces of 0.5 mm

  narrows read strip.png --setup bench.toml --json | narrows spacer - --stock stock.toml
      the block that a picture gave, with how far off it may be

  narrows spacer reading.json --stock stock.toml --label label.svg --machine north --lens \"2 in lens\"
      artwork for the block's side; never engrave the faces that gauge

A stock file, stock.toml:
  thickness_u_mm = 0.03      # half of the give or take, where a piece has none of its own
  [[piece]]
  thickness_mm = 4.12        # as measured
  name = \"grey block\"
  [[piece]]
  thickness_mm = \"0.020 in\"
  thickness_u_mm = 0.01
  count = 4

Exit status: 0 there is an answer; 1 the reading has none; 2 the request cannot be served; 3 a fault on this side.";

/// `narrows spacer`.
#[derive(Debug, Args)]
pub struct SpacerArgs {
    /// What narrows read --json printed, as a file, or - for standard input
    #[arg(value_name = "READING", value_hint = ValueHint::FilePath)]
    pub reading: Option<PathBuf>,

    /// The block that is wanted, instead of a reading [such as 8.45 or "0.333 in"]
    #[arg(long, value_name = "MM", value_parser = length, allow_negative_numbers = true, help_heading = "The block")]
    pub spacer_mm: Option<f64>,

    /// Its standard uncertainty, half of the give or take [such as 0.1]
    #[arg(long, value_name = "MM", value_parser = length, allow_negative_numbers = true, requires = "spacer_mm", help_heading = "The block")]
    pub spacer_u_mm: Option<f64>,

    /// How far the work may be lower, and higher, with the line still fine [such as 0.8,0.6]
    #[arg(long, value_name = "MM,MM", value_parser = two_lengths, allow_negative_numbers = true, help_heading = "The block")]
    pub slack_mm: Option<[f64; 2]>,

    /// How much wider the line is at those two heights
    #[arg(long, value_name = "SHARE", default_value = "0.05", value_parser = super::share, help_heading = "The block")]
    pub slack_fraction: f64,

    /// What the shop has: thicknesses, or a stock file [such as 3.0,4.1,6.2,0.5x4 or stock.toml]
    #[arg(long, value_name = "LIST|FILE.toml", allow_hyphen_values = true, help_heading = "Stock")]
    pub stock: Option<String>,

    /// Standard uncertainty of a thickness about which the stock says nothing
    #[arg(long, value_name = "MM", default_value = "0.05", value_parser = length, allow_negative_numbers = true, help_heading = "Stock")]
    pub stock_u_mm: f64,

    /// Most pieces in a stack
    #[arg(long, value_name = "N", default_value = "3", help_heading = "Stock")]
    pub pieces: usize,

    /// How many stacks to name, the best included
    #[arg(long, value_name = "N", default_value = "5", value_parser = clap::value_parser!(u16).range(1..=100), help_heading = "Stock")]
    pub stacks: u16,

    /// Stacks this close to each other count as equally good, and the one of fewer pieces wins
    #[arg(long, value_name = "MM", default_value = "0", value_parser = length, allow_negative_numbers = true, help_heading = "Stock")]
    pub tie_mm: f64,

    /// Sheets to cut, in place of the usual thicknesses [such as 3,4,6]
    #[arg(long, value_name = "MM,MM,…", value_delimiter = ',', value_parser = length, allow_negative_numbers = true, help_heading = "Settings for the work")]
    pub thickness_mm: Vec<f64>,

    /// How far below the surface the focus of a cut lies, as a share of the thickness
    #[arg(
        long,
        value_name = "SHARE",
        default_value = "0.3",
        allow_negative_numbers = true,
        help_heading = "Settings for the work"
    )]
    pub sunk_fraction: f64,

    /// Draw the engraving for the block's side, at true size
    #[arg(long, value_name = "FILE.svg", value_hint = ValueHint::FilePath, help_heading = "Label")]
    pub label: Option<PathBuf>,

    /// The block's thickness as measured [default: that of the best stack]
    #[arg(long, value_name = "MM", value_parser = length, allow_negative_numbers = true, help_heading = "Label")]
    pub measured_mm: Option<f64>,

    /// Which machine the block is for [such as north]
    #[arg(long, value_name = "TEXT", help_heading = "Label")]
    pub machine: Option<String>,

    /// Which lens it is for [such as "2 in lens"]
    #[arg(long, value_name = "TEXT", help_heading = "Label")]
    pub lens: Option<String>,

    /// What it is gauged from
    #[arg(long, value_name = "TEXT", default_value = "nozzle tip", help_heading = "Label")]
    pub gauged_from: String,

    /// The date on the label [default: today; such as 2026-11-25]
    #[arg(long, value_name = "DATE", help_heading = "Label")]
    pub when: Option<String>,

    /// Length of the side that is engraved
    #[arg(long, value_name = "MM", default_value = "40", value_parser = length, allow_negative_numbers = true, help_heading = "Label")]
    pub label_width_mm: f64,

    /// Height of the side that is engraved [default: the block's thickness]
    #[arg(long, value_name = "MM", value_parser = length, allow_negative_numbers = true, help_heading = "Label")]
    pub label_height_mm: Option<f64>,

    /// Draw a staircase gauge to cut from sheet, whose steps surround the block
    #[arg(long, value_name = "FILE.svg", value_hint = ValueHint::FilePath, help_heading = "Step gauge")]
    pub step_gauge: Option<PathBuf>,

    /// Width of the cut: half of it is added all round
    #[arg(long, alias = "kerf-mm", value_name = "MM", default_value = "0", value_parser = length, allow_negative_numbers = true, help_heading = "Step gauge")]
    pub kerf: f64,

    /// Number of steps; the middle one is the block
    #[arg(long, value_name = "N", default_value = "7", help_heading = "Step gauge")]
    pub steps: usize,

    /// From one step to the next [default: half of the give or take]
    #[arg(long, value_name = "MM", value_parser = length, allow_negative_numbers = true, help_heading = "Step gauge")]
    pub step_mm: Option<f64>,

    /// Length of each step: the nozzle's tip has to find room on it
    #[arg(long, value_name = "MM", default_value = "14", value_parser = length, allow_negative_numbers = true, help_heading = "Step gauge")]
    pub tread_mm: f64,

    /// One line of JSON instead of text
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Unit of lengths in the text
    #[arg(long, value_name = "UNIT", value_enum, default_value = "mm", help_heading = "Output")]
    pub units: UnitsArg,

    /// Leave out the line of warnings about the beam
    #[arg(long, help_heading = "Output")]
    pub quiet: bool,
}

fn length(text: &str) -> Result<f64, LengthError> {
    parse_length_mm(text)
}

fn two_lengths(text: &str) -> Result<[f64; 2], String> {
    let lengths: Result<Vec<f64>, LengthError> = text.split(',').map(parse_length_mm).collect();
    let lengths = lengths.map_err(|error| error.to_string())?;
    lengths.try_into().map_err(|_| "two lengths with a comma between them, such as 0.8,0.6".to_owned())
}
