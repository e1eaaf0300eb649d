//! Light on the line's middle against the light beside it, and how far along the course the line stands out.

use rayon::prelude::*;

use super::Course;
use super::profile::gather;
use super::refine::WidthGuide;
use super::trace::median;
use crate::photo::Photo;

/// Places looked at along a course to tell the line from what the trace ran on into.
const PLACES: usize = 400;
/// Share of the line's usual strength at which it still counts as the line.
const STANDS_OUT: f64 = 0.5;
/// What a place that does not stand out takes off, in places that do.
const BREAK_COST: f64 = 2.0;

/// Sections of the course that a straight line is laid through.
const SECTIONS: usize = 14;

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
    let widths: Vec<f64> = (0..PLACES).map(|i| guide.at(at(i))).collect();
    let offsets: Vec<f64> = (0..PLACES).map(|i| course.offset_at(at(i))).collect();
    let aside = aside(&offsets, &widths, &strength);
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
        sum += if *value > STANDS_OUT * usual && !aside[i] { 1.0 } else { -BREAK_COST };
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

/// Places that lie aside of the one straight line that most of the course lies on.
///
/// A head runs straight; a lens bows that a little. A trace that leaves such a curve for good follows a joint or grain
/// that meets the line. The curve is the parabola through three sections' medians that most places lie on (each place
/// costs at most one: a truncated loss, as in MSAC, Torr and Zisserman, CVIU 78(1), 2000; from memory).
fn aside(offsets: &[f64], widths: &[f64], strength: &[f64]) -> Vec<bool> {
    let section = offsets.len() / SECTIONS;
    let middles: Vec<f64> = (0..SECTIONS).map(|k| (k as f64 + 0.5) * section as f64 - 0.5).collect();
    let medians: Vec<f64> = (0..SECTIONS).map(|k| median(offsets[k * section..(k + 1) * section].to_vec())).collect();
    let mut best = (f64::INFINITY, [0.0; 3]);
    for i in 0..SECTIONS {
        for j in i + 2..SECTIONS {
            for k in j + 2..SECTIONS {
                let chord = |a: usize, b: usize| (medians[b] - medians[a]) / (middles[b] - middles[a]);
                // Newton's form: o_i + s·(x − x_i) + c·(x − x_i)(x − x_j).
                let slope = chord(i, j);
                let bow = (chord(j, k) - slope) / (middles[k] - middles[i]);
                let curve = |x: f64| medians[i] + (x - middles[i]) * (slope + bow * (x - middles[j]));
                let cost: f64 = offsets
                    .iter()
                    .zip(widths)
                    .zip(strength)
                    .enumerate()
                    .map(|(x, ((offset, width), strength))| {
                        // A line stands out more than what a trace may run on into.
                        strength.max(0.0).powi(2) * ((offset - curve(x as f64)).abs() / room(*width)).min(1.0)
                    })
                    .sum();
                if cost < best.0 {
                    // In powers of x, from the values at 0 and 1.
                    best = (cost, [curve(0.0), curve(1.0) - curve(0.0) - bow, bow]);
                }
            }
        }
    }
    let [o, s, c] = best.1;
    offsets
        .iter()
        .zip(widths)
        .enumerate()
        .map(|(x, (offset, width))| (offset - o - x as f64 * (s + c * x as f64)).abs() > 2.0 * room(*width))
        .collect()
}

/// How far a line of this width may stray from its curve and still be on it.
fn room(width_px: f64) -> f64 {
    0.6 * width_px + 2.0
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A bowed and wobbling line that jumps to a joint for its last fifth.
    #[test]
    fn a_trace_that_leaves_for_a_joint_lies_aside_there() {
        let widths = vec![6.0; PLACES];
        let offsets: Vec<f64> = (0..PLACES)
            .map(|i| {
                let x = i as f64;
                let bow = 1e-4 * (x - 150.0).powi(2);
                let jump = if i >= 320 { 15.0 + 0.05 * (x - 320.0) } else { 0.0 };
                bow + (x / 7.0).sin() + jump
            })
            .collect();
        let aside = aside(&offsets, &widths, &[0.7; PLACES]);
        assert!(aside[..320].iter().all(|a| !a));
        assert!(aside[320..].iter().all(|a| *a));
    }
}
