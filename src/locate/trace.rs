//! Follows one straight run through the reduced picture: its course, its two ends, how it stands out.

use ndarray::Array2;
use rayon::prelude::*;

use super::coarse::{Between, Coarse};
use super::runs::Run;

/// Lateral room in coarse pixels in which a course may leave the run: lens distortion bows a long line.
const BAND: isize = 14;
/// Room in which one beside another line may leave its run, and its depth over that line's own from which it is looked at.
const BESIDE_ROOM: isize = 4;
const BESIDE_DEPTH: f32 = 0.4;
/// Distance from a trace within which it still passes a place on the line, and room round two of them in which what passes them is
/// followed: they are clicked by eye, and a line may sway.
const PASSES_WITHIN: f64 = 7.0;
const THROUGH_ROOM: isize = 4;
/// Distances at which the two sides of a line are looked at, in coarse pixels: narrow, ordinary and wide lines.
const SIDES: [usize; 3] = [3, 5, 10];
/// Farthest sampled distance from the run.
const REACH: isize = BAND + 10;
const BAND_WIDTH: usize = (2 * REACH + 1) as usize;
/// Depth (natural log of light) above which a line counts no more.
const DEPTH_CAP: f32 = 1.0;
/// Least depth of a line worth following.
const DEPTH_FLOOR: f32 = 0.05;
/// Cost of one pixel of lateral step per pixel along.
const STEP_COST: f32 = 0.12;
/// Share of steps aside at which a path counts half; drawn lines and joints have 0.001 to 0.07, grain 0.1 to 0.3.
const WEAVING: f64 = 0.07;
/// Share of the best score, as far as a first look tells, below which a run is not followed: a quarter and less of what any later stage
/// looks at.
const WORTH_FOLLOWING: f64 = 0.025;
/// Share of a trace's score from which one of the other sign beside it is a thing of its own.
const OPPOSITE_SHARE: f64 = 0.5;

/// A run that was followed. Coordinates are full-resolution pixels.
#[derive(Debug, Clone)]
pub struct Trace {
    /// Darker than both sides.
    pub is_dark: bool,
    /// A point of the straight axis.
    pub origin_px: [f64; 2],
    /// Unit vector along the axis.
    pub direction: [f64; 2],
    /// First and last place along the axis.
    pub extent_px: [f64; 2],
    /// Distance between neighbours in `offsets_px`, `depths` and `widths_px`.
    pub step_px: f64,
    /// Lateral offset from the axis, to the left of `direction` on a screen.
    pub offsets_px: Vec<f64>,
    /// Depth of the valley (or height of the crest) in natural logarithm of light.
    pub depths: Vec<f32>,
    /// Rough full width between half levels.
    pub widths_px: Vec<f64>,
    /// Sum of capped depths, in coarse pixels, times how straight it runs: length times contrast of what a head can have drawn.
    pub score: f64,
}

impl Trace {
    /// Length along the axis.
    pub fn length_px(&self) -> f64 {
        self.extent_px[1] - self.extent_px[0]
    }

    /// Median depth.
    pub fn median_depth(&self) -> f64 {
        median(self.depths.iter().map(|d| f64::from(*d)).collect())
    }

    /// Cuts the trace to the part between two places.
    fn crop(&mut self, line_px: [[f64; 2]; 2]) {
        let along = line_px
            .map(|p| (p[0] - self.origin_px[0]) * self.direction[0] + (p[1] - self.origin_px[1]) * self.direction[1]);
        let [from, to] = [along[0].min(along[1]), along[0].max(along[1])];
        let first = (((from - self.extent_px[0]) / self.step_px).floor().max(0.0) as usize).min(self.depths.len() - 1);
        let last =
            (((to - self.extent_px[0]) / self.step_px).ceil().max(0.0) as usize).clamp(first + 1, self.depths.len());
        self.offsets_px = self.offsets_px[first..last].to_vec();
        self.depths = self.depths[first..last].to_vec();
        self.widths_px = self.widths_px[first..last].to_vec();
        self.extent_px =
            [self.extent_px[0] + first as f64 * self.step_px, self.extent_px[0] + last as f64 * self.step_px];
    }

