//! Rendered strips with known truth, for tests, benches and fixtures.
//!
//! Shares no code and no formula with the reading: the beam is a bundle of rays summed numerically, swept along the head's
//! travel with its start and stop, and compared with a threshold; the picture is that mark on a procedural (or photographed)
//! surface, seen by a scanner or a camera.
//!
//! ```text
//! Scene ─beam─▶ Caustic ─sweep─▶ Swept ─stroke─▶ [Stroke] ─render─▶ light ─encode─▶ bytes
//!    └───────────────────────────── truth ─────────────────────────────────▶ Truth
//! ```

pub mod beam;
pub mod camera;
mod clutter;
pub mod draw;
pub mod encode;
pub mod marks;
pub mod material;
pub mod noise;
mod render;
pub mod said;
pub mod scene;
mod stroke;
pub mod sweep;
pub mod traps;
pub mod truth;

use image::DynamicImage;

use camera::Projection;
pub use encode::EncodeError;
pub use scene::Scene;
pub use truth::Truth;

/// A rendered picture with its truth.
#[derive(Debug, Clone)]
pub struct Rendered {
    /// The file.
    pub bytes: Vec<u8>,
    /// Its usual extension.
    pub extension: &'static str,
    /// What a perfect reading would say.
    pub truth: Truth,
}

impl Scene {
    /// The truth alone, without rendering.
    pub fn truth(&self) -> Truth {
        let physics = truth::Physics::new(self);
        Truth::new(self, &physics, &Projection::new(self))
    }

    /// Noise-free kerf at places `s` along the line, mm; zero where nothing is marked. The ends' rounding is in it.
    pub fn kerfs_mm(&self, places: &[f64]) -> Vec<f64> {
        let swept = truth::Physics::new(self).swept;
        places.iter().map(|s| swept.kerf_at(s - self.line.start_mm)).collect()
    }

    /// The upright picture and its truth.
    pub fn picture(&self) -> (DynamicImage, Truth) {
        let physics = truth::Physics::new(self);
        let projection = Projection::new(self);
        let mut plate = render::expose(self, &physics, &projection);
        render::blur(&mut plate.light, plate.size_px, self.sensor.blur_px);
        (encode::develop(self, plate), Truth::new(self, &physics, &projection))
    }

    /// The file and its truth.
    ///
    /// # Errors
    ///
    /// Where the container refuses the picture.
    pub fn render(&self) -> Result<Rendered, EncodeError> {
        let (image, truth) = self.picture();
        let extension = match self.output.format {
            scene::Format::Jpeg(_) => "jpg",
            scene::Format::Png => "png",
            scene::Format::Tiff => "tif",
        };
        Ok(Rendered { bytes: encode::encode(&image, &self.output)?, extension, truth })
    }
}

#[cfg(test)]
mod tests {
    use super::beam::Beam;
    use super::draw::Stratum;
    use super::noise::Dice;
    use super::scene::{Background, Capture};
    use super::sweep::StrokeEnd;
    use super::*;

    /// A scene of even surface and even line, scanned very finely without blur or noise.
    fn bare(aberration: f64, overdrive: f64) -> Scene {
        let mut scene = Scene::draw(Stratum::all()[0], 7);
        scene.beam =
            Beam { lens_mm: 50.8, beam_radius_mm: 3.5, quality: 1.3, wavelength_mm: 0.0106, aberration, skew: 0.0 };
        scene.ramp.travel_mm = 40.0;
        scene.ramp.low_height_mm = 2.0;
        scene.ramp.high_height_mm = 9.0;
        scene.ramp.focus_height_mm = 5.2;
        scene.ramp.bow_mm = 0.0;
        scene.burn = scene::Burn {
            overdrive,
            kerf_wander: 0.0,
            edge_wander: 0.0,
            raggedness_mm: 0.0,
            brown_depth: 0.0,
            soot_depth: 0.0,
            edge_softness_mm: 0.004,
            heat_spread_mm: 0.015,
            ..scene.burn
        };
        scene.line = scene::LineScene {
            start_mm: 0.0,
            stop_mm: scene.ramp.span_mm(),
            ends: [StrokeEnd::default(); 2],
            wobble_mm: 0.0,
            periodic: None,
            ..scene.line
        };
        scene.strip.material = material::Material::PaperBoard;
        // A surface of one tone.
        let plain = material::Picture { width: 4, relative: vec![1.0; 16], mm_per_px: 1.0 };
        scene.strip.picture = Some(std::sync::Arc::new(plain));
        scene.strip.ends_mm = [-2.0, scene.ramp.span_mm() + 2.0];
        scene.strip.sides_mm = [-1.5, 1.5];
        scene.strip.skew_deg = 0.0;
        scene.strip.background = Background::White;
        scene.clutter.clear();
        scene.capture = Capture::Scan { dpi: [2400.0; 2], turn_deg: 0.0, margin_mm: 0.5 };
        scene.sensor = scene::Sensor {
            blur_px: 0.0,
            read_noise: 0.0,
            shot_noise: 0.0,
            exposure: 1.0,
            gradient: [0.0; 2],
            vignette: 0.0,
            sharpening: 0.0,
            sharpening_px: 1.0,
        };
        scene
    }

