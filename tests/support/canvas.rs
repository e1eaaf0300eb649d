//! A sheet of light to draw on, and its way into a file. Shares nothing with the reading: shapes are signed distances in pixels,
//! painted where they cover a pixel.

use std::io::Cursor;

use ab_glyph::{Font, FontRef, PxScale, ScaleFont, point};
use image::{DynamicImage, GrayImage, ImageFormat};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// The font that comes with the program.
const FONT: &[u8] = include_bytes!("../../src/report/fonts/DejaVuSans-Subset.ttf");

/// Everything random about a picture.
pub struct Dice(ChaCha8Rng);

#[allow(dead_code)]
impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(seed))
    }

    pub fn between(&mut self, least: f64, most: f64) -> f64 {
        self.0.random_range(least..most)
    }

    pub fn below(&mut self, count: usize) -> usize {
        self.0.random_range(0..count)
    }

    pub fn pick<T: Copy>(&mut self, of: &[T]) -> T {
        of[self.below(of.len())]
    }

    pub fn normal(&mut self, deviation: f64) -> f64 {
        let standard: f64 = StandardNormal.sample(&mut self.0);
        deviation * standard
    }

    /// A smooth random function of one variable: values of deviation one, alike over `length`.
    pub fn wander(&mut self, length: f64) -> impl Fn(f64) -> f64 + use<> {
        let waves: Vec<[f64; 3]> = (0..12)
            .map(|_| [self.normal(1.0), self.between(0.2, 1.6) / length, self.between(0.0, std::f64::consts::TAU)])
            .collect();
        let scale = (2.0 / waves.iter().map(|wave| wave[0] * wave[0]).sum::<f64>()).sqrt();
        move |x| {
            scale
                * waves.iter().map(|[a, k, phase]| a * (k * x * std::f64::consts::TAU / 2.0 + phase).sin()).sum::<f64>()
        }
    }
}

/// Light in a rectangle, 0 to 1, linear.
pub struct Canvas {
    pub width: usize,
    pub height: usize,
    pub light: Vec<f64>,
}

#[allow(dead_code)]
impl Canvas {
    pub fn new(width: usize, height: usize, light: f64) -> Self {
        Self { width, height, light: vec![light; width * height] }
    }

    /// The light of a picture that somebody else made; its tone curve is undone.
    pub fn of(image: &DynamicImage) -> Self {
        let grey = image.to_luma16();
        let light = grey.as_raw().iter().map(|value| from_srgb(f64::from(*value) / 65_535.0)).collect();
        Self { width: grey.width() as usize, height: grey.height() as usize, light }
    }

    pub fn size(&self) -> [f64; 2] {
        [self.width as f64, self.height as f64]
    }

    /// Changes every pixel's light by its place (centres at .5).
    pub fn each(&mut self, light: impl Fn(f64, f64, f64) -> f64) {
        for row in 0..self.height {
            for column in 0..self.width {
                let old = &mut self.light[row * self.width + column];
                *old = light(column as f64 + 0.5, row as f64 + 0.5, *old);
            }
        }
    }

    /// Paints a tone where the signed distance from the shape is negative, over an edge `soft` pixels wide.
    pub fn paint(&mut self, tone: f64, soft: f64, distance: impl Fn(f64, f64) -> f64) {
        self.each(|x, y, old| {
            let cover = (0.5 - distance(x, y) / soft).clamp(0.0, 1.0);
            old + cover * (tone - old)
        });
    }

    /// A line of changing width about a course: both as functions of the place along x, between two ends.
    pub fn ribbon(&mut self, tone: f64, ends: [f64; 2], course: impl Fn(f64) -> f64, width: impl Fn(f64) -> f64) {
        self.paint(tone, 1.2, |x, y| ((y - course(x)).abs() - 0.5 * width(x)).max(ends[0] - x).max(x - ends[1]));
    }

    /// A straight stroke with round ends.
    pub fn stroke(&mut self, tone: f64, from: [f64; 2], to: [f64; 2], width: f64) {
        self.paint(tone, 1.2, |x, y| to_segment(from, to, x, y) - 0.5 * width);
    }

