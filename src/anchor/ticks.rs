//! Short strokes across the line's direction, beside the line: what index marks are made of.

use rayon::prelude::*;

use crate::locate::Course;
use crate::locate::coarse::{Between, Coarse};
use crate::locate::trace::{least_squares, robust_line};

/// Distances to the two sides of a stroke at which it is compared, in coarse pixels: far from the focus strokes are wide.
const SIDES: [isize; 5] = [2, 4, 7, 11, 16];
/// Depth (ln light) beyond which a stroke counts no more, and to which it is known: where a dark one ends in paler grain, half of its
/// own depth tells.
const DEPTH_CAP: f32 = 0.6;
const DEEPEST: f32 = 2.0;
/// How far beyond the visible line light is taken as texture, as a share of its length.
const BESIDE: f64 = 0.05;
/// Most strokes on a side.
const MOST: usize = 160;
/// Slants tried: along per across. A photograph from the side slants the marks.
const STEEPEST: f64 = 0.24;
const SLANTS: usize = 13;
/// Fewest rows by whose middles a stroke's slant is told.
const LEAST_ROWS: usize = 6;
/// Columns by which the middle of a row may stand aside of the others'.
const ASIDE: f64 = 1.5;

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
                *depth = best.min(DEEPEST);
            }
        },
    );
    // The typical depth of texture beside the line sets what counts as a stroke; where wide strokes cover more than a tenth of
    // the band, half their own depth does.
    let column = |along: f64| (((along + margin) / factor).max(0.0) as usize).min(columns);
    let beside = column(-BESIDE * length)..column((1.0 + BESIDE) * length);
    let mut sorted: Vec<f32> =
        depth.chunks_exact(columns).flat_map(|row| &row[beside.clone()]).step_by(7).copied().collect();
    sorted.sort_by(f32::total_cmp);
    let texture = sorted[sorted.len() * 9 / 10];
    let strokes = sorted[sorted.len() * 97 / 100].min(DEPTH_CAP);
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
                growing[before..after]
                    .iter_mut()
                    .zip(row)
                    .for_each(|(g, depth)| g.add(j, depth.min(DEPTH_CAP), threshold));
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
        let rounding = 0.5 * (width - 1.0).max(0.0) * factor;
        let at = |column: usize, j: usize| depth[j * columns + column];
        let (centre, slant) =
            axis(&stroke, i, columns, 0.5 * own, rows, at).unwrap_or((0.5 * (left + right + 1) as f64, stroke.slant));
        let middle = first + 0.5 * rows as f64;
        let tick = Tick {
            along_px: from + (centre - slant * middle) * factor,
            slant,
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

/// Where the middle of a stroke crosses the band's middle row, and its slant, both in columns: by the middles of its rows, since
/// within a wide stroke every slant that was tried is as deep. `None` where its rows are too few.
fn axis(
    stroke: &Stroke,
    column: usize,
    columns: usize,
    level: f32,
    rows: usize,
    depth: impl Fn(usize, usize) -> f32,
) -> Option<(f64, f64)> {
    let mut places: Vec<[f64; 2]> = Vec::new();
    for j in stroke.stretch.0..=stroke.stretch.1 {
        let away = j as f64 + 0.5 - 0.5 * rows as f64;
        let start = column as isize + (stroke.slant * (j as f64 - 0.5 * rows as f64) + 0.5).floor() as isize;
        let Some(start) = usize::try_from(start).ok().filter(|k| *k < columns && depth(*k, j) > level) else {
            continue;
        };
        let left = (0..start).rev().take_while(|k| depth(*k, j) > level).last().unwrap_or(start);
        let right = (start + 1..columns).take_while(|k| depth(*k, j) > level).last().unwrap_or(start);
        let [mut sum, mut weight] = [0f64; 2];
        for k in left..=right {
            sum += f64::from(depth(k, j)) * (k as f64 + 0.5);
            weight += f64::from(depth(k, j));
        }
        places.push([away, sum / weight]);
    }
    // What grain has widened on one side stands aside.
    let (centre, slant) =
        robust_line(&places.iter().map(|p| p[0]).collect::<Vec<_>>(), &places.iter().map(|p| p[1]).collect::<Vec<_>>());
    places.retain(|[away, middle]| (middle - centre - slant * away).abs() < ASIDE);
    if places.len() < LEAST_ROWS {
        return None;
    }
    let (centre, slant) = least_squares(&places);
    (slant.abs() <= STEEPEST).then_some((centre, slant))
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

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Strongest stroke above a line on row 150, where one of this width and slant reaches from 40 to 70 rows above the line; grain of the
    /// depth (ln light) goes on in its direction to row 100. Coarse pixels are two pixels wide.
    fn strongest(width: f64, slant: f64, grain: f32) -> Tick {
        let log_light = Array2::from_shape_fn((300, 900), |(y, x)| {
            let [x, away] = [x as f64 + 0.5, 150.0 - (y as f64 + 0.5)];
            let aside = (x - 450.0 - slant * away).abs();
            if away.abs() < 4.0 || (aside < 0.5 * width && (40.0..70.0).contains(&away)) {
                -1.6
            } else if aside < 0.5 * width && (70.0..100.0).contains(&away) {
                -grain
            } else {
                0.0
            }
        });
        let coarse = Coarse { log_light, factor: 2.0, corner_px: [0.0; 2] };
        let course = Course {
            origin_px: [0.0, 300.0],
            direction: [1.0, 0.0],
            start_px: 100.0,
            end_px: 1700.0,
            step_px: 10.0,
            offsets_px: vec![0.0; 161],
            is_dark: true,
        };
        let found = find(&coarse, &course, true, [20.0, 240.0], 0.0);
        found.into_iter().max_by(|a, b| a.score.total_cmp(&b.score)).expect("there is a stroke")
    }

    /// A stroke half as wide as long collects as much along many slants.
    #[test]
    fn a_wide_stroke_s_slant_is_that_of_its_middle() {
        for (width, slant) in [(4.0, 0.05), (15.0, 0.0), (15.0, 0.05), (15.0, -0.12), (24.0, 0.03)] {
            let tick = strongest(width, slant, 0.0);
            assert!((tick.slant - slant).abs() < 0.02, "{width} {slant}: {tick:?}");
            assert!((tick.along_px - 900.0).abs() < 3.0, "{width} {slant}: {tick:?}");
            let outer_px = tick.reach_px[1] + tick.rounding_px;
            assert!((outer_px - 140.0).abs() < 5.0, "{width} {slant}: {tick:?}");
        }
    }

    #[test]
    fn paler_grain_in_its_direction_does_not_make_a_stroke_longer() {
        let [alone, with_grain] = [0.0, 0.65].map(|grain| strongest(12.0, 0.02, grain));
        assert!((alone.reach_px[1] - with_grain.reach_px[1]).abs() < 3.0, "{alone:?} {with_grain:?}");
    }
}
