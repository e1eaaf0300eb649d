//! What the logbook holds, as plain values: machines, lenses, readings and events. Lengths in millimetres.

use serde::{Deserialize, Deserializer, Serialize};

use super::when::When;
use crate::cautions::{Caution, CautionCode};
use crate::estimate::Estimate;
use crate::refusal::Refusal;
use crate::setup::Burn;

/// Number of a record, counted over readings and events alike; what people type.
pub type RecordId = i64;

/// What can be said of a machine, a lens, or a lens on a machine, and supplies a reading's defaults.
/// Where several say it, the lens on this machine wins over the lens, and the lens over the machine.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Fitting {
    /// Lens (its mount's reference) to nozzle tip.
    pub lens_to_nozzle_mm: Option<f64>,
    /// Flat face of the nozzle tip.
    pub tip_diameter_mm: Option<f64>,
    /// Today's block.
    pub spacer_in_use_mm: Option<f64>,
    /// Where the block is put to gauge.
    #[serde(deserialize_with = "said")]
    pub gauged_from: Option<String>,
}

/// An empty text says nothing: in a table nobody could tell the two apart.
fn said<'de, D: Deserializer<'de>>(text: D) -> Result<Option<String>, D::Error> {
    Ok(Option::<String>::deserialize(text)?.filter(|text| !text.is_empty()))
}

/// A machine, as it was last said to be.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Machine {
    /// The name it is called by.
    pub name: String,
    /// Time zone it stands in (an IANA name such as `Europe/Lisbon`); `None`: that of the computer.
    #[serde(deserialize_with = "said")]
    pub zone: Option<String>,
    /// Wavelength of its beam.
    pub wavelength_um: Option<f64>,
    /// Full 1/e² width of the beam at the lens.
    pub beam_diameter_mm: Option<f64>,
    /// Name of the lens that is in it where no event says otherwise.
    #[serde(deserialize_with = "said")]
    pub lens: Option<String>,
    /// Defaults for every lens in it.
    pub fitting: Fitting,
    /// The ramp kept at it.
    pub ramp: Option<NamedRamp>,
    /// Anything else.
    #[serde(deserialize_with = "said")]
    pub note: Option<String>,
}

/// A ramp measured once and kept.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct NamedRamp {
    /// What it is called.
    pub name: String,
    /// Angle of the incline, in degrees.
    pub incline_deg: f64,
    /// Standard uncertainty of the angle, where it was said.
    pub incline_u_deg: Option<f64>,
}

/// A lens, as it was last said to be.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Lens {
    /// The name it is called by.
    pub name: String,
    /// Focal length printed on it.
    pub nominal_focal_length_mm: Option<f64>,
    /// Defaults on every machine.
    pub fitting: Fitting,
    /// Defaults on one machine, in order of the machines' names.
    pub on: Vec<LensOnMachine>,
    /// Anything else.
    #[serde(deserialize_with = "said")]
    pub note: Option<String>,
}

/// What holds for a lens on one machine alone.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct LensOnMachine {
    /// Name of the machine.
    pub machine: String,
    /// Its defaults there.
    #[serde(flatten)]
    pub fitting: Fitting,
}

/// A kept reading, without what only a single one's page shows (see [`Details`]).
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Entry {
    /// Its number in this logbook.
    pub id: RecordId,
    /// The same in every copy of the logbook: 32 hexadecimal digits.
    pub uid: String,
    /// When the strip was burned, as far as it is known.
    #[serde(flatten)]
    pub when: When,
    /// When it was kept.
    pub recorded: jiff::Timestamp,
    /// Name of the machine.
    pub machine: String,
    /// Name of the lens, where it is known.
    pub lens: Option<String>,
    /// How it was burned; the axis is its `run_along`.
    #[serde(default)]
    pub burn: Burn,
    /// The picture it was read from.
    pub picture: Picture,
    /// The incline.
    pub ramp: RampFacts,
    /// What the head's defaults were on that day.
    #[serde(default)]
    pub head: HeadFacts,
    /// Why there is no answer, where there is none; then everything of the focus is `None`.
    pub refusal: Option<Refusal>,
    /// The answer.
    #[serde(flatten)]
    pub focus: FocusFacts,
    /// What the line is like, where one was found.
    pub line: Option<LineFacts>,
    /// Doubts, in the order of their codes.
    pub cautions: Vec<Caution>,
    /// Version of the program that read it.
    pub version: String,
    /// Anything said with it.
    pub note: Option<String>,
    /// Number of the record that this one replaces.
    pub replaces: Option<RecordId>,
    /// Number of the record that replaces this one.
    pub replaced_by: Option<RecordId>,
    /// When and why it was withdrawn.
    pub withdrawn: Option<Withdrawn>,
}

