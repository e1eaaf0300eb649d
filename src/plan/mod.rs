//! Before the burn: the spot to expect, a ramp that shows it, how sure the answer will be, and what to burn and write.
//!
//! ```text
//! PlanRequest ─beam─▶ Spot ─ramp─▶ RampPlan ─burn, picture─▶ … ─accuracy─▶ Plan ─▶ artwork, setup file, sheet, cradle
//! ```
//!
//! Pure functions of the request: no clock, no files, no picture.

pub mod accuracy;
pub mod artwork;
pub mod beam;
pub mod cradle;
mod error;
pub mod path;
pub mod ramp;
pub mod request;
pub mod setup_file;

use serde::Serialize;

pub use accuracy::{Accuracy, Expected};
pub use beam::{LensShape, Optics, Spot};
pub use error::PlanError;
pub use ramp::RampPlan;
pub use request::{Gauge, PlanRequest, PlannedDatum, PlannedPicture, PlannedSteepness};

use crate::fit::curve::Caustic;

/// Fluence over threshold that the line should still have at its ends; below 2 an end is no datum.
const END_OVERDRIVE: f64 = 2.5;
const LEAST_END_OVERDRIVE: f64 = 2.0;
/// Least overdrive at the focus: weaker lines are hardly narrower there (see `docs/method.md`).
const LEAST_OVERDRIVE: f64 = 8.0;
/// Overdrive beyond which thin material goes through.
const MOST_OVERDRIVE: f64 = 80.0;
/// "A little stronger than what just shows".
const LITTLE_STRONGER: f64 = 1.25;
/// Pixels that the line should cover at its finest, and below which it is not read.
const WANTED_KERF_PX: f64 = 4.0;
const LEAST_KERF_PX: f64 = 2.5;
/// Common scanner resolutions.
const SCAN_DPI: [f64; 5] = [300.0, 600.0, 1200.0, 2400.0, 4800.0];

/// Everything planned. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Plan {
    /// What it was planned for.
    pub request: PlanRequest,
    /// The spot to expect.
    pub spot: Spot,
    /// The ramp, the head and the prop.
    pub ramp: RampPlan,
    /// How strongly to burn.
    pub burn: BurnPlan,
    /// How the line will show in the picture.
    pub picture: PicturePlan,
    /// How sure the answer will be.
    pub accuracy: Accuracy,
    /// What to know before burning, in the order of importance.
    pub notes: Vec<Note>,
}

/// How strongly to burn, told by what a line shows and never as a machine's setting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct BurnPlan {
    /// Fluence at the focus over what just marks.
    pub overdrive: f64,
    /// The same at the end that is farther out of focus, should the focus lie as far off as the search range says.
    pub weakest_end_overdrive: f64,
    /// Gap, over material lying flat, at which a stroke burned so just still shows with a little to spare.
    pub just_shows_gap_mm: f64,
}

/// How the line will show in the picture.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PicturePlan {
    /// Width of the line at its finest.
    pub kerf_mm: f64,
    /// The same in pixels.
    pub kerf_px: f64,
    /// Pixels for each millimetre.
    pub px_per_mm: f64,
    /// The scanner resolution that shows it well; `None` where the planned picture does.
    pub better_dpi: Option<f64>,
}

/// Something to know before burning.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(tag = "code", rename_all = "snake_case")]
pub enum Note {
    /// The nozzle over the high end leaves less room than wanted.
    NozzleLimitsHighEnd {
        /// Height that the line reaches beyond the focus, today's block taken as right.
        beyond_mm: f64,
        /// Height wanted.
        wanted_mm: f64,
    },
    /// The strip is too short for three Rayleigh ranges beyond the search range.
    ShortStrip {
        /// Rayleigh ranges that are left beyond the search range on each side.
        rayleigh_ranges: f64,
    },
    /// Only a part of the search range can be seen.
    PartOfSearch {
        /// Thinnest block that would be found.
        from_mm: f64,
        /// Thickest.
        to_mm: f64,
    },
    /// The line covers few pixels at its finest.
    FewPixels {
        /// So many.
        kerf_px: f64,
        /// Resolution that shows it well.
        better_dpi: f64,
        /// True where it will not be read.
        is_unreadable: bool,
    },
    /// Spherical aberration makes a good part of the spot.
    Aberration {
        /// Its share of the spot's width.
        share: f64,
    },
}

