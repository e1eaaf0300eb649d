//! Short strokes across the line's direction, beside the line: what index marks are made of.

use rayon::prelude::*;

use crate::locate::Course;
use crate::locate::coarse::{Coarse, sample};

/// Distances to the two sides of a stroke at which it is compared, in coarse pixels: far from the focus strokes are wide.
const SIDES: [isize; 5] = [2, 4, 7, 11, 16];
/// Depth (ln light) beyond which a stroke counts no more.
const DEPTH_CAP: f32 = 0.6;
/// Slants tried: along per across. A photograph from the side slants the marks.
const STEEPEST: f64 = 0.24;
const SLANTS: usize = 13;

/// A stroke in the course's frame, full-resolution px.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tick {
    /// Where its extension meets the line, along the course.
    pub along_px: f64,
    /// Along per across.
    pub slant: f64,
    /// Inner and outer end as distances from the line, positive, less the half width by which a round end reaches further.
    pub reach_px: [f64; 2],
    /// Its own width.
    pub width_px: f64,
    /// On the positive side of the course.
    pub is_positive: bool,
    /// Summed depth over its length, in coarse px.
    pub score: f64,
}

/// The part of a stretch of rows that stands out by half the stretch's own typical depth.
fn own_ends(stretch: (usize, usize), depth: impl Fn(usize) -> f32) -> (usize, usize) {
    let mut depths: Vec<f32> = (stretch.0..=stretch.1).map(&depth).collect();
    let upper_quarter = depths.len() - 1 - depths.len() / 4;
    let typical = *depths.select_nth_unstable_by(upper_quarter, f32::total_cmp).1;
    let [mut sum, mut best] = [0f32; 2];
    let mut start = stretch.0;
    let mut ends = stretch;
    for j in stretch.0..=stretch.1 {
        if sum <= 0.0 {
            sum = 0.0;
            start = j;
        }
        sum += depth(j) - 0.5 * typical;
        if sum > best {
            best = sum;
            ends = (start, j);
        }
    }
    ends
}

