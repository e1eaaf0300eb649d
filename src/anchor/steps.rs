//! Steps of light in a frame, and the straight row of them that is strongest.

use std::ops::{AddAssign, Range};

use rayon::prelude::*;

use crate::locate::coarse::{Between, Coarse};

/// Steps of ln light beyond this count no more: a black bench must not outvote a long faint edge.
const STEP_CAP: f32 = 0.4;
/// Steepest edge looked for, against the frame's axis (about 9°).
const STEEPEST: f64 = 0.16;
const SLOPES: usize = 33;
/// Share of the columns in which a straight row of steps must lie in the picture.
const LEAST_KNOWN: f32 = 0.6;
/// Share of a step between four and seven rows away on both sides that is seen between one and two rows: of a slope 0.29, of an edge all
/// but what a picture's blur takes. Below the first a step counts least, above the second in full.
const SLOPING: f32 = 0.4;
const STEEP: f32 = 0.75;
pub const LEAST_SHARPNESS: f32 = 0.2;
/// Rows between an edge and the farthest light that it is judged by.
const FARTHEST: isize = 7;

/// Axes in the picture: `u` along the edge looked for, `v` in the direction of the search.
#[derive(Debug, Clone, Copy)]
pub struct Frame {
    pub origin: [f64; 2],
    pub u: [f64; 2],
    pub v: [f64; 2],
}

impl Frame {
    /// Picture place of (u, v).
    pub fn place(&self, u: f64, v: f64) -> [f64; 2] {
        [self.origin[0] + u * self.u[0] + v * self.v[0], self.origin[1] + u * self.u[1] + v * self.v[1]]
    }
}

/// Steps of light (ln) towards growing `v` at every row of some columns.
pub struct Steps {
    /// Of the columns.
    us: Vec<f64>,
    /// Shape (columns, rows), NaN outside the picture.
    steps: Vec<f32>,
    rows: usize,
    /// Last row with a step in any column.
    deepest: usize,
    /// Full-resolution pixels from row to row.
    factor: f64,
}

impl Steps {
    /// At the columns `us`, in rows of the coarse picture's pixels from `v` = 0 as far as the picture reaches; a slope counts at least
    /// this share of a sharp step.
    pub fn of(coarse: &Coarse, frame: &Frame, us: Vec<f64>, least_sharpness: f32) -> Self {
        let factor = coarse.factor;
        let [width, height] = [coarse.log_light.ncols(), coarse.log_light.nrows()].map(|side| side as f64 * factor);
        let away = |x: f64, y: f64| {
            let place = [coarse.corner_px[0] + x - frame.origin[0], coarse.corner_px[1] + y - frame.origin[1]];
            place[0] * frame.v[0] + place[1] * frame.v[1]
        };
        let farthest = away(0.0, 0.0).max(away(width, 0.0)).max(away(0.0, height)).max(away(width, height));
        let rows = ((farthest / factor) as usize + 1).max(1);
        let mut steps = vec![f32::NAN; us.len() * rows];
        // Each column by itself.
        let deepest = steps
            .par_chunks_exact_mut(rows)
            .zip(&us)
            .with_min_len(8)
            .map(|(steps, u)| steps_of(steps, &light_along(coarse, frame, *u, rows), least_sharpness))
            .max()
            .unwrap_or(0);
        Self { us, steps, rows, deepest, factor }
    }

