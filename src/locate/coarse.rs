//! A reduced picture in logarithmic light, and where straight valleys or crests run in it.
//!
//! Logarithmic light makes contrast independent of shade and vignetting. A line is told from a step (a strip's
//! edge on a bench, a shadow's edge) by asking both sides to be lighter (or darker) than the middle: the
//! weaker of the two sides counts. Directions come from the Hessian, as in C. Steger, "An Unbiased Detector of
//! Curvilinear Structures", IEEE TPAMI 20(2), 1998; straight runs are collected by a Hough vote in which each
//! pixel votes only near its own direction.

use ndarray::Array2;
use rayon::prelude::*;

use crate::photo::Photo;

/// Long side of the reduced picture in pixels. Kerfs of 3 px in a 4000 px picture stay about one pixel wide.
const COARSE_SIDE_PX: usize = 1300;
/// Added to linear light (white = 1) before the logarithm: keeps sensor noise in black places small.
const LOG_FLOOR: f32 = 0.02;
/// Depth (natural log) beyond which a pixel votes no stronger: a black line must not outvote a long one.
const DEPTH_CAP: f32 = 0.7;
/// Depth below which a pixel is taken for texture and does not vote.
const DEPTH_FLOOR: f32 = 0.04;
const ANGLES: usize = 360;
const ANGLE_STEP: f64 = std::f64::consts::PI / ANGLES as f64;
const RHO_STEP: f64 = 2.0;
/// Runs of either sign that are kept whatever those of the other are, from this share of the strongest's votes.
const LEAST_OF_A_SIGN: usize = 5;
const LEAST_VOTES: f64 = 0.3;
/// Votes are spread over this many angle bins on each side of a pixel's own direction.
const ANGLE_SPREAD: isize = 5;

/// A picture reduced by whole-pixel area averages.
#[derive(Debug, Clone)]
pub struct Coarse {
    /// Natural logarithm of linear light plus a floor; shape (height, width).
    pub log_light: Array2<f32>,
    /// Full-resolution pixels per coarse pixel.
    pub factor: f64,
    /// Full-resolution place of the reduced picture's corner.
    pub corner_px: [f64; 2],
}

/// A straight run of valley or crest pixels: `x·cos θ + y·sin θ = ρ` in coarse pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Run {
    /// Angle of the normal, 0 to π.
    pub theta: f64,
    /// Distance from the corner.
    pub rho_px: f64,
    /// Darker than both sides.
    pub is_dark: bool,
    /// Sum of the votes.
    pub votes: f64,
}

impl Coarse {
    /// Reduces the picture, or the area of it (x, y, width, height in px).
    pub fn new(photo: &Photo, area_px: Option<[f64; 4]>) -> Self {
        let [x0, y0, x1, y1] = bounds(photo, area_px);
        let factor = ((x1 - x0).max(y1 - y0)).div_ceil(COARSE_SIDE_PX).max(1);
        let [width, height] = [((x1 - x0) / factor).max(1), ((y1 - y0) / factor).max(1)];
        let norm = 1.0 / (65535.0 * (factor * factor) as f32);
        let mut log_light = vec![0f32; width * height];
        log_light.par_chunks_exact_mut(width).enumerate().with_min_len(4).for_each_init(
            || vec![0u32; width * factor],
            |columns, (row, out)| {
                // Rows first: their sums lie side by side.
                columns.fill(0);
                for y in 0..factor {
                    let full = photo.luminance.row((y0 + row * factor + y).min(photo.height() - 1));
                    let full = full.as_slice().expect("luminance rows are contiguous");
                    columns.iter_mut().zip(&full[x0..]).for_each(|(sum, light)| *sum += u32::from(*light));
                }
                for (out, block) in out.iter_mut().zip(columns.chunks_exact(factor)) {
                    *out = (block.iter().sum::<u32>() as f32 * norm + LOG_FLOOR).ln();
                }
            },
        );
        let log_light = Array2::from_shape_vec((height, width), log_light).expect("as many as rows times columns");
        Self { log_light, factor: factor as f64, corner_px: [x0 as f64, y0 as f64] }
    }