    /// Picture place of the middle of step `index`.
    pub fn place(&self, index: usize) -> [f64; 2] {
        let along = self.extent_px[0] + (index as f64 + 0.5) * self.step_px;
        let offset = self.offsets_px[index];
        [
            self.origin_px[0] + along * self.direction[0] + offset * self.direction[1],
            self.origin_px[1] + along * self.direction[1] - offset * self.direction[0],
        ]
    }

    /// True where a picture place lies on the trace, by its width or by `room_px`.
    fn passes(&self, place_px: [f64; 2], room_px: f64) -> bool {
        let [dx, dy] = [place_px[0] - self.origin_px[0], place_px[1] - self.origin_px[1]];
        let along = dx * self.direction[0] + dy * self.direction[1];
        let index =
            ((along - self.extent_px[0]) / self.step_px).clamp(0.0, (self.offsets_px.len() - 1) as f64) as usize;
        let aside = (dx * self.direction[1] - dy * self.direction[0] - self.offsets_px[index]).abs();
        aside < room_px.max(0.7 * self.widths_px[index])
    }

    /// True where both are traces of one thing: one lies on the other, and is of its sign or little beside it.
    ///
    /// The gap between two lines is followed as one of the other sign, about as strong as they are, and must hide neither.
    pub fn is_one_with(&self, other: &Self) -> bool {
        let [less, more] = [self.score.min(other.score), self.score.max(other.score)];
        (self.is_dark == other.is_dark || less < OPPOSITE_SHARE * more) && (self.lies_on(other) || other.lies_on(self))
    }

    /// True where more than half of this trace lies on the course of `other`.
    fn lies_on(&self, other: &Self) -> bool {
        let mut on = 0;
        for index in 0..self.offsets_px.len() {
            let place = self.place(index);
            let [dx, dy] = [place[0] - other.origin_px[0], place[1] - other.origin_px[1]];
            let along = dx * other.direction[0] + dy * other.direction[1];
            let across = dx * other.direction[1] - dy * other.direction[0];
            let step = ((along - other.extent_px[0]) / other.step_px).floor();
            let nearest = step.clamp(0.0, (other.offsets_px.len() - 1) as f64) as usize;
            let room = 3.0 * other.step_px + 0.7 * other.widths_px[nearest];
            on += usize::from((across - other.offsets_px[nearest]).abs() < room);
        }
        2 * on > self.offsets_px.len()
    }
}

/// Middle value; 0 for none.
pub fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}

struct Band {
    /// Sampled log light; shape (along, [`BAND_WIDTH`]); NaN outside the picture.
    light: Array2<f32>,
    from: f64,
}

/// Follows runs, in their order, as far as something of some length stands out along them that is not far weaker than the rest.
pub fn follow(coarse: &Coarse, runs: &[Run]) -> Vec<Trace> {
    // Side by side, and judged in their order: the same whatever the number of threads.
    let begun: Vec<Option<(Axis, f64)>> = runs
        .par_iter()
        .map(|run| look_along(coarse, &Axis::of(run), run.is_dark, BAND).map(|found| (found.axis(), found.score())))
        .collect();
    let best = begun.iter().flatten().map(|(_, score)| *score).fold(0.0, f64::max);
    let again = runs.par_iter().zip(begun).filter_map(|(run, begun)| {
        let (axis, score) = begun?;
        (score > WORTH_FOLLOWING * best).then_some((run, axis))
    });
    again.filter_map(|(run, axis)| Some(look_along(coarse, &axis, run.is_dark, BAND)?.trace(coarse))).collect()
}