    /// The straight row of steps with the highest score, from `clear_px` on: its score (ln light), its `v` at `middle`, its slope.
    pub fn strongest(mut self, middle: f64, clear_px: f64) -> Option<(f32, f64, f64)> {
        let Self { ref us, rows, deepest, factor, .. } = self;
        let columns = us.len();
        let first = (clear_px / factor).ceil() as usize;
        let mut best: Option<(f32, f64, f64)> = None;
        // A slope shifts each column by whole rows against its neighbours: sums over the columns are then sums of shifted
        // columns, row after row in memory.
        let mut sums = vec![0f32; rows];
        // No more than there are columns.
        let [mut counts, mut agreeing] = [vec![0i16; rows], vec![0i16; rows]];
        let is_known: Vec<i16> = self.steps.iter().map(|step| i16::from(step.is_finite())).collect();
        let signs: Vec<i16> = self.steps.iter().map(|step| sign_of(*step)).collect();
        // What is not known adds nothing.
        self.steps.iter_mut().filter(|step| !step.is_finite()).for_each(|step| *step = 0.0);
        for k in 0..SLOPES {
            let slope = STEEPEST * (2.0 * k as f64 / (SLOPES - 1) as f64 - 1.0);
            sums.fill(0.0);
            counts.fill(0);
            agreeing.fill(0);
            for (i, u) in us.iter().enumerate() {
                let offset = slope * (u - middle) / factor;
                let shift = (offset + 0.5).floor() as isize;
                // Rows whose place in this column lies between the nearest and the farthest row.
                let from = ((first as f64 - offset).ceil().max(first as f64)) as usize;
                let to = ((rows as f64 - offset).ceil().max(0.0) as usize).min(deepest + 1);
                // The last place may round up to a row past the end: that is the last row.
                let whole = to.min((rows as isize - shift).max(0) as usize);
                let column = i * rows;
                if from < whole {
                    let begin = (column as isize + from as isize + shift) as usize;
                    let there = begin..begin + (whole - from);
                    let here = from..whole;
                    add(&mut sums[here.clone()], &self.steps[there.clone()]);
                    add(&mut counts[here.clone()], &is_known[there.clone()]);
                    add(&mut agreeing[here], &signs[there]);
                }
                for j in whole.max(from)..to {
                    let last = column + rows - 1;
                    sums[j] += self.steps[last];
                    counts[j] += is_known[last];
                    agreeing[j] += signs[last];
                }
            }
            for j in first..=deepest {
                let [sum, count, agreeing] = [sums[j], f32::from(counts[j]), f32::from(agreeing[j])];
                if count < LEAST_KNOWN * columns as f32 {
                    continue;
                }
                // A step of one sign most of the way, not one strong patch.
                let score = (sum / count).abs() * ((agreeing / count).abs() - 0.3).max(0.0) / 0.7;
                if best.is_none_or(|b| score > b.0) {
                    best = Some((score, j as f64 * factor, slope));
                }
            }
        }
        best
    }
}

/// Light (ln) along a column, from [`FARTHEST`] rows before its first to as many after its last; NaN outside the picture.
fn light_along(coarse: &Coarse, frame: &Frame, u: f64, rows: usize) -> Vec<f32> {
    let between = Between::new(&coarse.log_light);
    let mut light = vec![f32::NAN; rows + 2 * FARTHEST as usize];
    let at = |j: isize| {
        let [x, y] = frame.place(u, j as f64 * coarse.factor);
        [(x - coarse.corner_px[0]) / coarse.factor, (y - coarse.corner_px[1]) / coarse.factor]
    };
    // Rows that can lie in the picture; places change steadily with them.
    let [mut from, mut to] = [-FARTHEST as f64, (rows as isize + FARTHEST) as f64];
    let ([x0, y0], [x1, y1]) = (at(0), at(1));
    for (start, step, size) in [(x0, x1 - x0, coarse.log_light.ncols()), (y0, y1 - y0, coarse.log_light.nrows())] {
        if step.abs() > 1e-9 {
            let [a, b] = [-start / step, (size as f64 - start) / step];
            from = from.max(a.min(b) - 1.0);
            to = to.min(a.max(b) + 2.0);
        }
    }
    let known: Range<isize> = from.ceil() as isize..to as isize;
    // All but a few rows next to the picture's edges.
    let mut whole = known.clone();
    let is_inside = |j: isize| {
        let [x, y] = at(j);
        between.is_inside(x, y)
    };
    while whole.start < whole.end && !is_inside(whole.start) {
        whole.start += 1;
    }
    while whole.start < whole.end && !is_inside(whole.end - 1) {
        whole.end -= 1;
    }
    let number = |j: isize| (j + FARTHEST) as usize;
    for j in (known.start..whole.start).chain(whole.end..known.end) {
        let [x, y] = at(j);
        light[number(j)] = between.at(x, y).unwrap_or(f32::NAN);
    }
    if !whole.is_empty() {
        let rows = number(whole.start)..number(whole.end);
        between.all_inside(at(whole.start), [x1 - x0, y1 - y0], &mut light[rows]);
    }
    light
}

