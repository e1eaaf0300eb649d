//! What can be wrong with a setup, with the field, where it was said, and what to do about it.

use std::fmt;
use std::path::PathBuf;

use super::field::{Field, Kind, Section, quoted_list};
use super::length::LengthError;
use crate::printable::printable;

/// Where a field was said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Origin {
    /// In the setup file, on this line (counted from 1).
    Line(usize),
    /// By the flag of the same name.
    Flag,
    /// By what the logbook knows of machine and lens.
    Logbook,
}

/// A field that was said, and where.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Given {
    /// Which field.
    pub field: Field,
    /// Where it was said.
    pub origin: Origin,
}

impl fmt::Display for Given {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.origin {
            Origin::Line(line) => write!(formatter, "{} (line {line})", self.field),
            Origin::Flag => formatter.write_str(&self.field.flag()),
            Origin::Logbook => write!(formatter, "{} (from the logbook)", self.field),
        }
    }
}

/// Why a missing field is needed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Without it nothing can be read.
    Always,
    /// Another field makes sense only with it.
    By(Given),
    /// The datum asks for it; the datum where it was said, `None` for the default, "ends".
    Datum(&'static str, Option<Given>),
}

/// A field that is not there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Missing {
    /// The field.
    pub field: Field,
    /// Line of its section's heading in the file, where the file has one.
    pub section_line: Option<usize>,
    /// Why it is needed.
    pub need: Need,
}

impl fmt::Display for Missing {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(formatter, "{} is missing from {}", self.field, self.field.section())?;
        if let Some(line) = self.section_line {
            write!(formatter, " (line {line})")?;
        }
        match self.need {
            Need::Always => Ok(()),
            Need::By(given) => write!(formatter, ": {given} needs it"),
            Need::Datum(name, Some(given)) => write!(formatter, ": {given} is \"{name}\", which needs it"),
            Need::Datum(name, None) => {
                write!(formatter, ": datum is \"{name}\" where nothing else is said, which needs it")
            }
        }
    }
}

