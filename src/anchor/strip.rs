//! The strip's outline: long straight steps of light, beside the line and beyond its ends.

use super::steps::{Frame, LEAST_SHARPNESS, Steps};
use crate::locate::Course;
use crate::locate::coarse::{Between, Coarse};
use crate::locate::trace::{least_squares, median, robust_line};
use crate::photo::Photo;

/// Least mean step (ln light) along an edge.
const LEAST_STEP: f32 = 0.045;
/// Steps beyond the line's end that are looked into for the strip's.
const TRIES: usize = 5;
/// How far inside the course's end the search for the strip's starts, as a share of its length.
const INSIDE: f64 = 0.1;
/// Distances from a crossing, in px of the coarse picture, at which a long edge is looked for.
const PASSING: [f64; 6] = [4.0, 5.0, 6.0, 7.0, 8.5, 10.0];
/// Shares of an edge's step before a crossing above which its step beyond it shows that it runs on, and below which that it ends there;
/// a shadow or the bench's grain may pale it.
const RUNS_ON: f64 = 0.3;
const ENDS: f64 = 0.15;
/// Distance, as a share of the strip's length, within which two ways of looking for a short edge found the same.
const SAME_EDGE: f64 = 0.01;

/// A straight edge `v = v0 + slope·u` in px of the frame it was found in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgeLine {
    /// Intercept at u = 0.
    pub v0_px: f64,
    /// Slope.
    pub slope: f64,
    /// Standard uncertainty of `v` at the ends of the looked-at range, from the scatter of the points on it.
    pub u_px: f64,
    /// Mean step of ln light, positive where it grows with v.
    pub step: f64,
}

impl EdgeLine {
    /// v at u.
    pub fn at(&self, u_px: f64) -> f64 {
        self.v0_px + self.slope * u_px
    }
}

/// What was found of the outline, in the course's frame: `u` along its axis, `v` across it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Outline {
    /// Long edges on the negative and the positive side: across as a function of along.
    pub long: [Option<EdgeLine>; 2],
    /// Short edges before the start and beyond the end: along as a function of across.
    pub short: [Option<EdgeLine>; 2],
}

impl Outline {
    /// Corners in the picture, in order round the strip, where all four edges are known.
    pub fn corners(&self, course: &Course) -> Option<[[f64; 2]; 4]> {
        let [a, b] = [self.long[0]?, self.long[1]?];
        let [s, e] = [self.short[0]?, self.short[1]?];
        let frame = frame(course);
        let corner = |long: EdgeLine, short: EdgeLine| {
            // u = s0 + sm·v and v = l0 + lm·u.
            let v = (long.v0_px + long.slope * short.v0_px) / (1.0 - long.slope * short.slope);
            frame.place(short.at(v), v)
        };
        Some([corner(a, s), corner(a, e), corner(b, e), corner(b, s)])
    }

    /// Apparent width of the strip at a place along the course, where both long edges are known.
    pub fn width_at(&self, along_px: f64) -> Option<f64> {
        Some(self.long[1]?.at(along_px) - self.long[0]?.at(along_px))
    }
}

fn frame(course: &Course) -> Frame {
    Frame { origin: course.origin_px, u: course.direction, v: course.across() }
}

/// Where the strip's edges are looked for, and what counts as one.
#[derive(Debug, Clone, Copy)]
pub struct Search<'a> {
    /// The picture.
    pub photo: &'a Photo,
    /// The reduced picture.
    pub coarse: &'a Coarse,
    /// The line's course.
    pub course: &'a Course,
    /// Distance from the line, and from its ends, that the line's own edges take up.
    pub clear_px: f64,
    /// Whether a slope of light counts as much as a step at once: a shadow's rim is one, and so may be what a shadow leaves of an edge.
    pub slopes_count: bool,
}

