//! What the fits see: positions and kerfs of the usable stations, nothing of the picture.

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
