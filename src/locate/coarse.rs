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
        let log_light = Array2::from_shape_fn((height, width), |(y, x)| {
            0.25 * (l[[2 * y, 2 * x]] + l[[2 * y, 2 * x + 1]] + l[[2 * y + 1, 2 * x]] + l[[2 * y + 1, 2 * x + 1]])
        });
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

    /// Of the pixel of this number and those to its right and below it, by shares along both axes.
    #[inline]
    fn mean_of_four(&self, corner: usize, [ax, ay]: [f32; 2]) -> f32 {
        let [above, below] = [corner, corner + self.width].map(|left| &self.values[left..left + 2]);
        let top = above[0] * (1.0 - ax) + above[1] * ax;
        let bottom = below[0] * (1.0 - ax) + below[1] * ax;
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
        for (step, pixels) in levels.iter().enumerate() {
            // A pixel of a coarser level stands for `scale` pixels along the line.
            let scale = (1u32 << step) as f32;
            for pixel in pixels.iter().filter(|pixel| pixel.is_dark == is_dark) {
                let place = [pixel.x, pixel.y].map(|k| (f32::from(k) + 0.5) * scale);
                by_angle[usize::from(pixel.angle)].push([place[0], place[1], pixel.depth * scale]);
            }
        }
        let mut accumulator = vec![0f32; ANGLES * rho_bins];
        let highest =
            |angle: &[f32]| angle.iter().enumerate().fold((0, 0f32), |a, (i, v)| if *v > a.1 { (i, *v) } else { a });
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

/// Valley and crest pixels of one level.
fn valley_pixels(log_light: &Array2<f32>) -> Vec<ValleyPixel> {
    let [height, width] = [log_light.nrows(), log_light.ncols()];
    let smooth = binomial(log_light);
    let values = smooth.as_slice().expect("a picture's rows follow one another");
    let between = Between::new(&smooth);
    // Less than the rows and columns that are left out at the edges.
    const REACH: f64 = 2.6;
    let rows: Vec<Vec<ValleyPixel>> = (4..height.saturating_sub(4))
        .into_par_iter()
        .map(|y| {
            let mut found = Vec::new();
            let row = |y: usize| &values[y * width..][..width];
            let [above, here, below] = [row(y - 1), row(y), row(y + 1)];
            for x in 4..width.saturating_sub(4) {
                let centre = here[x];
                let xx = here[x + 1] + here[x - 1] - 2.0 * centre;
                let yy = below[x] + above[x] - 2.0 * centre;
                if xx.abs() + yy.abs() < 0.5 * DEPTH_FLOOR {
                    continue;
                }
                let xy = 0.25 * (below[x + 1] + above[x - 1] - above[x + 1] - below[x - 1]);
                // The eigenvector of the larger eigenvalue is the normal of the line.
                let half_difference = 0.5 * (xx - yy);
                let mean = 0.5 * (xx + yy);
                let root = (half_difference * half_difference + xy * xy).sqrt();
                let is_dark = mean > 0.0;
                if root < 0.25 * mean.abs() {
                    continue; // round, not elongated
                }
                let (sin, cos) = normal(half_difference, xy, root, is_dark);
                let [px, py] = [x as f64 + 0.5, y as f64 + 0.5];
                let side = |d: f64| between.inside(px + d * cos, py + d * sin);
                let [near_left, near_right] = [side(-1.0), side(1.0)];
                let sign = if is_dark { 1.0 } else { -1.0 };
                if sign * (near_left - centre) < 0.0 || sign * (near_right - centre) < 0.0 {
                    continue; // not the bottom of the valley
                }
                let [left, right] = [side(-REACH), side(REACH)];
                let depth = (sign * (left - centre)).min(sign * (right - centre));
                if depth > DEPTH_FLOOR {
                    let mut theta = 0.5 * f64::from(xy.atan2(half_difference));
                    if !is_dark {
                        theta += std::f64::consts::FRAC_PI_2;
                    }
                    let angle = (theta / ANGLE_STEP).round().rem_euclid(ANGLES as f64) as u16;
                    let [x, y] = [x, y].map(|k| k as u16);
                    found.push(ValleyPixel { x, y, angle, is_dark, depth: depth.min(DEPTH_CAP) });
                }
            }
            found
        })
        .collect();
    rows.concat()
}

/// Sine and cosine of the angle of the normal, half that of `(half_difference, xy)`, whose length is `root`, without a
/// trigonometric function; a quarter turn further on a crest.
#[inline]
fn normal(half_difference: f32, xy: f32, root: f32, is_dark: bool) -> (f64, f64) {
    let [double_cos, double_sin] = [half_difference, xy].map(|part| f64::from(part) / f64::from(root));
    // The larger of the two by the root, the other from the double angle's sine.
    let (sin, cos) = if double_cos >= 0.0 {
        let cos = (0.5 * (1.0 + double_cos)).sqrt();
        (0.5 * double_sin / cos, cos)
    } else {
        let sin = (0.5 * (1.0 - double_cos)).sqrt().copysign(double_sin);
        (sin, 0.5 * double_sin / sin)
    };
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