impl Search<'_> {
    /// The outline with its two short edges, from long edges. `is_as_wide`: whether an outline of that length in px is as wide as the
    /// strip.
    pub fn outline(
        &self,
        long: [Option<EdgeLine>; 2],
        is_stroke_s: [bool; 2],
        is_as_wide: impl Fn(&Outline, f64) -> bool,
    ) -> Option<(Outline, [EdgeLine; 2])> {
        let mut outline = Outline { long, short: self.short_edges(&long, is_stroke_s) };
        outline.long = self.past_drawn_lines(&outline);
        let [start, end] = [outline.short[0]?, outline.short[1]?];
        let length_px = end.v0_px - start.v0_px;
        if is_as_wide(&outline, length_px) {
            return Some((outline, [start, end]));
        }
        // Between wrong long edges the short ones may be wrong, too, and next to the line a dark band within the strip may be taken for
        // its end: only what both ways find is believed.
        let long = [None; 2];
        let short = self.short_edges(&long, is_stroke_s);
        let ends = [short[0]?, short[1]?];
        let is_same = |index: usize, first: EdgeLine| (ends[index].v0_px - first.v0_px).abs() < SAME_EDGE * length_px;
        (is_same(0, start) && is_same(1, end)).then_some((Outline { long, short }, ends))
    }

    /// Looks for the long edges beside the line.
    pub fn long_edges(&self) -> [Option<EdgeLine>; 2] {
        rayon::join(|| self.long_edge(-1.0, self.clear_px), || self.long_edge(1.0, self.clear_px)).into()
    }

    /// The long edge on one side of the line, so far away or farther.
    fn long_edge(&self, side: f64, clear_px: f64) -> Option<EdgeLine> {
        let frame = frame(self.course);
        let turned = Frame { v: [side * frame.v[0], side * frame.v[1]], ..frame };
        let found = self.edge(&turned, [self.course.start_px, self.course.end_px], clear_px)?;
        Some(EdgeLine { v0_px: side * found.v0_px, slope: side * found.slope, step: side * found.step, ..found })
    }

    /// The long edges, looked for anew beyond those past which the short edges run on: these are lines drawn along the strip.
    fn past_drawn_lines(&self, outline: &Outline) -> [Option<EdgeLine>; 2] {
        let Self { coarse, course, .. } = *self;
        let frame = frame(course);
        let turned = Frame { u: frame.v, v: frame.u, ..frame };
        let look = |index: usize| {
            let side = if index == 0 { -1.0 } else { 1.0 };
            let long = outline.long[index]?;
            let passes: Vec<bool> = outline
                .short
                .iter()
                .flatten()
                .filter_map(|short| passes(coarse, &turned, short, &long, side))
                .collect();
            if passes.is_empty() || passes.contains(&false) {
                return Some(long);
            }
            let beyond = [course.start_px, course.end_px].map(|u| long.at(u).abs()).into_iter().fold(0.0, f64::max);
            self.long_edge(side, beyond + 2.0 * coarse.factor).or(Some(long))
        };
        rayon::join(|| look(0), || look(1)).into()
    }

    /// Looks for the short edges beyond the ends of the line, between the long edges. `is_stroke_s`: whether the start and the end of the
    /// course are where a stroke ends, with strip beyond.
    fn short_edges(&self, long: &[Option<EdgeLine>; 2], is_stroke_s: [bool; 2]) -> [Option<EdgeLine>; 2] {
        let Self { coarse, course, clear_px, .. } = *self;
        let frame = frame(course);
        let look = |index: usize| {
            let [side, end] = if index == 0 { [-1.0, course.start_px] } else { [1.0, course.end_px] };
            let length = course.end_px - course.start_px;
            // A joint or grain may have led the course on to the edge; where no long edge tells a joint from it, the line's end does.
            let from = match long.iter().any(Option::is_some) {
                true if is_stroke_s[index] => end - side * clear_px,
                true => end - side * INSIDE * length,
                false => end,
            };
            let fallback = 0.08 * length;
            let reach = |edge: &Option<EdgeLine>, sign: f64| edge.map_or(sign * fallback, |e| 0.85 * e.at(from));
            let range = [reach(&long[0], -1.0), reach(&long[1], 1.0)];
            // Search outwards along the course: the frame's v runs along it, u across.
            let turned =
                Frame { origin: frame.place(from, 0.0), u: frame.v, v: [side * frame.u[0], side * frame.u[1]] };
            // A joint within the strip can step as its end does, but the long edges run on past it.
            let mut clear = clear_px;
            let mut doubtful = None;
            for _ in 0..TRIES {
                let Some(found) = self.edge(&turned, range, clear) else { return doubtful };
                let short = EdgeLine {
                    v0_px: from + side * found.v0_px,
                    slope: side * found.slope,
                    step: side * found.step,
                    ..found
                };
                let passes: Vec<bool> =
                    long.iter().flatten().filter_map(|edge| passes(coarse, &frame, edge, &short, side)).collect();
                if passes.is_empty() || passes.contains(&false) {
                    return Some(short);
                }
                // The bench's grain or a shadow may go on where one long edge ends. Where the other cannot tell and nothing else follows,
                // this is the end after all.
                if passes.len() < long.iter().flatten().count() {
                    doubtful = doubtful.or(Some(short));
                }
                clear = range.map(|u| found.at(u)).into_iter().fold(clear, f64::max) + 2.0 * coarse.factor;
            }
            None
        };
        rayon::join(|| look(0), || look(1)).into()
    }

    /// The strongest straight step with `u` in the range and `v` beyond `clear_px`, refined at full resolution.
    fn edge(&self, frame: &Frame, u_range: [f64; 2], clear_px: f64) -> Option<EdgeLine> {
        let Self { photo, coarse, slopes_count, .. } = *self;
        let factor = coarse.factor;
        let middle = 0.5 * (u_range[0] + u_range[1]);
        let half = 0.5 * (u_range[1] - u_range[0]);
        if half < 6.0 * factor {
            return None;
        }
        let columns = ((2.0 * half / factor / 2.0) as usize).clamp(12, 400);
        let us: Vec<f64> =
            (0..columns).map(|i| middle - half + (i as f64 + 0.5) / columns as f64 * 2.0 * half).collect();
        let least_sharpness = if slopes_count { 1.0 } else { LEAST_SHARPNESS };
        let (score, v, slope) = Steps::of(coarse, frame, us, least_sharpness).strongest(middle, clear_px)?;
        if score < LEAST_STEP {
            return None;
        }
        refine(photo, frame, middle, half, v, slope, factor)
    }
}

