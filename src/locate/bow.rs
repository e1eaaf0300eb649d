//! The one straight line, bowed a little by a lens, that most of a course lies on; what lies aside of it, and how far it stands out.

use rayon::prelude::*;

use super::Course;
use super::crossing::cross;
use super::refine::{WidthGuide, centre_again};
use super::trace::median;
use crate::photo::Photo;

/// Places looked at along a course to tell the line from what the trace ran on into.
const PLACES: usize = 400;
/// Sections of the course that a bowed line is laid through.
const SECTIONS: usize = 14;
/// Share of the line's usual strength at which it still counts as the line.
const STANDS_OUT: f64 = 0.5;
/// Share of the room of a line within which a course keeps to it.
const SETTLED: f64 = 0.4;
/// Places next to those that are put back that tell their width.
const NEIGHBOURS: usize = 40;
/// Fewest places at an end of a course that are put back on the line together.
const LEAST_PUT_BACK: usize = 4;

/// Places spread evenly over a course.
#[derive(Debug)]
pub struct Places {
    from_px: f64,
    step_px: f64,
    /// Strength of the line's middle (see [`super::crossing::Crossing::strength`]).
    strength: Vec<f64>,
    widths_px: Vec<f64>,
    offsets_px: Vec<f64>,
    bow: Bow,
}

impl Places {
    /// Looks at a course.
    pub fn of(photo: &Photo, course: &Course, guide: &WidthGuide) -> Self {
        let step_px = (course.end_px - course.start_px) / PLACES as f64;
        let at = |i: usize| course.start_px + (i as f64 + 0.5) * step_px;
        let strength_at = |i: usize| {
            let width = guide.at(at(i));
            cross(photo, course, at(i), 0.8 * width, width).map_or(0.0, |c| c.strength(course.is_dark))
        };
        let strength: Vec<f64> = (0..PLACES).into_par_iter().map(strength_at).collect();
        let widths_px: Vec<f64> = (0..PLACES).map(|i| guide.at(at(i))).collect();
        let offsets_px: Vec<f64> = (0..PLACES).map(|i| course.offset_at(at(i))).collect();
        let bow = Bow::of(&offsets_px, &widths_px, &strength);
        Self { from_px: course.start_px, step_px, strength, widths_px, offsets_px, bow }
    }

    /// Along the course where a place begins.
    pub fn start_of(&self, place: usize) -> f64 {
        self.from_px + place as f64 * self.step_px
    }

    /// First and last place of the stretch that keeps to the bowed line, single ones apart.
    fn settled(&self) -> Option<[usize; 2]> {
        longest_run((0..self.offsets_px.len()).map(|i| {
            let apart = (self.offsets_px[i] - self.bow.at(i as f64)).abs();
            apart < SETTLED * room(self.widths_px[i])
        }))
    }

    /// Places that lie aside of the bowed line that most of the course lies on.
    ///
    /// A head runs straight; a lens bows that a little. A trace that leaves such a curve for good follows a joint or grain
    /// that meets the line.
    pub fn aside(&self) -> Vec<bool> {
        let is_aside = |i: usize| (self.offsets_px[i] - self.bow.at(i as f64)).abs() > 2.0 * room(self.widths_px[i]);
        (0..self.offsets_px.len()).map(is_aside).collect()
    }
}

/// What a place that is not so takes off a run, in places that are.
const BREAK_COST: f64 = 2.0;

/// First and last place of the run with the best balance of places that are so over those that are not.
fn longest_run(is_so: impl Iterator<Item = bool>) -> Option<[usize; 2]> {
    let [mut sum, mut best] = [0.0; 2];
    let mut from = 0;
    let mut kept = None;
    for (i, is_so) in is_so.enumerate() {
        if sum <= 0.0 {
            sum = 0.0;
            from = i;
        }
        sum += if is_so { 1.0 } else { -BREAK_COST };
        if sum > best {
            best = sum;
            kept = Some([from, i]);
        }
    }
    kept
}

/// Lateral offset as a parabola in the number of the place.
#[derive(Debug)]
struct Bow([f64; 3]);

