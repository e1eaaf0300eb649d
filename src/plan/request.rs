//! What a plan is made for, and the limits of each field.

use serde::Serialize;

use super::beam::{LensShape, Optics};
use super::error::PlanError;
use crate::estimate::Estimate;

/// What a plan is made for. Lengths in millimetres.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlanRequest {
    /// Lens and beam.
    pub optics: Optics,
    /// Today's block.
    pub spacer_in_use_mm: f64,
    /// How far off it may be, to either side.
    pub search_mm: f64,
    /// Flat face of the nozzle's tip.
    pub tip_diameter_mm: f64,
    /// How far anything hangs below the nozzle's tip.
    pub below_nozzle_mm: f64,
    /// Lens (its mount's reference) to nozzle tip.
    pub lens_to_nozzle_mm: Option<f64>,
    /// The strip's length along its surface.
    pub strip_length_mm: f64,
    /// The strip's width.
    pub strip_width_mm: f64,
    /// The strip's thickness.
    pub strip_thickness_mm: f64,
    /// How the strip will be pictured.
    pub picture: PlannedPicture,
    /// What will tie the picture to the ramp.
    pub datum: PlannedDatum,
    /// What holds the strip's high end up.
    pub steepness: PlannedSteepness,
    /// Relative standard deviation of the line width's wander with the material.
    pub grain: f64,
    /// Distance along the strip over which that wander stays alike.
    pub grain_length_mm: f64,
    /// What the lengths will be measured with.
    pub measured_with: Gauge,
    /// Machine or strip, for the note and the sheet.
    pub name: Option<String>,
    /// Date for the note and the sheet.
    pub date: Option<String>,
    /// Material of the strip.
    pub material: Option<String>,
}

/// How the strip will be pictured.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PlannedPicture {
    /// On a flatbed.
    Scan {
        /// Pixels for each inch.
        dpi: f64,
    },
    /// With a phone or camera.
    Photo {
        /// Pixels from one end of the strip to the other.
        pixels: f64,
    },
}

/// What will tie the picture to the ramp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PlannedDatum {
    /// The line's two ends.
    Ends,
    /// Index marks.
    Marks,
}

/// What holds the strip's high end up.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum PlannedSteepness {
    /// A block under the strip.
    Prop {
        /// Its thickness, where it is there already.
        thickness_mm: Option<f64>,
    },
    /// A ramp measured once and kept.
    RampFile {
        /// The file, as the setup will name it.
        path: String,
        /// Its angle in degrees.
        incline_deg: Estimate,
    },
}

/// What lengths are measured with; the setup file's `measured_with`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Gauge {
    Caliper,
    Rule,
    Blocks,
}

impl Gauge {
    /// The word in the setup file.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Caliper => "caliper",
            Self::Rule => "rule",
            Self::Blocks => "blocks",
        }
    }
}

/// Defaults; all of them common practice without a source.
impl PlanRequest {
    /// CO₂ lasers' usual wavelength.
    pub const WAVELENGTH_MM: f64 = 0.0106;
    /// A glass tube's beam at the lens.
    pub const BEAM_DIAMETER_MM: f64 = 7.0;
    /// A glass tube in good order; 1 would be an ideal beam.
    pub const BEAM_QUALITY: f64 = 1.3;
    /// How far off today's block may be.
    pub const SEARCH_MM: f64 = 3.0;
    /// Flat face of a common tip.
    pub const TIP_DIAMETER_MM: f64 = 6.0;
    /// A strip.
    pub const STRIP_MM: [f64; 3] = [200.0, 40.0, 3.0];
    /// A scan.
    pub const SCAN_DPI: f64 = 600.0;
    /// Wander of the line width on light ply or fine board, relative.
    pub const GRAIN: f64 = 0.03;
    /// And how far along the strip it stays alike.
    pub const GRAIN_LENGTH_MM: f64 = 1.5;

