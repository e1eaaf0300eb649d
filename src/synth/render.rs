//! From a scene to linear light in every pixel.

use rayon::prelude::*;

use super::camera::Projection;
use super::clutter::Scatter;
use super::material::{Material, Surface};
use super::noise::{Tile, mix};
use super::scene::{Background, Scene, Sensor};
use super::stroke::{Stroke, strokes};
use super::truth::Physics;

/// Linear light and which pixels belong to the strip.
#[derive(Debug)]
pub(super) struct Plate {
    pub(super) size_px: [usize; 2],
    /// Relative luminance, 1 = white.
    pub(super) light: Vec<f32>,
    /// Share of strip in the pixel, 0 to 255: decides its colour.
    pub(super) strip_share: Vec<u8>,
}

/// Finest distance between two samples of a pixel that the line touches, mm. Pixels are area-averaged there, so that edges
/// are true to a small part of a pixel.
const SAMPLE_MM: f64 = 0.007;

/// Renders the light that reaches the sensor, blur and noise not yet applied.
pub(super) fn expose(scene: &Scene, physics: &Physics, projection: &Projection) -> Plate {
    let strip = &scene.strip;
    let surface = Surface::new(strip.material, strip.picture.as_deref(), strip.grain_deg, scene.seed);
    let ground = Ground::new(strip.background, scene.seed);
    let strokes = strokes(scene, physics, surface.finish.core);
    let index = Index::new(&strokes);
    let scatter = Scatter::new(&scene.clutter);
    let char_tile = Tile::from_fn(256, 256, [0.06, 0.06], |u, v| {
        (mix(scene.seed ^ 0x51 ^ (u as u64) << 20 ^ v as u64) >> 40) as f32 / 16_777_216.0 - 0.5
    });
    let (skew_sin, skew_cos) = strip.skew_deg.to_radians().sin_cos();
    let [low, high] = strip.ends_mm;
    let [right, left] = strip.sides_mm;
    let [width, height] = projection.size_px;
    let mut light = vec![0.0_f32; width * height];
    let mut strip_share = vec![0_u8; width * height];
    light.par_chunks_mut(width).zip(strip_share.par_chunks_mut(width)).enumerate().for_each(
        |(row, (cells, shares))| {
            let centre_y = row as f64 + 0.5;
            let mut next = projection.to_surface(0.5, centre_y);
            for column in 0..width {
                let centre_x = column as f64 + 0.5;
                let [s, y] = next;
                next = projection.to_surface(centre_x + 1.0, centre_y);
                let pixel_mm = ((next[0] - s).powi(2) + (next[1] - y).powi(2)).sqrt();
                let [u, v] = [s * skew_cos + y * skew_sin, y * skew_cos - s * skew_sin];
                let inside = (u - low).min(high - u).min(v - right).min(left - v);
                let share = (inside / pixel_mm + 0.5).clamp(0.0, 1.0) as f32;
                let behind = if share < 1.0 || scene.burn.through_above.is_some() {
                    // The strip's outline, moved by half the shadow's width, casts it; it fades away from there.
                    let moved = 0.5 * strip.shadow_mm;
                    let beyond = |place: f64, from: f64, to: f64| (from - place).max(place - to).max(0.0);
                    let off = beyond(u - moved, low, high).hypot(beyond(v + moved, right, left));
                    let width = strip.shadow_mm.abs();
                    let depth = if share < 1.0 && off < width { strip.shadow_depth * (1.0 - off / width) } else { 0.0 };
                    scatter.beside(s, y, pixel_mm).unwrap_or_else(|| ground.at(s, y)) * (1.0 - depth as f32)
                } else {
                    0.0
                };
                let mut value = behind;
                if share > 0.0 {
                    let mut on_strip = surface.at(s, y) * scatter.on_strip(s, y, pixel_mm);
                    for &stroke in index.at(s) {
                        let stroke = &strokes[stroke as usize];
                        if stroke.is_beside(s, y) {
                            continue;
                        }
                        on_strip *= stroke.stain_at(s, y);
                        if stroke.is_near(s, y, pixel_mm) {
                            let [core, slot] = coverage(stroke, projection, centre_x - 0.5, centre_y - 0.5, pixel_mm);
                            if core > 0.0 {
                                let bottom = stroke.look.core * (1.0 + 0.5 * char_tile.at(s, y));
                                on_strip += core * (bottom - on_strip);
                                on_strip += slot * (behind - on_strip);
                            }
                        }
                    }
                    value += share * (on_strip - behind);
                }
                cells[column] = value * scatter.shade(s, y);
                shares[column] = (share * 255.0) as u8;
            }
        },
    );
    lighten(&mut light, width, height, &scene.sensor);
    Plate { size_px: projection.size_px, light, strip_share }
}

/// Share of core and of slot in the pixel whose upper left corner is given.
fn coverage(stroke: &Stroke, projection: &Projection, x: f64, y: f64, pixel_mm: f64) -> [f32; 2] {
    let count = (pixel_mm / SAMPLE_MM).ceil().clamp(3.0, 12.0) as usize;
    let step = 1.0 / count as f64;
    let least_softness_mm = (0.75 * step * pixel_mm) as f32;
    let mut sum = [0.0; 2];
    for row in 0..count {
        for column in 0..count {
            let [s, across] = projection.to_surface(x + (column as f64 + 0.5) * step, y + (row as f64 + 0.5) * step);
            let [core, slot] = stroke.core_at(s, across, least_softness_mm);
            sum[0] += core;
            sum[1] += slot;
        }
    }
    sum.map(|sum| sum / (count * count) as f32)
}