/// Follows what runs close beside a trace, of its sign: a second line nearer to it than two runs are told apart.
pub fn follow_beside(coarse: &Coarse, trace: &Trace) -> Vec<Trace> {
    let local = |along: f64, aside: f64| {
        let [dx, dy] = trace.direction;
        let full = [trace.origin_px[0] + along * dx + aside * dy, trace.origin_px[1] + along * dy - aside * dx];
        [(full[0] - coarse.corner_px[0]) / coarse.factor, (full[1] - coarse.corner_px[1]) / coarse.factor]
    };
    let Some(band) = sample_band(coarse, local(0.0, 0.0), trace.direction) else { return Vec::new() };
    let mean_depth = |aside: isize| -> f32 {
        let [mut sum, mut count] = [0f32; 2];
        for (index, offset) in trace.offsets_px.iter().enumerate() {
            let along = (trace.extent_px[0] + (index as f64 + 0.5) * trace.step_px) / coarse.factor - band.from;
            let t = (offset / coarse.factor).round() as isize + aside;
            if along >= 0.0 && (along as usize) < band.light.nrows() && t.abs() <= BAND {
                sum += depth_at(&band.light, along as usize, t, trace.is_dark).min(DEPTH_CAP);
                count += 1.0;
            }
        }
        if count > 0.5 * trace.offsets_px.len() as f32 { sum / count } else { 0.0 }
    };
    let nearest = (0.6 * median(trace.widths_px.clone()) / coarse.factor) as isize + BESIDE_ROOM;
    let own = mean_depth(0);
    [-1, 1]
        .into_iter()
        .filter_map(|side| {
            let depths: Vec<(isize, f32)> = (nearest..=BAND).map(|t| (side * t, mean_depth(side * t))).collect();
            let (aside, depth) = depths.into_iter().max_by(|a, b| a.1.total_cmp(&b.1))?;
            (depth > BESIDE_DEPTH * own).then_some(aside)
        })
        .filter_map(|aside| {
            let offset = median(trace.offsets_px.clone()) + aside as f64 * coarse.factor;
            let [x, y] = local(0.0, offset);
            let [dx, dy] = trace.direction;
            let theta = (-dx).atan2(dy);
            let rho_px = x * theta.cos() + y * theta.sin();
            follow_within(coarse, &Run { theta, rho_px, is_dark: trace.is_dark, votes: 0.0 }, BESIDE_ROOM - 1)
        })
        .collect()
}

/// Follows a run within so many coarse pixels on each side of it; `None` where nothing of some length stands out along it.
fn follow_within(coarse: &Coarse, run: &Run, room: isize) -> Option<Trace> {
    // The second round starts from the axis that the first round found.
    let first = look_along(coarse, &Axis::of(run), run.is_dark, room)?;
    Some(look_along(coarse, &first.axis(), run.is_dark, room)?.trace(coarse))
}

/// A straight axis in coarse pixels.
#[derive(Debug, Clone, Copy)]
struct Axis {
    origin: [f64; 2],
    /// Unit vector.
    direction: [f64; 2],
}

impl Axis {
    fn of(run: &Run) -> Self {
        let (sin, cos) = run.theta.sin_cos();
        let mut direction = [-sin, cos];
        if direction[0] < -1e-9 || (direction[0].abs() <= 1e-9 && direction[1] < 0.0) {
            direction = [-direction[0], -direction[1]];
        }
        Self { origin: [run.rho_px * cos, run.rho_px * sin], direction }
    }
}

/// What stands out most along an axis.
struct Along {
    axis: Axis,
    is_dark: bool,
    band: Band,
    path: Vec<f64>,
    depths: Vec<f32>,
    /// First and last step of the strongest stretch.
    stretch: [usize; 2],
}

fn look_along(coarse: &Coarse, axis: &Axis, is_dark: bool, room: isize) -> Option<Along> {
    let band = sample_band(coarse, axis.origin, axis.direction)?;
    let (path, depths) = best_path(&band, is_dark, room)?;
    let (first, last) = strongest_stretch(&depths)?;
    Some(Along { axis: *axis, is_dark, band, path, depths, stretch: [first, last] })
}

