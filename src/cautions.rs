//! Doubts that travel with a reading.

use serde::{Deserialize, Serialize};

/// The cautions. The serialised names are fixed; new ones are added at the end and in the docs' table.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum CautionCode {
    Perspective,
    Blurred,
    FitsDisagree,
    OneSided,
    NearEnd,
    ResolutionDisbelieved,
    EndsSwapped,
    StripBows,
    RimContact,
    FocalLengthDiffers,
    SpacerSmall,
    LineShaky,
    LineWeak,
    RisesDiffer,
    SomeLeftOut,
    StripsDisagree,
    RedLight,
}

/// Something to know before trusting the number.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caution {
    /// Which of the fixed codes.
    pub code: CautionCode,
    /// What was seen, in bench words, with its numbers.
    pub message: String,
}

impl Caution {
    /// A caution with its message.
    pub fn new(code: CautionCode, message: impl Into<String>) -> Self {
        Self { code, message: message.into() }
    }
}
