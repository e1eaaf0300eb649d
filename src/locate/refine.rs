//! From a coarse trace to the line's course at full resolution.

use rayon::prelude::*;

use super::Course;
use super::profile::{Profile, gather};
use super::trace::{Trace, median};
use crate::photo::Photo;

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
/// The background of a side is the 70 % quantile of the light there: soot next to the line lowers it, as it should.
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
    let mut crossings = [0.0; 2];
    let mut background = [0.0; 2];
    for (side, crossing) in crossings.iter_mut().enumerate() {
        let range: Vec<usize> = if side == 0 { (0..core_at).rev().collect() } else { (core_at + 1..bins).collect() };
        if range.len() < 3 {
            return None;
        }
        let mut beside: Vec<f64> = range.iter().map(|i| value(*i)).collect();
        let place = beside.len() * 7 / 10;
        let outer = *beside.select_nth_unstable_by(place, f64::total_cmp).1;
        let level = 0.5 * (core + outer);
        let mut before = core_at;
        let mut found = false;
        for i in range {
            if value(i) >= level {
                let share = ((level - value(before)) / (value(i) - value(before))).clamp(0.0, 1.0);
                *crossing = profile.across_px[before] + share * (profile.across_px[i] - profile.across_px[before]);
                found = true;
                break;
            }
            before = i;
        }
        if !found || outer <= core {
            return None;
        }
        background[side] = sign * outer;
    }
    Some(HalfLevels {
        centre_px: 0.5 * (crossings[0] + crossings[1]),
        width_px: crossings[1] - crossings[0],
        core: sign * core,
        background,
    })
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
    (0..values.len())
        .map(|i| median(values[i.saturating_sub(reach)..(i + reach + 1).min(values.len())].to_vec()))
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