/// Why a setup cannot be used. Lengths in millimetres, lines counted from 1. Its text is one line, whatever the file holds.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum SetupError {
    #[error("line {line} is not TOML: {}", one_line(source.message()))]
    Syntax { line: usize, source: Box<toml::de::Error> },
    #[error("there is no section [{}] (line {line})", printable(name))]
    UnknownSection { name: String, line: usize },
    #[error(
        "\"{}\" (line {line}) is no section, and fields stand under one of [ramp], [head], [burn], [picture]",
        printable(name)
    )]
    OutsideSections { name: String, line: usize },
    #[error("there is no field {} in {section} (line {line})", printable(name))]
    UnknownField { name: String, section: Section, line: usize, nearest: Option<Field> },
    #[error("{given} is {found}, and should be {}", given.field.kind().expectation())]
    WrongType { given: Given, found: &'static str },
    #[error("{given}: {reason}")]
    NotALength { given: Given, reason: LengthError },
    #[error("{given} is {value}, which is not a finite number")]
    NotFinite { given: Given, value: f64 },
    #[error("{given} is {value}, and cannot be negative")]
    Negative { given: Given, value: f64 },
    #[error("{given} is 0, and must be more than that")]
    Zero { given: Given },
    #[error("{given} is {value}°, and must lie between 0 and 90")]
    AngleOutOfRange { given: Given, value: f64 },
    #[error("{given} is \"{}\", and should be {}", printable(found), given.field.kind().expectation())]
    NotOneOf { given: Given, found: String },
    #[error("{given} holds {found} numbers, and should be {}", given.field.kind().expectation())]
    WrongCount { given: Given, found: usize },
    #[error("{0}")]
    Missing(Missing),
    #[error("{first} and {second} say one thing in two ways")]
    TwoWays { first: Given, second: Given },
    #[error("nothing says how steep the ramp was{}", in_section(Section::Ramp, *section_line))]
    NoSteepness { section_line: Option<usize> },
    #[error("{travel} cannot stand with datum \"strip\": there the heights belong to the strip's edges")]
    TravelWithStrip { travel: Given },
    #[error("{low} is {low_mm} and {high} is {high_mm}: the low end must be the lower one")]
    LowEndAboveHigh { low: Given, high: Given, low_mm: f64, high_mm: f64 },
    #[error("{low} is {low_mm} and {high} is {high_mm}: the gap must be larger over the low end")]
    GapsTheWrongWayRound { low: Given, high: Given, low_mm: f64, high_mm: f64 },
    #[error(
        "{middle} is {middle_mm}, half-way would be {straight_mm}: a strip that bows by {bow_mm:.1} no longer rises all the way"
    )]
    MiddleOutOfReach { middle: Given, middle_mm: f64, straight_mm: f64, bow_mm: f64 },
    #[error("{given} makes the ramp rise by more than its length of {strip_length_mm} allows")]
    RiseBeyondStrip { given: Given, strip_length_mm: f64 },
    #[error("{pitch} is {pitch_mm}, and {travel_mm} of travel is {steps:.2} times that, not a whole number")]
    PitchDoesNotDivide { pitch: Given, pitch_mm: f64, travel_mm: f64, steps: f64 },
    #[error("{pitch} is {pitch_mm}, which puts {last} steps on {travel_mm} of travel, and 6 to 30 are possible")]
    MarkCountOutOfRange { pitch: Given, pitch_mm: f64, travel_mm: f64, last: usize },
    #[error("{points} gives one place twice")]
    SamePoint { points: Given },
    #[error("{given} gives both points the same travel, {travel_mm}")]
    SameTravel { given: Given, travel_mm: f64 },
    #[error("{points} is used only with datum \"points\", and the datum is \"{datum}\"")]
    PointsUnused { points: Given, datum: &'static str },
    #[error("{block_at} is {block_at_mm}, beyond the strip's high edge at {travel_mm} of travel")]
    BlockOffStrip { block_at: Given, block_at_mm: f64, travel_mm: f64 },
    #[error("{given} names a file, and this setup does not stand in a folder")]
    RampFileWithoutFolder { given: Given },
    #[error("{given}: {} cannot be read", printable(&path.to_string_lossy()))]
    RampFileUnreadable { given: Given, path: PathBuf, source: std::io::Error },
    #[error("{given}: in {}, {source}", printable(&path.to_string_lossy()))]
    RampFileInvalid { given: Given, path: PathBuf, source: Box<Self> },
    #[error("there is no field {} in a ramp file (line {line})", printable(name))]
    RampFileUnknownField { name: String, line: usize },
    #[error("incline_deg is missing from the ramp file")]
    RampFileWithoutIncline,
}

impl SetupError {
    /// The field it is about, where it is about one.
    pub fn field(&self) -> Option<Field> {
        self.given().map(|given| given.field).or(match self {
            Self::Missing(missing) => Some(missing.field),
            _ => None,
        })
    }

    /// The line of the setup file it is about; for a missing field the line of its section, or of what needs it.
    pub fn line(&self) -> Option<usize> {
        let of = |given: Given| match given.origin {
            Origin::Line(line) => Some(line),
            Origin::Flag | Origin::Logbook => None,
        };
        match self {
            Self::Syntax { line, .. }
            | Self::UnknownSection { line, .. }
            | Self::OutsideSections { line, .. }
            | Self::UnknownField { line, .. }
            | Self::RampFileUnknownField { line, .. } => Some(*line),
            Self::NoSteepness { section_line } => *section_line,
            Self::Missing(missing) => missing.section_line.or(match missing.need {
                Need::By(given) | Need::Datum(_, Some(given)) => of(given),
                Need::Always | Need::Datum(_, None) => None,
            }),
            _ => self.given().and_then(of),
        }
    }

