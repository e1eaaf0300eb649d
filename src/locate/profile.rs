//! Light across a course, gathered from the pixels where they lie.
//!
//! Nothing is resampled: each pixel enters with its own distance from the course, so that no interpolation
//! widens an edge and an oblique line is sampled finer than the pixel pitch.

use super::Course;
use crate::photo::Photo;

/// Bin width across the course.
const BIN_PX: f64 = 0.5;
/// Far more than the distances in a row are rounded by.
const ROUNDING_PX: f64 = 1e-3;

/// Mean light at distances across a course.
#[derive(Debug, Clone, Default)]
pub struct Profile {
    /// Mean distance of each bin's pixels from the course, in order.
    pub across_px: Vec<f64>,
    /// Mean linear light, 0 to 1.
    pub light: Vec<f64>,
    /// Pixels in the bin.
    pub count: Vec<f64>,
    /// Share of the asked box that lies in the picture.
    pub inside: f64,
}

/// Gathers the box `along ± half_length`, `|across| ≤ half_width`, following the course's offset.
pub fn gather(photo: &Photo, course: &Course, along_px: f64, half_length_px: f64, half_width_px: f64) -> Profile {
    let across = course.across();
    let centre = course.place(along_px, 0.0);
    let [dx, dy] = course.direction;
    let slope = (course.offset_at(along_px + half_length_px) - course.offset_at(along_px - half_length_px))
        / (2.0 * half_length_px);
    let reach_x = (half_length_px * dx).abs() + (half_width_px * across[0]).abs() + 1.0;
    let reach_y = (half_length_px * dy).abs() + (half_width_px * across[1]).abs() + 1.0;
    let [width, height] = [photo.width() as f64, photo.height() as f64];
    let clip = |v: f64, limit: f64| v.clamp(0.0, limit) as usize;
    let [x0, x1] = [clip(centre[0] - reach_x, width), clip(centre[0] + reach_x + 1.0, width)];
    let [y0, y1] = [clip(centre[1] - reach_y, height), clip(centre[1] + reach_y + 1.0, height)];

    let bins = (2.0 * half_width_px / BIN_PX).ceil() as usize + 1;
    // Of each bin: pixels, sum of their distances, sum of their light (white = 65535).
    let mut sums = vec![[0f64; 3]; bins];
    let mut inside = 0usize;
    // By what a step along a row changes each distance, and by what a row does.
    let per_column = [dx, across[0] - slope * dx];
    let per_row = [dy, across[1] - slope * dy];
    let columns_per = per_column.map(|step| if step.abs() > 1e-9 { Some(1.0 / step) } else { None });
    for y in y0..y1 {
        let row = photo.luminance.row(y);
        let oy = y as f64 + 0.5 - centre[1];
        // Only the columns of this row that can lie in the box.
        let [mut from, mut to] = [x0 as f64, x1 as f64];
        for ((columns, per_row), half) in columns_per.iter().zip(per_row).zip([half_length_px, half_width_px]) {
            if let Some(columns) = columns {
                let [a, b] = [(-half - oy * per_row) * columns, (half - oy * per_row) * columns];
                from = from.max(centre[0] - 0.5 + a.min(b) - ROUNDING_PX);
                to = to.min(centre[0] + 0.5 + a.max(b) + ROUNDING_PX);
            }
        }
        let [mut from, mut to] = [from.max(0.0).ceil() as usize, to.max(0.0).min(x1 as f64) as usize];
        let place = |x: usize| {
            let ox = x as f64 + 0.5 - centre[0];
            let a = ox * dx + oy * dy;
            (a, ox * across[0] + oy * across[1] - slope * a)
        };
        let lies_inside = |x: usize| {
            let (a, t) = place(x);
            a.abs() <= half_length_px && t.abs() <= half_width_px
        };
        // Both distances change steadily along a row, so what lies inside is one stretch of it.
        while from < to && !lies_inside(from) {
            from += 1;
        }
        while from < to && !lies_inside(to - 1) {
            to -= 1;
        }
        let Some(pixels) = row.as_slice().and_then(|row| row.get(from..to)) else { continue };
        // Neighbours mostly share a bin: its sums stay at hand until the next one's turn.
        let mut at = 0;
        let mut sum = sums[0];
        for (x, pixel) in (from..).zip(pixels) {
            let t = place(x).1;
            let bin = ((t + half_width_px) * (1.0 / BIN_PX)) as u32 as usize;
            if bin != at {
                sums[at] = sum;
                sum = sums[bin];
                at = bin;
            }
            sum[0] += 1.0;
            sum[1] += t;
            sum[2] += f64::from(*pixel);
        }
        sums[at] = sum;
        inside += pixels.len();
    }
    let mut profile = Profile {
        inside: inside as f64 / (4.0 * half_length_px * half_width_px).max(1.0),
        across_px: Vec::with_capacity(bins),
        light: Vec::with_capacity(bins),
        count: Vec::with_capacity(bins),
    };
    for [count, t, light] in sums {
        if count > 0.0 {
            profile.across_px.push(t / count);
            profile.light.push(light / (65535.0 * count));
            profile.count.push(count);
        }
    }
    profile
}

impl Profile {
    /// Number of bins.
    pub fn len(&self) -> usize {
        self.across_px.len()
    }

    /// True without any pixel.
    pub fn is_empty(&self) -> bool {
        self.across_px.is_empty()
    }

    /// Light between two distances, mean over pixels; `None` without any.
    pub fn mean_between(&self, from_px: f64, to_px: f64) -> Option<f64> {
        let [mut sum, mut count] = [0.0; 2];
        for i in 0..self.len() {
            if self.across_px[i] >= from_px && self.across_px[i] <= to_px {
                sum += self.light[i] * self.count[i];
                count += self.count[i];
            }
        }
        (count > 0.0).then(|| sum / count)
    }
}