impl Along {
    /// The straight axis of the strongest stretch.
    fn axis(&self) -> Axis {
        let [first, last] = self.stretch;
        let along: Vec<f64> = (first..=last).map(|i| self.band.from + i as f64 + 0.5).collect();
        let (intercept, slope) = robust_line(&along, &self.path[first..=last]);
        let Axis { origin, direction } = self.axis;
        let left = [direction[1], -direction[0]];
        let norm = slope.hypot(1.0);
        Axis {
            origin: [origin[0] + intercept * left[0], origin[1] + intercept * left[1]],
            direction: [(direction[0] + slope * left[0]) / norm, (direction[1] + slope * left[1]) / norm],
        }
    }

    /// Sum of capped depths times how straight it runs.
    fn score(&self) -> f64 {
        let [first, last] = self.stretch;
        straightness(&self.path[first..=last], &self.depths[first..=last])
            * self.depths[first..=last].iter().map(|d| f64::from(d.clamp(0.0, DEPTH_CAP))).sum::<f64>()
    }

    fn trace(&self, coarse: &Coarse) -> Trace {
        let Self { axis, is_dark, band, path, depths, stretch: [first, last] } = self;
        let widths = rough_widths(band, path, *is_dark, *first, *last);
        let factor = coarse.factor;
        Trace {
            is_dark: *is_dark,
            origin_px: coarse.to_full(axis.origin),
            direction: axis.direction,
            extent_px: [(band.from + *first as f64) * factor, (band.from + *last as f64 + 1.0) * factor],
            step_px: factor,
            offsets_px: path[*first..=*last].iter().map(|t| t * factor).collect(),
            depths: depths[*first..=*last].to_vec(),
            widths_px: widths.into_iter().map(|w| w * factor).collect(),
            score: self.score(),
        }
    }
}

/// How straight a path runs: near 1 where it seldom steps aside, as a line drawn by a head or along a rule does, and small where it
/// weaves from streak to streak, as along grain. A step counts by the depth there: beyond a line's end its trace may run on.
fn straightness(path: &[f64], depths: &[f32]) -> f64 {
    let capped = |depth: &f32| f64::from(depth.clamp(0.0, DEPTH_CAP));
    let aside = path.windows(2).zip(depths).filter(|(pair, _)| (pair[1] - pair[0]).abs() > 0.5);
    let steps: f64 = aside.map(|(_, depth)| capped(depth)).sum();
    let all: f64 = depths.iter().map(capped).sum();
    1.0 / (1.0 + (steps / all.max(f64::MIN_POSITIVE) / WEAVING).powi(2))
}

/// Follows the line between two places of the full picture given by hand, dark or light as it shows.
pub fn follow_between(coarse: &Coarse, line_px: [[f64; 2]; 2]) -> Option<Trace> {
    let mut trace = follow_through(coarse, line_px).pop()?;
    trace.crop(line_px);
    Some(trace)
}

/// Follows what runs past two places of the full picture, as far as it goes: what stands out most and, where that is not what passes
/// the places themselves (a joint beside the line may be the stronger), what passes them.
pub fn follow_through(coarse: &Coarse, places_px: [[f64; 2]; 2]) -> Vec<Trace> {
    let [a, b] =
        places_px.map(|p| [(p[0] - coarse.corner_px[0]) / coarse.factor, (p[1] - coarse.corner_px[1]) / coarse.factor]);
    let [dx, dy] = [b[0] - a[0], b[1] - a[1]];
    if dx.hypot(dy) < 12.0 {
        return Vec::new();
    }
    let theta = (-dx).atan2(dy);
    let rho_px = a[0] * theta.cos() + a[1] * theta.sin();
    let within = |room: isize| {
        let both =
            [true, false].map(|is_dark| follow_within(coarse, &Run { theta, rho_px, is_dark, votes: 0.0 }, room));
        both.into_iter().flatten().max_by(|a, b| a.score.total_cmp(&b.score))
    };
    let Some(found) = within(BAND) else { return Vec::new() };
    let room_px = PASSES_WITHIN * coarse.factor;
    let passes = places_px.iter().all(|place| found.passes(*place, room_px));
    let closer = if passes { None } else { within(THROUGH_ROOM) };
    [Some(found), closer].into_iter().flatten().collect()
}

