//! Why a picture gets no number.

use serde::{Deserialize, Serialize};

/// The closed list of refusals. The serialised names are fixed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum RefusalCode {
    NoLine,
    SeveralLines,
    LineBroken,
    NotBracketed,
    TooFlat,
    TooFewStations,
    Unresolved,
    NoScale,
    EndsNotFound,
    StripNotFound,
    MarksNotFound,
    MarksAmbiguous,
    LowEndUnknown,
    TooFewPictures,
}

/// No answer: the code, what was seen, and what to do next, in bench words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Refusal {
    /// Which of the fixed codes.
    pub code: RefusalCode,
    /// What was seen.
    pub message: String,
    /// What the person at the bench can do.
    pub advice: String,
}

impl RefusalCode {
    /// The code as written in JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::NoLine => "no_line",
            Self::SeveralLines => "several_lines",
            Self::LineBroken => "line_broken",
            Self::NotBracketed => "not_bracketed",
            Self::TooFlat => "too_flat",
            Self::TooFewStations => "too_few_stations",
            Self::Unresolved => "unresolved",
            Self::NoScale => "no_scale",
            Self::EndsNotFound => "ends_not_found",
            Self::StripNotFound => "strip_not_found",
            Self::MarksNotFound => "marks_not_found",
            Self::MarksAmbiguous => "marks_ambiguous",
            Self::LowEndUnknown => "low_end_unknown",
            Self::TooFewPictures => "too_few_pictures",
        }
    }
}

impl Refusal {
    /// A refusal with its sentences.
    pub fn new(code: RefusalCode, message: impl Into<String>, advice: impl Into<String>) -> Self {
        Self { code, message: message.into(), advice: advice.into() }
    }
}
