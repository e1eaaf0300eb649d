//! Models of the kerf along the strip.

/// Least logarithm of the local overdrive in the model: beyond it the line has faded and there is no kerf.
const LEAST_LOG_OVERDRIVE: f64 = 1e-4;

/// The threshold caustic: where the fluence of a focused beam that sweeps at constant speed passes a threshold.
///
/// Beam: `w = w0·√q`, `q = 1 + ((s − s0)/L)²` (Gaussian beam, Saleh & Teich, *Fundamentals of Photonics*, ch. 3). Mark:
/// kerf `= w·√(2·ln(A·w0/w))` with overdrive `A` at the waist: J. M. Liu, Optics Letters 7(5), 1982 (from memory), for a
/// line whose peak fluence falls as `1/w`. Full widths throughout: `w` here is the full width between the places of
/// `1/√e` of the peak, so that the kerf comes out as a full width. The length goes over from one side's to the other's within about
/// a length of the waist, `L·exp(a·tanh(z))` at `z = (s − s0)/L`: spherical aberration makes the two sides of a focus unequal, and
/// no beam has a kink at its waist. (`tanh` is the plainest such passage; on rendered beams it errs less than a kink.)
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
    /// Half the logarithm of the ratio of the far (greater position) to the near side's length, far from the waist.
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
        Sampler { caustic: *self, per_length: (-self.ln_length).exp() }
    }

    /// The lengths on the low and the high side, mm, as they are one length from the waist.
    pub fn lengths(&self) -> [f64; 2] {
        [-1.0, 1.0].map(|side: f64| (self.ln_length + self.asymmetry * side.tanh()).exp())
    }

    /// Distance from the waist, mm, of the place on one side (`+1` or `-1`) that is `reduced` of the lengths there away from it.
    fn distance_at(&self, side: f64, reduced: f64) -> f64 {
        // distance/L = reduced·exp(±a·tanh(distance/L)): each round comes nearer by half and more.
        let own = (0..60).fold(reduced, |own: f64, _| reduced * (side * self.asymmetry * own.tanh()).exp());
        own * self.ln_length.exp()
    }

    /// Positions on the low and the high side up to which the kerf widens outwards: where `ln(A/√q) = 1/2`.
    pub fn turnover(&self) -> [f64; 2] {
        let reduced = ((2.0 * self.ln_overdrive - 1.0).exp() - 1.0).max(0.0).sqrt();
        [-1.0, 1.0].map(|side| self.position + side * self.distance_at(side, reduced))
    }

    /// Kerf at the waist.
    pub fn narrowest(&self) -> f64 {
        self.ln_kerf(self.position).exp()
    }

    /// The place on one side (`+1` or `-1`) where the kerf has grown by `fraction`; `None` where it never does.
    pub fn position_at_growth(&self, side: f64, fraction: f64) -> Option<f64> {
        let target = self.ln_kerf(self.position) + fraction.ln_1p();
        // Beyond that the kerf falls again.
        let turn = (self.turnover()[usize::from(side > 0.0)] - self.position).abs();
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

/// A caustic whose length has been taken out of its logarithm.
#[derive(Debug, Clone, Copy)]
pub struct Sampler {
    caustic: Caustic,
    per_length: f64,
}

/// A place, in lengths of the caustic.
struct Reduced {
    /// Distance from the waist over `L`.
    own: f64,
    /// Its hyperbolic tangent.
    tanh: f64,
    /// Distance from the waist over the length there.
    local: f64,
}

impl Sampler {
    #[inline]
    fn reduced(&self, position_mm: f64) -> Reduced {
        let own = (position_mm - self.caustic.position) * self.per_length;
        let tanh = own.tanh();
        Reduced { own, tanh, local: own * (-self.caustic.asymmetry * tanh).exp() }
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
        self.at_reduced(self.reduced(position_mm).local.powi(2)).0
    }

    /// ln of the kerf at a position and its derivatives by `[position, ln_width, ln_overdrive, ln_length, asymmetry]`.
    #[inline]
    pub fn with_gradient(&self, position_mm: f64) -> (f64, [f64; 5]) {
        let Reduced { own, tanh, local } = self.reduced(position_mm);
        let squared = local * local;
        let (value, ln_overdrive) = self.at_reduced(squared);
        let by_overdrive =
            if ln_overdrive > LEAST_LOG_OVERDRIVE { 0.5 / ln_overdrive } else { 0.5 / LEAST_LOG_OVERDRIVE.sqrt() };
        let by_ln_q = 0.5 - 0.5 * by_overdrive;
        let by_local = 2.0 * local / (1.0 + squared) * by_ln_q;
        // The local length changes with the distance, too: d ln(local)/d own = 1/own − a/cosh²(own).
        let local_by_own =
            (-self.caustic.asymmetry * tanh).exp() * (1.0 - own * self.caustic.asymmetry * (1.0 - tanh * tanh));
        let by_own = by_local * local_by_own;
        (value, [-by_own * self.per_length, 1.0, by_overdrive, -by_own * own, -by_local * local * tanh])
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

    /// The sides' lengths part smoothly: the curve has no kink at its waist, and far from it each side is that of its own length.
    #[test]
    fn the_sides_part_smoothly() {
        let of = |asymmetry: f64, ln_length: f64| Caustic {
            position: 3.0,
            ln_width: 0.0,
            ln_overdrive: 40.0,
            ln_length,
            asymmetry,
        };
        let curve = of(0.2, 1.5);
        for side in [-1.0, 1.0] {
            let alone = of(0.0, 1.5 + 0.2 * side);
            for distance in [40.0, 80.0] {
                let apart = curve.ln_kerf(3.0 + side * distance) - alone.ln_kerf(3.0 + side * distance);
                assert!(apart.abs() < 1e-3, "{side} {distance}: {apart}");
            }
            // Turnover and growth lie where the curve itself says so.
            let shallow = Caustic { ln_overdrive: 2.0, ..curve };
            let at = |place: f64| shallow.ln_kerf(place);
            let turn = shallow.turnover()[usize::from(side > 0.0)];
            assert!(at(turn) > at(turn - 0.1) && at(turn) > at(turn + 0.1), "{turn}");
            let grown = shallow.position_at_growth(side, 0.05).unwrap();
            assert!((at(grown) - at(3.0) - 1.05f64.ln()).abs() < 1e-9, "{grown}");
        }
        let bend = |from: f64| curve.ln_kerf(from + 0.02) - 2.0 * curve.ln_kerf(from + 0.01) + curve.ln_kerf(from);
        assert!((bend(3.0) / bend(2.98) - 1.0).abs() < 0.01, "{} {}", bend(3.0), bend(2.98));
        let [low, high] = curve.lengths();
        assert!(((high / low).ln() - 0.4 * 1f64.tanh()).abs() < 1e-12);
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