    /// Full-resolution place of a coarse place (both with pixel centres at .5).
    pub fn to_full(&self, place: [f64; 2]) -> [f64; 2] {
        [self.corner_px[0] + place[0] * self.factor, self.corner_px[1] + place[1] * self.factor]
    }

    fn halved(&self) -> Self {
        let [height, width] = [self.log_light.nrows() / 2, self.log_light.ncols() / 2];
        let l = &self.log_light;
        let mut log_light = Array2::zeros((height, width));
        for (y, mut out) in log_light.outer_iter_mut().enumerate() {
            let [above, below] = [2 * y, 2 * y + 1].map(|y| l.row(y).to_slice().expect("rows follow one another"));
            for ((out, a), b) in out.iter_mut().zip(above.chunks_exact(2)).zip(below.chunks_exact(2)) {
                *out = 0.25 * (a[0] + a[1] + b[0] + b[1]);
            }
        }
        Self { log_light, factor: self.factor * 2.0, corner_px: self.corner_px }
    }
}

/// Pixel bounds `[x0, y0, x1, y1]` of the area, or of the whole picture.
pub fn bounds(photo: &Photo, area_px: Option<[f64; 4]>) -> [usize; 4] {
    let [width, height] = [photo.width(), photo.height()];
    match area_px {
        None => [0, 0, width, height],
        Some([x, y, w, h]) => {
            let clip = |v: f64, limit: usize| (v.max(0.0) as usize).min(limit);
            [clip(x, width - 1), clip(y, height - 1), clip((x + w).ceil(), width), clip((y + h).ceil(), height)]
        }
    }
}

/// A reduced picture's light between its pixels.
#[derive(Debug, Clone, Copy)]
pub struct Between<'a> {
    /// Row after row.
    values: &'a [f32],
    width: usize,
    height: usize,
}

impl<'a> Between<'a> {
    /// Of shape (height, width), in the usual order.
    pub fn new(grid: &'a Array2<f32>) -> Self {
        let values = grid.as_slice().expect("a picture's rows follow one another");
        Self { values, width: grid.ncols(), height: grid.nrows() }
    }

    /// Bilinear sample at a place with pixel centres at .5; `None` outside.
    #[inline]
    pub fn at(&self, x: f64, y: f64) -> Option<f32> {
        let [fx, fy] = [x - 0.5, y - 0.5];
        if !(fx >= 0.0 && fy >= 0.0) {
            return None;
        }
        if fx as u32 as usize + 1 >= self.width || fy as u32 as usize + 1 >= self.height {
            return None;
        }
        Some(self.inside(x, y))
    }

    /// The same at a place known to lie at least a pixel inside.
    #[inline]
    pub fn inside(&self, x: f64, y: f64) -> f32 {
        let [fx, fy] = [x - 0.5, y - 0.5];
        let [ix, iy] = [fx as u32, fy as u32];
        let [ax, ay] = [(fx - f64::from(ix)) as f32, (fy - f64::from(iy)) as f32];
        self.mean_of_four(iy as usize * self.width + ix as usize, [ax, ay])
    }

    /// Of a pixel.
    #[inline]
    fn pixel(&self, [x, y]: [usize; 2]) -> f32 {
        self.values[y * self.width + x]
    }

    /// The same `away` from the middle of a pixel, at least a pixel inside.
    #[inline]
    fn near_pixel(&self, pixel: [usize; 2], away: [f32; 2]) -> f32 {
        // Single precision places a pixel among tens of thousands to a thousandth.
        let [x, y] = [0, 1].map(|axis| pixel[axis] as f32 + away[axis]);
        let [ix, iy] = [x as i32, y as i32];
        self.mean_of_four(iy as usize * self.width + ix as usize, [x - ix as f32, y - iy as f32])
    }

    /// Of the pixel of this number and those to its right and below it, by shares along both axes.
    #[inline]
    fn mean_of_four(&self, corner: usize, [ax, ay]: [f32; 2]) -> f32 {
        let values = &self.values[corner..corner + self.width + 2];
        let top = values[0] * (1.0 - ax) + values[1] * ax;
        let bottom = values[self.width] * (1.0 - ax) + values[self.width + 1] * ax;
        top * (1.0 - ay) + bottom * ay
    }

