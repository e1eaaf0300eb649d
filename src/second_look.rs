//! A second look at a picture in its red light, where plain light gave no answer.
//!
//! Wood reflects more of red light than of green or blue, and its grain shows less in it; char is grey and reflects as little of one as of
//! the other (common practice, no source). So a burned line stands out most in red light. Plain light comes first all the same: a JPEG's
//! colours are coarser and noisier than its luma.

use crate::cautions::{Caution, CautionCode};
use crate::locate::profile::gather;
use crate::locate::refine::half_levels;
use crate::locate::trace::median;
use crate::photo::Photo;
use crate::reading::Reading;

/// Least gain of the line's depth (natural log of light) in red light over its depth in plain light.
const LEAST_GAIN: f64 = 0.1;
/// Half the length along the line over which light is averaged, in px.
const HALF_LENGTH_PX: f64 = 4.0;

/// Whether the answer of a second look counts: the line must stand out more in red light, or the second look is no better than the first
/// and only another try.
pub(crate) fn is_believed(plain: &Photo, red: &Photo, reading: &Reading) -> bool {
    reading.outcome.is_ok() && gain(plain, red, reading).is_some_and(|gain| gain > LEAST_GAIN)
}

/// What a reading in red light says of itself.
pub(crate) fn caution() -> Caution {
    Caution::new(
        CautionCode::RedLight,
        "in plain light the picture gave no answer; the line was read in its red light, in which it stands out more",
    )
}

/// Median gain of the line's depth (natural log of light) at its used stations.
fn gain(plain: &Photo, red: &Photo, reading: &Reading) -> Option<f64> {
    let course = reading.course.as_ref()?;
    let sign = if course.is_dark { 1.0 } else { -1.0 };
    let gains: Vec<f64> = reading
        .stations
        .iter()
        .filter(|station| station.used)
        .filter_map(|station| {
            let depth = |photo: &Photo| {
                let width = station.kerf_px;
                let profile = gather(photo, course, station.along_px, HALF_LENGTH_PX, 1.4 * width + 6.0);
                let levels = half_levels(&profile, course.is_dark, 0.35 * width + 1.0)?;
                let ground = 0.5 * (levels.background[0] + levels.background[1]);
                Some(sign * (ground.max(1e-4) / levels.core.max(1e-4)).ln())
            };
            // Where plain light shows no line at all, the line's whole depth is gained.
            Some(depth(red)? - depth(plain).unwrap_or(0.0))
        })
        .collect();
    (!gains.is_empty()).then(|| median(gains))
}
