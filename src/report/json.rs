//! A reading as one line of JSON: the fields and their order are fixed, because scripts rely on them.
//!
//! Two parts of it are this project's own to name. A fit carries, besides its `model`, `position_mm` and `used`:
//!
//! | field of a fit | meaning |
//! |---|---|
//! | `weight` | its share of the answer, 0 to 1 |
//! | `stations` | number of measured places it was fitted to |
//! | `range_mm` | position of the first and the last of them |
//! | `relative_rms` | root mean square of what is left of the kerf, as a fraction of the kerf |
//! | `parameters` | the model's own parameters, each with its unit in its name |
//!
//! and `line`, what the burned line is like as a whole, a length in mm being `null` where the picture has no scale:
//!
//! | field of `line` | meaning |
//! |---|---|
//! | `straightness_px`, `straightness_mm` | RMS wander of the line's centre about a smooth course |
//! | `raggedness_px`, `raggedness_mm` | RMS wander of the edges about their smooth course |
//! | `period_mm` | period of the centre's wander along the strip; `null` where none stands out |
//! | `blur_px` | standard deviation of the picture's blur as seen in the edges |
//! | `contrast` | median over the used stations of core against background, 0 to 1 |
//! | `soot_side` | `left` or `right` as seen from the low end to the high end, or `null` |
//! | `is_dark` | `true` where the line is darker than the strip |

use std::io;

use serde::Serialize;
use serde_json::ser::{Formatter, Serializer};

use crate::cautions::Caution;
use crate::estimate::Estimate;
use crate::reading::{DepthOfFocus, Fit, Focus, ImageFacts, Reading};
use crate::refusal::Refusal;
use crate::stations::LineQuality;

/// Name and version of the object's layout.
pub const SCHEMA: &str = "narrows.reading/1";

/// One picture's reading, compact and without a line end. `name` is the picture as named on the command line.
pub fn reading(reading: &Reading, name: &str) -> String {
    reading_and_kept(reading, name, None)
}

/// The same with what came of keeping it, as the last field `kept`.
pub fn reading_and_kept(reading: &Reading, name: &str, kept: Option<&Kept>) -> String {
    one_line(&Object {
        schema: SCHEMA,
        picture: Some(name),
        combination: None,
        verdict: verdict(&reading.outcome),
        refusal: reading.outcome.as_ref().err(),
        focus: reading.outcome.as_ref().ok().map(FocusObject::from),
        cautions: &reading.cautions,
        fits: reading.fits.iter().map(FitObject::from).collect(),
        line: reading.line.as_ref(),
        image: Some(ImageObject::from(&reading.image)),
        kept,
    })
}

/// Several pictures combined. `mode` is `strips` or `pictures`; `names` are those that entered the result.
pub fn combined(mode: &str, names: &[String], outcome: &Result<Focus, Refusal>, cautions: &[Caution]) -> String {
    one_line(&Object {
        schema: SCHEMA,
        picture: None,
        combination: Some(Combination { combine: mode, combined: names }),
        verdict: verdict(outcome),
        refusal: outcome.as_ref().err(),
        focus: outcome.as_ref().ok().map(FocusObject::from),
        cautions,
        fits: Vec::new(),
        line: None,
        image: None,
        kept: None,
    })
}

const fn verdict(outcome: &Result<Focus, Refusal>) -> &'static str {
    match outcome {
        Ok(_) => "found",
        Err(_) => "refused",
    }
}

#[derive(Serialize)]
struct Object<'a> {
    schema: &'static str,
    picture: Option<&'a str>,
    #[serde(flatten)]
    combination: Option<Combination<'a>>,
    verdict: &'static str,
    refusal: Option<&'a Refusal>,
    focus: Option<FocusObject>,
    cautions: &'a [Caution],
    fits: Vec<FitObject<'a>>,
    line: Option<&'a LineQuality>,
    image: Option<ImageObject>,
    #[serde(skip_serializing_if = "Option::is_none")]
    kept: Option<&'a Kept>,
}

/// What came of keeping a reading in the logbook.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Kept {
    /// Number of its record.
    pub id: i64,
    /// True where the picture was in the logbook before, under this number, and was not kept again.
    pub already: bool,
    /// Machine.
    pub machine: String,
    /// Lens, where it is known.
    pub lens: Option<String>,
    /// RFC 3339.
    pub when: String,
    /// `given`, `picture` or `now`.
    pub when_from: &'static str,
    /// True where no offset was told and the machine's zone was taken.
    pub zone_assumed: bool,
    /// The same for a person; no part of the object.
    #[serde(skip)]
    pub told: String,
}