/// The picture of a kept reading.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Picture {
    /// As named when it was read.
    pub name: String,
    /// SHA-256 of the file, 64 hexadecimal digits; `None` where there was no file.
    pub sha256: Option<String>,
    /// Width after orientation.
    pub width_px: usize,
    /// Height after orientation.
    pub height_px: usize,
    /// EXIF orientation the file carried.
    pub orientation: u8,
    /// Scale at the waist, along the line.
    pub mm_per_px: Option<f64>,
    /// Part of it that was looked at: x, y, width, height in pixels.
    pub area_px: Option<[f64; 4]>,
}

/// The incline of a kept reading.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct RampFacts {
    /// Level head travel between the datums.
    pub travel_mm: f64,
    /// The same along the surface.
    pub span_mm: f64,
    /// Rise between the datums.
    pub rise_mm: Estimate,
}

impl Default for RampFacts {
    fn default() -> Self {
        Self { travel_mm: 0.0, span_mm: 0.0, rise_mm: Estimate::new(0.0, 0.0) }
    }
}

impl RampFacts {
    /// Millimetres of height per millimetre along the surface; 0 where there is no span.
    pub fn slope(&self) -> f64 {
        if self.span_mm > 0.0 { self.rise_mm.value / self.span_mm } else { 0.0 }
    }
}

/// What was known of the head besides its place.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct HeadFacts {
    /// The block in use on that day.
    pub spacer_in_use_mm: Option<f64>,
    /// Lens to nozzle tip.
    pub lens_to_nozzle_mm: Option<f64>,
    /// Focal length printed on the lens.
    pub nominal_focal_length_mm: Option<f64>,
    /// Where the block is put to gauge.
    #[serde(deserialize_with = "said")]
    pub gauged_from: Option<String>,
}

/// The answer of a kept reading; all `None` where it was refused.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct FocusFacts {
    /// Along the strip's surface from the low datum: what the picture and the fit alone contribute.
    pub position_mm: Option<Estimate>,
    /// Of the strip's top at the waist.
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
    pub slack: Option<Slack>,
}

/// Heights over which the fitted kerf stays within a fraction of its narrowest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Slack {
    /// Growth of the kerf that bounds it, as a fraction.
    pub fraction: f64,
    /// From the focus down to a lower strip; positive.
    pub below_mm: f64,
    /// From the focus up to a higher strip; positive.
    pub above_mm: f64,
    /// The two bounds as positions along the surface; `None` where the writer did not say.
    pub positions_mm: Option<[f64; 2]>,
}

impl Slack {
    /// Both sides together.
    pub fn total_mm(&self) -> f64 {
        self.below_mm + self.above_mm
    }
}

/// What a line is like. A length is `None` where the picture has no scale.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct LineFacts {
    /// First and last visible place of the line, as positions along the surface.
    pub visible_mm: Option<[f64; 2]>,
    /// Median over the used places of core against background, 0 to 1.
    pub contrast: f64,
    /// RMS wander of the line's centre about a smooth course.
    pub straightness_mm: Option<f64>,
    /// RMS wander of half the line's width about its smooth course.
    pub raggedness_mm: Option<f64>,
    /// Period of the centre's wander along the surface, where one stands out.
    pub period_mm: Option<f64>,
    /// Side of the soot as seen from the low end to the high end.
    pub soot_side: Option<SootSide>,
    /// Darker than the strip.
    pub is_dark: bool,
    /// Standard deviation of the picture's blur, in pixels.
    pub blur_px: f64,
    /// RMS wander of the centre, in pixels.
    pub straightness_px: f64,
    /// RMS wander of half the width, in pixels.
    pub raggedness_px: f64,
    /// Length along the surface over which the beam widens, towards the low and the high end (the fitted caustic's
    /// apparent Rayleigh range, on the incline).
    pub sides_mm: Option<[f64; 2]>,
    /// Peak fluence at the waist over the threshold of the mark.
    pub overdrive: Option<f64>,
}

