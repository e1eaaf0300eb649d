//! The command line: flags with their help, lowered once into what the commands need.

pub mod drift;
pub mod log;
pub mod spacer;

use std::ffi::OsString;
use std::path::PathBuf;

use clap::builder::{PossibleValuesParser, Styles};
use clap::error::ErrorKind;
use clap::{Arg, ArgMatches, Args, Command, FromArgMatches, Parser, Subcommand, ValueEnum, ValueHint};
use clap_complete::Shell;
use narrows::combine::Combine;
use narrows::report::rounding::Units;
use narrows::setup::{Field, Kind, Section};

use crate::exit::Failure;
use spacer::SpacerArgs;

#[cfg(feature = "web")]
pub mod serve;

pub mod plan;

const ABOUT: &str = "Reads a picture of a ramp test and says which block puts the work in focus";

const LONG_ABOUT: &str = "\
Reads a picture of a ramp test and says which block puts the work in focus.

A ramp test is a straight line burned with the head at one height over a strip that lies on an incline. Where the line \
is finest, the work was in focus. From a scan or a photo of the strip, and a few lengths from the bench, narrows answers \
with the block that fits between nozzle and work there, and how sure that is.";

const EXAMPLES: &str = "\
Examples:
  narrows read strip.png --setup bench.toml
      the block, and what it rests on

  narrows read strip.png --travel-mm 150 --gap-low-mm 17 --gap-high-mm 2 --low-end left
      the same with the bench's lengths given here instead of in a file

  narrows spacer --spacer-mm 8.45 --stock 3.0,4.1,6.2,0.5x4
      the stack of these pieces that comes nearest

  narrows read strip.png --setup bench.toml --machine north --keep
      the same, kept in the logbook; see narrows log --help

  narrows completions bash > ~/.local/share/bash-completion/completions/narrows
      let the shell complete flags";

const READ_EXAMPLES: &str = "\
Examples:
  narrows read strip.png --setup bench.toml
  narrows read a.png b.png --setup bench.toml --combine strips --overlay 'out/{}.png'
  narrows read strip.jpg --setup bench.toml --low-end right --spacer-in-use-mm \"0.276 in\"

A setup file, bench.toml:
  [ramp]
  travel_mm = 150            # how far the head moved, from the low end to the high end
  low_height_mm = 3          # the strip's top at its two ends, from one flat reference
  high_height_mm = 18
  [head]
  gap_low_mm = 17            # nozzle to strip with the head over the low end, and over the high end
  gap_high_mm = 2
  spacer_in_use_mm = 7       # today's block
  [picture]
  low_end = \"left\"           # where the low end lies in the picture

Lengths are millimetres, or carry their unit: \"0.7 cm\", \"0.276 in\", \"250 um\". A flag wins over the file.

Exit status: 0 every picture gave an answer; 1 at least one gave none; 2 the request cannot be served (a wrong flag or \
setup, a file that cannot be read); 3 a fault on this side. The highest wins.";

/// What the command line asks for.
#[derive(Debug)]
pub enum Request {
    /// Read pictures.
    Read(Box<ReadArgs>),
    /// Serve the page.
    #[cfg(feature = "web")]
    Serve(serve::ServeArgs),
    /// Find the block.
    Spacer(Box<SpacerArgs>),
    /// Keep and look up readings.
    Log(Box<log::LogArgs>),
    /// Look at readings over time.
    Drift(Box<drift::DriftArgs>),
    /// Plan a ramp test.
    Plan(Box<plan::PlanArgs>),
    /// Write a completion script.
    Completions {
        /// For this shell.
        shell: Shell,
    },
    /// Show help or the version.
    Show(String),
}

/// The whole program.
#[derive(Debug, Parser)]
#[command(name = "narrows", version, about = ABOUT, long_about = LONG_ABOUT, after_help = EXAMPLES)]
#[command(styles = Styles::plain(), subcommand_required = true, disable_help_subcommand = true)]
pub struct Program {
    #[command(subcommand)]
    task: Task,
}

