//! Light across a course, gathered from the pixels where they lie.
//!
//! Nothing is resampled: each pixel enters with its own distance from the course, so that no interpolation
//! widens an edge and an oblique line is sampled finer than the pixel pitch.

use super::Course;
use crate::photo::Photo;

/// Bin width across the course.
const BIN_PX: f64 = 0.5;
/// Parts of a bin in which distances are counted, a power of two: whole numbers add without rounding.
const PARTS: u32 = 1 << 26;
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

    let bins = (2.0 * half_width_px / BIN_PX).ceil() as usize + 2;
    // Of each bin: pixels, sum of their places in parts of a bin from the box's edge, sum of their light (white = 65535).
    let mut sums = vec![[0i64; 3]; bins];
    let parts = |px: f64| (px * (f64::from(PARTS) / BIN_PX)).round() as i64;
    let mut inside = 0usize;
    // Lanes of pixels, rows or columns, whichever are fewer. By what a step in a lane changes each distance, and by what a lane does:
    let by_row = reach_y <= reach_x;
    let [per_column, per_row] = [[dx, across[0] - slope * dx], [dy, across[1] - slope * dy]];
    let [per_step, per_lane] = if by_row { [per_column, per_row] } else { [per_row, per_column] };
    let steps_per = per_step.map(|step| if step.abs() > 1e-9 { Some(1.0 / step) } else { None });
    let [lanes, steps] = if by_row { [y0..y1, x0..x1] } else { [x0..x1, y0..y1] };
    let [lane_centre, step_centre] = if by_row { [centre[1], centre[0]] } else { centre };
    let [lane_stride, step_stride] = if by_row { [photo.width(), 1] } else { [1, photo.width()] };
    for lane in lanes {
        let from_centre = lane as f64 + 0.5 - lane_centre;
        let of_lane = per_lane.map(|step| from_centre * step);
        // Only the steps of this lane that can lie in the box.
        let [mut from, mut to] = [steps.start as f64, steps.end as f64];
        for ((steps, of_lane), half) in steps_per.iter().zip(of_lane).zip([half_length_px, half_width_px]) {
            if let Some(steps) = steps {
                let [a, b] = [(-half - of_lane) * steps, (half - of_lane) * steps];
                from = from.max(step_centre - 0.5 + a.min(b) - ROUNDING_PX);
                to = to.min(step_centre + 0.5 + a.max(b) + ROUNDING_PX);
            }
        }
        let [mut from, mut to] = [from as usize, to.max(0.0) as usize];
        let place = |step: usize| {
            let from_centre = step as f64 + 0.5 - step_centre;
            [0, 1].map(|axis| of_lane[axis] + from_centre * per_step[axis])
        };
        let lies_inside = |step: usize| {
            let [a, t] = place(step);
            a.abs() <= half_length_px && t.abs() <= half_width_px
        };
        // Both distances change steadily along a lane, so what lies inside is one stretch of it.
        while from < to && !lies_inside(from) {
            from += 1;
        }
        while from < to && !lies_inside(to - 1) {
            to -= 1;
        }
        if from >= to {
            continue;
        }
        let mut from_edge = parts(place(from)[1] + half_width_px);
        let by_step = parts(per_step[1]);
        photo.plane.from(lane * lane_stride + from * step_stride).each(step_stride, to - from, |_, light| {
            // Rounding may place the first or the last a hair outside.
            let at = from_edge.max(0);
            let sum = &mut sums[((at >> PARTS.ilog2()) as usize).min(bins - 1)];
            sum[0] += 1;
            sum[1] += at;
            sum[2] += i64::from(light);
            from_edge += by_step;
        });
        inside += to - from;
    }
    let mut profile = Profile {
        inside: inside as f64 / (4.0 * half_length_px * half_width_px).max(1.0),
        across_px: Vec::with_capacity(bins),
        light: Vec::with_capacity(bins),
        count: Vec::with_capacity(bins),
    };
    for [count, places, light] in sums {
        if count > 0 {
            let count = count as f64;
            profile.across_px.push(places as f64 / count * (BIN_PX / f64::from(PARTS)) - half_width_px);
            profile.light.push(light as f64 / (65535.0 * count));
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
        let first = self.across_px.partition_point(|across| *across < from_px);
        let last = self.across_px.partition_point(|across| *across <= to_px).max(first);
        let [mut sum, mut count] = [0.0; 2];
        for (light, pixels) in self.light[first..last].iter().zip(&self.count[first..last]) {
            sum += light * pixels;
            count += pixels;
        }
        (count > 0.0).then(|| sum / count)
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Every pixel of the picture asked whether it lies in the box, and its distance computed by itself.
    fn one_by_one(photo: &Photo, course: &Course, along_px: f64, half_length_px: f64, half_width_px: f64) -> Profile {
        let mut bins = vec![[0.0; 3]; (2.0 * half_width_px / BIN_PX) as usize + 1];
        for ((row, column), light) in photo.light().indexed_iter() {
            let [along, across] = course.along_across([column as f64 + 0.5, row as f64 + 0.5]);
            if (along - along_px).abs() <= half_length_px && across.abs() <= half_width_px {
                let bin = &mut bins[((across + half_width_px) / BIN_PX) as usize];
                for (sum, part) in bin.iter_mut().zip([1.0, across, f64::from(*light) / 65535.0]) {
                    *sum += part;
                }
            }
        }
        let mut profile = Profile::default();
        for [count, across, light] in bins.into_iter().filter(|bin| bin[0] > 0.0) {
            profile.across_px.push(across / count);
            profile.light.push(light / count);
            profile.count.push(count);
        }
        profile
    }

    /// Along rows, along columns and askew, in the middle of a picture and at its edge.
    #[test]
    fn a_box_holds_the_pixels_that_lie_in_it() {
        let luminance = Array2::from_shape_fn((90, 120), |(y, x)| ((x * 7919 + y * 104_729) % 65536) as u16);
        let photo = Photo::from_light(luminance);
        for degrees in [0.3, 17.0, 44.0, 61.0, 89.6, 133.0, 250.0] {
            let (sin, cos) = f64::to_radians(degrees).sin_cos();
            for origin_px in [[60.2, 45.1], [4.3, 80.7]] {
                let course = Course {
                    origin_px,
                    direction: [cos, sin],
                    start_px: -50.0,
                    end_px: 50.0,
                    step_px: 10.0,
                    offsets_px: vec![1.3; 11],
                    is_dark: true,
                };
                for [half_length, half_width] in [[0.75, 20.0], [6.0, 9.3]] {
                    let found = gather(&photo, &course, 2.0, half_length, half_width);
                    let wanted = one_by_one(&photo, &course, 2.0, half_length, half_width);
                    let close = |a: &[f64], b: &[f64], room: f64| {
                        a.len() == b.len() && a.iter().zip(b).all(|(a, b)| (a - b).abs() < room)
                    };
                    assert!(
                        found.count == wanted.count
                            && close(&found.across_px, &wanted.across_px, 1e-6)
                            && close(&found.light, &wanted.light, 1e-12),
                        "{degrees}°, {half_length} × {half_width}: {found:?} {wanted:?}"
                    );
                }
            }
        }
    }
}