    /// The field as it was said, where one was.
    fn given(&self) -> Option<Given> {
        match self {
            Self::WrongType { given, .. }
            | Self::NotALength { given, .. }
            | Self::NotFinite { given, .. }
            | Self::Negative { given, .. }
            | Self::Zero { given }
            | Self::AngleOutOfRange { given, .. }
            | Self::NotOneOf { given, .. }
            | Self::WrongCount { given, .. }
            | Self::TwoWays { second: given, .. }
            | Self::TravelWithStrip { travel: given }
            | Self::LowEndAboveHigh { low: given, .. }
            | Self::GapsTheWrongWayRound { low: given, .. }
            | Self::MiddleOutOfReach { middle: given, .. }
            | Self::RiseBeyondStrip { given, .. }
            | Self::PitchDoesNotDivide { pitch: given, .. }
            | Self::MarkCountOutOfRange { pitch: given, .. }
            | Self::SamePoint { points: given }
            | Self::SameTravel { given, .. }
            | Self::PointsUnused { points: given, .. }
            | Self::BlockOffStrip { block_at: given, .. }
            | Self::RampFileWithoutFolder { given }
            | Self::RampFileUnreadable { given, .. }
            | Self::RampFileInvalid { given, .. } => Some(*given),
            Self::Syntax { .. }
            | Self::UnknownSection { .. }
            | Self::OutsideSections { .. }
            | Self::UnknownField { .. }
            | Self::Missing(_)
            | Self::NoSteepness { .. }
            | Self::RampFileUnknownField { .. }
            | Self::RampFileWithoutIncline => None,
        }
    }

    /// What to do about it: one imperative sentence.
    pub fn hint(&self) -> String {
        match self {
            Self::Syntax { .. } => {
                "write name = value, one a line, with text and lengths that carry a unit in quotes: travel_mm = 150 or \
                 travel_mm = \"15 cm\""
                    .to_owned()
            }
            Self::UnknownSection { .. } => "use the sections [ramp], [head], [burn] and [picture]".to_owned(),
            Self::OutsideSections { name, .. } => match Field::from_name(name) {
                Some(field) => format!("move {field} under {}", field.section()),
                None => "move it under the section it belongs to, or take it out".to_owned(),
            },
            Self::UnknownField { name, section, nearest, .. } => match nearest {
                Some(field) if field.name() == name => format!("move {field} from {section} to {}", field.section()),
                Some(field) if field.section() == *section => {
                    format!("write {field} if that was meant, or take the line out")
                }
                Some(field) => format!("write {field} in {} if that was meant, or take the line out", field.section()),
                None => "check the spelling, or take the line out".to_owned(),
            },
            Self::WrongType { given, .. } | Self::WrongCount { given, .. } => match given.origin {
                Origin::Flag => {
                    format!("write it like {} {}", given.field.flag(), quoted_if_needed(given.field.example()))
                }
                Origin::Line(_) | Origin::Logbook => {
                    format!("write it like {} = {}", given.field, in_file(given.field))
                }
            },
            Self::NotALength { reason: LengthError::DecimalComma { .. }, .. } => {
                "write the number with a point: 7.5".to_owned()
            }
            Self::NotALength { given, .. } => match given.field.kind() {
                Kind::Length | Kind::LengthOrZero | Kind::TwoLengths => {
                    "write a number of millimetres, or a number with mm, cm, m, in or um behind it".to_owned()
                }
                _ => format!("write it like {} {}", given.field.flag(), quoted_if_needed(given.field.example())),
            },
            Self::NotFinite { given, .. } => format!("give {} a number one can measure", given.field),
            Self::Negative { given, .. } => match given.field {
                Field::LowHeight | Field::HighHeight | Field::MiddleHeight | Field::NozzleHeight => {
                    "measure all heights upwards from one flat reference that lies below them".to_owned()
                }
                Field::BlockAt | Field::PointsTravel => {
                    "count travel from the low datum towards the high one".to_owned()
                }
                Field::GapLow | Field::GapHigh | Field::MiddleGap => {
                    "measure the gap again, upwards from the strip to the nozzle's tip above it".to_owned()
                }
                _ => format!("check {} and leave the minus sign out", given.field),
            },
            Self::Zero { given } => format!("measure {} again, or leave it out", given.field),
            Self::AngleOutOfRange { .. } => {
                "give the angle between the strip and the level, in degrees, such as 5.7".to_owned()
            }
            Self::NotOneOf { given, .. } => match given.field.kind() {
                Kind::Choice(words) => format!("choose {}", quoted_list(words)),
                kind => format!("write {}", kind.expectation()),
            },
            Self::Missing(missing) => missing_hint(missing),
            Self::TwoWays { first, second } => {
                format!("keep one of {} and {}, whichever was measured", first.field, second.field)
            }
            Self::NoSteepness { .. } => {
                "give both heights, or rise_mm, or incline_deg, or prop_mm with prop_at_mm, or \
                                         ramp_file, or both gaps"
                    .to_owned()
            }
            Self::TravelWithStrip { .. } => {
                "take travel_mm out and give strip_length_mm, or choose another datum".to_owned()
            }
            Self::LowEndAboveHigh { .. } => "exchange the two heights, or check which end is the low one".to_owned(),
            Self::GapsTheWrongWayRound { .. } => "exchange the two gaps, or check which end is the low one".to_owned(),
            Self::MiddleOutOfReach { middle, .. } => format!("measure {} again at half the travel", middle.field),
            Self::RiseBeyondStrip { .. } => {
                "check strip_length_mm and the lengths that say how steep the ramp was".to_owned()
            }
            Self::PitchDoesNotDivide { .. } => {
                "give the pitch the marks were burned at, and the travel from mark 0 to the last one".to_owned()
            }
            Self::MarkCountOutOfRange { .. } => "check mark_pitch_mm and travel_mm".to_owned(),
            Self::SamePoint { .. } => "give two different places of the picture".to_owned(),
            Self::SameTravel { .. } => "give the travel of each of the two points".to_owned(),
            Self::PointsUnused { .. } => "set datum to \"points\", or take points_px out".to_owned(),
            Self::BlockOffStrip { .. } => {
                "give the head's travel from the strip's low edge to where the block slid under".to_owned()
            }
            Self::RampFileWithoutFolder { .. } => "give incline_deg and incline_u_deg themselves".to_owned(),
            Self::RampFileUnreadable { .. } => {
                "check the path; one in a setup file counts from the setup file's folder".to_owned()
            }
            Self::RampFileInvalid { source, .. } => source.hint(),
            Self::RampFileUnknownField { .. } | Self::RampFileWithoutIncline => {
                "write incline_deg and incline_u_deg into the ramp file, and nothing else".to_owned()
            }
        }
    }
}