/// Finds strokes on one side of the course between `nearest_px` and `farthest_px` from it.
pub fn find(coarse: &Coarse, course: &Course, is_positive: bool, nearest_px: f64, farthest_px: f64) -> Vec<Tick> {
    let factor = coarse.factor;
    let side = if is_positive { 1.0 } else { -1.0 };
    let sign = if course.is_dark { 1.0f32 } else { -1.0 };
    let margin = 0.05 * (course.end_px - course.start_px);
    let from = course.start_px - margin;
    let columns = ((course.end_px - course.start_px + 2.0 * margin) / factor) as usize;
    let first = (nearest_px / factor).floor();
    let rows = ((farthest_px / factor) - first).max(0.0) as usize;
    if columns < 20 || rows < 6 {
        return Vec::new();
    }
    let light = |i: isize, j: usize| -> f32 {
        let along = from + (i as f64 + 0.5) * factor;
        let [x, y] = course.place(along, side * (first + j as f64 + 0.5) * factor);
        sample(&coarse.log_light, (x - coarse.corner_px[0]) / factor, (y - coarse.corner_px[1]) / factor)
            .unwrap_or(f32::NAN)
    };
    let rim = SIDES[SIDES.len() - 1] as usize;
    let width = columns + 2 * rim;
    let mut band = vec![f32::NAN; width * rows];
    for j in 0..rows {
        for i in 0..width {
            band[j * width + i] = light(i as isize - rim as isize, j);
        }
    }
    // Depth of the valley across the stroke, the weaker of the two sides.
    let mut depth = vec![0f32; columns * rows];
    for j in 0..rows {
        let row = &band[j * width..(j + 1) * width];
        for i in 0..columns {
            let centre = row[i + rim];
            let mut best = 0f32;
            for s in SIDES {
                let at = |k: isize| row[(i as isize + rim as isize + k) as usize];
                let here = (sign * (at(-s) - centre)).min(sign * (at(s) - centre));
                if here > best {
                    best = here;
                }
            }
            depth[j * columns + i] = best.min(DEPTH_CAP);
        }
    }
    // The typical depth of texture sets what counts as a stroke; where wide strokes cover more than a tenth of the band,
    // half their own depth does.
    let mut sorted: Vec<f32> = depth.iter().step_by(7).copied().collect();
    sorted.sort_by(f32::total_cmp);
    let texture = sorted[sorted.len() * 9 / 10];
    let strokes = sorted[sorted.len() * 97 / 100];
    let threshold = (1.3 * texture).min(0.5 * strokes).max(0.05);

    // Turned, because a stroke is followed from row to row.
    let turned: Vec<f32> =
        (0..columns).flat_map(|i| (0..rows).map(move |j| j * columns + i)).map(|k| depth[k]).collect();

    // Best stroke through each column: slant, stretch of rows, score.
    let along_stroke = |i: usize, slant: f64, j: usize| -> Option<f32> {
        // Slant is taken about the middle row, so that each column starts its own stroke.
        let column = i as f64 + slant * (j as f64 - 0.5 * rows as f64) + 0.5;
        (column >= 0.0 && (column as usize) < columns).then(|| turned[column as usize * rows + j])
    };
    let mut strokes: Vec<Option<Stroke>> = vec![None; columns];
    strokes.par_iter_mut().enumerate().for_each(|(i, best)| {
        for k in 0..SLANTS {
            let slant = STEEPEST * (2.0 * k as f64 / (SLANTS - 1) as f64 - 1.0);
            let [mut sum, mut best_sum] = [0f32; 2];
            let mut start = 0;
            let mut stretch = (0, 0);
            for j in 0..rows {
                if sum <= 0.0 {
                    sum = 0.0;
                    start = j;
                }
                sum += along_stroke(i, slant, j).unwrap_or(0.0) - threshold;
                if sum > best_sum {
                    best_sum = sum;
                    stretch = (start, j);
                }
            }
            if f64::from(best_sum) > best.map_or(0.0, |b| b.score) && stretch.1 - stretch.0 >= 4 {
                // A strong stroke would run on into texture at the least threshold: its ends are judged by itself.
                let stretch = own_ends(stretch, |j| along_stroke(i, slant, j).unwrap_or(0.0));
                *best = Some(Stroke { slant, stretch, score: f64::from(best_sum) });
            }
        }
    });
    let mut order: Vec<usize> = (0..columns).filter(|i| strokes[*i].is_some()).collect();
    order.sort_by(|a, b| {
        let score = |i: &usize| strokes[*i].map_or(0.0, |s| s.score);
        score(b).total_cmp(&score(a)).then(a.cmp(b))
    });
    // The strongest of those that cross the same place half-way out.
    let mut kept: Vec<Tick> = Vec::new();
    for i in order {
        let Some(stroke) = strokes[i] else { continue };
        // A wide stroke is as deep over several columns: its middle counts.
        let mean = |k: usize| {
            let rows = stroke.stretch.0..=stroke.stretch.1;
            rows.clone().filter_map(|j| along_stroke(k, stroke.slant, j)).sum::<f32>() / rows.count() as f32
        };
        let own = mean(i);
        let beside = |k: usize| mean(k) > 0.5 * own;
        let left = (0..i).rev().take_while(|k| beside(*k)).last().unwrap_or(i);
        let right = (i + 1..columns).take_while(|k| beside(*k)).last().unwrap_or(i);
        let width = (right - left + 1) as f64;
        let centre = 0.5 * (left + right + 1) as f64;
        let middle = first + 0.5 * rows as f64;
        let rounding = 0.5 * (width - 1.0).max(0.0) * factor;
        let tick = Tick {
            along_px: from + (centre - stroke.slant * middle) * factor,
            slant: stroke.slant,
            reach_px: [
                (first + stroke.stretch.0 as f64) * factor + rounding,
                (first + stroke.stretch.1 as f64 + 1.0) * factor - rounding,
            ],
            width_px: width * factor,
            is_positive,
            score: stroke.score,
        };
        let at = |t: &Tick| t.along_px + t.slant * 0.5 * (t.reach_px[0] + t.reach_px[1]);
        let clashes = kept.iter().any(|k| {
            let overlap = k.reach_px[1].min(tick.reach_px[1]) - k.reach_px[0].max(tick.reach_px[0]);
            overlap > -2.0 * factor
                && (at(k) - at(&tick)).abs() < (5.0 * factor).max(0.5 * (k.width_px + tick.width_px))
        });
        if !clashes {
            kept.push(tick);
        }
        if kept.len() >= 120 {
            break;
        }
    }
    kept
}

/// A stroke through one column.
#[derive(Debug, Clone, Copy)]
struct Stroke {
    slant: f64,
    stretch: (usize, usize),
    score: f64,
}
