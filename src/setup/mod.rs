//! What the person says about the test: the ramp, the head, the burn, the picture.
//!
//! Raw fields (a TOML file, overridden by flags) are checked once, here; the stages after it
//! rely on what [`Setup`] promises and check nothing again.

mod check;
mod error;
mod field;
pub(crate) mod incline;
mod length;
mod raw;
mod write;

use std::path::Path;

pub use error::{Given, Missing, Need, Origin, SetupError};
pub use field::{Field, Kind, Section};
pub use length::{LengthError, parse_length_mm};
pub use raw::{RawSetup, parse_ramp_file as parse_ramp};

use serde::{Deserialize, Serialize};

use crate::estimate::Estimate;

/// Reads and checks a setup file's text. `base_dir` is the folder that `ramp_file` counts from; without one,
/// a setup that names a ramp file is an error.
///
/// # Errors
/// See [`SetupError`]; each names the field and the line.
///
/// ```
/// let setup = narrows::setup::parse_toml(
///     "[ramp]\ntravel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = \"1.8 cm\"\n[picture]\nlow_end = \"left\"\n",
///     None,
/// )?;
/// assert_eq!(setup.ramp.rise.value, 15.0);
/// # Ok::<(), narrows::setup::SetupError>(())
/// ```
pub fn parse_toml(text: &str, base_dir: Option<&Path>) -> Result<Setup, SetupError> {
    RawSetup::from_toml(text, base_dir)?.check()
}

/// A checked setup.
#[derive(Debug, Clone, PartialEq)]
pub struct Setup {
    /// The incline.
    pub ramp: Ramp,
    /// Where the nozzle was; [`Head::unknown`] where nothing was said.
    pub head: Head,
    /// How it was burned.
    pub burn: Burn,
    /// How the picture is to be read.
    pub picture: PictureSetup,
}

/// The incline, as far as the fields settle it. Lengths in millimetres.
///
/// Always holds: `span_mm² = travel_mm² + rise.value²`, all finite, `travel_mm > 0`, `rise.value > 0`.
#[derive(Debug, Clone, PartialEq)]
pub struct Ramp {
    /// Level head travel between the two datums.
    pub travel_mm: f64,
    /// The same distance along the strip's surface.
    pub span_mm: f64,
    /// Rise between the datums with its standard uncertainty.
    pub rise: Estimate,
    /// Where the rise came from.
    pub steepness: Steepness,
    /// Height of the strip's top at the low and high datum, where both were given.
    pub heights: Option<[Estimate; 2]>,
    /// Height of the strip's top at half the travel, where it was measured.
    pub middle_height: Option<Estimate>,
    /// Standard uncertainty of the bow at the middle where it was not measured.
    pub flatness_u_mm: f64,
    /// Strip's length along the surface between its two short edges.
    pub strip_length_mm: Option<f64>,
    /// Strip's width.
    pub strip_width_mm: Option<f64>,
}

/// Which way of saying how steep the ramp was.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Steepness {
    /// Both heights.
    Heights,
    /// Their difference.
    Rise,
    /// The angle.
    Incline,
    /// A block under the strip.
    Prop,
    /// A ramp measured once and kept.
    RampFile,
    /// The two gaps.
    Gaps,
}

/// Where the nozzle was.
#[derive(Debug, Clone, PartialEq)]
pub struct Head {
    /// What places the nozzle over the strip; `None`: there is no spacer.
    pub place: Option<HeadPlace>,
    /// Lens (its mount's reference) to nozzle tip.
    pub lens_to_nozzle: Option<Estimate>,
    /// Focal length printed on the lens.
    pub nominal_focal_length_mm: Option<f64>,
    /// Today's block.
    pub spacer_in_use_mm: Option<f64>,
    /// Standard uncertainty of its thickness; 0 where none is named.
    pub spacer_in_use_u_mm: f64,
    /// Free text, printed with the answer.
    pub gauged_from: Option<String>,
}

