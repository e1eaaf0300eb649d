//! Fit of the threshold caustic with correlated scatter.

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::bracket::Bracket;
use super::curve::Caustic;
use super::data::Data;
use super::noise::{Scatter, Whitener};
use super::solve::{Solution, minimise};

/// Half-widths of the central differences, for `Caustic`'s parameters in order.
const STEPS: [f64; 5] = [1e-4, 1e-5, 1e-5, 1e-5, 1e-5];
/// Scatter of ln kerf taken for the plain fit that comes first.
const ROUGH_SCATTER: f64 = 0.05;
/// ln overdrive: lines that can be read have A of about 3 to 80 (mean ln 12).
const LN_OVERDRIVE: (f64, f64) = (2.5, 1.1);
/// Half the log ratio of the two sides: 15 % between the sides is ordinary, twice that is not.
const ASYMMETRY: (f64, f64) = (0.0, 0.08);

/// A fitted caustic.
#[derive(Debug, Clone)]
pub struct CausticFit {
    /// The curve.
    pub caustic: Caustic,
    /// Standard uncertainty of its position from the correlated scatter.
    pub u_position: f64,
    /// Standard uncertainty of ln of the narrowest kerf.
    pub u_ln_narrowest: f64,
    /// Scatter found in the residuals.
    pub scatter: Scatter,
    /// Residuals of ln kerf.
    pub residuals: Vec<f64>,
    /// True where the solver converged.
    pub has_converged: bool,
    /// Sum of squared whitened residuals and log determinant: the deviance.
    pub deviance: f64,
}

/// Fits the caustic to all data, from a bracketed minimum; the scatter is learned from the residuals `learned` times.
pub fn fit(data: &Data, bracket: &Bracket, start_scatter: Scatter, learned: usize) -> Option<CausticFit> {
    let [low, high] = data.range();
    let mut scatter = start_scatter;
    // Correlated scatter makes the sum of squares hilly far from the solution: a plain fit finds the valley first.
    let rough = |p: &[f64]| {
        let caustic = Caustic::from_slice(p);
        let mut r: Vec<f64> = data
            .position
            .iter()
            .zip(&data.ln_kerf)
            .map(|(s, y)| soft((y - caustic.ln_kerf(*s)) / ROUGH_SCATTER))
            .collect();
        r.push((p[2] - LN_OVERDRIVE.0) / LN_OVERDRIVE.1);
        r.push((p[4] - ASYMMETRY.0) / ASYMMETRY.1);
        r
    };
    // Side by side, and judged in their order: the same result whatever the number of threads.
    let begin = starts(bracket, high - low)
        .par_iter()
        .map(|start| minimise(&rough, start, &STEPS))
        .collect::<Vec<_>>()
        .into_iter()
        .filter(|s| s.parameters.iter().all(|p| p.is_finite()))
        .min_by(|a, b| a.sum_of_squares.total_cmp(&b.sum_of_squares))?
        .parameters;
    let mut best: Option<(Solution, Whitener)> = None;
    for round in 0..=learned {
        let whitener = Whitener::new(&data.position, &data.own, &scatter);
        let residuals = |p: &[f64]| {
            let caustic = Caustic::from_slice(p);
            let mut r = whitener.whiten(data.position.iter().zip(&data.ln_kerf).map(|(s, y)| y - caustic.ln_kerf(*s)));
            r.push((p[2] - LN_OVERDRIVE.0) / LN_OVERDRIVE.1);
            r.push((p[4] - ASYMMETRY.0) / ASYMMETRY.1);
            r
        };
        let start = best.as_ref().map_or(&begin, |(solution, _)| &solution.parameters);
        let solution = minimise(&residuals, start, &STEPS);
        if solution.parameters.iter().any(|p| !p.is_finite()) {
            return None;
        }
        if round < learned {
            let caustic = Caustic::from_slice(&solution.parameters);
            let left: Vec<f64> =
                data.position.iter().zip(&data.ln_kerf).map(|(s, y)| y - caustic.ln_kerf(*s)).collect();
            // The unwhitened Jacobian of the curve, for the restricted likelihood.
            let design = design(data, &solution.parameters);
            scatter = likeliest_scatter(data, &left, &design);
        }
        best = Some((solution, whitener));
    }
    let (solution, whitener) = best?;
    let covariance = solution.covariance()?;
    let caustic = Caustic::from_slice(&solution.parameters);
    let residuals = data.position.iter().zip(&data.ln_kerf).map(|(s, y)| y - caustic.ln_kerf(*s)).collect();
    // ln narrowest = ln_width + ½ ln(2 ln A): gradient in (ln_width, ln_overdrive).
    let slope = 0.5 / solution.parameters[2].max(1e-3);
    let u2 = covariance[(1, 1)] + 2.0 * slope * covariance[(1, 2)] + slope * slope * covariance[(2, 2)];
    Some(CausticFit {
        caustic,
        u_position: covariance[(0, 0)].sqrt(),
        u_ln_narrowest: u2.max(0.0).sqrt(),
        scatter,
        residuals,
        has_converged: solution.has_converged,
        deviance: solution.sum_of_squares + whitener.log_determinant,
    })
}

