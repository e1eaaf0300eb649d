//! A plan shown: text, JSON, and the page for the bench. Computes no number its input does not hold.

pub mod json;
#[cfg(feature = "pages")]
pub mod sheet;
#[cfg(feature = "pages")]
pub mod side_view;
pub mod text;

use super::rounding::{Units, fixed};
use crate::plan::setup_file::digits;

/// A length that one sets or measures: tenths of a millimetre as the setup file writes them, thousandths of an inch.
fn set(length_mm: f64, units: Units) -> String {
    match units {
        Units::Millimetres => format!("{} mm", digits(length_mm)),
        Units::Inches => format!("{} in", fixed(units.from_mm(length_mm), 3)),
    }
}
