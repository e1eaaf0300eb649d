//! How places along the course become positions along the strip.
//!
//! Between two datums the map is projective: with `p` the share of the way in the picture and `k` the square root of
//! the ratio of the picture's scale at the low datum to that at the high one, the share of the way on the strip is
//! `p/(p + k·(1 − p))`. A flat scan has `k = 1`; in a photograph `k` is the ratio of the strip's apparent widths.

use super::ends::LineEnd;
use crate::locate::{Course, Tie, TieSample};
use crate::setup::Side;

/// Ratio of the picture's scales along the line, as its logarithm, with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Perspective {
    /// ln k from the start to the end of the course.
    pub ln_k: f64,
    /// Standard uncertainty of ln k over the visible line.
    pub u_ln_k: f64,
    /// Places along the course between which it was determined.
    pub between_px: [f64; 2],
    /// Standard uncertainty of lens distortion along the line, as the greatest shift over the line's length.
    pub u_distortion: f64,
}

/// A datum along the course: where, how sure, and what surface position it has.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TiePoint {
    /// Along the course.
    pub along_px: f64,
    /// Standard uncertainty along the course.
    pub u_px: f64,
    /// Surface distance from the low datum.
    pub position_mm: f64,
}

/// Why a course cannot be tied.
#[derive(Debug, Clone, PartialEq)]
pub enum TieError {
    /// `low_end` names a side that lies across the line.
    LowEndAcross,
    /// `low_end` was needed and not given.
    LowEndMissing,
    /// An end is no datum: it fades or tapers.
    EndFades {
        /// True for the low end.
        is_low: bool,
    },
    /// The line runs out of the picture at an end.
    EndOutside {
        /// True for the low end.
        is_low: bool,
    },
    /// The line runs off the strip at an end.
    EndOffStrip {
        /// True for the low end.
        is_low: bool,
    },
    /// The visible line is shorter than the stated resolution makes it.
    TooShort {
        /// Measured over expected length.
        ratio: f64,
    },
    /// The known length and the stated resolution disagree.
    ScaleDisagrees {
        /// Measured over expected length.
        ratio: f64,
    },
    /// The known length and those of the strip, whose edges all show, disagree.
    StripDisagrees {
        /// Length between the datums by the strip's length over the known one.
        ratio: f64,
        /// True where the datums are the line's ends.
        is_by_ends: bool,
    },
    /// The strip's short edges were not found.
    StripNotFound,
    /// Index marks were not found.
    MarksNotFound {
        /// Marks seen.
        found: usize,
    },
    /// Marks were found, but not where they belong on the strip.
    MarksAmbiguous,
    /// `low_end` contradicts the marks.
    LowEndContradictsMarks,
}

/// True where position grows along the course, from the side on which the low end lies.
///
/// # Errors
/// [`TieError::LowEndAcross`] within 30° of across the line.
pub fn is_rising(course: &Course, low_end: Option<Side>) -> Result<bool, TieError> {
    let side = match low_end.ok_or(TieError::LowEndMissing)? {
        Side::Left => [-1.0, 0.0],
        Side::Right => [1.0, 0.0],
        Side::Top => [0.0, -1.0],
        Side::Bottom => [0.0, 1.0],
    };
    let towards_end = course.direction[0] * side[0] + course.direction[1] * side[1];
    if towards_end.abs() < 0.5 {
        return Err(TieError::LowEndAcross);
    }
    Ok(towards_end < 0.0)
}

/// The two line ends as datums, in order along the course.
///
/// # Errors
/// Where an end fades, tapers or lies outside the picture.
pub fn end_points(ends: &[LineEnd; 2], is_rising: bool, span_mm: f64) -> Result<[TiePoint; 2], TieError> {
    let point = |index: usize| {
        let is_low = (index == 0) == is_rising;
        let end = &ends[index];
        if end.leaves_picture {
            return Err(TieError::EndOutside { is_low });
        }
        if end.leaves_strip {
            return Err(TieError::EndOffStrip { is_low });
        }
        let datum = end.datum.ok_or(TieError::EndFades { is_low })?;
        Ok(TiePoint { along_px: datum.along_px, u_px: datum.u_px, position_mm: if is_low { 0.0 } else { span_mm } })
    };
    Ok([point(0)?, point(1)?])
}

/// The map through two datums with a perspective between them.
pub fn two_point(
    course: &Course,
    datum: &'static str,
    points: [TiePoint; 2],
    perspective: &Perspective,
    span_mm: f64,
) -> Tie {
    let [a, b] = points;
    let length_px = b.along_px - a.along_px;
    // ln k grows with the distance between the places compared.
    let share = length_px / (perspective.between_px[1] - perspective.between_px[0]);
    let [ln_k, u_ln_k] = [perspective.ln_k * share, perspective.u_ln_k * share.abs()];
    let k = ln_k.exp();
    let map = |along: f64| {
        let p = (along - a.along_px) / length_px;
        let f = p / (p + k * (1.0 - p));
        a.position_mm + f * (b.position_mm - a.position_mm)
    };
    let samples = span_samples(course, [a.along_px, b.along_px])
        .into_iter()
        .map(|along_px| {
            let p = (along_px - a.along_px) / length_px;
            let mm = (b.position_mm - a.position_mm).abs();
            let slope = mm / length_px.abs();
            let ends = ((1.0 - p) * a.u_px * slope).hypot(p * b.u_px * slope);
            let tilt = mm * p * (1.0 - p) * u_ln_k;
            // A cubic bulge that vanishes at both datums and at the middle, greatest (0.0962) between them.
            let bulge = mm * perspective.u_distortion * (p * (1.0 - p) * (1.0 - 2.0 * p)).abs() / 0.0962;
            TieSample {
                along_px,
                position_mm: map(along_px),
                standard_uncertainty_mm: (ends * ends + tilt * tilt + bulge * bulge).sqrt(),
            }
        })
        .collect::<Vec<_>>();
    let at = |position: f64| {
        // Inverse of the map, for the datums' places.
        let f = (position - a.position_mm) / (b.position_mm - a.position_mm);
        let p = k * f / (1.0 - f + k * f);
        course.place(a.along_px + p * length_px, 0.0)
    };
    Tie { datum, low_px: at(0.0), high_px: at(span_mm), marks: Vec::new(), samples }
}

/// Places along the course at which a map is sampled, over the line and the datums.
pub fn span_samples(course: &Course, between_px: [f64; 2]) -> Vec<f64> {
    let from = course.start_px.min(between_px[0]).min(between_px[1]);
    let to = course.end_px.max(between_px[0]).max(between_px[1]);
    const STEPS: usize = 200;
    (0..=STEPS).map(|i| from + (to - from) * i as f64 / STEPS as f64).collect()
}