    /// The same at places that lie `step` apart, from `start` on, all of which lie at least a pixel inside.
    pub fn all_inside(&self, start: [f64; 2], step: [f64; 2], light: &mut [f32]) {
        // Places count in parts of a pixel: whole pixel and share without conversions.
        const BITS: u32 = 24;
        const PART: f32 = 1.0 / (1u32 << BITS) as f32;
        let parts = |px: f64| (px * f64::from(1u32 << BITS)).round() as i64;
        let ([mut x, mut y], [dx, dy]) = (start.map(|px| parts(px - 0.5)), step.map(parts));
        for light in light {
            let [ix, iy] = [x, y].map(|parts| (parts >> BITS) as usize);
            let shares = [x, y].map(|parts| (parts & ((1 << BITS) - 1)) as i32 as f32 * PART);
            *light = self.mean_of_four(iy * self.width + ix, shares);
            x += dx;
            y += dy;
        }
    }

    /// True for a place at least a pixel inside.
    pub fn is_inside(&self, x: f64, y: f64) -> bool {
        x >= 1.0 && y >= 1.0 && x <= self.width as f64 - 1.0 && y <= self.height as f64 - 1.0
    }
}

/// The strongest straight runs, valleys and crests together, strongest first: at most `most`, and up to five of a sign
/// that has fewer among these.
pub fn straight_runs(coarse: &Coarse, most: usize) -> Vec<Run> {
    let [height, width] = [coarse.log_light.nrows(), coarse.log_light.ncols()];
    let diagonal = ((width * width + height * height) as f64).sqrt();
    let rho_bins = (2.0 * diagonal / RHO_STEP) as usize + 3;
    let directions: Vec<(f32, f32)> = (0..ANGLES).map(|k| ((k as f64 * ANGLE_STEP) as f32).sin_cos()).collect();

    let mut levels = Vec::new();
    let mut level = None;
    for _ in 0..4 {
        let here: &Coarse = level.as_ref().unwrap_or(coarse);
        if here.log_light.nrows() < 8 || here.log_light.ncols() < 8 {
            break;
        }
        levels.push(valley_pixels(&here.log_light));
        level = Some(here.halved());
    }
    // Each angle by itself, its pixels in their order: the sums do not depend on the threads.
    let of_sign = |is_dark: bool| {
        let mut by_angle: Vec<Vec<[f32; 3]>> = vec![Vec::new(); ANGLES];
        for (step, rows) in levels.iter().enumerate() {
            // A pixel of a coarser level stands for `scale` pixels along the line.
            let scale = (1u32 << step) as f32;
            for pixel in rows.iter().flatten().filter(|pixel| pixel.is_dark == is_dark) {
                let place = [pixel.x, pixel.y].map(|k| (f32::from(k) + 0.5) * scale);
                by_angle[usize::from(pixel.angle)].push([place[0], place[1], pixel.depth * scale]);
            }
        }
        let mut accumulator = vec![0f32; ANGLES * rho_bins];
        let vote = |(angle, sums): (usize, &mut [f32])| {
            let (sin, cos) = directions[angle];
            for spread in -ANGLE_SPREAD..=ANGLE_SPREAD {
                for [x, y, weight] in &by_angle[(angle as isize + spread).rem_euclid(ANGLES as isize) as usize] {
                    let slot = (x * cos + y * sin + diagonal as f32) / RHO_STEP as f32;
                    let base = slot as u32 as usize;
                    let share = slot - base as f32;
                    sums[base] += weight * (1.0 - share);
                    sums[base + 1] += weight * share;
                }
            }
            highest(sums)
        };
        let mut peaks: Vec<(usize, f32)> = accumulator.par_chunks_exact_mut(rho_bins).enumerate().map(vote).collect();
        let mut runs = Vec::new();
        for _ in 0..most {
            let (angle, (slot, votes)) = peaks
                .iter()
                .enumerate()
                .fold((0, (0, 0f32)), |a, (i, peak)| if peak.1 > a.1.1 { (i, *peak) } else { a });
            if votes <= 0.0 {
                break;
            }
            let theta = angle as f64 * ANGLE_STEP;
            let rho_px = slot as f64 * RHO_STEP - diagonal;
            runs.push(Run { theta, rho_px, is_dark, votes: f64::from(votes) });
            for angle in silence(&mut accumulator, rho_bins, diagonal, [width as f64, height as f64], theta, rho_px) {
                peaks[angle] = highest(&accumulator[angle * rho_bins..][..rho_bins]);
            }
        }
        runs
    };
    let (light, dark) = rayon::join(|| of_sign(false), || of_sign(true));
    let mut runs: Vec<(usize, Run)> = [light, dark].into_iter().flat_map(|runs| runs.into_iter().enumerate()).collect();
    runs.sort_by(|a, b| b.1.votes.total_cmp(&a.1.votes));
    let least = LEAST_VOTES * runs.first().map_or(0.0, |(_, run)| run.votes);
    // The lines of a mat, all of one sign, must not crowd out a line of the other.
    let kept = runs
        .into_iter()
        .enumerate()
        .filter(|(rank, (of_sign, run))| *rank < most || (*of_sign < LEAST_OF_A_SIGN && run.votes > least));
    kept.map(|(_, (_, run))| run).collect()
}

