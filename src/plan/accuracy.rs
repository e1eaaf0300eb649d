//! How sure the answer will be: Fisher information of the stations' model, the tie to the ramp, the setup's lengths.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::beam::Spot;
use super::ramp::{RampPlan, Support};
use super::request::{PlanRequest, PlannedDatum, PlannedPicture, PlannedSteepness};
use super::{BurnPlan, PicturePlan, expected_curve, setup_file};
use crate::estimate::Estimate;
use crate::fit::caustic::{ASYMMETRY, LN_OVERDRIVE};
use crate::fit::curve::Caustic;
use crate::fit::noise::{Scatter, Whitener};
use crate::height;

/// Stations along the line, at most, and their least length; as the reading sets them.
const MOST_STATIONS: f64 = 600.0;
const LEAST_STATION_PX: f64 = 3.0;
/// Noise of a pixel over the line's contrast (a scanner's or a phone's, common practice, no source).
const NOISE_OVER_CONTRAST: f64 = 0.02;
/// What not knowing the blur costs over the bound that does (docs/uncertainty.md: 1.2 to 4.6).
const OVER_THE_BOUND: f64 = 2.5;
/// Blur of a flatbed's optics in mm, its sensor's cells in px, and a camera's in px (common practice, no source).
const SCAN_BLUR_MM: f64 = 0.02;
const CELL_BLUR_PX: f64 = 0.35;
const PHOTO_BLUR_PX: f64 = 0.9;
/// What the curve does not describe, over the length of its waist: as the reading claims (docs/uncertainty.md).
const MODEL_FLOOR: f64 = 0.025;
/// Standard uncertainty of a line's end over the line's width there: INTERFACE's eighth.
const END_SHARE: f64 = 0.125;
/// Standard uncertainty that a row of index marks leaves, mm.
const MARKS_U_MM: f64 = 0.05;
/// Places of the focus that are looked at over the search range.
const PLACES: usize = 7;

/// How sure the answer will be.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Accuracy {
    /// Should today's block be right.
    pub in_use: Expected,
    /// Wherever in the part of the search range that the line shows: the least sure place of several.
    pub worst: Expected,
}

/// The uncertainty to expect for one place of the focus. Millimetres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Expected {
    /// The block, with everything.
    pub spacer_mm: Estimate,
    /// The finest place along the strip: what the picture contributes.
    pub position_mm: Estimate,
    /// Of that: the line's own wander and the pixels.
    pub scatter_u_mm: f64,
    /// Of that: what the curve does not describe.
    pub model_u_mm: f64,
    /// Of that: the ends or marks.
    pub datum_u_mm: f64,
}

impl Expected {
    /// What the picture contributes, as a height: `rise/span` of the position's standard uncertainty.
    pub fn picture_height_u_mm(&self, ramp: &RampPlan) -> f64 {
        self.position_mm.standard_uncertainty * ramp.rise_mm / ramp.span_mm
    }
}

/// Expected uncertainties for a plan.
pub fn expect(request: &PlanRequest, spot: &Spot, ramp: &RampPlan, burn: &BurnPlan, picture: &PicturePlan) -> Accuracy {
    let at = |spacer_mm| expect_at(request, spot, ramp, burn, picture, spacer_mm);
    let in_use = at(request.spacer_in_use_mm);
    let [from, to] = ramp.found_spacers_mm;
    let worst = (0..PLACES)
        .map(|place| at(from + (to - from) * place as f64 / (PLACES - 1) as f64))
        .chain([in_use])
        .max_by(|a, b| a.spacer_mm.standard_uncertainty.total_cmp(&b.spacer_mm.standard_uncertainty))
        .unwrap_or(in_use);
    Accuracy { in_use, worst }
}

/// Expected uncertainty with the focus at a block of `spacer_mm`.
pub fn expect_at(
    request: &PlanRequest,
    spot: &Spot,
    ramp: &RampPlan,
    burn: &BurnPlan,
    picture: &PicturePlan,
    spacer_mm: f64,
) -> Expected {
    let curve = expected_curve(spot, ramp, burn, spacer_mm);
    let scatter_u_mm = scatter(request, ramp, picture, &curve);
    let model_u_mm = MODEL_FLOOR * curve.ln_length.exp();
    let datum_u_mm = datum(request, ramp, &curve);
    let position_u = scatter_u_mm.hypot(model_u_mm).hypot(datum_u_mm);
    let position_mm = Estimate::new(curve.position, position_u);
    let spacer_mm = Estimate::new(spacer_mm, spacer_uncertainty(request, ramp, position_mm));
    Expected { spacer_mm, position_mm, scatter_u_mm, model_u_mm, datum_u_mm }
}