/// Plans a ramp test.
///
/// # Errors
/// A field outside its limits, named with the limit, or no room for a useful line. See [`PlanError`].
///
/// ```
/// use narrows::plan::{PlanRequest, plan};
/// let plan = plan(&PlanRequest::new(50.8, 7.0))?;
/// assert!(plan.ramp.gap_low_mm > 7.0 && plan.ramp.gap_high_mm < 7.0);
/// assert!(plan.accuracy.in_use.spacer_mm.standard_uncertainty < 0.2);
/// # Ok::<(), narrows::plan::PlanError>(())
/// ```
pub fn plan(request: &PlanRequest) -> Result<Plan, PlanError> {
    request.check()?;
    let spot = beam::spot(&request.optics);
    let (ramp, mut notes) = ramp::design(request, &spot)?;
    let burn = burn(request, &spot, &ramp)?;
    let picture = picture(request, &spot, &burn);
    if let Some(better_dpi) = picture.better_dpi {
        let is_unreadable = picture.kerf_px < LEAST_KERF_PX;
        notes.push(Note::FewPixels { kerf_px: picture.kerf_px, better_dpi, is_unreadable });
    }
    let share = spot.aberration_mm / spot.diameter_mm;
    if share > 0.2 {
        notes.push(Note::Aberration { share });
    }
    let accuracy = accuracy::expect(request, &spot, &ramp, &burn, &picture);
    Ok(Plan { request: request.clone(), spot, ramp, burn, picture, accuracy, notes })
}

/// The kerf to expect along the strip with the focus at a block of `spacer_mm`.
pub fn expected_curve(spot: &Spot, ramp: &RampPlan, burn: &BurnPlan, spacer_mm: f64) -> Caustic {
    Caustic {
        position: ramp.position_of_gap(spacer_mm),
        ln_width: (0.5 * spot.diameter_mm).ln(),
        ln_overdrive: burn.overdrive.ln(),
        ln_length: (spot.rayleigh_mm * ramp.span_mm / ramp.rise_mm).ln(),
        asymmetry: 0.0,
    }
}

/// The peak fluence falls as one over the beam's width (J. M. Liu's threshold relation for a swept line, see
/// `docs/method.md`): a line that is to show so far from its focus must be that much stronger there.
fn burn(request: &PlanRequest, spot: &Spot, ramp: &RampPlan) -> Result<BurnPlan, PlanError> {
    let [thinnest, thickest] = ramp.found_spacers_mm;
    // The focus at either end of what can be found, and the end of the line that is farther from it.
    let from_low = ramp.gap_low_mm - thinnest;
    let from_high = thickest - ramp.gap_high_mm;
    let widening = |height: f64| (1.0 + (height / spot.rayleigh_mm).powi(2)).sqrt();
    let worst = widening(from_low.max(from_high));
    if LEAST_END_OVERDRIVE * worst > MOST_OVERDRIVE {
        return Err(PlanError::LineWouldFade {
            search_mm: request.search_mm,
            overdrive: LEAST_END_OVERDRIVE * worst,
            most: MOST_OVERDRIVE,
        });
    }
    let overdrive = (END_OVERDRIVE * worst).clamp(LEAST_OVERDRIVE, MOST_OVERDRIVE);
    let faded = (overdrive / LITTLE_STRONGER).powi(2) - 1.0;
    Ok(BurnPlan {
        overdrive,
        weakest_end_overdrive: overdrive / worst,
        just_shows_gap_mm: request.spacer_in_use_mm + spot.rayleigh_mm * faded.max(0.0).sqrt(),
    })
}

fn picture(request: &PlanRequest, spot: &Spot, burn: &BurnPlan) -> PicturePlan {
    let px_per_mm = request.px_per_mm();
    // Kerf = w·√(2·ln A) at the waist, w the 1/e² radius.
    let kerf_mm = 0.5 * spot.diameter_mm * (2.0 * burn.overdrive.ln()).sqrt();
    let kerf_px = kerf_mm * px_per_mm;
    let enough = |dpi: &f64| kerf_mm * dpi / 25.4 >= WANTED_KERF_PX;
    let best = SCAN_DPI.into_iter().find(enough).unwrap_or(SCAN_DPI[SCAN_DPI.len() - 1]);
    // Three pixels are read and four are good: worth telling, not worth insisting.
    let better_dpi = (kerf_px < 0.8 * WANTED_KERF_PX).then_some(best);
    PicturePlan { kerf_mm, kerf_px, px_per_mm, better_dpi }
}