/// The highest of an angle's votes and the first place that has them; 0 at the first where there are none.
fn highest(votes: &[f32]) -> (usize, f32) {
    // Several maxima side by side, then where the greatest is.
    const LANES: usize = 16;
    let mut lanes = [0f32; LANES];
    let (whole, rest) = votes.as_chunks::<LANES>();
    for votes in whole {
        for (most, votes) in lanes.iter_mut().zip(votes) {
            *most = if *votes > *most { *votes } else { *most };
        }
    }
    let most = lanes.iter().chain(rest).fold(0f32, |most, votes| most.max(*votes));
    (votes.iter().position(|votes| *votes == most).unwrap_or(0), most)
}

/// Clears the bins of lines that, inside the picture, run along the same course: within a few pixels at the
/// nearest point to the run's own middle and within a few degrees. Gives the angles at which it did.
fn silence(
    accumulator: &mut [f32],
    rho_bins: usize,
    diagonal: f64,
    size: [f64; 2],
    theta: f64,
    rho: f64,
) -> Vec<usize> {
    const NEAR_DEGREES: f64 = 8.0;
    let near = (NEAR_DEGREES.to_radians() / ANGLE_STEP) as isize;
    let centre = (theta / ANGLE_STEP).round() as isize;
    let [middle_x, middle_y] = [size[0] / 2.0, size[1] / 2.0];
    let offset = rho - (middle_x * theta.cos() + middle_y * theta.sin());
    let mut touched = Vec::new();
    for spread in -near..=near {
        let bin = centre + spread;
        let angle = bin as f64 * ANGLE_STEP;
        let wrapped = bin.rem_euclid(ANGLES as isize) as usize;
        let sign = if bin < 0 || bin >= ANGLES as isize { -1.0 } else { 1.0 };
        let here = sign * (middle_x * angle.cos() + middle_y * angle.sin() + offset);
        // A line crossing at a small angle leaves the run's course by this much half way to the picture's edge.
        let reach = 10.0 + (spread as f64 * ANGLE_STEP).abs().sin() * diagonal * 0.35;
        let from = (((here - reach + diagonal) / RHO_STEP).max(0.0)) as usize;
        let to = ((((here + reach + diagonal) / RHO_STEP).max(0.0)) as usize).min(rho_bins - 1);
        if from <= to {
            accumulator[wrapped * rho_bins + from..=wrapped * rho_bins + to].fill(0.0);
            touched.push(wrapped);
        }
    }
    touched
}

/// A pixel of a valley or a crest.
#[derive(Debug, Clone, Copy)]
struct ValleyPixel {
    x: u16,
    y: u16,
    /// Number of the angle nearest to that of the normal.
    angle: u16,
    is_dark: bool,
    /// Capped.
    depth: f32,
}

