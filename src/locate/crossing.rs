//! Light on the line's middle against the light beside it, and how far along the course the line stands out.

use rayon::prelude::*;

use super::Course;
use super::profile::gather;
use super::refine::WidthGuide;
use crate::photo::Photo;

/// Places looked at along a course to tell the line from what the trace ran on into.
const PLACES: usize = 400;
/// Share of the line's usual strength at which it still counts as the line.
const STANDS_OUT: f64 = 0.5;
/// What a place that does not stand out takes off, in places that do.
const BREAK_COST: f64 = 2.0;

/// Light at one place of the line.
#[derive(Debug, Clone, Copy)]
pub struct Crossing {
    /// Of the line's middle, 0 to 1.
    pub core: f64,
    /// Of both sides, mean.
    pub background: f64,
}

impl Crossing {
    /// Contrast of the middle against both sides: 1 for black on white, 0 for nothing, negative for the other sign.
    pub fn strength(&self, is_dark: bool) -> f64 {
        let sign = if is_dark { 1.0 } else { -1.0 };
        sign * (self.background - self.core) / self.background.max(self.core).max(1e-4)
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
    Some(Crossing { core, background })
}

/// The course without the grain, joint or shadow that its trace may have run on into beyond the line.
///
/// Breaks in the line are kept, as long as enough of it follows.
pub fn within_the_line(photo: &Photo, course: &Course, guide: &WidthGuide) -> Course {
    let length = course.end_px - course.start_px;
    let step = length / PLACES as f64;
    let at = |i: usize| course.start_px + (i as f64 + 0.5) * step;
    let strength: Vec<f64> = (0..PLACES)
        .into_par_iter()
        .map(|i| {
            let width = guide.at(at(i));
            cross(photo, course, at(i), 0.8 * width, width).map_or(0.0, |c| c.strength(course.is_dark))
        })
        .collect();
    // The line covers most of the course, and grain is paler: the upper half is the line's own.
    let mut sorted = strength.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[PLACES * 7 / 10];
    // The stretch with the best balance of places that stand out over those that do not. Grain comes and goes; a burned
    // line is there at nearly every place, and a break in it is outweighed by what follows.
    let [mut sum, mut best] = [0.0; 2];
    let mut from = 0;
    let mut kept = None;
    for (i, value) in strength.iter().enumerate() {
        if sum <= 0.0 {
            sum = 0.0;
            from = i;
        }
        sum += if *value > STANDS_OUT * usual { 1.0 } else { -BREAK_COST };
        if sum > best {
            best = sum;
            kept = Some([from, i]);
        }
    }
    match kept {
        Some([first, last]) if last > first + PLACES / 5 => {
            course.with_extent(at(first) - 0.5 * step, at(last) + 0.5 * step)
        }
        _ => course.clone(),
    }
}