/// One of the ways of placing the nozzle. Gaps are already vertical distances (blocks converted).
#[derive(Debug, Clone, PartialEq)]
pub enum HeadPlace {
    /// Gap over the low and the high datum, one or both, and the middle where it was measured.
    Gaps {
        /// Gap at the low datum.
        low: Option<Estimate>,
        /// Gap at the high datum.
        high: Option<Estimate>,
        /// Gap at half the travel.
        middle: Option<Estimate>,
        /// The blocks the gaps were converted from, where they were: one angle and one tip enter them all.
        by_block: Option<GapBlocks>,
    },
    /// A block that just slid under the tip.
    Block {
        /// Thickness of the block.
        block: Estimate,
        /// Head travel from the low datum where it slid.
        block_at: Estimate,
        /// Flat face of the tip.
        tip_diameter: Estimate,
        /// True where the tip's diameter was not given and 6 mm was assumed.
        tip_assumed: bool,
    },
    /// Nozzle tip above the heights' reference.
    NozzleHeight(Estimate),
}

/// Blocks that just slid under the tip over the datums. Their gap on the beam's axis is
/// `block/cos θ + (tip/2)·tan θ`: the block lies on the slope and touches the tip's uphill rim first.
#[derive(Debug, Clone, PartialEq)]
pub struct GapBlocks {
    /// Block over the low datum.
    pub low: Option<Estimate>,
    /// Block over the high datum.
    pub high: Option<Estimate>,
    /// Block at half the travel.
    pub middle: Option<Estimate>,
    /// Flat face of the tip.
    pub tip_diameter: Estimate,
    /// True where the tip's diameter was not given and 6 mm was assumed.
    pub tip_assumed: bool,
}

/// How the line was burned: kept with the reading, never computed with.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Burn {
    /// Material, free text.
    pub material: Option<String>,
    /// Power, free text.
    pub power: Option<String>,
    /// Head speed.
    pub speed_mm_s: Option<f64>,
    /// Passes.
    pub passes: Option<u32>,
    /// Air assist on.
    pub air: Option<bool>,
    /// Machine axis the line ran along.
    pub run_along: Option<String>,
}

/// How the picture is tied to the ramp.
#[derive(Debug, Clone, PartialEq)]
pub struct PictureSetup {
    /// What the two datums are in the picture.
    pub datum: Datum,
    /// Side of the upright picture on which the low end lies.
    pub low_end: Option<Side>,
    /// The scan's true resolution.
    pub dpi: Option<f64>,
    /// Look only here: x, y, width, height in pixels of the upright picture.
    pub area_px: Option<[f64; 4]>,
}

/// What ties the picture to the ramp.
#[derive(Debug, Clone, PartialEq)]
pub enum Datum {
    /// The burned line's two ends.
    Ends,
    /// The strip's two short edges.
    Strip,
    /// Coded index marks.
    Marks {
        /// Pitch in travel.
        pitch_mm: f64,
        /// Number of the last mark, N: `N × pitch = travel`.
        last: usize,
    },
    /// Two given points.
    Points {
        /// Pixel places, x then y, of the first and the second point.
        points_px: [[f64; 2]; 2],
        /// Their head travel from the low datum.
        travel_mm: [f64; 2],
        /// Standard uncertainty of each coordinate of each point.
        u_px: f64,
    },
}

impl Datum {
    /// The two places of the picture that lie on the line, where the datum is two points.
    pub const fn places_on_the_line(&self) -> Option<[[f64; 2]; 2]> {
        match self {
            Self::Points { points_px, .. } => Some(*points_px),
            _ => None,
        }
    }
}

/// A side of the upright picture.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Side {
    Left,
    Right,
    Top,
    Bottom,
}

impl Ramp {
    /// Cosine of the incline: travel over span.
    pub fn cos_incline(&self) -> f64 {
        self.travel_mm / self.span_mm
    }

    /// Surface distance from the low datum of a place at `travel_mm` head travel.
    pub fn surface_from_travel(&self, travel_mm: f64) -> f64 {
        travel_mm / self.cos_incline()
    }
}

impl Head {
    /// Nothing known of the head.
    pub const fn unknown() -> Self {
        Self {
            place: None,
            lens_to_nozzle: None,
            nominal_focal_length_mm: None,
            spacer_in_use_mm: None,
            spacer_in_use_u_mm: 0.0,
            gauged_from: None,
        }
    }
}
