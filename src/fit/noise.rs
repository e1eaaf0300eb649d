//! Scatter of the kerf along a strip: grain that is correlated over millimetres, plus each station's own noise.
//!
//! The grain is a first-order Gauss–Markov process (covariance `g²·exp(−|Δ|/ℓ)`), seen through independent noise. Its
//! prediction errors, from a scalar Kalman filter, turn correlated residuals into independent ones of unit variance
//! in O(n): generalised least squares without a matrix of stations × stations. That residuals along the strip are
//! correlated, and that covariances from independent residuals are then several times too small, is the point of
//! Newey and West (Econometrica 55(3), 1987; from memory) and of the block bootstrap (Künsch, Annals of Statistics
//! 17(3), 1989; from memory); here the correlation is modelled instead.

/// Size and reach of the grain, and how far the stations' own uncertainties are to be scaled.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation of the grain's wander of ln kerf.
    pub grain: f64,
    /// Correlation length along the strip in mm.
    pub length_mm: f64,
    /// Factor on the stations' own standard uncertainties.
    pub own_factor: f64,
}

/// Turns values along the strip into independent ones of unit variance.
#[derive(Debug, Clone)]
pub struct Whitener {
    gains: Vec<f64>,
    decays: Vec<f64>,
    inverse_sd: Vec<f64>,
    /// Natural logarithm of the determinant of the covariance.
    pub log_determinant: f64,
}

impl Whitener {
    /// For stations at `positions_mm` (rising) with own standard uncertainties `own` of ln kerf.
    pub fn new(positions_mm: &[f64], own: &[f64], scatter: &Scatter) -> Self {
        let n = positions_mm.len();
        let [mut gains, mut decays, mut inverse_sd] =
            [Vec::with_capacity(n), Vec::with_capacity(n), Vec::with_capacity(n)];
        let grain = scatter.grain * scatter.grain;
        let mut variance = grain;
        let mut log_determinant = 0.0;
        for i in 0..n {
            let decay = if i == 0 { 0.0 } else { (-(positions_mm[i] - positions_mm[i - 1]) / scatter.length_mm).exp() };
            if i > 0 {
                variance = decay * decay * variance + grain * (1.0 - decay * decay);
            }
            let total = variance + (scatter.own_factor * own[i]).powi(2);
            let gain = variance / total;
            decays.push(decay);
            gains.push(gain);
            inverse_sd.push(1.0 / total.sqrt());
            log_determinant += total.ln();
            variance *= 1.0 - gain;
        }
        Self { gains, decays, inverse_sd, log_determinant }
    }

    /// Independent values of unit variance, where the covariance is as assumed.
    pub fn whiten(&self, values: impl Iterator<Item = f64>) -> Vec<f64> {
        let mut state = 0.0;
        values
            .enumerate()
            .map(|(i, value)| {
                state *= self.decays[i];
                let innovation = value - state;
                state += self.gains[i] * innovation;
                innovation * self.inverse_sd[i]
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};

    /// The filter against the covariance written out: same quadratic form, same determinant.
    #[test]
    fn whitening_equals_the_dense_covariance() {
        let positions = [0.0, 0.4, 0.9, 2.5, 2.6, 7.0];
        let own = [0.02, 0.01, 0.05, 0.02, 0.03, 0.01];
        let scatter = Scatter { grain: 0.04, length_mm: 1.7, own_factor: 1.3 };
        let values = DVector::from_column_slice(&[0.05, -0.02, 0.01, 0.08, -0.04, 0.03]);
        let covariance = DMatrix::from_fn(6, 6, |i, j| {
            let apart: f64 = positions[i] - positions[j];
            let own = if i == j { (scatter.own_factor * own[i]).powi(2) } else { 0.0 };
            scatter.grain.powi(2) * (-apart.abs() / scatter.length_mm).exp() + own
        });
        let whitener = Whitener::new(&positions, &own, &scatter);
        let white = whitener.whiten(values.iter().copied());
        let dense = (values.transpose() * covariance.clone().try_inverse().unwrap() * &values)[0];
        assert!((white.iter().map(|w| w * w).sum::<f64>() - dense).abs() < 1e-9 * dense);
        assert!((whitener.log_determinant - covariance.determinant().ln()).abs() < 1e-9);
    }
}
