//! `narrows log`: the flags of its tasks.

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum, ValueHint};
use narrows::logbook::{EventKind, Form};

use super::{SetupFlags, UnitsArg};

pub const EXAMPLES: &str = "\
Examples:
  narrows log lens \"two inch\" --nominal-focal-length-mm 50.8
  narrows log machine north --lens \"two inch\" --spacer-in-use-mm 7 --tip-diameter-mm 8
      say once what is there; readings take it from here

  narrows read strip.jpg --setup bench.toml --machine north --keep
      read a strip and keep it

  narrows log event lens-cleaned --machine north --note \"brown haze\"
  narrows log list
  narrows log correct 12 --when 2026-03-01
  narrows log withdraw 13 --reason \"the wrong strip\"
  narrows log backup ~/backups/logbook.db";

/// `narrows log`.
#[derive(Debug, Args)]
pub struct LogArgs {
    /// The logbook's file, where it is not the usual one
    #[arg(long, global = true, help_heading = "In every task", value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub logbook: Option<PathBuf>,

    /// Lines of JSON instead of text
    #[arg(long, global = true, help_heading = "In every task")]
    pub json: bool,

    /// Unit of lengths in the text
    #[arg(long, global = true, help_heading = "In every task", value_name = "UNIT", value_enum, default_value = "mm")]
    pub units: UnitsArg,

    #[command(subcommand)]
    pub task: LogTask,
}

/// What to do with the logbook.
#[derive(Debug, Subcommand)]
pub enum LogTask {
    /// List what is kept, oldest first
    List(ListArgs),
    /// Show one record whole
    Show(ShowArgs),
    /// Write down what was done to a machine
    Event(EventArgs),
    /// List the machines, or say what one is like
    Machine(MachineArgs),
    /// List the lenses, or say what one is like
    Lens(LensArgs),
    /// Put a record right: a new record replaces it, and the old one stays to be seen
    Correct(Box<CorrectArgs>),
    /// Take a record back, with a reason; it stays to be seen and no longer counts
    Withdraw(WithdrawArgs),
    /// Write everything as JSON Lines or as a table
    Export(ExportArgs),
    /// Add what an export holds; what is there already is not added again
    Import(ImportArgs),
    /// Check that the logbook is sound, and what of it can be read
    Check(CheckArgs),
    /// Copy the logbook to a new file, while others may write to it
    Backup(BackupArgs),
}

/// `narrows log list`.
#[derive(Debug, Args)]
pub struct ListArgs {
    /// Only this machine's
    #[arg(long, value_name = "NAME")]
    pub machine: Option<String>,
    /// Only with this lens
    #[arg(long, value_name = "NAME")]
    pub lens: Option<String>,
    /// From this date on
    #[arg(long, value_name = "DATE")]
    pub since: Option<String>,
    /// Up to this date
    #[arg(long, value_name = "DATE")]
    pub until: Option<String>,
    /// Only the last so many
    #[arg(long, value_name = "N")]
    pub last: Option<usize>,
    /// Only readings, or only events
    #[arg(long, value_name = "WHAT", value_enum)]
    pub only: Option<Only>,
    /// Also what was replaced or withdrawn
    #[arg(long)]
    pub all: bool,
}

/// Kinds of records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
#[allow(missing_docs)]
pub enum Only {
    Readings,
    Events,
}

/// `narrows log show`.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// The record's number, as narrows log list shows it
    #[arg(value_name = "NUMBER")]
    pub id: i64,
    /// Write the kept overlay here
    #[arg(long, value_name = "FILE.jpg", value_hint = ValueHint::FilePath)]
    pub overlay: Option<PathBuf>,
}

/// `narrows log event`.
#[derive(Debug, Args)]
pub struct EventArgs {
    /// What was done
    #[arg(value_name = "WHAT", value_enum)]
    pub kind: KindArg,
    /// To which machine; may be left out where there is only one
    #[arg(long, value_name = "NAME")]
    pub machine: Option<String>,
    /// The lens that is in it now
    #[arg(long, value_name = "NAME")]
    pub lens: Option<String>,
    /// When: 2026-03-01, or "2026-03-01 14:30" [now]
    #[arg(long, value_name = "DATE")]
    pub when: Option<String>,
    /// Where the tube's or head's mark stands now
    #[arg(long, value_name = "TEXT")]
    pub tube_mark: Option<String>,
    /// Anything else worth knowing
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

/// What was done.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum KindArg {
    /// Lens taken out and refitted, the same or another: the focus starts anew
    LensRefitted,
    /// Lens cleaned where it sits
    LensCleaned,
    /// Mirrors cleaned
    MirrorsCleaned,
    /// Mirrors aligned: the line's width and strength start anew
    MirrorsAligned,
    /// Tube replaced: the line's width and strength start anew
    TubeReplaced,
    /// Nozzle or head taken off and refitted: the focus starts anew
    HeadRefitted,
    /// Anything else; say what with --note
    Other,
}

impl From<KindArg> for EventKind {
    fn from(kind: KindArg) -> Self {
        match kind {
            KindArg::LensRefitted => Self::LensRefitted,
            KindArg::LensCleaned => Self::LensCleaned,
            KindArg::MirrorsCleaned => Self::MirrorsCleaned,
            KindArg::MirrorsAligned => Self::MirrorsAligned,
            KindArg::TubeReplaced => Self::TubeReplaced,
            KindArg::HeadRefitted => Self::HeadRefitted,
            KindArg::Other => Self::Other,
        }
    }
}