    /// A request for a lens and today's block, with the defaults for all else.
    pub const fn new(focal_length_mm: f64, spacer_in_use_mm: f64) -> Self {
        Self {
            optics: Optics {
                focal_length_mm,
                wavelength_mm: Self::WAVELENGTH_MM,
                beam_diameter_mm: Self::BEAM_DIAMETER_MM,
                beam_quality: Self::BEAM_QUALITY,
                lens_shape: LensShape::PlanoConvex,
            },
            spacer_in_use_mm,
            search_mm: Self::SEARCH_MM,
            tip_diameter_mm: Self::TIP_DIAMETER_MM,
            below_nozzle_mm: 0.0,
            lens_to_nozzle_mm: None,
            strip_length_mm: Self::STRIP_MM[0],
            strip_width_mm: Self::STRIP_MM[1],
            strip_thickness_mm: Self::STRIP_MM[2],
            picture: PlannedPicture::Scan { dpi: Self::SCAN_DPI },
            datum: PlannedDatum::Ends,
            steepness: PlannedSteepness::Prop { thickness_mm: None },
            grain: Self::GRAIN,
            grain_length_mm: Self::GRAIN_LENGTH_MM,
            measured_with: Gauge::Caliper,
            name: None,
            date: None,
            material: None,
        }
    }

    /// Pixels of the picture for each millimetre of the strip.
    pub fn px_per_mm(&self) -> f64 {
        match self.picture {
            PlannedPicture::Scan { dpi } => dpi / 25.4,
            PlannedPicture::Photo { pixels } => pixels / self.strip_length_mm,
        }
    }

    /// Checks every field by itself.
    ///
    /// # Errors
    /// The first that lies outside its limits.
    pub fn check(&self) -> Result<(), PlanError> {
        let Optics { focal_length_mm, wavelength_mm, beam_diameter_mm, beam_quality, .. } = self.optics;
        let widest_beam = (0.8 * focal_length_mm).min(60.0);
        let narrowest_strip = if self.datum == PlannedDatum::Marks { 28.0 } else { 10.0 };
        let mut limits = vec![
            ("nominal_focal_length_mm", focal_length_mm, 10.0, 500.0, "mm"),
            ("wavelength_mm", wavelength_mm, 0.0002, 0.02, "mm"),
            ("beam_diameter_mm", beam_diameter_mm, 0.5, widest_beam, "mm"),
            ("beam_quality", beam_quality, 1.0, 20.0, ""),
            ("spacer_in_use_mm", self.spacer_in_use_mm, 0.5, 200.0, "mm"),
            ("search_mm", self.search_mm, 0.2, 40.0, "mm"),
            ("tip_diameter_mm", self.tip_diameter_mm, 0.0, 60.0, "mm"),
            ("below_nozzle_mm", self.below_nozzle_mm, 0.0, 100.0, "mm"),
            ("strip_length_mm", self.strip_length_mm, 60.0, 2000.0, "mm"),
            ("strip_width_mm", self.strip_width_mm, narrowest_strip, 1000.0, "mm"),
            ("strip_thickness_mm", self.strip_thickness_mm, 0.1, 50.0, "mm"),
            ("grain", self.grain, 0.001, 0.5, ""),
            ("grain_length_mm", self.grain_length_mm, 0.05, 50.0, "mm"),
            match self.picture {
                PlannedPicture::Scan { dpi } => ("dpi", dpi, 50.0, 10_000.0, "dpi"),
                PlannedPicture::Photo { pixels } => ("photo_px", pixels, 200.0, 30_000.0, "px"),
            },
        ];
        limits.extend(self.lens_to_nozzle_mm.map(|offset| ("lens_to_nozzle_mm", offset, 0.0, 500.0, "mm")));
        if let PlannedSteepness::RampFile { incline_deg, .. } = &self.steepness {
            limits.push(("incline_deg", incline_deg.value, 0.5, super::ramp::MOST_SLOPE.atan().to_degrees(), "°"));
        }
        for (field, given, least, most, unit) in limits {
            if !(least..=most).contains(&given) {
                return Err(PlanError::OutOfRange { field, given, least, most, unit });
            }
        }
        for (field, text) in [("name", &self.name), ("date", &self.date)] {
            if let Some(letter) = text.as_deref().and_then(crate::report::strokes::cannot_write) {
                return Err(PlanError::CannotWrite { field, letter });
            }
        }
        Ok(())
    }
}