/// Large residuals hardly grow (Cauchy's loss): stretches that are not the line must not lead the first fit.
fn soft(r: f64) -> f64 {
    const CORE: f64 = 3.0;
    CORE * (r / CORE).powi(2).ln_1p().sqrt() * r.signum()
}

fn starts(bracket: &Bracket, length: f64) -> Vec<Vec<f64>> {
    let mut starts = Vec::new();
    for ln_overdrive in [1.6f64, 2.7, 3.8] {
        for share in [0.03, 0.08] {
            let ln_width = bracket.ln_kerf - 0.5 * (2.0 * ln_overdrive).ln();
            starts.push(vec![bracket.position, ln_width, ln_overdrive, (share * length).ln(), 0.0]);
        }
    }
    starts
}

/// Derivatives of ln kerf by the five parameters; shape (stations, 5).
fn design(data: &Data, parameters: &[f64]) -> DMatrix<f64> {
    DMatrix::from_fn(data.len(), 5, |i, k| {
        let mut p = parameters.to_vec();
        p[k] += STEPS[k];
        let up = Caustic::from_slice(&p).ln_kerf(data.position[i]);
        p[k] -= 2.0 * STEPS[k];
        (up - Caustic::from_slice(&p).ln_kerf(data.position[i])) / (2.0 * STEPS[k])
    })
}

/// Scatter of greatest restricted likelihood (the fitted parameters' degrees of freedom taken out) on a grid: a smooth
/// optimum is not needed, since the uncertainty changes slowly with it.
fn likeliest_scatter(data: &Data, residuals: &[f64], design: &DMatrix<f64>) -> Scatter {
    let mut grid = Vec::new();
    for length_mm in [0.4, 0.8, 1.5, 3.0, 6.0] {
        for grain in [0.004, 0.007, 0.012, 0.02, 0.03, 0.045, 0.07, 0.11, 0.17] {
            grid.extend([0.35, 0.7, 1.4, 2.8].map(|own_factor| Scatter { grain, length_mm, own_factor }));
        }
    }
    let deviance = |scatter: &Scatter| {
        let whitener = Whitener::new(&data.position, &data.own, scatter);
        let squares: f64 = whitener.whiten(residuals.iter().copied()).iter().map(|r| r * r).sum();
        let columns: Vec<_> =
            (0..5).map(|k| nalgebra::DVector::from_vec(whitener.whiten(design.column(k).iter().copied()))).collect();
        let white = DMatrix::from_columns(&columns);
        let information = white.transpose() * &white + DMatrix::<f64>::identity(5, 5) * 1e-6;
        squares + whitener.log_determinant + information.determinant().max(1e-300).ln()
    };
    let deviances: Vec<f64> = grid.par_iter().map(deviance).collect();
    let mut best = (f64::INFINITY, Scatter { grain: 0.03, length_mm: 2.0, own_factor: 1.0 });
    for (scatter, deviance) in grid.into_iter().zip(deviances) {
        if deviance < best.0 {
            best = (deviance, scatter);
        }
    }
    best.1
}
