//! A parabola through the kerfs near the waist: the plainest model, and the one that assumes least about the beam.

use nalgebra::{DMatrix, DVector};

use super::data::Data;
use super::noise::{Scatter, Whitener};

/// A fitted parabola `kerf = c0 + c1·x + c2·x²`, `x` from `origin`.
#[derive(Debug, Clone)]
pub struct ParabolaFit {
    /// Origin of x, mm along the strip.
    pub origin: f64,
    /// Coefficients, kerf in mm.
    pub coefficients: [f64; 3],
    /// Vertex, mm along the strip.
    pub position: f64,
    /// Its standard uncertainty from the correlated scatter (delta method).
    pub u_position: f64,
    /// First and last station.
    pub range: [f64; 2],
    /// Stations used.
    pub stations: usize,
    /// RMS residual over the kerf.
    pub relative_rms: f64,
}

/// Generalised least squares on the stations of `data`; `None` where it opens downwards or has too few stations.
pub fn fit(data: &Data, expected_ln_kerf: impl Fn(f64) -> f64, scatter: &Scatter) -> Option<ParabolaFit> {
    let n = data.len();
    if n < 8 {
        return None;
    }
    let [low, high] = data.range();
    let [origin, scale] = [0.5 * (low + high), 0.5 * (high - low)];
    let whitener = Whitener::new(&data.position, &data.own, scatter);
    // Residuals are relative to the expected kerf, as the grain's wander is.
    let expected: Vec<f64> = data.position.iter().map(|s| expected_ln_kerf(*s).exp()).collect();
    let x: Vec<f64> = data.position.iter().map(|s| (s - origin) / scale).collect();
    let column =
        |power: i32| DVector::from_vec(whitener.whiten(x.iter().zip(&expected).map(|(x, e)| x.powi(power) / e)));
    let design = DMatrix::from_columns(&[column(0), column(1), column(2)]);
    let target = DVector::from_vec(whitener.whiten(data.ln_kerf.iter().zip(&expected).map(|(y, e)| y.exp() / e)));
    let qr = design.clone().qr();
    let solution = qr.r().solve_upper_triangular(&(qr.q().transpose() * &target))?;
    let covariance = (design.transpose() * &design).try_inverse()?;
    let [c0, c1, c2] = [solution[0], solution[1], solution[2]];
    if c2 <= 0.0 {
        return None;
    }
    let vertex = -c1 / (2.0 * c2);
    let gradient = [-1.0 / (2.0 * c2), c1 / (2.0 * c2 * c2)];
    let variance = gradient[0].powi(2) * covariance[(1, 1)]
        + gradient[1].powi(2) * covariance[(2, 2)]
        + 2.0 * gradient[0] * gradient[1] * covariance[(1, 2)];
    let squares: f64 =
        (0..n).map(|i| ((data.ln_kerf[i].exp() - c0 - c1 * x[i] - c2 * x[i] * x[i]) / expected[i]).powi(2)).sum();
    Some(ParabolaFit {
        origin,
        coefficients: [c0, c1 / scale, c2 / (scale * scale)],
        position: origin + scale * vertex,
        u_position: scale * variance.max(0.0).sqrt(),
        range: [low, high],
        stations: n,
        relative_rms: (squares / n as f64).sqrt(),
    })
}

impl ParabolaFit {
    /// The parabola a share of the way from this one to another through more of the curve.
    #[must_use]
    pub fn towards(&self, other: &Self, share: f64) -> Self {
        let mix = |a: f64, b: f64| (1.0 - share) * a + share * b;
        // This one's coefficients about the other's origin.
        let apart = other.origin - self.origin;
        let [_, c1, c2] = self.coefficients;
        let moved = [self.kerf(other.origin), c1 + 2.0 * c2 * apart, c2];
        let coefficients = [0, 1, 2].map(|k| mix(moved[k], other.coefficients[k]));
        Self {
            coefficients,
            position: other.origin - coefficients[1] / (2.0 * coefficients[2]),
            u_position: mix(self.u_position, other.u_position),
            relative_rms: mix(self.relative_rms, other.relative_rms),
            ..other.clone()
        }
    }

    /// Kerf in mm at a position.
    pub fn kerf(&self, position_mm: f64) -> f64 {
        let x = position_mm - self.origin;
        self.coefficients[0] + self.coefficients[1] * x + self.coefficients[2] * x * x
    }
}