#[derive(Serialize)]
struct Combination<'a> {
    combine: &'a str,
    combined: &'a [String],
}

#[derive(Serialize)]
pub(super) struct Quantity {
    value: f64,
    standard_uncertainty: f64,
    expanded_uncertainty: f64,
}

impl From<&Estimate> for Quantity {
    fn from(estimate: &Estimate) -> Self {
        Self {
            value: estimate.value,
            standard_uncertainty: estimate.standard_uncertainty,
            expanded_uncertainty: estimate.expanded(),
        }
    }
}

fn quantity(estimate: &Option<Estimate>) -> Option<Quantity> {
    estimate.as_ref().map(Quantity::from)
}

#[derive(Serialize)]
struct FocusObject {
    position_mm: Quantity,
    height_mm: Option<Quantity>,
    spacer_mm: Option<Quantity>,
    change_mm: Option<Quantity>,
    focal_distance_mm: Option<Quantity>,
    kerf_mm: Option<Quantity>,
    depth_of_focus_mm: Option<SlackObject>,
}

impl From<&Focus> for FocusObject {
    fn from(focus: &Focus) -> Self {
        Self {
            position_mm: Quantity::from(&focus.position_mm),
            height_mm: quantity(&focus.height_mm),
            spacer_mm: quantity(&focus.spacer_mm),
            change_mm: quantity(&focus.change_mm),
            focal_distance_mm: quantity(&focus.focal_distance_mm),
            kerf_mm: quantity(&focus.kerf_mm),
            depth_of_focus_mm: focus.depth_of_focus_mm.as_ref().map(SlackObject::from),
        }
    }
}

#[derive(Serialize)]
pub(super) struct SlackObject {
    fraction: f64,
    below: f64,
    above: f64,
    total: f64,
}

impl From<&DepthOfFocus> for SlackObject {
    fn from(slack: &DepthOfFocus) -> Self {
        Self {
            fraction: slack.fraction,
            below: slack.below_mm,
            above: slack.above_mm,
            total: slack.below_mm + slack.above_mm,
        }
    }
}

#[derive(Serialize)]
struct FitObject<'a> {
    model: &'static str,
    position_mm: Quantity,
    used: bool,
    weight: f64,
    stations: usize,
    range_mm: [f64; 2],
    relative_rms: f64,
    parameters: &'a std::collections::BTreeMap<&'static str, f64>,
}

impl<'a> From<&'a Fit> for FitObject<'a> {
    fn from(fit: &'a Fit) -> Self {
        Self {
            model: fit.model.as_str(),
            position_mm: Quantity::from(&fit.position_mm),
            used: fit.used,
            weight: fit.weight,
            stations: fit.stations,
            range_mm: fit.range_mm,
            relative_rms: fit.relative_rms,
            parameters: &fit.parameters,
        }
    }
}

#[derive(Serialize)]
struct ImageObject {
    width_px: usize,
    height_px: usize,
    orientation: u8,
    mm_per_px: Option<f64>,
}

impl From<&ImageFacts> for ImageObject {
    fn from(image: &ImageFacts) -> Self {
        Self {
            width_px: image.width_px,
            height_px: image.height_px,
            orientation: image.orientation,
            mm_per_px: image.mm_per_px,
        }
    }
}

/// Any object whose keys are strings, compact, its numbers to six decimals.
pub(super) fn one_line(object: &impl Serialize) -> String {
    let mut bytes = Vec::new();
    let mut serializer = Serializer::with_formatter(&mut bytes, SixDecimals);
    object.serialize(&mut serializer).expect("the object has only string keys and writes to memory");
    String::from_utf8(bytes).expect("serde_json writes UTF-8")
}

/// Compact JSON whose numbers are rounded to six decimals. Rounding where the digits are written means that no
/// field can be forgotten. Never an exponent, never a negative zero; what is not finite arrives as `null` already.
struct SixDecimals;

impl Formatter for SixDecimals {
    fn write_f64<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        let digits = super::rounding::fixed(value, 6);
        let short = digits.trim_end_matches('0');
        // "7." is no JSON number; "7.0" keeps telling readers with strict types that this is not a count.
        let zero = if short.ends_with('.') { "0" } else { "" };
        writer.write_all(short.as_bytes())?;
        writer.write_all(zero.as_bytes())
    }
}
