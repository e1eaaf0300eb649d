//! The map from positions on the ramp to places along the course that marks carry.

use crate::fit::solve::minimise;
use crate::locate::trace::robust_line;

/// `along = (α + β·x)/(1 + γ·x) + κ·x³`, x in half-lengths from the middle of the marks used.
#[derive(Debug)]
pub struct MapFit {
    middle: f64,
    half: f64,
    parameters: Vec<f64>,
    covariance: nalgebra::DMatrix<f64>,
}

impl MapFit {
    fn value(parameters: &[f64], x: f64) -> f64 {
        (parameters[0] + parameters[1] * x) / (1.0 + parameters[2] * x) + parameters[3] * x * x * x
    }

    /// Place along the course, px, of a position, mm.
    pub fn along(&self, position_mm: f64) -> f64 {
        Self::value(&self.parameters, (position_mm - self.middle) / self.half)
    }

    /// Pixels to a millimetre at a position.
    pub fn slope(&self, position_mm: f64) -> f64 {
        let h = 1e-4 * self.half;
        (self.along(position_mm + h) - self.along(position_mm - h)) / (2.0 * h)
    }

    /// Standard uncertainty of [`Self::along`], px.
    pub fn u_along(&self, position_mm: f64) -> f64 {
        let x = (position_mm - self.middle) / self.half;
        let gradient = nalgebra::DVector::from_fn(self.parameters.len(), |k, _| {
            let mut p = self.parameters.clone();
            let h = 1e-5 * p[k].abs().max(1.0);
            p[k] += h;
            let up = Self::value(&p, x);
            p[k] -= 2.0 * h;
            (up - Self::value(&p, x)) / (2.0 * h)
        });
        (gradient.transpose() * &self.covariance * gradient)[0].max(0.0).sqrt()
    }
}

/// The simplest of a straight, a projective and a projective map with the lens' cubic that the marks ask for.
///
/// Chosen by the Bayesian information criterion on Cauchy's loss, so that neither a scan is bent by a false mark nor a
/// photograph read as a scan.
pub fn fit_map(rows: &[[f64; 2]]) -> Option<MapFit> {
    let low = rows.iter().map(|r| r[0]).fold(f64::INFINITY, f64::min);
    let high = rows.iter().map(|r| r[0]).fold(f64::NEG_INFINITY, f64::max);
    let [middle, half] = [0.5 * (low + high), 0.5 * (high - low)];
    if half <= 0.0 {
        return None;
    }
    let count = rows.len() as f64;
    let mut best: Option<(f64, MapFit)> = None;
    for terms in 2..=4 {
        if rows.len() < terms + 2 {
            break;
        }
        let fit = fit_terms(rows, middle, half, terms)?;
        let loss: f64 = rows
            .iter()
            .map(|r| MARK_SCATTER_PX.powi(2) * (((fit.along(r[0]) - r[1]) / MARK_SCATTER_PX).powi(2)).ln_1p())
            .sum();
        let criterion = count * (loss / count + 0.1f64.powi(2)).ln() + 2.0 * terms as f64 * count.ln();
        if best.as_ref().is_none_or(|b| criterion < b.0) {
            best = Some((criterion, fit));
        }
    }
    best.map(|b| b.1)
}

/// Residual in px from which a mark counts as false rather than as scatter.
const MARK_SCATTER_PX: f64 = 2.0;

fn fit_terms(rows: &[[f64; 2]], middle: f64, half: f64, terms: usize) -> Option<MapFit> {
    let (intercept, slope) = robust_line(
        &rows.iter().map(|r| (r[0] - middle) / half).collect::<Vec<_>>(),
        &rows.iter().map(|r| r[1]).collect::<Vec<_>>(),
    );
    let full = |p: &[f64]| {
        let mut all = p.to_vec();
        all.resize(4, 0.0);
        all
    };
    let start = [intercept, slope, 0.0, 0.0];
    let steps = [1e-3, 1e-3, 1e-7, 1e-3];
    let residuals = |p: &[f64]| {
        let p = full(p);
        rows.iter()
            .map(|r| {
                let u = (MapFit::value(&p, (r[0] - middle) / half) - r[1]) / MARK_SCATTER_PX;
                MARK_SCATTER_PX * (u * u).ln_1p().sqrt() * u.signum()
            })
            .collect::<Vec<f64>>()
    };
    let solution = minimise(&residuals, &start[..terms], &steps[..terms]);
    let freedom = (rows.len() as f64 - terms as f64).max(1.0);
    let variance = (solution.sum_of_squares / freedom).max(0.1f64.powi(2));
    let covariance = (solution.covariance()? * variance).resize(4, 4, 0.0);
    Some(MapFit { middle, half, parameters: full(&solution.parameters), covariance })
}
