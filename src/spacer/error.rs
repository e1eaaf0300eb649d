//! What can be wrong with a request for a block, and what to do about it.

use super::stack::MOST_PIECES;
use super::stock::{LONGEST_MM, MOST_OF_A_KIND};
use crate::setup::LengthError;

/// Why a request for a block cannot be served. Lengths in millimetres, lines counted from 1.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)]
pub enum SpacerError {
    #[error("{field} is {value}, and it has to be above 0 and at most {most} mm")]
    LengthOutOfRange { field: String, value: f64, most: f64 },
    #[error("{field} is {value}, and it cannot be negative or without end")]
    UncertaintyOutOfRange { field: String, value: f64 },
    #[error("{field} is {value}, and it has to be from {least} to {most}")]
    ShareOutOfRange { field: String, value: f64, least: f64, most: f64 },
    #[error("{field}: {source}")]
    Length {
        field: String,
        #[source]
        source: LengthError,
    },

    #[error("the stock's \"{text}\" has no number of pieces from 1 to {MOST_OF_A_KIND} after its x")]
    Count { text: String },
    #[error("the stock names no piece")]
    EmptyStock,
    #[error("the stock is not TOML that can be used (line {line}): {message}")]
    StockSyntax { line: usize, message: String },
    #[error("{field} (line {line}) is {value}, and it has to be from 1 to {MOST_OF_A_KIND}")]
    CountInFile { field: String, line: usize, value: i64 },

    #[error("at most {pieces} pieces were asked for, and it has to be from 1 to {MOST_PIECES}")]
    PieceLimit { pieces: usize },
    #[error("stacks of up to {pieces} out of {kinds} kinds of pieces are too many to go through")]
    TooManyStacks { pieces: usize, kinds: usize },

    #[error("line {line} is not the JSON of a reading: {message}")]
    NotAReading { line: usize, message: String },
    #[error("the reading is of the layout \"{schema}\", and \"narrows.reading/1\" is needed")]
    OtherSchema { schema: String },
    #[error("there is no reading in it")]
    NoReading,
    #[error("there are {count} readings in it, and a block can be made for one")]
    SeveralReadings { count: usize },
    #[error("the reading gave no answer: {message}")]
    Refused { message: String, advice: String },
    #[error("the reading knows the finest place but no block: its setup does not say where the nozzle was")]
    NoSpacer,
    #[error("the focus lies {gap_mm:.2} mm below the nozzle tip, so no block fits")]
    NothingFits { gap_mm: f64 },

    #[error("cutting {thickness_mm} mm with the focus sunk by {sunk_mm:.2} mm leaves a gap of {gap_mm:.2} mm")]
    NozzleTouches { thickness_mm: f64, sunk_mm: f64, gap_mm: f64 },

    #[error("the lowest step would be {lowest_mm:.2} mm, and a step gauge needs {least_mm} mm")]
    StepTooLow { lowest_mm: f64, least_mm: f64 },
    #[error("the letter \"{letter}\" of {field} cannot be engraved")]
    Letter { field: &'static str, letter: char },
    #[error("the label's letters would be {height_mm:.1} mm high, and below {least_mm} mm nobody can read them")]
    LabelTooSmall { height_mm: f64, least_mm: f64, is_width: bool },
}

impl SpacerError {
    /// What to do about it: one sentence.
    pub fn hint(&self) -> String {
        match self {
            Self::LengthOutOfRange { field, .. } if field.starts_with("the stock's") => {
                "write the stock as thicknesses with commas between them and a point in the number, such as 3.0,4.1,0.5x4"
                    .to_owned()
            }
            Self::LengthOutOfRange { field, .. } => {
                format!("give {field} as a length up to {LONGEST_MM} mm, such as 8.5 or \"0.335 in\"")
            }
            Self::UncertaintyOutOfRange { field, .. } => {
                format!("give {field} as half of the give or take, such as 0.05")
            }
            Self::ShareOutOfRange { .. } => "give a share, such as 0.3".to_owned(),
            Self::Length { source: LengthError::DecimalComma { .. }, .. } => {
                "write a decimal point: 7.5 and not 7,5".to_owned()
            }
            Self::Length { .. } => "write a length such as 7.5, \"7.5 mm\" or \"0.295 in\"".to_owned(),
            Self::Count { .. } => "write four pieces of 0.5 mm as 0.5x4".to_owned(),
            Self::EmptyStock => "name what there is, such as --stock 3.0,4.1,6.2,0.5x4".to_owned(),
            Self::StockSyntax { .. } | Self::CountInFile { .. } => {
                "write each piece as [[piece]] with thickness_mm and, where known, thickness_u_mm, count and name".to_owned()
            }
            Self::PieceLimit { .. } => format!("ask for a number from 1 to {MOST_PIECES} with --pieces"),
            Self::TooManyStacks { .. } => "ask for fewer pieces with --pieces, or list less stock".to_owned(),
            Self::NotAReading { .. } | Self::NoReading | Self::OtherSchema { .. } => {
                "give what narrows read --json printed, or the block itself with --spacer-mm".to_owned()
            }
            Self::SeveralReadings { .. } => {
                "keep the one line that counts, or let narrows read make one answer of them with --combine".to_owned()
            }
            Self::Refused { advice, .. } => advice.clone(),
            Self::NoSpacer => {
                "read the picture again with gap_low_mm and gap_high_mm, or give the block with --spacer-mm".to_owned()
            }
            Self::NothingFits { .. } => {
                "check the gaps or the block of the setup; where they are right, another nozzle or another place of the lens is needed".to_owned()
            }
            Self::NozzleTouches { .. } => {
                "sink the focus less with --sunk-fraction, or cut this thickness with a longer lens or a shorter nozzle".to_owned()
            }
            Self::StepTooLow { .. } => "make the steps finer with --step-mm, or fewer with --steps".to_owned(),
            Self::Letter { field, .. } => format!("write {field} in Latin letters and numbers"),
            Self::LabelTooSmall { is_width: true, .. } => {
                "give a wider side with --label-width-mm, or shorter words for machine, lens and gauged from".to_owned()
            }
            Self::LabelTooSmall { .. } => {
                "engrave a tag that hangs on the block: give its height with --label-height-mm".to_owned()
            }
        }
    }
}
