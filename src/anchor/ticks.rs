//! Short strokes across the line's direction, beside the line: what index marks are made of.

use rayon::prelude::*;

use crate::locate::Course;
use crate::locate::coarse::{Between, Coarse};

/// Distances to the two sides of a stroke at which it is compared, in coarse pixels: far from the focus strokes are wide.
const SIDES: [isize; 5] = [2, 4, 7, 11, 16];
/// Depth (ln light) beyond which a stroke counts no more.
const DEPTH_CAP: f32 = 0.6;
/// How far beyond the visible line light is taken as texture, as a share of its length.
const BESIDE: f64 = 0.05;
/// Most strokes on a side.
const MOST: usize = 160;
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
    /// That half width.
    pub rounding_px: f64,
    /// Its own width.
    pub width_px: f64,
    /// On the positive side of the course.
    pub is_positive: bool,
    /// Summed depth over its length, in coarse px.
    pub score: f64,
}

impl Tick {
    /// The same where its ends are round by this share of its half width (1: the half circle of a beam; 0: cut square).
    pub fn with_round_ends(self, share: f64) -> Self {
        let further = (1.0 - share) * self.rounding_px;
        let [inner, outer] = self.reach_px;
        Self { reach_px: [inner - further, outer + further], rounding_px: share * self.rounding_px, ..self }
    }
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

/// Finds strokes on one side of the course between the two distances `away_px` from it, as far beyond its ends as the share
/// `beyond` of its length.
pub fn find(coarse: &Coarse, course: &Course, is_positive: bool, away_px: [f64; 2], beyond: f64) -> Vec<Tick> {
    let [nearest_px, farthest_px] = away_px;
    let factor = coarse.factor;
    let side = if is_positive { 1.0 } else { -1.0 };
    let sign = if course.is_dark { 1.0f32 } else { -1.0 };
    let length = course.end_px - course.start_px;
    let margin = beyond * length;
    let from = course.start_px - margin;
    let columns = ((length + 2.0 * margin) / factor) as usize;
    let first = (nearest_px / factor).floor();
    let rows = ((farthest_px / factor) - first).max(0.0) as usize;
    if columns < 20 || rows < 6 {
        return Vec::new();
    }
    let rim = SIDES[SIDES.len() - 1] as usize;
    let width = columns + 2 * rim;
    // Of each column of the band, the rim included: where it meets the axis, and how far the line lies from that.
    let feet: Vec<([f64; 2], f64)> = (0..width)
        .map(|i| {
            let along = from + (i as f64 - rim as f64 + 0.5) * factor;
            let foot = [0, 1].map(|k| course.origin_px[k] + along * course.direction[k]);
            (foot, course.offset_at(along))
        })
        .collect();
    let across = course.across();
    let between = Between::new(&coarse.log_light);
    // Depth of the valley across the stroke, the weaker of the two sides; shape (rows, columns). Each row by itself.
    let mut depth = vec![0f32; columns * rows];
    depth.par_chunks_exact_mut(columns).enumerate().with_min_len(8).for_each_init(
        || vec![f32::NAN; width],
        |row, (j, depth)| {
            let away = side * (first + j as f64 + 0.5) * factor;
            let mut is_seen = false;
            for (light, (foot, offset)) in row.iter_mut().zip(&feet) {
                let [x, y] = [0, 1].map(|k| (foot[k] + (offset + away) * across[k] - coarse.corner_px[k]) / factor);
                *light = between.at(x, y).unwrap_or(f32::NAN);
                is_seen |= light.is_finite();
            }
            if !is_seen {
                return;
            }
            for (i, depth) in depth.iter_mut().enumerate() {
                let centre = row[i + rim];
                let mut best = 0f32;
                for s in SIDES {
                    let at = |k: isize| row[(i as isize + rim as isize + k) as usize];
                    let here = (sign * (at(-s) - centre)).min(sign * (at(s) - centre));
                    if here > best {
                        best = here;
                    }
                }
                *depth = best.min(DEPTH_CAP);
            }
        },
    );
    // The typical depth of texture beside the line sets what counts as a stroke; where wide strokes cover more than a tenth of
    // the band, half their own depth does.
    let beside = ((margin - BESIDE * length) / factor) as usize..((margin + (1.0 + BESIDE) * length) / factor) as usize;
    let mut sorted: Vec<f32> =
        depth.chunks_exact(columns).flat_map(|row| &row[beside.clone()]).step_by(7).copied().collect();
    sorted.sort_by(f32::total_cmp);
    let texture = sorted[sorted.len() * 9 / 10];
    let strokes = sorted[sorted.len() * 97 / 100];
    let threshold = (1.3 * texture).min(0.5 * strokes).max(0.05);

    // Column of a stroke in each row: slant is taken about the middle row, so that each column starts its own stroke.
    let shift = |slant: f64, j: usize| (slant * (j as f64 - 0.5 * rows as f64) + 0.5).floor() as isize;
    let along_stroke = |i: usize, slant: f64, j: usize| -> Option<f32> {
        let column = i as isize + shift(slant, j);
        (column >= 0 && column < columns as isize).then(|| depth[j * columns + column as usize])
    };
    // Rows beyond the picture hold nothing, and no stroke grows there.
    let seen = (0..rows).rev().find(|j| depth[j * columns..][..columns].iter().any(|d| *d > 0.0)).map_or(0, |j| j + 1);
    let slants: Vec<f64> = (0..SLANTS).map(|k| STEEPEST * (2.0 * k as f64 / (SLANTS - 1) as f64 - 1.0)).collect();
    // All columns of one slant row by row, as they lie in memory.
    let grown: Vec<Vec<Growing>> = slants
        .par_iter()
        .map(|slant| {
            let mut growing = vec![Growing::default(); columns];
            for j in 0..seen {
                let shift = shift(*slant, j);
                let row = &depth[j * columns..][..columns];
                // Columns whose place in this row lies in the band.
                let inside = (-shift).clamp(0, columns as isize) as usize
                    ..(columns as isize - shift).clamp(0, columns as isize) as usize;
                let [before, after] = [inside.start, inside.end.max(inside.start)];
                let row = &row[(before as isize + shift).clamp(0, columns as isize) as usize..];
                growing[..before].iter_mut().for_each(|g| g.add(j, 0.0, threshold));
                growing[before..after].iter_mut().zip(row).for_each(|(g, depth)| g.add(j, *depth, threshold));
                growing[after..].iter_mut().for_each(|g| g.add(j, 0.0, threshold));
            }
            growing
        })
        .collect();
    // Best stroke through each column: slant, stretch of rows, score.
    let strokes: Vec<Option<Stroke>> = (0..columns)
        .map(|i| {
            let mut best: Option<(f64, &Growing)> = None;
            for (slant, growing) in slants.iter().zip(&grown) {
                let stroke = &growing[i];
                if stroke.best > best.map_or(0.0, |b| b.1.best) && stroke.stretch[1] - stroke.stretch[0] >= 4 {
                    best = Some((*slant, stroke));
                }
            }
            let (slant, stroke) = best?;
            // A strong stroke would run on into texture at the least threshold: its ends are judged by itself.
            let stretch = (stroke.stretch[0] as usize, stroke.stretch[1] as usize);
            let stretch = own_ends(stretch, |j| along_stroke(i, slant, j).unwrap_or(0.0));
            Some(Stroke { slant, stretch, score: f64::from(stroke.best) })
        })
        .collect();
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
            rounding_px: rounding,
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
        if kept.len() >= MOST {
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

/// The stretch of greatest sum above the threshold, while rows are added to it.
#[derive(Debug, Clone, Copy, Default)]
struct Growing {
    sum: f32,
    start: u32,
    best: f32,
    stretch: [u32; 2],
}

impl Growing {
    #[inline]
    fn add(&mut self, j: usize, depth: f32, threshold: f32) {
        let is_fresh = self.sum <= 0.0;
        self.start = if is_fresh { j as u32 } else { self.start };
        self.sum = if is_fresh { 0.0 } else { self.sum } + (depth - threshold);
        if self.sum > self.best {
            self.best = self.sum;
            self.stretch = [self.start, j as u32];
        }
    }
}
