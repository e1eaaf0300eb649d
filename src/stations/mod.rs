//! Stage 4: the kerf at places along the line, in pixels.

pub mod astray;
pub mod edge;
pub mod measure;
pub mod quality;
pub mod step;

use serde::Serialize;

/// One measured place.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Along the course.
    pub along_px: f64,
    /// Along the strip's surface from the low datum; `None` before the course is tied to the ramp.
    pub position_mm: Option<f64>,
    /// Edge on the left of the course's direction, in the picture.
    pub left_edge_px: [f64; 2],
    /// Edge on the right.
    pub right_edge_px: [f64; 2],
    /// Line's centre, lateral offset from the course's straight axis.
    pub centre_px: f64,
    /// Full width of the line across its own direction, blur removed, with its standard uncertainty
    /// (pixel noise and the local background; not the grain's wander).
    pub kerf_px: f64,
    /// Standard uncertainty of `kerf_px`.
    pub standard_uncertainty_px: f64,
    /// The same in mm; `None` before the course is tied.
    pub kerf_mm: Option<f64>,
    /// How far the core stands from the background, as a fraction of the lighter of both.
    pub contrast: f64,
    /// Core of the line in linear light, 0 to 1.
    pub core: f64,
    /// Standard deviation of the edge's softness (blur and raggedness).
    pub edge_sigma_px: f64,
    /// Whether the fits may use it.
    pub used: bool,
    /// Why not.
    pub left_out: Option<LeftOut>,
}

#[cfg(test)]
impl Station {
    /// A clean place without a scale, for tests to change.
    pub(crate) fn clean(along_px: f64, kerf_px: f64) -> Self {
        Self {
            along_px,
            position_mm: None,
            left_edge_px: [0.0; 2],
            right_edge_px: [0.0; 2],
            centre_px: 0.0,
            kerf_px,
            standard_uncertainty_px: 0.1,
            kerf_mm: None,
            contrast: 0.9,
            core: 0.03,
            edge_sigma_px: 0.7,
            used: true,
            left_out: None,
        }
    }
}

/// Why a station is not used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LeftOut {
    /// Too close to an end of the line, where the beam started or stopped.
    NearEnd,
    /// The line is too pale there to have edges.
    Faint,
    /// The profile is not that of one line (a knot, a mark, a second line, glare).
    Disturbed,
    /// The kerf does not agree with its neighbours.
    Outlier,
    /// The profile could not be fitted.
    NotFitted,
    /// Part of the profile lies outside the picture or the area.
    OutsidePicture,
}

/// What the line is like as a whole. Lengths in mm where the picture has a scale, else `None`.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LineQuality {
    /// RMS wander of the line's centre about a smooth course, in px.
    pub straightness_px: f64,
    /// The same in mm.
    pub straightness_mm: Option<f64>,
    /// RMS wander of the edges about their smooth course, in px.
    pub raggedness_px: f64,
    /// The same in mm.
    pub raggedness_mm: Option<f64>,
    /// Period of the centre's wander along the strip where one stands out.
    pub period_mm: Option<f64>,
    /// Standard deviation of the picture's blur as seen in the edges, in px.
    pub blur_px: f64,
    /// Median contrast of the used stations, 0 to 1.
    pub contrast: f64,
    /// Side of the soot, as seen from low to high: `left`, `right` or `null`.
    pub soot_side: Option<&'static str>,
    /// Darker (`true`) or lighter than the strip.
    pub is_dark: bool,
}