/// Whether a long edge runs on past a short one (or, in a frame turned by a quarter, a short one past a long one); `None` where its
/// step is too faint, or keeps too little or too much of itself, to tell, or the picture ends.
fn passes(coarse: &Coarse, frame: &Frame, long: &EdgeLine, short: &EdgeLine, side: f64) -> Option<bool> {
    let factor = coarse.factor;
    // Where they cross: u = s0 + sm·v and v = l0 + lm·u.
    let across = (long.v0_px + long.slope * short.v0_px) / (1.0 - long.slope * short.slope);
    let crossing = short.at(across);
    let between = Between::new(&coarse.log_light);
    let light = |along: f64, across: f64| {
        let [x, y] = frame.place(along, across);
        between.at((x - coarse.corner_px[0]) / factor, (y - coarse.corner_px[1]) / factor)
    };
    let mean_step = |sign: f64| -> Option<f64> {
        let steps: Option<Vec<f64>> = PASSING
            .map(|away| {
                let along = crossing + sign * side * away * factor;
                let at = |off: f64| Some(f64::from(light(along, long.at(along) + off * factor)?));
                Some(0.5 * (at(1.5)? + at(2.5)? - at(-1.5)? - at(-2.5)?))
            })
            .into_iter()
            .collect();
        Some(median(steps?))
    };
    let [inner, outer] = [mean_step(-1.0)?, mean_step(1.0)?];
    let kept = outer / inner;
    (inner.abs() > f64::from(LEAST_STEP) && !(ENDS..RUNS_ON).contains(&kept)).then_some(kept > ENDS)
}