impl LineFacts {
    /// Natural logarithm of the high side's length over the low side's: 0 where both are equal.
    pub fn side_log_ratio(&self) -> Option<f64> {
        self.sides_mm.map(|[low, high]| (high / low).ln())
    }
}

/// A side of the line, looking from the low end to the high end.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum SootSide {
    Left,
    Right,
}

/// That a record was taken back.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Withdrawn {
    /// When.
    pub recorded: jiff::Timestamp,
    /// Why.
    pub reason: String,
}

impl Entry {
    /// True where it neither was withdrawn nor replaced: what counts today.
    pub const fn is_current(&self) -> bool {
        self.withdrawn.is_none() && self.replaced_by.is_none()
    }

    /// Machine axis the line ran along.
    pub fn axis(&self) -> Option<&str> {
        self.burn.run_along.as_deref()
    }

    /// Moment it belongs to.
    pub const fn at(&self) -> jiff::Timestamp {
        self.when.at
    }

    /// Heights over which the line is visible, below the focus (towards the low end) and above it.
    pub fn reach_mm(&self) -> Option<[f64; 2]> {
        let focus = self.focus.position_mm?.value;
        let [first, last] = self.line.as_ref()?.visible_mm?;
        let slope = self.ramp.slope();
        Some([(focus - first) * slope, (last - focus) * slope])
    }

    /// Standard uncertainty of the spacer from the picture and the fit alone: what heights and head have in common
    /// between readings is not in it.
    pub fn repeatability_u_mm(&self) -> Option<f64> {
        Some(self.focus.position_mm?.standard_uncertainty * self.ramp.slope())
    }

    /// True where the reading carries this caution.
    pub fn has_caution(&self, code: CautionCode) -> bool {
        self.cautions.iter().any(|caution| caution.code == code)
    }
}

/// Something that was done to a machine.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Event {
    /// Its number in this logbook.
    pub id: RecordId,
    /// The same in every copy of the logbook: 32 hexadecimal digits.
    pub uid: String,
    /// When it was done.
    #[serde(flatten)]
    pub when: When,
    /// When it was written down.
    pub recorded: jiff::Timestamp,
    /// Name of the machine.
    pub machine: String,
    /// What was done.
    pub kind: EventKind,
    /// The lens that is in the machine after it, where that was said.
    pub lens: Option<String>,
    /// Where the tube's or head's mark stood after it.
    pub tube_mark: Option<String>,
    /// Anything else.
    pub note: Option<String>,
    /// Number of the record that this one replaces.
    pub replaces: Option<RecordId>,
    /// Number of the record that replaces this one.
    pub replaced_by: Option<RecordId>,
    /// When and why it was withdrawn.
    pub withdrawn: Option<Withdrawn>,
}

impl Event {
    /// True where it neither was withdrawn nor replaced.
    pub const fn is_current(&self) -> bool {
        self.withdrawn.is_none() && self.replaced_by.is_none()
    }

    /// Moment it belongs to.
    pub const fn at(&self) -> jiff::Timestamp {
        self.when.at
    }
}

/// What was done to a machine.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum EventKind {
    /// Lens taken out and refitted, the same or another.
    LensRefitted,
    /// Lens cleaned where it sits.
    LensCleaned,
    /// Mirrors cleaned.
    MirrorsCleaned,
    /// Mirrors aligned.
    MirrorsAligned,
    /// Tube replaced.
    TubeReplaced,
    /// Nozzle or head taken off and refitted.
    HeadRefitted,
    /// Anything else.
    #[default]
    Other,
}