/// Illumination: exposure, a gradient, vignetting.
fn lighten(light: &mut [f32], width: usize, height: usize, sensor: &Sensor) {
    light.par_chunks_mut(width).enumerate().for_each(|(row, cells)| {
        let v = 2.0 * (row as f64 + 0.5) / height as f64 - 1.0;
        for (column, cell) in cells.iter_mut().enumerate() {
            let u = 2.0 * (column as f64 + 0.5) / width as f64 - 1.0;
            let slope = 1.0 + sensor.gradient[0] * u + sensor.gradient[1] * v;
            let corner = 1.0 - sensor.vignette * 0.5 * (u * u + v * v);
            *cell *= (sensor.exposure * slope * corner) as f32;
        }
    });
}

/// Blurs a plate by a Gaussian, rows then columns; borders are repeated.
pub(super) fn blur(light: &mut Vec<f32>, size_px: [usize; 2], sigma: f64) {
    if sigma < 0.05 {
        return;
    }
    let reach = (3.5 * sigma).ceil() as usize;
    // Each weight is the Gaussian's share of its pixel (summed finely), so that a small sigma is not undersampled.
    let mut kernel: Vec<f32> = (0..=reach)
        .map(|lag| {
            (0..16)
                .map(|part| (-0.5 * ((lag as f64 + (f64::from(part) - 7.5) / 16.0) / sigma).powi(2)).exp())
                .sum::<f64>() as f32
        })
        .collect();
    let total = 2.0 * kernel.iter().sum::<f32>() - kernel[0];
    kernel.iter_mut().for_each(|weight| *weight /= total);
    let [width, height] = size_px;
    light.par_chunks_mut(width).for_each_init(
        || vec![0.0_f32; width + 2 * reach],
        |padded, cells| {
            padded[..reach].fill(cells[0]);
            padded[reach..reach + width].copy_from_slice(cells);
            padded[reach + width..].fill(cells[width - 1]);
            for (column, cell) in cells.iter_mut().enumerate() {
                let centre = column + reach;
                let mut sum = kernel[0] * padded[centre];
                for (lag, weight) in kernel.iter().enumerate().skip(1) {
                    sum += weight * (padded[centre - lag] + padded[centre + lag]);
                }
                *cell = sum;
            }
        },
    );
    let mut out = vec![0.0_f32; light.len()];
    out.par_chunks_mut(width).enumerate().for_each(|(row, cells)| {
        for lag in -(reach as isize)..=reach as isize {
            let from = row.saturating_add_signed(lag).min(height - 1);
            let weight = kernel[lag.unsigned_abs()];
            for (cell, source) in cells.iter_mut().zip(&light[from * width..(from + 1) * width]) {
                *cell += weight * source;
            }
        }
    });
    *light = out;
}

/// Which strokes may touch a place, by millimetre of `s`.
struct Index {
    first: f64,
    cells: Vec<Vec<u16>>,
}

impl Index {
    fn new(strokes: &[Stroke]) -> Self {
        let ranges: Vec<[f64; 2]> = strokes.iter().map(Stroke::range).collect();
        let first = ranges.iter().map(|range| range[0]).fold(0.0, f64::min).floor();
        let last = ranges.iter().map(|range| range[1]).fold(0.0, f64::max);
        let mut cells = vec![vec![]; (last - first).ceil() as usize + 1];
        for (index, range) in ranges.iter().enumerate() {
            for cell in &mut cells[(range[0] - first) as usize..=(range[1] - first) as usize] {
                cell.push(index as u16);
            }
        }
        Self { first, cells }
    }

    fn at(&self, s: f64) -> &[u16] {
        let place = s - self.first;
        if place < 0.0 { &[] } else { self.cells.get(place as usize).map_or(&[], Vec::as_slice) }
    }
}

/// What lies behind the strip.
enum Ground {
    Plain { reflectance: f32, tile: Tile, depth: f32 },
    Bench(Box<Surface<'static>>),
}

impl Ground {
    fn new(background: Background, seed: u64) -> Self {
        let reflectance = background.reflectance();
        let plain = |cell_mm: f64, depth: f32| {
            let tile = Tile::from_fn(256, 256, [cell_mm; 2], |u, v| {
                (mix(seed ^ 0x77 ^ (u as u64) << 20 ^ v as u64) >> 40) as f32 / 8_388_608.0 - 1.0
            });
            Self::Plain { reflectance, tile, depth }
        };
        match background {
            Background::White => plain(4.0, 0.01),
            Background::Black => plain(0.3, 0.2),
            Background::Grey => plain(0.5, 0.08),
            Background::Bench(material) => Self::Bench(Box::new(Surface::new(material, None, 31.0, seed ^ 0x99))),
        }
    }

    fn at(&self, s: f64, y: f64) -> f32 {
        match self {
            Self::Plain { reflectance, tile, depth } => reflectance * (1.0 + depth * tile.at(s, y)),
            // A bench lies farther from the eye than the strip by a little; its pattern is coarser, too.
            Self::Bench(surface) => surface.at(0.6 * s, 0.6 * y + 40.0),
        }
    }
}

/// Colour of strip and ground relative to luminance.
pub(super) fn tints(scene: &Scene) -> [[f32; 3]; 2] {
    let ground = match scene.strip.background {
        Background::Bench(material) => material.finish().tint,
        Background::White => [1.0, 1.0, 0.99],
        Background::Black | Background::Grey => [0.97, 1.0, 1.04],
    };
    [scene.strip.material.finish().tint, ground].map(|tint| {
        // Rec. 709 weights: the colour must leave the luminance as it is.
        let luminance = 0.2126 * tint[0] + 0.7152 * tint[1] + 0.0722 * tint[2];
        tint.map(|channel| channel / luminance)
    })
}

impl Material {
    /// Mean reflectance in linear light.
    pub fn reflectance(self) -> f32 {
        self.finish().reflectance
    }
}