    /// Kerf in each column of a scan whose line runs from left to right, by adding up how much darker it is than the strip.
    fn kerfs_mm(scene: &Scene) -> (Vec<[f64; 2]>, Truth) {
        let physics = truth::Physics::new(scene);
        let projection = Projection::new(scene);
        let plate = render::expose(scene, &physics, &projection);
        let [width, height] = plate.size_px;
        let core = f64::from(material::Material::PaperBoard.finish().core);
        let rows: Vec<usize> =
            (0..height).filter(|&row| projection.to_surface(0.5, row as f64 + 0.5)[1].abs() < 1.2).collect();
        let kerfs = (0..width)
            .map(|column| {
                let at = |row: usize| f64::from(plate.light[row * width + column]);
                let rim: Vec<f64> = rows[..20].iter().chain(&rows[rows.len() - 20..]).map(|&row| at(row)).collect();
                let base = rim.iter().sum::<f64>() / rim.len() as f64;
                let depth: f64 = rows.iter().map(|&row| (base - at(row)) / (base - core)).sum();
                let [s, _] = projection.to_surface(column as f64 + 0.5, height as f64 / 2.0);
                [s, depth * 25.4 / 2400.0]
            })
            .collect();
        (kerfs, Truth::new(scene, &physics, &projection))
    }

    #[test]
    fn truth_agrees_with_a_brute_force_measurement_of_the_picture() {
        for (aberration, overdrive) in [(0.0, 12.0), (0.3, 12.0), (-0.3, 30.0)] {
            let scene = bare(aberration, overdrive);
            let (kerfs, truth) = kerfs_mm(&scene);
            let waist = truth.waist.expect("a waist inside the line");
            // The mean of a parabola's arms at equal kerf would be biased by the asymmetry: smooth and take the lowest.
            let mean = |centre: f64, reach: f64| {
                let near: Vec<f64> =
                    kerfs.iter().filter(|[s, _]| (s - centre).abs() < reach).map(|[_, kerf]| *kerf).collect();
                near.iter().sum::<f64>() / near.len() as f64
            };
            let measured = mean(waist.position_mm, 0.3);
            assert!((measured / waist.kerf_mm - 1.0).abs() < 0.03, "kerf {measured} mm, truth {}", waist.kerf_mm);
            let zeta = scene.beam.paraxial_rayleigh_mm() / waist.slope;
            let candidates: Vec<f64> =
                (-60..=60).map(|step| waist.position_mm + zeta * f64::from(step) / 100.0).collect();
            let values: Vec<f64> = candidates.iter().map(|&s| mean(s, 0.12 * zeta)).collect();
            // Vertex of the parabola through the smoothed kerfs near the lowest: least squares on a symmetric grid.
            let lowest = (25..96).min_by(|&a, &b| values[a].total_cmp(&values[b])).unwrap();
            let window = &values[lowest - 25..=lowest + 25];
            let slope: f64 = window.iter().enumerate().map(|(i, v)| (i as f64 - 25.0) * v).sum::<f64>() / 11_050.0;
            let centre = window.iter().sum::<f64>() / 51.0;
            let bend: f64 = window
                .iter()
                .enumerate()
                .map(|(i, v)| ((i as f64 - 25.0).powi(2) - 11_050.0 / 51.0) * (v - centre))
                .sum::<f64>()
                / window
                    .iter()
                    .enumerate()
                    .map(|(i, _)| ((i as f64 - 25.0).powi(2) - 11_050.0 / 51.0).powi(2))
                    .sum::<f64>();
            let vertex = (lowest as f64 - 60.0 - slope / (2.0 * bend)) / 100.0;
            assert!(vertex.abs() < 0.06, "waist {vertex} Rayleigh ranges from the truth");
        }
    }

