//! Models of the kerf along the strip.

/// Least logarithm of the local overdrive in the model: beyond it the line has faded and there is no kerf.
const LEAST_LOG_OVERDRIVE: f64 = 1e-4;

/// The threshold caustic: where the fluence of a focused beam that sweeps at constant speed passes a threshold.
///
/// Beam: `w = w0·√q`, `q = 1 + ((s − s0)/L)²` (Gaussian beam, Saleh & Teich, *Fundamentals of Photonics*, ch. 3). Mark:
/// kerf `= w·√(2·ln(A·w0/w))` with overdrive `A` at the waist: J. M. Liu, Optics Letters 7(5), 1982 (from memory), for a
/// line whose peak fluence falls as `1/w`. Full widths throughout: `w` here is the full width between the places of
/// `1/√e` of the peak, so that the kerf comes out as a full width. Each side may have its own length,
/// `L·exp(±a)`: spherical aberration makes the two sides of a focus unequal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Caustic {
    /// Position of the waist, mm.
    pub position: f64,
    /// ln of the beam's scale at the waist, px or mm as the kerf.
    pub ln_width: f64,
    /// ln A.
    pub ln_overdrive: f64,
    /// ln of the Rayleigh range along the strip, mm.
    pub ln_length: f64,
    /// Half the logarithm of the ratio of the far (greater position) to the near side's length.
    pub asymmetry: f64,
}

impl Caustic {
    /// From `[position, ln_width, ln_overdrive, ln_length, asymmetry]`.
    pub const fn from_slice(p: &[f64]) -> Self {
        Self { position: p[0], ln_width: p[1], ln_overdrive: p[2], ln_length: p[3], asymmetry: p[4] }
    }

    /// `[position, ln_width, ln_overdrive, ln_length, asymmetry]`.
    pub const fn to_array(&self) -> [f64; 5] {
        [self.position, self.ln_width, self.ln_overdrive, self.ln_length, self.asymmetry]
    }

    /// ln of the kerf at a position; very small where the line has faded.
    pub fn ln_kerf(&self, position_mm: f64) -> f64 {
        self.at_many().ln_kerf(position_mm)
    }

    /// The same curve for many positions.
    pub fn at_many(&self) -> Sampler {
        let per_length = [-1.0, 1.0].map(|side| (-self.ln_length - side * self.asymmetry).exp());
        Sampler { caustic: *self, per_length }
    }

    /// Kerf at the waist.
    pub fn narrowest(&self) -> f64 {
        self.ln_kerf(self.position).exp()
    }

    /// The place on one side (`+1` or `-1`) where the kerf has grown by `fraction`; `None` where it never does.
    pub fn position_at_growth(&self, side: f64, fraction: f64) -> Option<f64> {
        let target = self.ln_kerf(self.position) + fraction.ln_1p();
        let length = (self.ln_length + side * self.asymmetry).exp();
        // The kerf turns over where ln(A/√q) = 1/2; up to there it grows.
        let turn = ((2.0 * self.ln_overdrive - 1.0).exp() - 1.0).max(0.0).sqrt() * length;
        if self.ln_kerf(self.position + side * turn) < target {
            return None;
        }
        let [mut low, mut high] = [0.0, turn];
        for _ in 0..120 {
            let middle = 0.5 * (low + high);
            if self.ln_kerf(self.position + side * middle) < target { low = middle } else { high = middle }
        }
        Some(self.position + side * 0.5 * (low + high))
    }
}

/// A caustic whose lengths have been taken out of their logarithms.
#[derive(Debug, Clone, Copy)]
pub struct Sampler {
    caustic: Caustic,
    /// 1 over the length on the near and on the far side.
    per_length: [f64; 2],
}

impl Sampler {
    /// Distance from the waist in lengths of its side, squared, and which side: -1 near, 1 far.
    #[inline]
    fn reduced(&self, position_mm: f64) -> (f64, f64) {
        let from = position_mm - self.caustic.position;
        let (side, per_length) = if from >= 0.0 { (1.0, self.per_length[1]) } else { (-1.0, self.per_length[0]) };
        ((from * per_length).powi(2), side)
    }

    /// ln of the kerf and the logarithm of the local overdrive, from the reduced distance squared.
    #[inline]
    fn at_reduced(&self, squared: f64) -> (f64, f64) {
        let ln_q = (1.0 + squared).ln();
        let ln_overdrive = self.caustic.ln_overdrive - 0.5 * ln_q;
        // Below the floor the model goes on falling steeply, so that a solver finds its way back.
        let ln_root = if ln_overdrive > LEAST_LOG_OVERDRIVE {
            (2.0 * ln_overdrive).ln()
        } else {
            (2.0 * LEAST_LOG_OVERDRIVE).ln() + (ln_overdrive - LEAST_LOG_OVERDRIVE) / LEAST_LOG_OVERDRIVE.sqrt()
        };
        (self.caustic.ln_width + 0.5 * ln_q + 0.5 * ln_root, ln_overdrive)
    }

    /// ln of the kerf at a position.
    #[inline]
    pub fn ln_kerf(&self, position_mm: f64) -> f64 {
        self.at_reduced(self.reduced(position_mm).0).0
    }

    /// ln of the kerf at a position and its derivatives by `[position, ln_width, ln_overdrive, ln_length, asymmetry]`.
    #[inline]
    pub fn with_gradient(&self, position_mm: f64) -> (f64, [f64; 5]) {
        let (squared, side) = self.reduced(position_mm);
        let (value, ln_overdrive) = self.at_reduced(squared);
        let by_overdrive =
            if ln_overdrive > LEAST_LOG_OVERDRIVE { 0.5 / ln_overdrive } else { 0.5 / LEAST_LOG_OVERDRIVE.sqrt() };
        let by_ln_q = 0.5 - 0.5 * by_overdrive;
        let by_ln_length = -2.0 * squared / (1.0 + squared) * by_ln_q;
        let per_length = self.per_length[usize::from(side > 0.0)];
        let by_position = -2.0 * side * squared.sqrt() * per_length / (1.0 + squared) * by_ln_q;
        (value, [by_position, 1.0, by_overdrive, by_ln_length, side * by_ln_length])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn growth_of_a_strong_line_follows_the_gaussian_beam() {
        // For a very large overdrive the kerf is proportional to w, up to a slowly varying root: the growth of 5 %
        // lies a little beyond ±0.3202 zR (references: depth ±zR·√((1+g)²−1)).
        let caustic = Caustic { position: 3.0, ln_width: 0.0, ln_overdrive: 40.0, ln_length: 0.0, asymmetry: 0.0 };
        let right = caustic.position_at_growth(1.0, 0.05).unwrap() - 3.0;
        assert!((right - 0.3202).abs() < 0.005, "{right}");
    }

    #[test]
    fn gradient_agrees_with_differences() {
        let p = [3.0, -1.2, 2.1, 1.4, 0.07];
        for position in [-30.0, -4.0, 2.5, 3.7, 8.0, 60.0] {
            let (value, gradient) = Caustic::from_slice(&p).at_many().with_gradient(position);
            assert_eq!(value, Caustic::from_slice(&p).ln_kerf(position));
            for k in 0..5 {
                let [mut up, mut down] = [p, p];
                up[k] += 1e-6;
                down[k] -= 1e-6;
                let numeric =
                    (Caustic::from_slice(&up).ln_kerf(position) - Caustic::from_slice(&down).ln_kerf(position)) / 2e-6;
                assert!(
                    (gradient[k] - numeric).abs() < 1e-6 * numeric.abs().max(1.0),
                    "{position} {k}: {gradient:?} {numeric}"
                );
            }
        }
    }
}
