//! A plain drawing of a ramp test's line: dark on light, a hyperbola's width, a little seeded noise. For tests of what
//! happens round a reading; how good a reading is, is tested on rendered strips.

use std::path::Path;

use narrows::photo::Photo;
use ndarray::Array2;
use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution, StandardNormal};

/// Scale of the drawing.
pub const PX_PER_MM: f64 = 20.0;
/// Length of the drawn line.
pub const SPAN_MM: f64 = 80.0;
/// Its finest place, from its left end.
pub const WAIST_MM: f64 = 30.0;

const MARGIN_PX: f64 = 120.0;
const HEIGHT_PX: usize = 360;
const LIGHT: f64 = 40_000.0;
const DARK: f64 = 4_000.0;

/// The line, running level from left to right.
pub fn photo() -> Photo {
    let width = (SPAN_MM * PX_PER_MM + 2.0 * MARGIN_PX) as usize;
    let mut rng = ChaCha8Rng::seed_from_u64(7);
    let luminance = Array2::from_shape_fn((HEIGHT_PX, width), |(row, column)| {
        let noise: f64 = StandardNormal.sample(&mut rng);
        let along_mm = (column as f64 + 0.5 - MARGIN_PX) / PX_PER_MM;
        let across_px = (row as f64 + 0.5 - HEIGHT_PX as f64 / 2.0 - 0.3).abs();
        let half_width_px = 0.15 * PX_PER_MM * ((along_mm - WAIST_MM) / 9.0).hypot(1.0);
        let is_on = (0.0..=SPAN_MM).contains(&along_mm);
        // An edge two pixels soft.
        let cover = if is_on { ((half_width_px - across_px) / 2.0 + 0.5).clamp(0.0, 1.0) } else { 0.0 };
        (LIGHT + cover * (DARK - LIGHT) + 400.0 * noise).clamp(0.0, 65_535.0) as u16
    });
    Photo::from_light(luminance)
}

/// The same as a 16-bit grey PNG, its values bent by the sRGB curve as files hold them.
#[allow(dead_code)] // not every test that draws writes files
pub fn write_png(path: &Path) {
    let photo = photo();
    let srgb = |linear: u16| {
        let linear = f64::from(linear) / 65_535.0;
        let bent = if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 };
        (bent * 65_535.0).round() as u16
    };
    let file = std::fs::File::create(path).unwrap();
    let mut encoder = png::Encoder::new(file, photo.width() as u32, photo.height() as u32);
    encoder.set_color(png::ColorType::Grayscale);
    encoder.set_depth(png::BitDepth::Sixteen);
    let bytes: Vec<u8> = photo.light().iter().flat_map(|value| srgb(*value).to_be_bytes()).collect();
    encoder.write_header().unwrap().write_image_data(&bytes).unwrap();
}