impl Bow {
    /// The parabola through three sections' medians that most places lie on (each place costs at most one: a truncated
    /// loss, as in MSAC, Torr and Zisserman, CVIU 78(1), 2000; from memory).
    fn of(offsets: &[f64], widths: &[f64], strength: &[f64]) -> Self {
        let section = offsets.len() / SECTIONS;
        let middles: Vec<f64> = (0..SECTIONS).map(|k| (k as f64 + 0.5) * section as f64 - 0.5).collect();
        let medians: Vec<f64> =
            (0..SECTIONS).map(|k| median(offsets[k * section..(k + 1) * section].to_vec())).collect();
        let mut best = (f64::INFINITY, [0.0; 3]);
        for i in 0..SECTIONS {
            for j in i + 2..SECTIONS {
                for k in j + 2..SECTIONS {
                    let chord = |a: usize, b: usize| (medians[b] - medians[a]) / (middles[b] - middles[a]);
                    // Newton's form: o_i + s·(x − x_i) + c·(x − x_i)(x − x_j).
                    let slope = chord(i, j);
                    let bow = (chord(j, k) - slope) / (middles[k] - middles[i]);
                    let curve = |x: f64| medians[i] + (x - middles[i]) * (slope + bow * (x - middles[j]));
                    let cost: f64 = (offsets.iter().zip(widths).zip(strength))
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
        Self(best.1)
    }

    fn at(&self, place: f64) -> f64 {
        let [offset, slope, bow] = self.0;
        offset + place * (slope + bow * place)
    }
}

/// How far a line of this width may stray from its curve and still be on it.
fn room(width_px: f64) -> f64 {
    0.6 * width_px + 2.0
}

/// The course with the ends of its trace that left the line for a joint, a crack or grain put back on the line; unchanged where
/// there is none.
///
/// Where the joint meets the line the line goes on, and its end is not where the trace left it. Third: the places along the course
/// that it gives.
pub fn put_back(photo: &Photo, course: Course, guide: WidthGuide) -> (Course, WidthGuide, Places) {
    let places = Places::of(photo, &course, &guide);
    let Some([first, last]) = places.settled() else { return (course, guide, places) };
    let aside = places.aside();
    let [before, after] =
        [&aside[..first], &aside[last + 1..]].map(|part| part.iter().filter(|a| **a).count() >= LEAST_PUT_BACK);
    if !(before || after) {
        return (course, guide, places);
    }
    let [from, to] = [places.start_of(first), places.start_of(last + 1)];
    let is_off = |along: f64| (before && along < from) || (after && along > to);
    let mut course = course;
    for knot in 0..course.offsets_px.len() {
        let along = course.start_px + knot as f64 * course.step_px;
        if is_off(along) {
            course.offsets_px[knot] = places.bow.at((along - places.from_px) / places.step_px - 0.5);
        }
    }
    let inside =
        [first..(first + NEIGHBOURS).min(last + 1), (last + 1).saturating_sub(NEIGHBOURS).max(first)..last + 1]
            .map(|part| median(places.widths_px[part].to_vec()));
    let mut guide = guide;
    for (along, width) in guide.along_px.iter().zip(&mut guide.width_px) {
        if is_off(*along) {
            *width = inside[usize::from(*along > to)];
        }
    }
    centre_again(photo, &mut course, &mut guide, is_off);
    let places = Places::of(photo, &course, &guide);
    (course, guide, places)
}

/// The course without the grain, joint or shadow that its trace may have run on into beyond the line.
///
/// Breaks in the line are kept, as long as enough of it follows.
pub fn within_the_line(course: &Course, places: &Places) -> Course {
    let strength = &places.strength;
    let aside = places.aside();
    // The line covers most of the course, and grain is paler: the upper half is the line's own.
    let mut sorted = strength.clone();
    sorted.sort_by(f64::total_cmp);
    let usual = sorted[PLACES * 7 / 10];
    // The stretch with the best balance of places that stand out over those that do not. Grain comes and goes; a burned
    // line is there at nearly every place, and a break in it is outweighed by what follows.
    let stands_out = |i: usize| strength[i] > STANDS_OUT * usual && !aside[i];
    match longest_run((0..PLACES).map(stands_out)) {
        Some([first, last]) if last > first + PLACES / 5 => {
            course.with_extent(places.start_of(first), places.start_of(last + 1))
        }
        _ => course.clone(),
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// A bowed and wobbling line that jumps to a joint for its last fifth.
    #[test]
    fn a_trace_that_leaves_for_a_joint_lies_aside_there() {
        let offsets_px: Vec<f64> = (0..PLACES)
            .map(|i| {
                let x = i as f64;
                let bow = 1e-4 * (x - 150.0).powi(2);
                let jump = if i >= 320 { 15.0 + 0.05 * (x - 320.0) } else { 0.0 };
                bow + (x / 7.0).sin() + jump
            })
            .collect();
        let strength = vec![0.7; PLACES];
        let widths_px = vec![6.0; PLACES];
        let bow = Bow::of(&offsets_px, &widths_px, &strength);
        let places = Places { from_px: 0.0, step_px: 1.0, strength, widths_px, offsets_px, bow };
        let aside = places.aside();
        assert!(aside[..320].iter().all(|a| !a));
        assert!(aside[320..].iter().all(|a| *a));
    }

    /// A line that runs on straight where its trace left it for a joint.
    #[test]
    fn an_end_that_left_for_a_joint_is_put_back_on_the_line() {
        const LEAVES_PX: f64 = 760.0;
        let joint = |x: f64| 0.3 * (x - LEAVES_PX).max(0.0);
        let luminance = Array2::from_shape_fn((260, 1000), |(y, x)| {
            let [x, below] = [x as f64 + 0.5, y as f64 + 0.5 - 100.0];
            let is_line = (50.0..950.0).contains(&x) && below.abs() < 5.0;
            let is_joint = x > LEAVES_PX && (below - joint(x)).abs() < 3.0;
            if is_line || is_joint { 4000 } else { 30000 }
        });
        let photo = Photo::from_light(luminance);
        let step_px = 10.0;
        let course = Course {
            origin_px: [0.0, 100.0],
            direction: [1.0, 0.0],
            start_px: 50.0,
            end_px: 950.0,
            step_px,
            // To the left, which is up.
            offsets_px: (0..=90).map(|k| -joint(50.0 + f64::from(k) * step_px)).collect(),
            is_dark: true,
        };
        let along_px: Vec<f64> = (0..=90).map(|k| 50.0 + f64::from(k) * step_px).collect();
        let width_px = along_px.iter().map(|along| if *along < LEAVES_PX { 10.0 } else { 6.0 }).collect();
        assert!(course.offset_at(900.0) < -40.0);
        let (course, guide, _) = put_back(&photo, course, WidthGuide { along_px, width_px });
        for along in [100.0, 500.0, 820.0, 900.0, 940.0] {
            assert!(course.offset_at(along).abs() < 1.0, "{along}: {}", course.offset_at(along));
        }
        assert!((guide.at(900.0) - 10.0).abs() < 1.0, "{}", guide.at(900.0));
    }
}