#[derive(Debug, Subcommand)]
enum Task {
    /// Read pictures of ramp tests: the block that fits, and what it rests on
    #[command(after_long_help = READ_EXAMPLES, after_help = "More, with examples: narrows read --help")]
    Read(Box<ReadArgs>),
    /// Open the page: read strips in a browser on this machine, or on a phone beside it
    #[cfg(feature = "web")]
    #[command(after_help = serve::EXAMPLES)]
    Serve(serve::ServeArgs),
    /// Turn the answer into a stack of the pieces the shop has, and settings for the work
    #[command(after_long_help = spacer::EXAMPLES, after_help = "More, with examples: narrows spacer --help")]
    Spacer(Box<SpacerArgs>),
    /// Keep readings and what was done to the machines, and look them up
    #[command(after_long_help = log::EXAMPLES, after_help = "Examples: narrows log --help", disable_help_subcommand = true)]
    Log(Box<log::LogArgs>),
    /// See whether the focus has moved or creeps, and what to check first
    #[command(after_long_help = drift::EXAMPLES, after_help = "More, with examples: narrows drift --help")]
    Drift(Box<drift::DriftArgs>),
    /// Plan a ramp test: what to set, what to burn, how sure the answer will be
    #[command(after_long_help = plan::EXAMPLES, after_help = "More, with examples: narrows plan --help")]
    Plan(Box<plan::PlanArgs>),
    /// Write a script that lets your shell complete flags, such as: narrows completions bash
    Completions {
        /// Your shell
        shell: Shell,
    },
}

/// `narrows read`.
#[derive(Debug, Args)]
pub struct ReadArgs {
    /// Scan or photo of a strip; several are read side by side
    #[arg(value_name = "PICTURE", required = true, value_hint = ValueHint::FilePath)]
    pub pictures: Vec<PathBuf>,

    /// The bench's lengths, in a file you keep [such as bench.toml]
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub setup: Option<PathBuf>,

    /// One line of JSON for each picture instead of text
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// The machine it was burned on: the logbook supplies what the setup leaves open
    #[arg(long, value_name = "NAME", help_heading = "Logbook")]
    pub machine: Option<String>,

    /// The lens that was in it [the one in the machine at that time]
    #[arg(long, value_name = "NAME", help_heading = "Logbook")]
    pub lens: Option<String>,

    /// Keep the readings in the logbook; =all keeps also those without an answer
    #[arg(long, value_name = "WHICH", value_enum, num_args = 0..=1, require_equals = true,
        default_missing_value = "answers", help_heading = "Logbook", hide_possible_values = true)]
    pub keep: Option<KeepArg>,

    /// When it was burned: 2026-03-01, or "2026-03-01 14:30" [the picture's own time, else now]
    #[arg(long, value_name = "DATE", help_heading = "Logbook")]
    pub when: Option<String>,

    /// Anything to keep with it
    #[arg(long, value_name = "TEXT", requires = "keep", help_heading = "Logbook")]
    pub note: Option<String>,

    /// Keep it in place of this record
    #[arg(long, value_name = "NUMBER", requires = "keep", help_heading = "Logbook")]
    pub replaces: Option<i64>,

    /// Keep it although the same picture is kept already
    #[arg(long, requires = "keep", help_heading = "Logbook")]
    pub keep_again: bool,

    /// The logbook's file, where it is not the usual one
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, help_heading = "Logbook")]
    pub logbook: Option<PathBuf>,

    /// Draw what was measured on the picture itself, as PNG; with several pictures FILE needs {}, such as 'out/{}.png'
    #[arg(long, value_name = "FILE.png", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub overlay: Option<PathBuf>,

    /// Draw line width against height with the fits, as SVG or PNG; with several pictures FILE needs {}
    #[arg(long, value_name = "FILE.svg|.png", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub chart: Option<PathBuf>,

    /// Write every measured place as a table; with several pictures FILE needs {}, such as 'out/{}.csv'
    #[arg(long, value_name = "FILE.csv", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub stations: Option<PathBuf>,

    /// Make one answer of several pictures: each its own strip, or pictures of one strip
    #[arg(long, value_name = "WHAT", value_enum, help_heading = "Output")]
    pub combine: Option<CombineArg>,

    /// Unit of lengths in the text
    #[arg(long, value_name = "UNIT", value_enum, default_value = "mm", help_heading = "Output")]
    pub units: UnitsArg,

    /// Leave out the line of warnings about the beam
    #[arg(long, help_heading = "Output")]
    pub quiet: bool,

    /// The height slack ends where the line is wider than its finest by this share
    #[arg(long, value_name = "SHARE", default_value = "0.05", value_parser = share, help_heading = "Limits")]
    pub slack_fraction: f64,

    /// Largest picture to open, in millions of pixels
    #[arg(long, value_name = "N", default_value = "200", value_parser = megapixels, help_heading = "Limits")]
    pub max_megapixels: f64,

    /// The bench's lengths, given here.
    #[command(flatten)]
    pub fields: SetupFlags,
}

