//! From a coarse trace to the line's course at full resolution.

use rayon::prelude::*;

use super::Course;
use super::profile::{Profile, gather};
use super::trace::Trace;
use crate::photo::Photo;

/// Times as light as the ground on the other side of a dark line from which what lies on a side is not the line's ground: the lid or a
/// sheet beyond the strip's edge. Beside what is lighter than both its sides, soot and char differ as much.
const OTHER_GROUND: f64 = 1.65;
/// What of a side lies next to the line, as a share of its half width, and at least, px.
const NEXT_TO: f64 = 0.5;
const LEAST_NEXT_TO_PX: f64 = 2.0;

/// How far beyond the half width the middle of a line is looked for where its course is known, px.
const CLOSE_PX: f64 = 1.0;

/// Rough full width of the line along a course: where the profile is to be looked at.
#[derive(Debug, Clone)]
pub struct WidthGuide {
    /// Along the course, in order.
    pub along_px: Vec<f64>,
    /// Full width between half levels, blur included.
    pub width_px: Vec<f64>,
}

impl WidthGuide {
    /// Width at a place, linear between knots, constant beyond.
    pub fn at(&self, along_px: f64) -> f64 {
        let upper = self.along_px.partition_point(|a| *a < along_px);
        if upper == 0 {
            return self.width_px[0];
        }
        if upper == self.along_px.len() {
            return self.width_px[upper - 1];
        }
        let share = (along_px - self.along_px[upper - 1]) / (self.along_px[upper] - self.along_px[upper - 1]);
        self.width_px[upper - 1] * (1.0 - share) + self.width_px[upper] * share
    }
}

/// Centre and full width between the half levels next to the middle, blur included.
#[derive(Debug, Clone, Copy)]
pub struct HalfLevels {
    /// Middle between both crossings.
    pub centre_px: f64,
    /// Distance between both crossings.
    pub width_px: f64,
    /// Core of the line, linear light.
    pub core: f64,
    /// Background on the side of negative and positive distance, next to the line.
    pub background: [f64; 2],
}

/// Half-level crossings on both sides of the darkest (lightest) place within `search_px` of the course.
///
/// The background of a side is the 70 % quantile of the light there: soot next to the line lowers it, as it should. Where that is
/// far from the other side's, the strip may end there: the other side's sets the level, and what lies next to the crossing counts.
pub fn half_levels(profile: &Profile, is_dark: bool, search_px: f64) -> Option<HalfLevels> {
    let sign = if is_dark { 1.0 } else { -1.0 };
    let value = |i: usize| sign * profile.light[i];
    let bins = profile.len();
    let smooth = |i: usize| {
        let window = i.saturating_sub(1)..(i + 2).min(bins);
        let count = window.len() as f64;
        window.map(value).sum::<f64>() / count
    };
    let core_at = (0..bins)
        .filter(|i| profile.across_px[*i].abs() <= search_px)
        .min_by(|a, b| smooth(*a).total_cmp(&smooth(*b)))?;
    let core = smooth(core_at);
    if core_at < 3 || core_at + 4 > bins {
        return None;
    }
    // Places of a side, from the core outwards.
    let of_side = |side: usize, k: usize| if side == 0 { core_at - 1 - k } else { core_at + 1 + k };
    let counts = [core_at, bins - core_at - 1];
    let outer = [0, 1].map(|side| quantile((0..counts[side]).map(|k| value(of_side(side, k))), 7));
    let least = outer[0].min(outer[1]);
    let most = if is_dark { least * OTHER_GROUND } else { f64::INFINITY };
    let mut crossings = [0.0; 2];
    let mut background = [0.0; 2];
    for side in 0..2 {
        let is_other = outer[side] > most;
        let ground = if is_other { least } else { outer[side] };
        if ground <= core {
            return None;
        }
        let level = 0.5 * (core + ground);
        let first = (0..counts[side]).find(|k| value(of_side(side, *k)) >= level)?;
        let [before, at] = [first.checked_sub(1).map_or(core_at, |k| of_side(side, k)), of_side(side, first)];
        let share = ((level - value(before)) / (value(at) - value(before))).clamp(0.0, 1.0);
        let [from, to] = [before, at].map(|i| profile.across_px[i]);
        crossings[side] = from + share * (to - from);
        // On flat light the core, a mean, may lie below the rest by rounding alone, and no place lies between equal values.
        if crossings[side].is_nan() {
            return None;
        }
        background[side] = if is_other {
            let half_width = (crossings[side] - profile.across_px[core_at]).abs();
            let end = crossings[side].abs() + (NEXT_TO * half_width).max(LEAST_NEXT_TO_PX);
            let next =
                (first..counts[side]).map(|k| of_side(side, k)).take_while(|i| profile.across_px[*i].abs() <= end);
            sign * quantile(next.map(value), 7).max(level)
        } else {
            sign * outer[side]
        };
    }
    Some(HalfLevels {
        centre_px: 0.5 * (crossings[0] + crossings[1]),
        width_px: crossings[1] - crossings[0],
        core: sign * core,
        background,
    })
}