/// Samples the straightened band along the part of the axis that lies in the picture.
fn sample_band(coarse: &Coarse, origin: [f64; 2], direction: [f64; 2]) -> Option<Band> {
    let size = [coarse.log_light.ncols() as f64, coarse.log_light.nrows() as f64];
    let [mut from, mut to] = [f64::NEG_INFINITY, f64::INFINITY];
    for axis in 0..2 {
        if direction[axis].abs() > 1e-6 {
            let a = -origin[axis] / direction[axis];
            let b = (size[axis] - origin[axis]) / direction[axis];
            from = from.max(a.min(b));
            to = to.min(a.max(b));
        }
    }
    if !(from.is_finite() && to.is_finite()) || to - from < 12.0 {
        return None;
    }
    let steps = (to - from).floor() as usize;
    let left = [direction[1], -direction[0]];
    let between = Between::new(&coarse.log_light);
    let mut light = Array2::from_elem((steps, BAND_WIDTH), f32::NAN);
    for (i, mut row) in light.outer_iter_mut().enumerate() {
        let along = from + i as f64 + 0.5;
        let place = |t: isize| [0, 1].map(|axis| origin[axis] + along * direction[axis] + t as f64 * left[axis]);
        let row = row.as_slice_mut().expect("rows follow one another");
        if [-REACH, REACH].map(place).iter().all(|[x, y]| between.is_inside(*x, *y)) {
            between.all_inside(place(-REACH), left, row);
        } else {
            for (light, t) in row.iter_mut().zip(-REACH..=REACH) {
                let [x, y] = place(t);
                *light = between.at(x, y).unwrap_or(f32::NAN);
            }
        }
    }
    // A box of seven along the line: grain and noise weaken, the line does not.
    let mut smooth = Array2::zeros(light.raw_dim());
    for (i, mut row) in smooth.outer_iter_mut().enumerate() {
        let window = i.saturating_sub(3)..(i + 4).min(steps);
        let count = window.len() as f32;
        for k in window {
            row += &light.row(k);
        }
        row /= count;
    }
    Some(Band { light: smooth, from })
}

/// Depth at lateral places from `first` on, as many as there is room for.
fn depths_from(row: &[f32], first: isize, is_dark: bool, depths: &mut [f32]) {
    let sign = if is_dark { 1.0 } else { -1.0 };
    let [first, count] = [(first + REACH) as usize, depths.len()];
    let from = |place: usize| &row[place..place + count];
    depths.fill(0.0);
    for side in SIDES {
        for (((best, centre), left), right) in
            depths.iter_mut().zip(from(first)).zip(from(first - side)).zip(from(first + side))
        {
            let depth = (sign * (left - centre)).min(sign * (right - centre));
            // False for NaN.
            if depth > *best {
                *best = depth;
            }
        }
    }
}

fn depth_at(light: &Array2<f32>, i: usize, t: isize, is_dark: bool) -> f32 {
    let mut depth = [0.0];
    depths_from(light.row(i).as_slice().expect("rows follow one another"), t, is_dark, &mut depth);
    depth[0]
}

/// Lateral place and depth at each step: the path of greatest summed depth with small lateral steps.
fn best_path(band: &Band, is_dark: bool, room: isize) -> Option<(Vec<f64>, Vec<f32>)> {
    let steps = band.light.nrows();
    let width = (2 * room + 1) as usize;
    let mut depths = vec![0f32; steps * width];
    // Whence the best path to a place comes: one to the left, straight, one to the right.
    let mut from = vec![0i8; steps * width];
    // Sums of the last step, with nowhere beyond both its sides.
    let mut last = vec![f32::NEG_INFINITY; width + 2];
    let mut next = last.clone();
    last[1..=width].fill(0.0);
    for ((light, depths), from) in
        band.light.outer_iter().zip(depths.chunks_exact_mut(width)).zip(from.chunks_exact_mut(width))
    {
        depths_from(light.to_slice().expect("rows follow one another"), -room, is_dark, depths);
        for (((sum, before), depth), from) in next[1..].iter_mut().zip(last.windows(3)).zip(depths.iter()).zip(from) {
            let [left, straight, right] = [before[0] - STEP_COST, before[1], before[2] - STEP_COST];
            let [best, step] = if left > straight { [left, -1.0] } else { [straight, 0.0] };
            let [best, step] = if right > best { [right, 1.0] } else { [best, step] };
            *sum = best + depth.min(DEPTH_CAP);
            *from = step as i8;
        }
        std::mem::swap(&mut last, &mut next);
    }
    let sums = &last[1..=width];
    let mut t = (0..width).max_by(|a, b| sums[*a].total_cmp(&sums[*b]))?;
    let mut path = vec![0.0; steps];
    let mut along = vec![0.0; steps];
    for i in (0..steps).rev() {
        path[i] = t as f64 - room as f64;
        along[i] = depths[i * width + t];
        t = (t as isize + isize::from(from[i * width + t])) as usize;
    }
    Some((path, along))
}

