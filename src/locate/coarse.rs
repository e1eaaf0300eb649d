//! A picture reduced to logarithmic light, and its light between the pixels.
//!
//! Logarithmic light makes contrast independent of shade and vignetting.

use ndarray::Array2;
use rayon::prelude::*;

use crate::photo::{Photo, Pixels};

/// Long side of the reduced picture in pixels. Kerfs of 3 px in a 4000 px picture stay about one pixel wide.
const COARSE_SIDE_PX: usize = 1300;
/// Added to linear light (white = 1) before the logarithm: keeps sensor noise in black places small.
const LOG_FLOOR: f32 = 0.02;

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
                    let line = (y0 + row * factor + y).min(photo.height() - 1);
                    match photo.plane.from(line * photo.width() + x0) {
                        Pixels::Linear(full) => {
                            columns.iter_mut().zip(full).for_each(|(sum, light)| *sum += u32::from(*light));
                        }
                        Pixels::Coded(full, light) => {
                            let full = full.iter().map(|sample| light[usize::from(*sample)]);
                            columns.iter_mut().zip(full).for_each(|(sum, light)| *sum += u32::from(light));
                        }
                    }
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

    /// A quarter of its pixels, each the mean of four.
    pub fn halved(&self) -> Self {
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
    pub fn pixel(&self, [x, y]: [usize; 2]) -> f32 {
        self.values[y * self.width + x]
    }

    /// The same `away` from the middle of a pixel, at least a pixel inside.
    #[inline]
    pub fn near_pixel(&self, pixel: [usize; 2], away: [f32; 2]) -> f32 {
        // Single precision places a pixel among tens of thousands to a thousandth.
        let [x, y] = [0, 1].map(|axis| pixel[axis] as f32 + away[axis]);
        let [ix, iy] = [x as i32, y as i32];
        self.mean_of_four(iy as usize * self.width + ix as usize, [x - ix as f32, y - iy as f32])
    }

    /// Of the pixel of this number and those to its right and below it, by shares along both axes.
    #[expect(clippy::inline_always, reason = "called for millions of places; by itself the compiler calls it")]
    #[inline(always)]
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
