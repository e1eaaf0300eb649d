//! Where the kerf steps: a line's end, beyond which the trace follows a crack or grain of another width.

use super::Station;
use crate::locate::trace::median;

/// Places on each side of a step.
pub const SIDE: usize = 6;
/// A step (ln kerf) of no burned line, which widens little over so few places.
pub const LEAST_LN: f64 = 0.6;

/// True where the kerf of the places before `at` and of those from it on differ by a step. Places in order, as many as
/// [`SIDE`] on both sides.
pub fn is_step(stations: &[&Station], at: usize) -> bool {
    let level = |places: &[&Station]| {
        let kerfs: Vec<f64> = places.iter().filter(|s| s.used).map(|s| s.kerf_px.max(1e-3).ln()).collect();
        (2 * kerfs.len() > places.len()).then(|| median(kerfs))
    };
    let [before, after] = [level(&stations[at - SIDE..at]), level(&stations[at..at + SIDE])];
    before.zip(after).is_some_and(|(a, b)| (a - b).abs() > LEAST_LN)
}
