//! Light on the line's middle against the light beside it.

use super::Course;
use super::profile::gather;
use crate::photo::Photo;

/// Light at one place of the line.
#[derive(Debug, Clone, Copy)]
pub struct Crossing {
    /// Of the line's middle, 0 to 1.
    pub core: f64,
    /// Of the line next to its edges: more than what is dark (light) in a thin streak along its middle.
    pub flanks: f64,
    /// Of both sides, mean.
    pub background: f64,
}

impl Crossing {
    /// Contrast of the middle against both sides: 1 for black on white, 0 for nothing, negative for the other sign.
    pub fn strength(&self, is_dark: bool) -> f64 {
        self.contrast(self.core, is_dark)
    }

    /// The same of the flanks.
    pub fn flank_strength(&self, is_dark: bool) -> f64 {
        self.contrast(self.flanks, is_dark)
    }

    fn contrast(&self, light: f64, is_dark: bool) -> f64 {
        let sign = if is_dark { 1.0 } else { -1.0 };
        sign * (self.background - light) / self.background.max(light).max(1e-4)
    }
}

/// Looks across the line at one place; `None` where that lies outside the picture.
pub fn cross(photo: &Photo, course: &Course, along_px: f64, kerf_px: f64, width_px: f64) -> Option<Crossing> {
    let reach = 1.1 * width_px + 6.0;
    let profile = gather(photo, course, along_px, 0.75, reach);
    if profile.inside < 0.6 {
        return None;
    }
    let core = profile.mean_between(-0.2 * kerf_px - 0.6, 0.2 * kerf_px + 0.6)?;
    let from = 0.6 * width_px + 2.0;
    let side = |a: f64, b: f64| profile.mean_between(a, b);
    let background = 0.5 * (side(-reach, -from)? + side(from, reach)?);
    let [inner, outer] = [0.22 * kerf_px, 0.38 * kerf_px + 0.5];
    let flanks = side(-outer, -inner).zip(side(inner, outer)).map_or(core, |(a, b)| 0.5 * (a + b));
    Some(Crossing { core, flanks, background })
}