/// Which readings are kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum KeepArg {
    /// Those with an answer
    Answers,
    /// Those without one too
    All,
}

/// What several pictures show.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum CombineArg {
    /// Each picture shows its own strip, burned with one setup
    Strips,
    /// All pictures show one strip
    Pictures,
}

impl From<CombineArg> for Combine {
    fn from(combine: CombineArg) -> Self {
        match combine {
            CombineArg::Strips => Self::Strips,
            CombineArg::Pictures => Self::Pictures,
        }
    }
}

/// Units of the text.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum UnitsArg {
    /// Millimetres
    Mm,
    /// Inches
    In,
}

impl From<UnitsArg> for Units {
    fn from(units: UnitsArg) -> Self {
        match units {
            UnitsArg::Mm => Self::Millimetres,
            UnitsArg::In => Self::Inches,
        }
    }
}

/// Every field of the setup file as a flag, made from the library's own table of fields.
#[derive(Debug, Default)]
pub struct SetupFlags(pub Vec<(Field, String)>);

impl Args for SetupFlags {
    fn augment_args(command: Command) -> Command {
        Field::ALL.iter().fold(command, |command, field| command.arg(flag(*field)))
    }

    fn augment_args_for_update(command: Command) -> Command {
        Self::augment_args(command)
    }
}

impl FromArgMatches for SetupFlags {
    fn from_arg_matches(matches: &ArgMatches) -> Result<Self, clap::Error> {
        let said = |field: &Field| Some((*field, matches.get_one::<String>(field.name())?.clone()));
        Ok(Self(Field::ALL.iter().filter_map(said).collect()))
    }

    fn update_from_arg_matches(&mut self, matches: &ArgMatches) -> Result<(), clap::Error> {
        *self = Self::from_arg_matches(matches)?;
        Ok(())
    }
}

fn flag(field: Field) -> Arg {
    let heading = match field.section() {
        Section::Ramp => "The ramp, [ramp] in the setup file",
        Section::Head => "Where the nozzle was, [head] in the setup file",
        Section::Burn => "How it was burned, [burn] in the setup file",
        Section::Picture => "The picture, [picture] in the setup file",
    };
    let arg = Arg::new(field.name())
        .long(long_name(field))
        .help_heading(heading)
        // A minus sign is told as what it is, and not as an unknown flag.
        .allow_negative_numbers(true);
    let example = match field.kind() {
        Kind::Choice(words) => words.join(" | "),
        _ => format!("such as {}", field.example()),
    };
    let arg = arg.help(format!("{} [{example}]", field.description()));
    match field.kind() {
        Kind::Length | Kind::LengthOrZero => arg.value_name("MM"),
        Kind::Number | Kind::NumberOrZero | Kind::Count => arg.value_name("N"),
        Kind::Angle => arg.value_name("DEG"),
        Kind::Claim => arg.value_name("true|false").num_args(0..=1).require_equals(true).default_missing_value("true"),
        Kind::Text => arg.value_name("TEXT"),
        Kind::Choice(words) => {
            arg.value_name("WORD").value_parser(PossibleValuesParser::new(words)).hide_possible_values(true)
        }
        Kind::TwoPlaces => arg.value_name("X,Y,X,Y"),
        Kind::TwoLengths => arg.value_name("MM,MM"),
        Kind::Area => arg.value_name("X,Y,W,H"),
    }
}

fn long_name(field: Field) -> String {
    field.name().replace('_', "-")
}

/// What has a help page of its own.
const TASKS: [&str; 6] = ["read", "spacer", "log", "drift", "plan", "serve"];