/// The value with so many tenths of them below it; -∞ for none.
fn quantile(values: impl Iterator<Item = f64>, tenths: usize) -> f64 {
    let mut values: Vec<f64> = values.collect();
    let place = values.len() * tenths / 10;
    if values.is_empty() { f64::NEG_INFINITY } else { *values.select_nth_unstable_by(place, f64::total_cmp).1 }
}

/// Refines a trace: axis and offsets from half-level centres at full resolution, and the rough width along it.
pub fn refine(photo: &Photo, trace: &Trace) -> (Course, WidthGuide) {
    let length = trace.length_px();
    let step_px = (length / 500.0).max(4.0);
    let knots = (length / step_px).ceil() as usize + 1;
    let index_at = |along: f64| {
        (((along - trace.extent_px[0]) / trace.step_px) as isize).clamp(0, trace.offsets_px.len() as isize - 1) as usize
    };
    let along: Vec<f64> = (0..knots).map(|k| trace.extent_px[0] + k as f64 * step_px).collect();
    let mut course = Course {
        origin_px: trace.origin_px,
        direction: trace.direction,
        start_px: trace.extent_px[0],
        end_px: trace.extent_px[1],
        step_px,
        offsets_px: smooth(&along.iter().map(|a| trace.offsets_px[index_at(*a)]).collect::<Vec<_>>(), 5),
        is_dark: trace.is_dark,
    };
    let mut widths: Vec<f64> = along.iter().map(|a| trace.widths_px[index_at(*a)]).collect();
    for round in 0..2 {
        let room = if round == 0 { 1.5 * trace.step_px } else { CLOSE_PX };
        let found: Vec<Option<HalfLevels>> =
            along.par_iter().zip(&widths).map(|(a, width)| levels_at(photo, &course, *a, *width, room)).collect();
        let mut centres = Vec::with_capacity(knots);
        let mut last = 0.0;
        for (levels, width) in found.iter().zip(&mut widths) {
            if let Some(levels) = levels {
                last = levels.centre_px;
                *width = levels.width_px.max(1.0);
            }
            centres.push(last);
        }
        let centres = smooth(&median_filter(&centres, 4), 3);
        for (offset, centre) in course.offsets_px.iter_mut().zip(centres) {
            *offset += centre;
        }
        widths = smooth(&median_filter(&widths, 4), 2);
    }
    (course, WidthGuide { along_px: along, width_px: widths })
}

/// Half levels of a course of about this width, its middle looked for so far beyond its edges.
fn levels_at(photo: &Photo, course: &Course, along_px: f64, width_px: f64, room_px: f64) -> Option<HalfLevels> {
    let search = 0.5 * width_px + room_px;
    let half_width = 1.6 * width_px + 4.0 + search;
    half_levels(&gather(photo, course, along_px, 0.6 * course.step_px, half_width), course.is_dark, search)
}

