//! What the fits see: positions and kerfs of the usable stations, nothing of the picture.

use crate::stations::Station;

/// Fewest usable stations for any fit.
pub const LEAST_STATIONS: usize = 24;

/// Usable stations in order of position.
#[derive(Debug, Clone, Default)]
pub struct Data {
    /// Along the strip, mm, rising.
    pub position: Vec<f64>,
    /// ln of the kerf in mm.
    pub ln_kerf: Vec<f64>,
    /// Standard uncertainty of ln kerf from the pixels alone.
    pub own: Vec<f64>,
    /// Contrast of the line against the strip, 0 to 1.
    pub contrast: Vec<f64>,
}

impl Data {
    /// From the usable stations, in order of position.
    pub fn of(stations: &[Station]) -> Self {
        let mut rows: Vec<[f64; 4]> = stations
            .iter()
            .filter(|s| s.used)
            .filter_map(|s| {
                let (position, kerf) = (s.position_mm?, s.kerf_mm?);
                (kerf > 0.0)
                    .then(|| [position, kerf.ln(), (s.standard_uncertainty_px / s.kerf_px).max(1e-4), s.contrast])
            })
            .collect();
        rows.sort_by(|a, b| a[0].total_cmp(&b[0]));
        let column = |k: usize| rows.iter().map(|r| r[k]).collect();
        Self { position: column(0), ln_kerf: column(1), own: column(2), contrast: column(3) }
    }

    /// Number of stations.
    pub fn len(&self) -> usize {
        self.position.len()
    }

    /// True without any.
    pub fn is_empty(&self) -> bool {
        self.position.is_empty()
    }

    /// The stations for which `keep(index)` holds.
    pub fn filtered(&self, keep: impl Fn(usize) -> bool) -> Self {
        let pick = |v: &[f64]| v.iter().enumerate().filter(|(i, _)| keep(*i)).map(|(_, x)| *x).collect();
        Self {
            position: pick(&self.position),
            ln_kerf: pick(&self.ln_kerf),
            own: pick(&self.own),
            contrast: pick(&self.contrast),
        }
    }

    /// First and last position.
    pub fn range(&self) -> [f64; 2] {
        [self.position[0], self.position[self.len() - 1]]
    }
}
