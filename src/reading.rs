//! The stages in order: a photo and a setup become a [`Reading`]. No arithmetic lives here.

use std::collections::BTreeMap;

use crate::cautions::Caution;
use crate::estimate::Estimate;
use crate::locate::{Course, Tie};
use crate::refusal::Refusal;
use crate::stations::{LineQuality, Station};

/// Everything one picture gave: every stage's output as far as it came, and the outcome.
#[derive(Debug, Clone)]
pub struct Reading {
    /// The picture as read.
    pub image: ImageFacts,
    /// The line's course, where one was found.
    pub course: Option<Course>,
    /// The strip's outline (four corners in pixels, in order round the strip), where it was found.
    pub outline_px: Option<[[f64; 2]; 4]>,
    /// How the course is tied to the ramp.
    pub tie: Option<Tie>,
    /// The measured places, in order along the course.
    pub stations: Vec<Station>,
    /// Every fit made.
    pub fits: Vec<Fit>,
    /// What the line itself is like.
    pub line: Option<LineQuality>,
    /// The finest place, before heights enter; `None` when refused.
    pub waist: Option<Waist>,
    /// The answer, or why there is none.
    pub outcome: Result<Focus, Refusal>,
    /// Doubts, each once, in the order of their codes.
    pub cautions: Vec<Caution>,
}

/// The picture's size and scale.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImageFacts {
    /// After orientation.
    pub width_px: usize,
    /// After orientation.
    pub height_px: usize,
    /// EXIF orientation the file carried.
    pub orientation: u8,
    /// At the waist, along the line; `None` where there is no scale.
    pub mm_per_px: Option<f64>,
}

/// The finest place as the fits see it.
#[derive(Debug, Clone, PartialEq)]
pub struct Waist {
    /// Along the strip's surface from the low datum.
    pub position_mm: Estimate,
    /// Along the course.
    pub along_px: f64,
    /// In the picture.
    pub place_px: [f64; 2],
    /// Line width there, blur removed.
    pub kerf_px: Estimate,
    /// The same in millimetres, where the picture has a scale across the line.
    pub kerf_mm: Option<Estimate>,
    /// Surface positions between which the fitted kerf stays within the fraction of its narrowest;
    /// `None` where either lies outside the measured line.
    pub slack_positions_mm: Option<[f64; 2]>,
}

/// One fit of a model of the kerf along the strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// Which model.
    pub model: Model,
    /// Its waist.
    pub position_mm: Estimate,
    /// True where it enters the answer.
    pub used: bool,
    /// Share of the answer, 0 to 1.
    pub weight: f64,
    /// First and last position of the stations it was fitted to.
    pub range_mm: [f64; 2],
    /// Number of stations it was fitted to.
    pub stations: usize,
    /// Root mean square residual of the kerf, as a fraction of the kerf.
    pub relative_rms: f64,
    /// The fitted curve for drawing: position along the strip and kerf, both in mm; in order of position.
    pub curve: Vec<[f64; 2]>,
    /// Named parameters with their unit in the name.
    pub parameters: BTreeMap<&'static str, f64>,
}

/// The models.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Model {
    Parabola,
    ThresholdCaustic,
    /// Two-sided caustic whose sides have their own length and overdrive.
    TwoSidedCaustic,
}

impl Model {
    /// Name in JSON.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Parabola => "parabola",
            Self::ThresholdCaustic => "threshold_caustic",
            Self::TwoSidedCaustic => "two_sided_caustic",
        }
    }
}

/// The answer in the bench's terms; a field is `None` where the setup does not carry it.
#[derive(Debug, Clone, PartialEq)]
pub struct Focus {
    /// Along the strip's surface from the low datum: the picture and the fit alone.
    pub position_mm: Estimate,
    /// Of the strip's top surface at the waist.
    pub height_mm: Option<Estimate>,
    /// Gap at the waist.
    pub spacer_mm: Option<Estimate>,
    /// Spacer minus the spacer in use.
    pub change_mm: Option<Estimate>,
    /// Lens to work.
    pub focal_distance_mm: Option<Estimate>,
    /// Narrowest kerf.
    pub kerf_mm: Option<Estimate>,
    /// Height slack.
    pub depth_of_focus_mm: Option<DepthOfFocus>,
}

/// Heights over which the fitted kerf stays within a fraction of its narrowest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DepthOfFocus {
    /// Stated fraction, 0.05 unless asked otherwise.
    pub fraction: f64,
    /// From the focus down to a lower strip (larger gap); positive.
    pub below_mm: f64,
    /// From the focus up to a higher strip; positive.
    pub above_mm: f64,
}