/// Sub-pixel places of the steepest step at many `u`, and a robust straight line through them.
fn refine(photo: &Photo, frame: &Frame, middle: f64, half: f64, v: f64, slope: f64, factor: f64) -> Option<EdgeLine> {
    const PLACES: usize = 60;
    let reach = 3.0 * factor + 2.0;
    let log = |p: [f64; 2]| -> Option<f64> {
        if p[0] < 0.0 || p[1] < 0.0 || p[0] >= photo.width() as f64 || p[1] >= photo.height() as f64 {
            return None;
        }
        Some((f64::from(photo.plane.at([p[1] as usize, p[0] as usize])) / 65535.0 + 0.02).ln())
    };
    let [mut us, mut vs, mut steps] = [Vec::new(), Vec::new(), Vec::new()];
    for i in 0..PLACES {
        let u = middle + half * (2.0 * (i as f64 + 0.5) / PLACES as f64 - 1.0);
        let guess = v + slope * (u - middle);
        let bins = (2.0 * reach) as usize;
        let along = (0.3 * 2.0 * half / PLACES as f64).clamp(1.0, 12.0) as isize;
        let profile: Option<Vec<f64>> = (0..bins)
            .map(|b| {
                let at = guess - reach + b as f64 + 0.5;
                let mut sum = 0.0;
                for a in -along..=along {
                    let du = a as f64;
                    sum += log(frame.place(u + du, at + slope * du))?;
                }
                Some(sum / (2 * along + 1) as f64)
            })
            .collect();
        let Some(profile) = profile else { continue };
        // Half-way between the light on both sides, where the step has the expected place.
        let third = (bins / 3).max(1);
        let [below, above] = [median(profile[..third].to_vec()), median(profile[bins - third..].to_vec())];
        let level = 0.5 * (below + above);
        let sign = (above - below).signum();
        let crossing = (1..bins)
            .filter(|b| sign * (profile[*b] - level) >= 0.0 && sign * (profile[b - 1] - level) < 0.0)
            .min_by_key(|b| (*b as isize - bins as isize / 2).abs());
        if let Some(b) = crossing {
            let part = (level - profile[b - 1]) / (profile[b] - profile[b - 1]);
            us.push(u);
            vs.push(guess - reach + b as f64 - 0.5 + part);
            steps.push(above - below);
        }
    }
    if us.len() < PLACES / 2 {
        return None;
    }
    let (intercept, slope) = robust_line(&us, &vs);
    let apart: Vec<f64> = us.iter().zip(&vs).map(|(u, v)| v - intercept - slope * u).collect();
    let scale = (1.4826 * median(apart.iter().map(|a| a.abs()).collect())).max(0.1);
    let inside: Vec<usize> = (0..us.len()).filter(|i| apart[*i].abs() < 3.5 * scale).collect();
    if inside.len() < PLACES / 2 || scale > reach / 2.0 {
        return None;
    }
    // Ordinary least squares on the inliers: the robust line only chose them.
    let n = inside.len() as f64;
    let (v0_px, slope) = least_squares(&inside.iter().map(|i| [us[*i], vs[*i]]).collect::<Vec<_>>());
    let rms = (inside.iter().map(|i| (vs[*i] - v0_px - slope * us[*i]).powi(2)).sum::<f64>() / n).sqrt();
    Some(EdgeLine {
        v0_px,
        slope,
        // At the ends of the range: twice the mean's, and residuals along an edge are correlated over a few places.
        u_px: 2.0 * rms * (3.0 / n).sqrt(),
        step: median(steps),
    })
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Light of the strip, of the shadow beyond its ends and of what it lies on.
    const STRIP: f64 = 20000.0;
    const SHADOW: f64 = 22500.0;
    const GROUND: f64 = 48000.0;

    /// A strip from x 300 to 1700 and y 250 to 550 with a line along its middle; beyond its right end a shadow of this length, whose rim
    /// rises over 30 px.
    fn beside_a_shadow(length: f64) -> (Photo, Course) {
        let luminance = Array2::from_shape_fn((800, 2000), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let light = if (300.0..1700.0).contains(&x) && (250.0..550.0).contains(&y) {
                STRIP
            } else if x > 1000.0 && (250.0..620.0).contains(&y) {
                SHADOW + (GROUND - SHADOW) * ((x - 1700.0 - length) / 30.0).clamp(0.0, 1.0)
            } else {
                GROUND
            };
            if (400.0..1600.0).contains(&x) && (y - 400.0).abs() < 5.0 { 3000 } else { light as u16 }
        });
        let course = Course {
            origin_px: [0.0, 400.0],
            direction: [1.0, 0.0],
            start_px: 400.0,
            end_px: 1600.0,
            step_px: 100.0,
            offsets_px: vec![0.0; 21],
            is_dark: true,
        };
        (Photo::from_light(luminance), course)
    }

    /// Where the short edges are found.
    fn ends(length: f64, slopes_count: bool) -> [f64; 2] {
        let (photo, course) = beside_a_shadow(length);
        let coarse = Coarse::new(&photo, None);
        let search = Search { photo: &photo, coarse: &coarse, course: &course, clear_px: 20.0, slopes_count };
        let (_, ends) = search.outline(search.long_edges(), [true; 2], |_, _| true).expect("both short edges");
        ends.map(|edge| edge.v0_px)
    }

    #[test]
    fn the_rim_of_a_shadow_is_not_taken_for_the_end() {
        let [start, end] = ends(40.0, false);
        assert!((start - 300.0).abs() < 1.0 && (end - 1700.0).abs() < 1.0, "{start} {end}");
        let [start, end] = ends(40.0, true);
        assert!((start - 300.0).abs() < 1.0 && end > 1740.0, "the slope is the greater change: {start} {end}");
    }
}