/// Lays the chosen part of a course on the middle between the half levels found close to it, and takes its widths from there.
pub fn centre_again(photo: &Photo, course: &mut Course, guide: &mut WidthGuide, is_chosen: impl Fn(f64) -> bool) {
    let chosen: Vec<usize> = (0..guide.along_px.len()).filter(|k| is_chosen(guide.along_px[*k])).collect();
    let found: Vec<Option<HalfLevels>> =
        chosen.iter().map(|k| levels_at(photo, course, guide.along_px[*k], guide.width_px[*k], CLOSE_PX)).collect();
    let of = |part: fn(&HalfLevels) -> f64, without: &dyn Fn(usize) -> f64| -> Vec<f64> {
        let values: Vec<f64> = found
            .iter()
            .enumerate()
            .map(|(n, levels)| levels.as_ref().map_or_else(|| without(chosen[n]), part))
            .collect();
        smooth(&median_filter(&values, 4), 3)
    };
    let widths = of(|levels| levels.width_px.max(1.0), &|k| guide.width_px[k]);
    let centres = of(|levels| levels.centre_px, &|_| 0.0);
    for ((k, width), centre) in chosen.iter().zip(widths).zip(centres) {
        guide.width_px[*k] = width;
        if let Some(offset) = course.offsets_px.get_mut(*k) {
            *offset += centre;
        }
    }
}

/// Running median over `reach` neighbours on each side.
pub fn median_filter(values: &[f64], reach: usize) -> Vec<f64> {
    let mut window = Vec::with_capacity(2 * reach + 1);
    (0..values.len())
        .map(|i| {
            window.clear();
            window.extend_from_slice(&values[i.saturating_sub(reach)..(i + reach + 1).min(values.len())]);
            let middle = window.len() / 2;
            *window.select_nth_unstable_by(middle, f64::total_cmp).1
        })
        .collect()
}

/// Running mean over `reach` neighbours on each side.
pub fn smooth(values: &[f64], reach: usize) -> Vec<f64> {
    (0..values.len())
        .map(|i| {
            let window = &values[i.saturating_sub(reach)..(i + reach + 1).min(values.len())];
            window.iter().sum::<f64>() / window.len() as f64
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A line 20 px wide on a strip that ends 30 px from its middle, in light per `[beyond, strip, line]`, every half pixel.
    fn near_the_edge([beyond, strip, line]: [f64; 3]) -> Profile {
        let across_px: Vec<f64> = (-96..=96).map(|i| 0.5 * f64::from(i)).collect();
        let light = |across: f64| match across {
            across if across.abs() < 10.0 => line,
            across if across < 30.0 => strip,
            _ => beyond,
        };
        let light = across_px.iter().map(|across| light(*across)).collect();
        Profile { count: vec![9.0; across_px.len()], across_px, light, inside: 1.0 }
    }

    #[test]
    fn a_dark_line_near_the_strip_s_edge_keeps_its_own_width_and_ground() {
        let found = half_levels(&near_the_edge([0.9, 0.12, 0.03]), true, 12.0).unwrap();
        assert!(found.centre_px.abs() < 0.5 && (found.width_px - 20.0).abs() < 1.0, "{found:?}");
        assert!((found.background[0] / found.background[1]).ln().abs() < 0.1, "{found:?}");
    }

    /// A light seam in char with soot beyond one side of it is not a line on one ground.
    #[test]
    fn what_is_light_between_soot_and_char_shows_both() {
        let [near, far] = half_levels(&near_the_edge([0.004, 0.012, 0.04]), false, 12.0).unwrap().background;
        assert!((near / far).ln().abs() > 0.5, "{near} {far}");
    }

    /// The gap beside a strip on a white lid is no line on two like grounds, and must not look so.
    #[test]
    fn what_lies_between_two_grounds_shows_both() {
        let across_px: Vec<f64> = (-96..=96).map(|i| 0.5 * f64::from(i)).collect();
        let light = across_px
            .iter()
            .map(|across| {
                if across.abs() < 6.0 {
                    0.03
                } else if *across < 0.0 {
                    0.12
                } else {
                    0.9
                }
            })
            .collect();
        let profile = Profile { count: vec![9.0; across_px.len()], across_px, light, inside: 1.0 };
        let [strip, lid] = half_levels(&profile, true, 8.0).unwrap().background;
        assert!((lid / strip).ln() > 1.0, "{strip} {lid}");
    }
}
