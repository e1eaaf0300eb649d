//! Stage 1: a picture file becomes upright luminance, or red light, in linear light.

mod bitmap;
mod decode;
mod error;
mod exif;
#[cfg(feature = "heic")]
mod heic;
mod jpeg;
mod luminance;
mod orientation;
mod plane;
mod png;
mod red;
mod resolution;
mod tiff;

use std::borrow::Cow;
use std::sync::Arc;

use ndarray::Array2;

pub use decode::{DecodeOptions, decode_bytes, decode_file};
pub use error::{Cause, DecodeError, Encoding, Format};
pub use luminance::Light;
pub use plane::{Pixels, Plane};
use red::Origin;

/// An upright picture in linear light.
///
/// Row 0 is the top, column 0 the left, *after* the file's EXIF orientation was applied.
/// Pixel centres are at half-integers: pixel `(row, column)` covers `x` from `column` to `column + 1`.
#[derive(Debug, Clone)]
pub struct Photo {
    /// Linear light: relative luminance (Rec. 709 weights), or of a JPEG in colours its luma with the tone curve undone; or the red
    /// component alone.
    pub plane: Plane,
    /// EXIF orientation tag the file carried, 1 to 8; 1 where it carried none.
    pub orientation: u8,
    /// Resolution the file claims, along the upright picture's axes. A claim only: see `locate::scale`.
    pub resolution: Option<Resolution>,
    /// True where the file names a camera, a lens or an exposure: perspective is then possible.
    pub from_camera: bool,
    /// EXIF capture time as written, `YYYY:MM:DD HH:MM:SS` with the offset appended where the file has one.
    pub captured_at: Option<String>,
    /// Where it was decoded from, for a picture in colours.
    origin: Option<Arc<Origin>>,
}

/// Pixels per inch that a file claims.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Resolution {
    /// Along x of the upright picture.
    pub x_dpi: f64,
    /// Along y of the upright picture.
    pub y_dpi: f64,
}

impl Photo {
    /// A picture of this light, shape (height, width), of which no file says anything.
    pub const fn from_light(light: Array2<u16>) -> Self {
        let plane = Plane::Linear(light);
        Self { plane, orientation: 1, resolution: None, from_camera: false, captured_at: None, origin: None }
    }

    /// As this one, with other light, shape (height, width), which has no colours.
    #[must_use]
    pub fn with_light(&self, light: Array2<u16>) -> Self {
        let captured_at = self.captured_at.clone();
        Self { plane: Plane::Linear(light), captured_at, origin: None, ..*self }
    }

    /// Its red light alone, decoded when it is first asked for and kept. `None` where the file has no colours or is not at hand any more.
    pub fn in_red(&self) -> Option<Arc<Self>> {
        self.origin.as_ref()?.red([self.width(), self.height()])
    }

    /// Light of all pixels, 0 = black, 65535 = white; shape (height, width).
    pub fn light(&self) -> Cow<'_, Array2<u16>> {
        self.plane.to_light()
    }

    /// Bytes of memory that it holds.
    pub fn held_bytes(&self) -> usize {
        self.plane.held_bytes() + self.origin.as_ref().map_or(0, |origin| origin.held_bytes())
    }

    /// Width in pixels.
    pub fn width(&self) -> usize {
        self.plane.dim().1
    }

    /// Height in pixels.
    pub fn height(&self) -> usize {
        self.plane.dim().0
    }
}