impl EventKind {
    /// All kinds, in the order of the help.
    pub const ALL: [Self; 7] = [
        Self::LensRefitted,
        Self::LensCleaned,
        Self::MirrorsCleaned,
        Self::MirrorsAligned,
        Self::TubeReplaced,
        Self::HeadRefitted,
        Self::Other,
    ];

    /// Name in files.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::LensRefitted => "lens_refitted",
            Self::LensCleaned => "lens_cleaned",
            Self::MirrorsCleaned => "mirrors_cleaned",
            Self::MirrorsAligned => "mirrors_aligned",
            Self::TubeReplaced => "tube_replaced",
            Self::HeadRefitted => "head_refitted",
            Self::Other => "other",
        }
    }

    /// What it says on a screen.
    pub const fn words(self) -> &'static str {
        match self {
            Self::LensRefitted => "lens taken out and refitted",
            Self::LensCleaned => "lens cleaned in place",
            Self::MirrorsCleaned => "mirrors cleaned",
            Self::MirrorsAligned => "mirrors aligned",
            Self::TubeReplaced => "tube replaced",
            Self::HeadRefitted => "nozzle or head refitted",
            Self::Other => "other",
        }
    }

    /// True where lens, nozzle or head was out: the focus starts anew.
    pub const fn starts_focus(self) -> bool {
        matches!(self, Self::LensRefitted | Self::HeadRefitted)
    }

    /// True where the beam became another: the line's width and strength start anew.
    pub const fn starts_line(self) -> bool {
        matches!(self, Self::TubeReplaced | Self::MirrorsAligned)
    }
}

/// What only a single reading's page shows.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(default)]
pub struct Details {
    /// The setup it was read with, as a setup file.
    pub setup: String,
    /// The fits made.
    pub fits: Vec<FitFacts>,
    /// The measured places, in order along the line.
    pub stations: Vec<StationFacts>,
    /// A small JPEG of the overlay.
    #[serde(with = "super::base64_text")]
    pub overlay_jpeg: Option<Vec<u8>>,
}

/// One fit of a kept reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FitFacts {
    /// Model's name.
    pub model: String,
    /// Its waist.
    pub position_mm: Estimate,
    /// True where it enters the answer.
    pub used: bool,
    /// Share of the answer.
    pub weight: f64,
    /// Number of stations it was fitted to.
    pub stations: usize,
    /// First and last of their positions.
    pub range_mm: [f64; 2],
    /// RMS residual of the kerf, as a fraction of the kerf.
    pub relative_rms: f64,
    /// Named parameters with their unit in the name.
    pub parameters: std::collections::BTreeMap<String, f64>,
}

/// One measured place of a kept reading; in files a list in the order of the fields.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(from = "StationRow", into = "StationRow")]
pub struct StationFacts {
    /// Along the surface from the low datum; `None` where the line was not tied to the ramp.
    pub position_mm: Option<f64>,
    /// Full width of the line; `None` without a scale.
    pub kerf_mm: Option<f64>,
    /// Along the course.
    pub along_px: f64,
    /// Full width of the line.
    pub kerf_px: f64,
    /// Standard uncertainty of `kerf_px`.
    pub kerf_u_px: f64,
    /// Core against background, 0 to 1.
    pub contrast: f64,
    /// Whether the fits used it.
    pub used: bool,
}

type StationRow = (Option<f64>, Option<f64>, f64, f64, f64, f64, bool);

impl From<StationRow> for StationFacts {
    fn from((position_mm, kerf_mm, along_px, kerf_px, kerf_u_px, contrast, used): StationRow) -> Self {
        Self { position_mm, kerf_mm, along_px, kerf_px, kerf_u_px, contrast, used }
    }
}

impl From<StationFacts> for StationRow {
    fn from(s: StationFacts) -> Self {
        (s.position_mm, s.kerf_mm, s.along_px, s.kerf_px, s.kerf_u_px, s.contrast, s.used)
    }
}
