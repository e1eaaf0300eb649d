//! Scatter of the kerf along a strip: grain that is correlated over millimetres, plus each station's own noise.
//!
//! The grain is a first-order Gauss–Markov process (covariance `g²·exp(−|Δ|/ℓ)`), seen through independent noise. Its
//! prediction errors, from a scalar Kalman filter, turn correlated residuals into independent ones of unit variance
//! in O(n): generalised least squares without a matrix of stations × stations. That residuals along the strip are
//! correlated, and that covariances from independent residuals are then several times too small, is the point of
//! Newey and West (Econometrica 55(3), 1987; from memory) and of the block bootstrap (Künsch, Annals of Statistics
//! 17(3), 1989; from memory); here the correlation is modelled instead.

use nalgebra::SMatrix;

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

    /// [`Self::whiten`] of five columns at once.
    pub fn whiten_rows(&self, rows: impl Iterator<Item = [f64; 5]>) -> Vec<[f64; 5]> {
        let mut states = [0.0; 5];
        rows.enumerate()
            .map(|(i, row)| {
                let mut white = [0.0; 5];
                for k in 0..5 {
                    let state = states[k] * self.decays[i];
                    let innovation = row[k] - state;
                    states[k] = state + self.gains[i] * innovation;
                    white[k] = innovation * self.inverse_sd[i];
                }
                white
            })
            .collect()
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

/// Places along the strip with the columns that scatter is judged by: five of the design, then the residual.
#[derive(Debug, Clone)]
pub struct Judged<'a> {
    /// Rising, mm.
    pub positions_mm: &'a [f64],
    /// Own standard uncertainties of ln kerf.
    pub own: &'a [f64],
    /// Derivatives of ln kerf by the five parameters, then the residual.
    pub rows: &'a [[f64; 6]],
}

impl Judged<'_> {
    /// Restricted deviances (twice the negative log likelihood, less a constant) of scatters that share one length: the
    /// whitened residuals' squares, the covariance's log determinant, and that of the information left to the parameters.
    ///
    /// The same filter as [`Whitener`]'s, run once over the places for all columns.
    pub fn deviances<const N: usize>(&self, length_mm: f64, scatters: [(f64, f64); N]) -> [f64; N] {
        let decays: Vec<f64> =
            self.positions_mm.windows(2).map(|pair| (-(pair[1] - pair[0]) / length_mm).exp()).collect();
        scatters.map(|(grain, own_factor)| self.deviance(&decays, grain * grain, own_factor * own_factor))
    }

    /// `decays`: from each place to the next; variances of the grain and the factor on the own ones.
    fn deviance(&self, decays: &[f64], grain: f64, own_factor: f64) -> f64 {
        let mut variance = grain;
        let [mut log_determinant, mut product] = [0.0, 1.0];
        let mut states = [0.0; 6];
        let mut products = [[0.0; 6]; 6];
        for (i, (row, own)) in self.rows.iter().zip(self.own).enumerate() {
            if i > 0 {
                let decay = decays[i - 1];
                variance = decay * decay * variance + grain * (1.0 - decay * decay);
                states = states.map(|state| state * decay);
            }
            let total = variance + own_factor * own * own;
            let weight = 1.0 / total;
            let gain = variance * weight;
            // One logarithm for many places; variances lie far above the square root of the smallest number.
            product *= total;
            if product < 1e-150 {
                log_determinant += product.ln();
                product = 1.0;
            }
            let mut innovations = [0.0; 6];
            for k in 0..6 {
                innovations[k] = row[k] - states[k];
                states[k] += gain * innovations[k];
            }
            for a in 0..6 {
                let scaled = weight * innovations[a];
                for b in 0..=a {
                    products[a][b] += scaled * innovations[b];
                }
            }
            variance *= 1.0 - gain;
        }
        log_determinant += product.ln();
        let information =
            SMatrix::<f64, 5, 5>::from_fn(|a, b| products[a.max(b)][a.min(b)] + if a == b { 1e-6 } else { 0.0 });
        products[5][5] + log_determinant + information.determinant().max(1e-300).ln()
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

    #[test]
    fn restricted_deviance_equals_the_whitener_s() {
        let positions = [0.0f64, 0.4, 0.9, 2.5, 2.6, 7.0, 7.5, 9.0];
        let own = [0.02, 0.01, 0.05, 0.02, 0.03, 0.01, 0.02, 0.02];
        let rows: Vec<[f64; 6]> =
            positions.iter().map(|s| [1.0, 0.3 * s, 0.1 * s * s, s.sin(), s.cos(), 0.02 * (3.0 * s).sin()]).collect();
        let scatter = Scatter { grain: 0.04, length_mm: 1.7, own_factor: 1.3 };
        let whitener = Whitener::new(&positions, &own, &scatter);
        let column = |k: usize| DVector::from_vec(whitener.whiten(rows.iter().map(|row| row[k])));
        let design = DMatrix::from_columns(&[0, 1, 2, 3, 4].map(column));
        let information = design.transpose() * &design + DMatrix::<f64>::identity(5, 5) * 1e-6;
        let expected = column(5).norm_squared() + whitener.log_determinant + information.determinant().ln();
        let judged = Judged { positions_mm: &positions, own: &own, rows: &rows };
        let [found] = judged.deviances(1.7, [(0.04, 1.3)]);
        assert!((found - expected).abs() < 1e-9 * expected.abs(), "{found} {expected}");
    }
}