/// Valley and crest pixels of one level, row by row.
fn valley_pixels(log_light: &Array2<f32>) -> Vec<Vec<ValleyPixel>> {
    let [height, width] = [log_light.nrows(), log_light.ncols()];
    let smooth = binomial(log_light);
    let values = smooth.as_slice().expect("a picture's rows follow one another");
    let between = Between::new(&smooth);
    // Less than the rows and columns that are left out at the edges.
    const REACH: f32 = 2.6;
    (4..height.saturating_sub(4))
        .into_par_iter()
        .map_init(
            || ([(); 3].map(|()| vec![0f32; width]), vec![0u16; width], vec![Hollow::default(); width]),
            |(bends, bent, hollows), y| {
                // Second derivatives of the whole row: along both axes, then across both.
                let [xx, yy, xy] = bends;
                let threes = |y: usize| {
                    let row = &values[y * width..][..width];
                    (&row[..width - 2], &row[1..width - 1], &row[2..])
                };
                let ((al, a, ar), (hl, h, hr), (bl, b, br)) = (threes(y - 1), threes(y), threes(y + 1));
                for x in 0..width - 2 {
                    xx[x + 1] = hr[x] + hl[x] - 2.0 * h[x];
                    yy[x + 1] = b[x] + a[x] - 2.0 * h[x];
                    xy[x + 1] = 0.25 * (br[x] + al[x] - ar[x] - bl[x]);
                }
                // Three sieves one after the other, each without a branch that texture would make a gamble of.
                let mut count = 0;
                for x in 4..width.saturating_sub(4) {
                    let [xx, yy, xy] = [xx[x], yy[x], xy[x]];
                    let [half_difference, mean] = [0.5 * (xx - yy), 0.5 * (xx + yy)];
                    let squared = half_difference * half_difference + xy * xy;
                    // Bent at all, and not round.
                    let is_bent = (xx.abs() + yy.abs() >= 0.5 * DEPTH_FLOOR) & (squared >= 0.0625 * mean * mean);
                    bent[count] = x as u16;
                    count += usize::from(is_bent);
                }
                let mut bottoms = 0;
                for x in &bent[..count] {
                    let [xx, yy, xy] = [&xx, &yy, &xy].map(|bend| bend[usize::from(*x)]);
                    // The eigenvector of the larger eigenvalue is the normal of the line.
                    let half_difference = 0.5 * (xx - yy);
                    let root = (half_difference * half_difference + xy * xy).sqrt();
                    let is_dark = xx + yy > 0.0;
                    let (sin, cos) = normal(half_difference, xy, root, is_dark);
                    hollows[bottoms] = Hollow { x: *x, sin, cos, is_dark, double: [half_difference, xy] };
                    // One pixel away along the normal lie three of the neighbours, on either side.
                    let [a, b] = [cos.abs(), sin.abs()];
                    let shares = [a * (1.0 - b), (1.0 - a) * b, a * b];
                    let place = y * width + usize::from(*x);
                    let centre = values[place];
                    let column = if cos >= 0.0 { 1 } else { -1 };
                    let row = if sin >= 0.0 { width as isize } else { -(width as isize) };
                    let [left, right] = [-1, 1].map(|side| {
                        let rises = [column, row, column + row].map(|step| {
                            let there = values[place.wrapping_add_signed(side * step)];
                            if is_dark { there - centre } else { centre - there }
                        });
                        rises.iter().zip(shares).map(|(rise, share)| rise * share).sum::<f32>()
                    });
                    bottoms += usize::from((left >= 0.0) & (right >= 0.0));
                }
                let deep = hollows[..bottoms].iter().filter_map(|hollow| {
                    let [left, right] = [-REACH, REACH].map(|away| hollow.rise(&between, y, away));
                    let depth = left.min(right);
                    (depth > DEPTH_FLOOR).then(|| hollow.pixel(y, depth))
                });
                deep.collect()
            },
        )
        .collect()
}

/// A pixel that is the lowest of a valley (the highest of a crest) across its direction.
#[derive(Debug, Clone, Copy, Default)]
struct Hollow {
    x: u16,
    /// Of the angle of the normal.
    sin: f32,
    cos: f32,
    is_dark: bool,
    /// Cosine and sine of twice that angle, times the bend.
    double: [f32; 2],
}

impl Hollow {
    /// How much higher (on a crest lower) it is so far away along the normal.
    #[inline]
    fn rise(&self, between: &Between, y: usize, away: f32) -> f32 {
        let pixel = [usize::from(self.x), y];
        let rise = between.near_pixel(pixel, [away * self.cos, away * self.sin]) - between.pixel(pixel);
        if self.is_dark { rise } else { -rise }
    }

