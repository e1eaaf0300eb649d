//! Pixels of valleys and crests in a reduced picture, each with the direction of its normal.
//!
//! A line is told from a step (a strip's edge on a bench, a shadow's edge) by asking both sides to be lighter (or darker) than the
//! middle: the weaker of the two sides counts. Directions come from the Hessian, as in C. Steger, "An Unbiased Detector of Curvilinear
//! Structures", IEEE TPAMI 20(2), 1998.

use ndarray::Array2;
use rayon::prelude::*;

use super::coarse::Between;

/// Directions that are told apart, and the angle between two of them.
pub const ANGLES: usize = 360;
pub const ANGLE_STEP: f64 = std::f64::consts::PI / ANGLES as f64;
/// Depth (natural log) beyond which a pixel votes no stronger: a black line must not outvote a long one.
const DEPTH_CAP: f32 = 0.7;
/// Depth below which a pixel is taken for texture and does not vote.
const DEPTH_FLOOR: f32 = 0.04;
/// How far away along its normal a pixel's depth is taken, and the rows and columns at the edges that are left out for that.
const REACH: f32 = 2.6;
const MARGIN: usize = 4;

/// A pixel of a valley or a crest.
#[derive(Debug, Clone, Copy)]
pub struct ValleyPixel {
    /// Column.
    pub x: u16,
    /// Row.
    pub y: u16,
    /// Number of the angle nearest to that of the normal.
    pub angle: u16,
    /// Of a valley.
    pub is_dark: bool,
    /// Capped.
    pub depth: f32,
}

/// Valley and crest pixels of one level, row by row.
pub fn valley_pixels(log_light: &Array2<f32>) -> Vec<Vec<ValleyPixel>> {
    let [height, width] = [log_light.nrows(), log_light.ncols()];
    let smooth = binomial(log_light);
    let values = smooth.as_slice().expect("a picture's rows follow one another");
    let between = Between::new(&smooth);
    (MARGIN..height.saturating_sub(MARGIN))
        .into_par_iter()
        .map_init(
            || Sieves::new(width),
            |sieves, y| {
                sieves.bend(values, y);
                let bent = sieves.keep_bent();
                let hollows = sieves.keep_hollows(values, y, bent);
                // And deep enough.
                let deep = sieves.hollows[..hollows].iter().filter_map(|hollow| {
                    let [left, right] = [-REACH, REACH].map(|away| hollow.rise(&between, y, away));
                    let depth = left.min(right);
                    (depth > DEPTH_FLOOR).then(|| hollow.pixel(y, depth))
                });
                deep.collect()
            },
        )
        .collect()
}

/// Three sieves for the pixels of a row, the first two without a branch that texture would make a gamble of.
struct Sieves {
    /// Second derivatives along the row, down the columns, and across both.
    bends: [Vec<f32>; 3],
    /// Columns of what is bent, and what of that is lowest (highest) across its direction.
    bent: Vec<u16>,
    hollows: Vec<Hollow>,
}

impl Sieves {
    fn new(width: usize) -> Self {
        Self {
            bends: [(); 3].map(|()| vec![0.0; width]),
            bent: vec![0; width],
            hollows: vec![Hollow::default(); width],
        }
    }

    /// Takes the second derivatives of row `y` of a picture of these values, row after row.
    fn bend(&mut self, values: &[f32], y: usize) {
        let [xx, yy, xy] = &mut self.bends;
        let width = xx.len();
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
    }

    /// Keeps what is bent at all, and not round; gives how many.
    fn keep_bent(&mut self) -> usize {
        let [xx, yy, xy] = &self.bends;
        let mut count = 0;
        for x in MARGIN..xx.len().saturating_sub(MARGIN) {
            let [xx, yy, xy] = [xx[x], yy[x], xy[x]];
            let [half_difference, mean] = [0.5 * (xx - yy), 0.5 * (xx + yy)];
            let squared = half_difference * half_difference + xy * xy;
            let is_bent = (xx.abs() + yy.abs() >= 0.5 * DEPTH_FLOOR) & (squared >= 0.0625 * mean * mean);
            self.bent[count] = x as u16;
            count += usize::from(is_bent);
        }
        count
    }

    /// Keeps, of so many bent ones, those that no neighbour across their direction is lower (on a crest higher) than; gives how many.
    fn keep_hollows(&mut self, values: &[f32], y: usize, bent: usize) -> usize {
        let width = self.bent.len();
        let mut count = 0;
        for x in &self.bent[..bent] {
            let [xx, yy, xy] = [0, 1, 2].map(|k| self.bends[k][usize::from(*x)]);
            // The eigenvector of the larger eigenvalue is the normal of the line.
            let half_difference = 0.5 * (xx - yy);
            let root = (half_difference * half_difference + xy * xy).sqrt();
            let is_dark = xx + yy > 0.0;
            let (sin, cos) = normal(half_difference, xy, root, is_dark);
            self.hollows[count] = Hollow { x: *x, sin, cos, is_dark, double: [half_difference, xy] };
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
            count += usize::from((left >= 0.0) & (right >= 0.0));
        }
        count
    }
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
