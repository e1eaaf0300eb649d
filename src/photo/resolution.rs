//! Pixels per inch that a file claims.

use super::Resolution;

/// Millimetres are not needed here: one inch is 2.54 cm and 0.0254 m exactly.
const CM_PER_INCH: f64 = 2.54;
const M_PER_INCH: f64 = 0.0254;

impl Resolution {
    /// The claim, where both figures are positive numbers.
    fn new(x_dpi: f64, y_dpi: f64) -> Option<Self> {
        let is_usable = |dpi: f64| dpi.is_finite() && dpi > 0.0;
        (is_usable(x_dpi) && is_usable(y_dpi)).then_some(Self { x_dpi, y_dpi })
    }

    /// JFIF 1.02, APP0: unit 1 is dots an inch, 2 dots a centimetre, 0 a mere ratio.
    pub(super) fn from_jfif(unit: u8, x: u16, y: u16) -> Option<Self> {
        let per_inch = match unit {
            1 => 1.0,
            2 => CM_PER_INCH,
            _ => return None,
        };
        Self::new(f64::from(x) * per_inch, f64::from(y) * per_inch)
    }

    /// PNG, chunk pHYs: unit 1 is the metre, 0 a mere ratio.
    pub(super) fn from_png(is_metre: bool, x: u32, y: u32) -> Option<Self> {
        if !is_metre {
            return None;
        }
        Self::new(f64::from(x) * M_PER_INCH, f64::from(y) * M_PER_INCH)
    }

    /// TIFF 6.0 and Exif 2.3: unit 2 (the default) is the inch, 3 the centimetre, 1 none.
    pub(super) fn from_tiff(unit: Option<u32>, x: f64, y: f64) -> Option<Self> {
        let per_inch = match unit {
            None | Some(2) => 1.0,
            Some(3) => CM_PER_INCH,
            Some(_) => return None,
        };
        Self::new(x * per_inch, y * per_inch)
    }

    /// 72 is what Exif asks to be written where the resolution is unknown, 96 what screens are taken to have:
    /// neither was measured.
    fn is_filler(self) -> bool {
        [72.0, 96.0].iter().any(|filler| (self.x_dpi - filler).abs() < 0.5 && (self.y_dpi - filler).abs() < 0.5)
    }

    /// Chooses between the container's own field (JFIF, pHYs) and the EXIF block in it.
    ///
    /// The one that is no filler wins. Where both are in earnest the container's wins: a program that saves the file
    /// again must write that one anew, while it often carries the EXIF block over from an earlier state.
    pub(super) fn choose(container: Option<Self>, exif: Option<Self>) -> Option<Self> {
        match (container, exif) {
            (Some(own), Some(other)) if own.is_filler() && !other.is_filler() => Some(other),
            (Some(own), _) => Some(own),
            (None, other) => other,
        }
    }

    /// The claim along the upright picture's axes.
    pub(super) fn turned(self, is_quarter_turn: bool) -> Self {
        if is_quarter_turn { Self { x_dpi: self.y_dpi, y_dpi: self.x_dpi } } else { self }
    }
}