    fn pixel(&self, y: usize, depth: f32) -> ValleyPixel {
        let [cos, sin] = self.double;
        let mut theta = 0.5 * f64::from(sin.atan2(cos));
        if !self.is_dark {
            theta += std::f64::consts::FRAC_PI_2;
        }
        let angle = (theta / ANGLE_STEP).round().rem_euclid(ANGLES as f64) as u16;
        ValleyPixel { x: self.x, y: y as u16, angle, is_dark: self.is_dark, depth: depth.min(DEPTH_CAP) }
    }
}

/// Sine and cosine of the angle of the normal, half that of `(half_difference, xy)`, whose length is `root`, without a
/// trigonometric function; a quarter turn further on a crest.
#[inline]
fn normal(half_difference: f32, xy: f32, root: f32, is_dark: bool) -> (f32, f32) {
    let per_root = 1.0 / root;
    let [double_cos, double_sin] = [half_difference * per_root, xy * per_root];
    // The larger of the two by the root, the other from the double angle's sine.
    let larger = (0.5 * (1.0 + double_cos.abs())).sqrt();
    let smaller = 0.5 * double_sin.abs() / larger;
    let (sin, cos) = if double_cos >= 0.0 { (smaller, larger) } else { (larger, smaller) };
    let sin = sin.copysign(double_sin);
    if is_dark { (sin, cos) } else { (cos, -sin) }
}

/// Smoothing by the 3 × 3 binomial kernel; borders are copied.
fn binomial(grid: &Array2<f32>) -> Array2<f32> {
    let [height, width] = [grid.nrows(), grid.ncols()];
    let mut out = grid.clone();
    let (Some(from), Some(to)) = (grid.as_slice(), out.as_slice_mut()) else { return out };
    to.par_chunks_exact_mut(width).enumerate().skip(1).take(height - 2).with_min_len(32).for_each(|(y, out)| {
        let row = |y: usize| &from[y * width..][..width];
        let [above, here, below] = [row(y - 1), row(y), row(y + 1)];
        for x in 1..width - 1 {
            let mut sum = 4.0 * here[x];
            sum += 2.0 * (above[x] + below[x] + here[x - 1] + here[x + 1]);
            sum += above[x - 1] + above[x + 1] + below[x - 1] + below[x + 1];
            out[x] = sum / 16.0;
        }
    });
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_highest_is_the_first_of_the_highest() {
        let mut votes = vec![0f32; 163];
        assert_eq!(highest(&votes), (0, 0.0));
        for (place, value) in [(161, 2.0), (40, 2.0), (70, 1.0), (17, 3.0)] {
            votes[place] = value;
            let wanted = (0..votes.len()).rev().max_by(|a, b| votes[*a].total_cmp(&votes[*b])).unwrap();
            assert_eq!(highest(&votes), (wanted, votes[wanted]));
        }
    }

    /// A valley or a crest at any angle is the strongest run, where it was drawn.
    #[test]
    fn a_line_is_found_where_it_was_drawn() {
        for degrees in [0.0f64, 20.0, 45.0, 77.5, 90.0, 121.0, 170.0] {
            for is_dark in [true, false] {
                let (sin, cos) = degrees.to_radians().sin_cos();
                let rho = 150.0 * cos + 100.0 * sin;
                let log_light = Array2::from_shape_fn((200, 300), |(y, x)| {
                    let away = (x as f64 + 0.5) * cos + (y as f64 + 0.5) * sin - rho;
                    let depth = 0.5 * (-0.5 * (away / 1.5).powi(2)).exp() as f32;
                    if is_dark { -depth } else { depth }
                });
                let run = straight_runs(&Coarse { log_light, factor: 1.0, corner_px: [0.0; 2] }, 3)[0];
                let turned = (run.theta.to_degrees() - degrees).abs();
                assert!(turned.min(180.0 - turned) < 0.51 && run.is_dark == is_dark, "{degrees}: {run:?}");
                let away = 150.0 * run.theta.cos() + 100.0 * run.theta.sin() - run.rho_px;
                assert!(away.abs() < RHO_STEP, "{degrees}: {run:?}");
            }
        }
    }
}
