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
pub mod scene;
mod stroke;
pub mod sweep;
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