    pub fn rectangle(&mut self, tone: f64, [x0, y0, x1, y1]: [f64; 4]) {
        self.paint(tone, 1.0, |x, y| (x0 - x).max(x - x1).max(y0 - y).max(y - y1));
    }

    /// A line of text, its baseline beginning at a place. What leaves the sheet is cut off.
    pub fn text(&mut self, tone: f64, [x, y]: [f64; 2], size: f64, text: &str) -> f64 {
        let font = FontRef::try_from_slice(FONT).unwrap();
        let scaled = font.as_scaled(PxScale::from(size as f32));
        let mut at = x as f32;
        for letter in text.chars() {
            let id = scaled.glyph_id(letter);
            let glyph = id.with_scale_and_position(size as f32, point(at, y as f32));
            at += scaled.h_advance(id);
            let Some(outlined) = font.outline_glyph(glyph) else { continue };
            let bounds = outlined.px_bounds();
            outlined.draw(|column, row, cover| {
                let column = bounds.min.x as i64 + i64::from(column);
                let row = bounds.min.y as i64 + i64::from(row);
                if (0..self.width as i64).contains(&column) && (0..self.height as i64).contains(&row) {
                    let old = &mut self.light[row as usize * self.width + column as usize];
                    *old += f64::from(cover) * (tone - *old);
                }
            });
        }
        f64::from(at)
    }

    /// Turned by a quarter.
    pub fn turned(self) -> Self {
        let mut turned = Self::new(self.height, self.width, 0.0);
        for row in 0..self.height {
            for column in 0..self.width {
                turned.light[column * self.height + (self.height - 1 - row)] = self.light[row * self.width + column];
            }
        }
        turned
    }

    /// As a scanner or camera gives it: blur, noise, sRGB, 8 bits, PNG.
    pub fn developed(mut self, dice: &mut Dice, blur: f64, noise: f64) -> Vec<u8> {
        self.blur(blur);
        let bytes = self
            .light
            .iter()
            .map(|light| (255.0 * to_srgb((light + dice.normal(noise)).clamp(0.0, 1.0))).round() as u8);
        let image = GrayImage::from_raw(self.width as u32, self.height as u32, bytes.collect()).unwrap();
        let mut file = Cursor::new(Vec::new());
        image.write_to(&mut file, ImageFormat::Png).unwrap();
        file.into_inner()
    }

    /// Gaussian blur, along rows and then along columns; edges are carried on.
    fn blur(&mut self, deviation: f64) {
        if deviation <= 0.0 {
            return;
        }
        let reach = (3.0 * deviation).ceil() as isize;
        let kernel: Vec<f64> = (-reach..=reach).map(|k| (-0.5 * (k as f64 / deviation).powi(2)).exp()).collect();
        let sum: f64 = kernel.iter().sum();
        let [width, height] = [self.width as isize, self.height as isize];
        for step in [(1, 0), (0, 1)] {
            let old = self.light.clone();
            for row in 0..height {
                for column in 0..width {
                    let at = |k: isize| {
                        let x = (column + k * step.0).clamp(0, width - 1);
                        let y = (row + k * step.1).clamp(0, height - 1);
                        old[(y * width + x) as usize]
                    };
                    let blurred = kernel.iter().zip(-reach..).map(|(weight, k)| weight * at(k)).sum::<f64>() / sum;
                    self.light[(row * width + column) as usize] = blurred;
                }
            }
        }
    }
}

/// Distance of a place from a segment.
pub fn to_segment(from: [f64; 2], to: [f64; 2], x: f64, y: f64) -> f64 {
    let [dx, dy] = [to[0] - from[0], to[1] - from[1]];
    let share = (((x - from[0]) * dx + (y - from[1]) * dy) / (dx * dx + dy * dy).max(1e-9)).clamp(0.0, 1.0);
    (x - from[0] - share * dx).hypot(y - from[1] - share * dy)
}

fn to_srgb(light: f64) -> f64 {
    if light <= 0.003_130_8 { 12.92 * light } else { 1.055 * light.powf(1.0 / 2.4) - 0.055 }
}

fn from_srgb(value: f64) -> f64 {
    if value <= 0.040_45 { value / 12.92 } else { ((value + 0.055) / 1.055).powf(2.4) }
}