/// Writes the step at every row of a column with this light; gives the last row that has one.
fn steps_of(steps: &mut [f32], light: &[f32], least_sharpness: f32) -> usize {
    let mut deepest = 0;
    for ((j, step), light) in steps.iter_mut().enumerate().zip(light.windows(2 * FARTHEST as usize + 1)) {
        let at = |away: isize| light[(away + FARTHEST) as usize];
        // 1 and 2.2 rows away, then 4 and 7.
        let near_by = |sign: isize| 0.5 * (at(sign) + 0.8 * at(2 * sign) + 0.2 * at(3 * sign));
        let far_away = |sign: isize| 0.5 * (at(4 * sign) + at(7 * sign));
        let near = near_by(1) - near_by(-1);
        if near.is_nan() {
            continue;
        }
        // A joint or a pencil line steps back again on its other side; an edge does not.
        let far = far_away(1) - far_away(-1);
        let value = if far.is_nan() {
            near
        } else if near * far <= 0.0 {
            0.0
        } else {
            // A shadow's rim is a slope; what is cut is a step at once.
            let sharpness = ((near / far - SLOPING) / (STEEP - SLOPING)).clamp(least_sharpness, 1.0);
            sharpness * near.signum() * near.abs().min(2.0 * far.abs())
        };
        *step = value.clamp(-STEP_CAP, STEP_CAP);
        deepest = j;
    }
    deepest
}

fn add<T: AddAssign + Copy>(to: &mut [T], from: &[T]) {
    to.iter_mut().zip(from).for_each(|(to, from)| *to += *from);
}

/// Which way a step goes, where it is one.
fn sign_of(step: f32) -> i16 {
    if step > 0.02 {
        1
    } else if step < -0.02 {
        -1
    } else {
        0
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    const SLOPE: f64 = 0.05;
    const MIDDLE: f64 = 100.0;

    /// The strongest row of steps in a picture that gets darker below v = 60 + slope · (u - middle), within so many rows.
    fn strongest(within: f64, least_sharpness: f32, clear_px: f64) -> Option<(f32, f64, f64)> {
        let log_light = Array2::from_shape_fn((140, 200), |(y, x)| {
            let below = y as f64 + 0.5 - 60.0 - SLOPE * (x as f64 + 0.5 - MIDDLE);
            -0.3 * (below / within + 0.5).clamp(0.0, 1.0) as f32
        });
        let coarse = Coarse { log_light, factor: 1.0, corner_px: [0.0; 2] };
        let frame = Frame { origin: [0.0; 2], u: [1.0, 0.0], v: [0.0, 1.0] };
        let us = (0..80).map(|i| 20.0 + 2.0 * f64::from(i)).collect();
        Steps::of(&coarse, &frame, us, least_sharpness).strongest(MIDDLE, clear_px)
    }

    #[test]
    fn a_straight_step_is_found_where_it_is() {
        let (score, v, slope) = strongest(1.0, 1.0, 10.0).expect("there is a step");
        assert!((v - 60.0).abs() < 1.5 && (slope - SLOPE).abs() < 0.011, "v {v}, slope {slope}");
        assert!((0.2..0.31).contains(&score), "{score} of a step of 0.3");
        let beyond = strongest(1.0, 1.0, 75.0).map_or(0.0, |found| found.0);
        assert!(beyond < 0.05 * score, "{beyond} where there is none");
    }

    #[test]
    fn a_slope_is_less_than_a_step() {
        let [step, slope] = [1.0, 16.0].map(|within| strongest(within, LEAST_SHARPNESS, 10.0).unwrap().0);
        assert!(slope < 0.3 * step, "{slope} of {step}");
    }
}