fn missing_hint(missing: &Missing) -> String {
    let field = missing.field;
    match (field, missing.need) {
        (Field::LowEnd, _) => {
            "say on which side of the picture the low end lies: low_end = \"left\", or --low-end left".to_owned()
        }
        (
            Field::LowHeight | Field::HighHeight,
            Need::By(Given { field: Field::NozzleHeight | Field::MiddleHeight, .. }),
        ) => "give both heights, low_height_mm and high_height_mm, from the same reference".to_owned(),
        _ => {
            format!("add {field} = {}, or give {} {}", in_file(field), field.flag(), quoted_if_needed(field.example()))
        }
    }
}

/// The example as it stands in a file.
fn in_file(field: Field) -> String {
    let example = field.example();
    match field.kind() {
        Kind::Text | Kind::Choice(_) => format!("\"{example}\""),
        Kind::TwoLengths | Kind::Area => format!("[{}]", example.replace(',', ", ")),
        Kind::TwoPlaces => match *example.split(',').collect::<Vec<_>>() {
            [a, b, c, d] => format!("[[{a}, {b}], [{c}, {d}]]"),
            _ => example.to_owned(),
        },
        _ => example.to_owned(),
    }
}

/// The example as one types it in a shell.
fn quoted_if_needed(example: &str) -> String {
    if example.contains(' ') { format!("\"{example}\"") } else { example.to_owned() }
}

fn in_section(section: Section, line: Option<usize>) -> String {
    line.map_or_else(String::new, |line| format!(", in {section} (line {line})"))
}

/// The parser's messages may span lines; an error is one line.
fn one_line(message: &str) -> String {
    message.split_whitespace().collect::<Vec<_>>().join(" ")
}