/// The stretch with the greatest sum of depth above a share of the line's own typical depth.
fn strongest_stretch(depths: &[f32]) -> Option<(usize, usize)> {
    let mut strong: Vec<f64> =
        depths.iter().filter(|d| **d > DEPTH_FLOOR).map(|d| f64::from(d.min(DEPTH_CAP))).collect();
    if strong.len() < 10 {
        return None;
    }
    let at = strong.len() * 4 / 5;
    let typical = *strong.select_nth_unstable_by(at, f64::total_cmp).1 as f32;
    let threshold = (0.3 * typical).max(DEPTH_FLOOR);
    let [mut best, mut sum] = [0f32; 2];
    let mut start = 0;
    let mut stretch = None;
    for (i, depth) in depths.iter().enumerate() {
        if sum <= 0.0 {
            sum = 0.0;
            start = i;
        }
        sum += depth.min(2.0 * typical).min(DEPTH_CAP) - threshold;
        if sum > best {
            best = sum;
            stretch = Some((start, i));
        }
    }
    stretch.filter(|(a, b)| b - a >= 10)
}

/// Theil–Sen-like straight line through `y(x)`, from pairs a third of the length apart.
pub fn robust_line(x: &[f64], y: &[f64]) -> (f64, f64) {
    let apart = (x.len() / 3).max(1);
    let slopes = (0..x.len().saturating_sub(apart)).map(|i| (y[i + apart] - y[i]) / (x[i + apart] - x[i])).collect();
    let slope = median(slopes);
    let intercept = median(x.iter().zip(y).map(|(x, y)| y - slope * x).collect());
    (intercept, slope)
}

/// Intercept and slope of the straight line through places (x, y) by ordinary least squares; at least two of them, apart in x.
pub fn least_squares(places: &[[f64; 2]]) -> (f64, f64) {
    let n = places.len() as f64;
    let mean = [0, 1].map(|k| places.iter().map(|p| p[k]).sum::<f64>() / n);
    let [mut xx, mut xy] = [0.0; 2];
    for [x, y] in places {
        xx += (x - mean[0]).powi(2);
        xy += (x - mean[0]) * (y - mean[1]);
    }
    let slope = xy / xx;
    (mean[1] - slope * mean[0], slope)
}