/// Cramér–Rao: the inverse of the Fisher information of the curve's five parameters, with the reading's own prior
/// knowledge of two of them. The residuals are correlated along the strip, so the derivatives are whitened first; without
/// that the information would be several times too great.
fn scatter(request: &PlanRequest, ramp: &RampPlan, picture: &PicturePlan, curve: &Caustic) -> f64 {
    let per_travel = ramp.span_mm / ramp.travel_mm;
    let [start, stop] = ramp.line_travel_mm().map(|travel| travel * per_travel);
    let length_px = (stop - start) * picture.px_per_mm;
    let count = (length_px / LEAST_STATION_PX).floor().clamp(1.0, MOST_STATIONS);
    let station_px = length_px / count;
    let blur_px = match request.picture {
        PlannedPicture::Scan { .. } => (SCAN_BLUR_MM * picture.px_per_mm).hypot(CELL_BLUR_PX),
        PlannedPicture::Photo { .. } => PHOTO_BLUR_PX,
    };
    let positions: Vec<f64> = (0..count as usize).map(|i| start + (stop - start) * (i as f64 + 0.5) / count).collect();
    // Two edges, each no surer than (s/A)·√(2√π·σ/N) px, with the pixel's own width in σ.
    let sigma = (blur_px * blur_px + 1.0 / 12.0).sqrt();
    let edge_px = NOISE_OVER_CONTRAST * (2.0 * std::f64::consts::PI.sqrt() * sigma / station_px).sqrt();
    let kerf_u_px = OVER_THE_BOUND * std::f64::consts::SQRT_2 * edge_px;
    let own: Vec<f64> =
        positions.iter().map(|s| kerf_u_px / (curve.ln_kerf(*s).exp() * picture.px_per_mm).max(0.5)).collect();
    let scatter = Scatter { grain: request.grain, length_mm: request.grain_length_mm, own_factor: 1.0 };
    let whitener = Whitener::new(&positions, &own, &scatter);
    let parameters = [curve.position, curve.ln_width, curve.ln_overdrive, curve.ln_length, curve.asymmetry];
    const STEP: f64 = 1e-4;
    let columns: Vec<DVector<f64>> = (0..parameters.len())
        .map(|index| {
            let moved = |by: f64| {
                let mut moved = parameters;
                moved[index] += by;
                Caustic::from_slice(&moved)
            };
            let [up, down] = [moved(STEP), moved(-STEP)];
            let slopes = positions.iter().map(|s| (up.ln_kerf(*s) - down.ln_kerf(*s)) / (2.0 * STEP));
            DVector::from_vec(whitener.whiten(slopes))
        })
        .collect();
    let design = DMatrix::from_columns(&columns);
    let mut information = design.transpose() * &design;
    information[(2, 2)] += LN_OVERDRIVE.1.powi(-2);
    information[(4, 4)] += ASYMMETRY.1.powi(-2);
    information.try_inverse().map_or(f64::INFINITY, |covariance| covariance[(0, 0)].max(0.0).sqrt())
}

/// What the datum leaves unsure: both ends stretch the line between them.
fn datum(request: &PlanRequest, ramp: &RampPlan, curve: &Caustic) -> f64 {
    match request.datum {
        PlannedDatum::Marks => MARKS_U_MM,
        PlannedDatum::Ends => {
            let t = curve.position / ramp.span_mm;
            let end = |position: f64| END_SHARE * curve.ln_kerf(position).exp();
            ((1.0 - t) * end(0.0)).hypot(t * end(ramp.span_mm))
        }
    }
}

/// The block's standard uncertainty by the reading's own conversion, from the setup that this plan writes.
fn spacer_uncertainty(request: &PlanRequest, ramp: &RampPlan, position_mm: Estimate) -> f64 {
    // A ramp file need not be there yet; its angle does, and two gaps decide in any case.
    let mut request = request.clone();
    let mut ramp = ramp.clone();
    if matches!(request.steepness, PlannedSteepness::RampFile { .. }) {
        request.steepness = PlannedSteepness::Prop { thickness_mm: None };
        ramp.support = Support::Prop { prop_mm: 1.0, prop_at_mm: 1.0 };
    }
    let text = setup_file::text(&request, &ramp, true);
    let setup = crate::setup::parse_toml(&text, None).expect("the plan's own setup is one that the reading takes");
    let (focus, _) = height::convert(position_mm, None, None, 0.05, &setup);
    focus.spacer_mm.expect("both gaps are in it").standard_uncertainty
}