/// What can be said of a machine, a lens, or a lens on a machine. An empty text takes a fact away.
#[derive(Debug, Args)]
pub struct FittingArgs {
    /// Today's block ["" to forget it]
    #[arg(long, value_name = "MM")]
    pub spacer_in_use_mm: Option<String>,
    /// From the lens (its mount's reference) down to the nozzle tip
    #[arg(long, value_name = "MM")]
    pub lens_to_nozzle_mm: Option<String>,
    /// Flat face of the nozzle tip
    #[arg(long, value_name = "MM")]
    pub tip_diameter_mm: Option<String>,
    /// Where the block is put to gauge
    #[arg(long, value_name = "TEXT")]
    pub gauged_from: Option<String>,
}

/// `narrows log machine`.
#[derive(Debug, Args)]
pub struct MachineArgs {
    /// Its name; without one, all are listed
    pub name: Option<String>,
    /// The lens that is in it; later on an event tells of another
    #[arg(long, value_name = "NAME", requires = "name")]
    pub lens: Option<String>,
    /// Time zone it stands in, such as Europe/Lisbon [this computer's]
    #[arg(long, value_name = "ZONE", requires = "name")]
    pub zone: Option<String>,
    /// Wavelength of its beam, in micrometres
    #[arg(long, value_name = "UM", requires = "name")]
    pub wavelength_um: Option<String>,
    /// Width of the beam at the lens (1/e²)
    #[arg(long, value_name = "MM", requires = "name")]
    pub beam_diameter_mm: Option<String>,
    #[command(flatten)]
    pub fitting: FittingArgs,
    /// Name of the ramp kept at it; needs --incline-deg or --ramp-file
    #[arg(long, value_name = "NAME", requires = "name")]
    pub ramp: Option<String>,
    /// That ramp's angle, in degrees
    #[arg(long, value_name = "DEG", requires = "name", conflicts_with = "ramp_file")]
    pub incline_deg: Option<String>,
    /// Standard uncertainty of the angle, in degrees
    #[arg(long, value_name = "DEG", requires = "incline_deg")]
    pub incline_u_deg: Option<String>,
    /// Take the angle from a ramp measured once, a file with incline_deg and incline_u_deg
    #[arg(long, value_name = "FILE", requires = "name", value_hint = ValueHint::FilePath)]
    pub ramp_file: Option<PathBuf>,
    /// Anything else worth knowing
    #[arg(long, value_name = "TEXT", requires = "name")]
    pub note: Option<String>,
}

/// `narrows log lens`.
#[derive(Debug, Args)]
pub struct LensArgs {
    /// Its name; without one, all are listed
    pub name: Option<String>,
    /// Focal length printed on it
    #[arg(long, value_name = "MM", requires = "name")]
    pub nominal_focal_length_mm: Option<String>,
    /// What follows holds on this machine alone
    #[arg(long, value_name = "MACHINE", requires = "name")]
    pub on: Option<String>,
    #[command(flatten)]
    pub fitting: FittingArgs,
    /// Anything else worth knowing
    #[arg(long, value_name = "TEXT", requires = "name")]
    pub note: Option<String>,
}

/// `narrows log correct`.
#[derive(Debug, Args)]
pub struct CorrectArgs {
    /// The record's number
    #[arg(value_name = "NUMBER")]
    pub id: i64,
    /// When it was
    #[arg(long, value_name = "DATE")]
    pub when: Option<String>,
    /// Which machine it was
    #[arg(long, value_name = "NAME")]
    pub machine: Option<String>,
    /// Which lens it was ["" where that is not known]
    #[arg(long, value_name = "NAME")]
    pub lens: Option<String>,
    /// Another note
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
    /// What was done, for an event
    #[arg(long, value_name = "WHAT", value_enum)]
    pub kind: Option<KindArg>,
    /// Where the mark stood, for an event
    #[arg(long, value_name = "TEXT")]
    pub tube_mark: Option<String>,
    /// The bench's lengths, given here.
    #[command(flatten)]
    pub fields: SetupFlags,
}

/// `narrows log withdraw`.
#[derive(Debug, Args)]
pub struct WithdrawArgs {
    /// The record's number
    #[arg(value_name = "NUMBER")]
    pub id: i64,
    /// Why it does not count
    #[arg(long, value_name = "TEXT", required = true)]
    pub reason: String,
}

/// `narrows log export`.
#[derive(Debug, Args)]
pub struct ExportArgs {
    /// A new or old file, .jsonl or .csv [standard output]
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: Option<PathBuf>,
    /// The form, where the file's name does not tell it [jsonl]
    #[arg(long, value_name = "FORM", value_enum)]
    pub form: Option<FormArg>,
}

/// Form of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum FormArg {
    /// JSON Lines: one object a record
    Jsonl,
    /// A table: one row a record
    Csv,
}

impl From<FormArg> for Form {
    fn from(form: FormArg) -> Self {
        match form {
            FormArg::Jsonl => Self::JsonLines,
            FormArg::Csv => Self::Csv,
        }
    }
}

/// `narrows log import`.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// What narrows log export wrote, in either form
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
}

/// `narrows log check`.
#[derive(Debug, Args)]
pub struct CheckArgs {
    /// Write what can be read to this new file, as JSON Lines
    #[arg(long, value_name = "FILE.jsonl", value_hint = ValueHint::FilePath)]
    pub rescue: Option<PathBuf>,
}

/// `narrows log backup`.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// The new file
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
}