    #[test]
    fn pixels_are_area_averages_to_a_few_thousandths() {
        // At 600 dpi and a small turn, the darkness of 120 columns must give the kerf whatever the edges' sub-pixel places.
        let mut scene = bare(0.2, 60.0);
        let turn_deg: f64 = 0.6;
        scene.capture = Capture::Scan { dpi: [600.0; 2], turn_deg, margin_mm: 0.5 };
        let physics = truth::Physics::new(&scene);
        let projection = Projection::new(&scene);
        let plate = render::expose(&scene, &physics, &projection);
        let [width, height] = plate.size_px;
        let finish = material::Material::PaperBoard.finish();
        let mut differences = vec![];
        for first in (60..width - 180).step_by(120) {
            let (mut measured, mut expected) = (0.0, 0.0);
            for column in first..first + 120 {
                let mut places = vec![];
                for row in 0..height {
                    let [s, y] = projection.to_surface(column as f64 + 0.5, row as f64 + 0.5);
                    if y.abs() < 1.0 {
                        let light = plate.light[row * width + column];
                        measured += f64::from((finish.reflectance - light) / (finish.reflectance - finish.core));
                        places.push((y.abs(), s));
                    }
                }
                let on_line = places.into_iter().min_by(|a, b| a.0.total_cmp(&b.0)).unwrap().1;
                expected += physics.swept.kerf_at(on_line) * 600.0 / 25.4 / turn_deg.to_radians().cos();
            }
            differences.push((measured - expected) / 120.0);
        }
        let inner = &differences[1..differences.len() - 1];
        // The core is not perfectly black where the beam is weak, which shortens all blocks slowly: neighbours tell.
        for pair in inner.windows(2) {
            assert!((pair[1] - pair[0]).abs() < 0.012, "{differences:.4?}");
        }
    }

    #[test]
    fn ideal_beam_burns_its_narrowest_place_at_the_focus_height() {
        for overdrive in [5.0, 40.0] {
            let scene = bare(0.0, overdrive);
            let waist = scene.truth().waist.expect("a waist inside the line");
            assert!((waist.height_mm - scene.ramp.focus_height_mm).abs() < 0.01, "{}", waist.height_mm);
        }
    }

    #[test]
    fn a_line_started_at_speed_reaches_past_its_datum_as_far_as_its_overdrive_allows() {
        // Shares of the local width at local overdrives 80, 5 and 1.5: METHOD's account of the mark, here from the sum of rays.
        for (local, share) in [(80.0, 0.38), (5.0, 0.24), (1.5, -0.24)] {
            let mut scene = bare(0.0, local);
            scene.burn.heat_spread_mm = 0.0;
            scene.ramp.high_height_mm = scene.ramp.low_height_mm + 0.01;
            scene.ramp.focus_height_mm = scene.ramp.low_height_mm;
            let swept = truth::Physics::new(&scene).swept;
            let first = swept.half_width_mm.iter().position(|&half| half > 0.0).unwrap();
            let outermost = -(swept.first_mm + first as f64 * swept.step_mm);
            let width = 2.0 * f64::from(swept.half_width_mm[swept.half_width_mm.len() / 2]);
            assert!((outermost / width - share).abs() < 0.06, "{local}: {} of the width", outermost / width);
        }
    }

    #[test]
    fn a_projection_undoes_itself() {
        let mut dice = Dice::new(5, 5);
        for stratum in Stratum::all() {
            let projection = Projection::new(&Scene::draw(stratum, 3));
            for _ in 0..50 {
                let x = dice.between(0.0, projection.size_px[0] as f64);
                let y = dice.between(0.0, projection.size_px[1] as f64);
                let [s, across] = projection.to_surface(x, y);
                let [back_x, back_y] = projection.to_px(s, across);
                assert!(
                    (back_x - x).hypot(back_y - y) < 0.02,
                    "{}: {x} {y} came back as {back_x} {back_y}",
                    stratum.name()
                );
            }
        }
    }

    #[test]
    fn left_of_the_line_is_left_in_the_picture() {
        for stratum in Stratum::all() {
            let projection = Projection::new(&Scene::draw(stratum, 4));
            let [a, b, c] = [[40.0, 0.0], [41.0, 0.0], [40.0, 1.0]].map(|[s, y]| projection.to_px(s, y));
            // With y down, a turn from ahead to the left has a negative cross product.
            let cross = (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);
            assert!(cross < 0.0, "{}: the picture is mirrored", stratum.name());
        }
    }

    #[test]
    fn the_same_seed_gives_the_same_bytes() {
        let scene = || Scene::draw(Stratum::all()[1], 12);
        assert_eq!(scene().render().unwrap().bytes, scene().render().unwrap().bytes);
    }
}