/// Rough full widths between half levels (linear light), in coarse pixels, one per step of the stretch.
fn rough_widths(band: &Band, path: &[f64], is_dark: bool, first: usize, last: usize) -> Vec<f64> {
    let sign = if is_dark { 1.0 } else { -1.0 };
    let mut sorted: Vec<f32> = Vec::new();
    let widths: Vec<f64> = (first..=last)
        .map(|i| {
            let centre = path[i] as isize + REACH;
            let row = band.light.row(i);
            let mut sides = 0.0;
            for step in [-1isize, 1] {
                // In logarithmic light, which keeps their order: few have to be taken out of it.
                let values = || {
                    (0..)
                        .map(|k| centre + step * k)
                        .take_while(|t| *t >= 0 && *t < row.len() as isize)
                        .map(|t| sign * row[t as usize])
                        .take_while(|v| v.is_finite())
                };
                let light = |v: f32| sign * (sign * v).exp();
                sorted.clear();
                sorted.extend(values());
                let at = sorted.len() * 7 / 10;
                let Some(core) = sorted.first().copied().map(light) else { continue };
                let outer = light(*sorted.select_nth_unstable_by(at, f32::total_cmp).1);
                let level = 0.5 * (core + outer);
                let mut before = core;
                let cross = values().map(light).enumerate().skip(1).find_map(|(k, value)| {
                    let [from, to] = [before, value];
                    before = value;
                    (from < level && to >= level).then(|| (k - 1) as f64 + f64::from((level - from) / (to - from)))
                });
                sides += cross.unwrap_or(1.0);
            }
            sides
        })
        .collect();
    // Medians over a neighbourhood: a single step may meet a knot or a mark.
    (0..widths.len())
        .map(|i| median(widths[i.saturating_sub(6)..(i + 7).min(widths.len())].to_vec()).max(1.0))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two dark lines eleven coarse pixels apart, of which the stronger is not the one that passes the places.
    #[test]
    fn what_passes_the_places_is_followed_besides_what_stands_out_more() {
        let log_light = Array2::from_shape_fn((120, 400), |(y, _)| match y {
            60 | 61 => -1.0,
            72 => -0.3,
            _ => 0.0,
        });
        let coarse = Coarse { log_light, factor: 2.0, corner_px: [0.0; 2] };
        let followed = follow_through(&coarse, [[100.0, 145.0], [700.0, 145.0]]);
        let heights: Vec<f64> = followed.iter().map(|trace| trace.place(trace.offsets_px.len() / 2)[1]).collect();
        assert!(
            heights.len() == 2 && (heights[0] - 122.0).abs() < 3.0 && (heights[1] - 145.0).abs() < 3.0,
            "{heights:?}"
        );
        assert_eq!(follow_through(&coarse, [[100.0, 122.0], [700.0, 122.0]]).len(), 1);
    }

    /// A short pale line is followed by itself, and not beside one that is forty times as strong.
    #[test]
    fn what_is_far_weaker_than_the_best_is_not_followed() {
        let coarse = |strong: f32| Coarse {
            log_light: Array2::from_shape_fn((160, 420), |(y, x)| match y {
                50 | 51 => strong,
                110 | 111 if (150..230).contains(&x) => -0.09,
                _ => 0.0,
            }),
            factor: 1.0,
            corner_px: [0.0; 2],
        };
        let run = |rho_px: f64| Run { theta: std::f64::consts::FRAC_PI_2, rho_px, is_dark: true, votes: 1.0 };
        let followed = |strong: f32| -> Vec<f64> {
            follow(&coarse(strong), &[run(51.0), run(111.0)]).iter().map(|trace| trace.place(0)[1]).collect()
        };
        let beside = followed(-1.0);
        assert!(beside.len() == 1 && (beside[0] - 51.0).abs() < 2.0, "{beside:?}");
        let alone = followed(0.0);
        assert!(alone.len() == 1 && (alone[0] - 111.0).abs() < 2.0, "{alone:?}");
    }

    /// A drawn line that steps aside twice, a path that weaves, and a line whose trace weaves on in pale grain.
    #[test]
    fn what_weaves_counts_little_and_what_runs_straight_in_full() {
        let straight: Vec<f64> = (0..900).map(|i| f64::from(i / 300)).collect();
        let weaving: Vec<f64> = (0..900).map(|i| f64::from((i / 6) % 5)).collect();
        assert!(straightness(&straight, &[0.8; 900]) > 0.99);
        assert!(straightness(&weaving, &[0.8; 900]) < 0.2);
        let depths: Vec<f32> = (0..900).map(|i| if i < 600 { 1.0 } else { 0.1 }).collect();
        let runs_on: Vec<f64> = (0..900).map(|i| if i < 600 { 0.0 } else { f64::from((i / 6) % 5) }).collect();
        assert!(straightness(&runs_on, &depths) > 0.9);
    }
}