/// Reads the command line.
///
/// # Errors
/// A usage error, in the form every error has.
pub fn parse(args: impl IntoIterator<Item = OsString>) -> Result<Request, Failure> {
    let args = join_claims(args);
    let task = args.iter().skip(1).filter_map(|arg| arg.to_str()).find(|arg| TASKS.contains(arg)).map(str::to_owned);
    match Program::try_parse_from(args) {
        Ok(Program { task: Task::Read(request) }) => Ok(Request::Read(request)),
        #[cfg(feature = "web")]
        Ok(Program { task: Task::Serve(request) }) => Ok(Request::Serve(request)),
        Ok(Program { task: Task::Spacer(request) }) => Ok(Request::Spacer(request)),
        Ok(Program { task: Task::Log(request) }) => Ok(Request::Log(request)),
        Ok(Program { task: Task::Drift(request) }) => Ok(Request::Drift(request)),
        Ok(Program { task: Task::Plan(request) }) => Ok(Request::Plan(request)),
        Ok(Program { task: Task::Completions { shell } }) => Ok(Request::Completions { shell }),
        Err(error) => match error.kind() {
            ErrorKind::DisplayHelp | ErrorKind::DisplayVersion => Ok(Request::Show(error.render().to_string())),
            _ => Err(usage_failure(&error, task.as_deref())),
        },
    }
}

/// `--air true` means `--air=true`, while `--air strip.png` is a flag and a picture. A flag whose value may be left out
/// cannot tell them apart by itself.
fn join_claims(args: impl IntoIterator<Item = OsString>) -> Vec<OsString> {
    let claims: Vec<String> =
        Field::ALL.iter().filter(|field| field.kind() == Kind::Claim).map(|field| field.flag()).collect();
    let mut joined: Vec<OsString> = Vec::new();
    for arg in args {
        let is_claim = |arg: &OsString| arg.to_str().is_some_and(|arg| claims.iter().any(|claim| claim == arg));
        match (joined.last_mut(), arg.to_str()) {
            (Some(last), Some("true" | "false")) if is_claim(last) => {
                last.push("=");
                last.push(&arg);
            }
            _ => joined.push(arg),
        }
    }
    joined
}

/// One line that says what is wrong, one that says what to do, as every other error has them.
fn usage_failure(error: &clap::Error, task: Option<&str>) -> Failure {
    let text = error.render().to_string();
    let mut paragraphs = text.split("\n\n");
    let what = paragraphs.next().unwrap_or_default().trim_start_matches("error: ").to_owned();
    // That an unknown flag could be a value is no help.
    let tip = paragraphs
        .find_map(|paragraph| paragraph.trim().strip_prefix("tip: ").map(str::to_owned))
        .filter(|tip| !tip.starts_with("to pass"));
    let is_read = text.contains("narrows read");
    let is_log = text.contains("Usage: narrows log");
    let help = task.map_or_else(|| "narrows --help".to_owned(), |task| format!("narrows {task} --help"));
    match error.kind() {
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand if is_log => {
            Failure::request(
                "nothing was asked of the logbook",
                "ask for one thing, such as narrows log list; see narrows log --help",
            )
        }
        ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand | ErrorKind::MissingSubcommand => Failure::request(
            "nothing was asked for",
            "name a picture to read: narrows read strip.png --setup bench.toml, or see narrows --help",
        ),
        ErrorKind::MissingRequiredArgument if is_read => Failure::request(
            "no picture was named",
            "name the scan or photo to read: narrows read strip.png --setup bench.toml",
        ),
        _ => Failure::request(what, tip.unwrap_or_else(|| format!("see {help}"))),
    }
}

fn share(text: &str) -> Result<f64, String> {
    number(text)
        .filter(|share| *share > 0.0 && *share <= 1.0)
        .ok_or("a number above 0 and up to 1, such as 0.05".into())
}

fn megapixels(text: &str) -> Result<f64, String> {
    number(text).filter(|count| *count > 0.0).ok_or("a number above 0, such as 200".into())
}

fn number(text: &str) -> Option<f64> {
    text.parse().ok().filter(|number: &f64| number.is_finite())
}
