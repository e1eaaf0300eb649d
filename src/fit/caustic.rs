//! Fit of the threshold caustic with correlated scatter.

use std::cell::RefCell;

use nalgebra::DMatrix;
use rayon::prelude::*;

use super::bracket::Bracket;
use super::curve::Caustic;
use super::data::Data;
use super::noise::{Judged, Scatter, Whitener};
use super::solve::{Residuals, Solution, minimise_to};

/// Half-widths of the central differences, for `Caustic`'s parameters in order.
const STEPS: [f64; 5] = [1e-4, 1e-5, 1e-5, 1e-5, 1e-5];
/// Scatter of ln kerf taken for the plain fit that comes first.
const ROUGH_SCATTER: f64 = 0.05;
/// Stations from which the valley is found.
const ROUGH_STATIONS: usize = 150;
/// Relative change of the sum of squares and of the parameters at which a plain fit stops, and one that counts.
const ROUGH_TOLERANCE: f64 = 1e-5;
const TOLERANCE: f64 = 1e-8;
/// ln overdrive, mean and standard deviation: lines that can be read have A of about 3 to 80 (mean ln 12).
pub const LN_OVERDRIVE: (f64, f64) = (2.5, 1.1);
/// Half the log ratio of the two sides: 15 % between them, one length from the waist, is ordinary.
pub const ASYMMETRY: (f64, f64) = (0.0, 0.12);
/// Standard deviations of residuals, and of the asymmetry, from which they hardly count more.
const SOFT_RESIDUAL: f64 = 3.0;
const SOFT_ASYMMETRY: f64 = 2.5;

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
    fit_from(data, &roughly(data, bracket)?, start_scatter, learned)
}

/// The curve that a part of the stations keeps to, spread evenly over the line; their scatter is taken for independent and large
/// residuals hardly count.
///
/// Correlated scatter makes the sum of squares hilly far from the solution: this finds the valley.
pub fn roughly(data: &Data, bracket: &Bracket) -> Option<Caustic> {
    let [low, high] = data.range();
    let stride = (data.len() / ROUGH_STATIONS).max(1);
    let part = if stride > 1 { data.filtered(|i| i % stride == 0) } else { data.clone() };
    // Side by side, and judged in their order: the same result whatever the number of threads.
    starts(bracket, high - low)
        .par_iter()
        .map(|start| minimise_to(&Rough(Places::new(&part)), start, &STEPS, ROUGH_TOLERANCE))
        .collect::<Vec<_>>()
        .into_iter()
        .filter(|s| s.parameters.iter().all(|p| p.is_finite()))
        .min_by(|a, b| a.sum_of_squares.total_cmp(&b.sum_of_squares))
        .map(|solution| Caustic::from_slice(&solution.parameters))
}

/// As [`fit`], from a curve that is already near.
pub fn fit_from(data: &Data, start: &Caustic, start_scatter: Scatter, learned: usize) -> Option<CausticFit> {
    let begin = minimise_to(&Rough(Places::new(data)), &start.to_array(), &STEPS, ROUGH_TOLERANCE).parameters;
    let mut scatter = start_scatter;
    let mut best: Option<(Solution, Whitener)> = None;
    for round in 0..=learned {
        let whitener = Whitener::new(&data.position, &data.own, &scatter);
        let start = best.as_ref().map_or(&begin, |(solution, _)| &solution.parameters);
        let places = Places::new(data);
        // The scatter of the next round is not that fine.
        let tolerance = if round < learned { ROUGH_TOLERANCE } else { TOLERANCE };
        let solution = minimise_to(&Whitened { places, whitener: &whitener }, start, &STEPS, tolerance);
        if solution.parameters.iter().any(|p| !p.is_finite()) {
            return None;
        }
        if round < learned {
            scatter = likeliest_scatter(data, &solution.parameters);
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

/// Large values hardly grow (Cauchy's loss): stretches that are not the line must not lead the first fit, and a beam far off its lens
/// may make the sides as unequal as it will. Value and derivative.
#[inline]
fn soft(r: f64, core: f64) -> (f64, f64) {
    let squared = (r / core).powi(2);
    if squared < 1e-6 {
        return (r, 1.0);
    }
    let root = (1.0 + squared).ln().sqrt();
    (core * root * r.signum(), squared.sqrt() / ((1.0 + squared) * root))
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

/// The curve and its derivatives at all places, kept for the parameters asked for last: a solver asks for the residuals and then, where it
/// goes on from there, for their derivatives.
struct Places<'a> {
    data: &'a Data,
    last: RefCell<(Vec<f64>, Vec<WithGradient>)>,
}

/// A value with its derivatives by the five parameters.
type WithGradient = (f64, [f64; 5]);

impl<'a> Places<'a> {
    fn new(data: &'a Data) -> Self {
        Self { data, last: RefCell::default() }
    }

    /// What `use_them` makes of each place's residual of ln kerf with the curve's derivatives there.
    fn at<T>(&self, p: &[f64], use_them: impl FnOnce(&mut dyn Iterator<Item = WithGradient>) -> T) -> T {
        let mut last = self.last.borrow_mut();
        let (parameters, curve) = &mut *last;
        if parameters != p {
            let sampler = Caustic::from_slice(p).at_many();
            curve.clear();
            curve.extend(self.data.position.iter().map(|s| sampler.with_gradient(*s)));
            *parameters = p.to_vec();
        }
        use_them(&mut curve.iter().zip(&self.data.ln_kerf).map(|((value, gradient), y)| (y - value, *gradient)))
    }
}

/// What is minimised from afar: residuals taken for independent, large ones capped.
struct Rough<'a>(Places<'a>);

impl Residuals for Rough<'_> {
    fn residuals(&self, p: &[f64]) -> Vec<f64> {
        self.0.at(p, |places| places.map(|(r, _)| soft(r / ROUGH_SCATTER, SOFT_RESIDUAL).0).chain(priors(p)).collect())
    }

    fn jacobian(&self, p: &[f64]) -> Option<DMatrix<f64>> {
        let row = |(r, gradient): WithGradient| {
            let slope = -soft(r / ROUGH_SCATTER, SOFT_RESIDUAL).1 / ROUGH_SCATTER;
            gradient.map(|g| slope * g)
        };
        Some(with_priors(&self.0.at(p, |places| places.map(row).collect::<Vec<_>>()), p))
    }
}

/// What is minimised near the solution: whitened residuals.
struct Whitened<'a> {
    places: Places<'a>,
    whitener: &'a Whitener,
}

impl Residuals for Whitened<'_> {
    fn residuals(&self, p: &[f64]) -> Vec<f64> {
        let mut white = self.places.at(p, |places| self.whitener.whiten(places.map(|(r, _)| r)));
        white.extend(priors(p));
        white
    }

    fn jacobian(&self, p: &[f64]) -> Option<DMatrix<f64>> {
        let rows = |places: &mut dyn Iterator<Item = WithGradient>| {
            self.whitener.whiten_rows(places.map(|(_, gradient)| gradient.map(|g| -g)))
        };
        Some(with_priors(&self.places.at(p, rows), p))
    }
}

/// The priors as two more residuals.
fn priors(p: &[f64]) -> [f64; 2] {
    [(p[2] - LN_OVERDRIVE.0) / LN_OVERDRIVE.1, soft((p[4] - ASYMMETRY.0) / ASYMMETRY.1, SOFT_ASYMMETRY).0]
}

/// Rows of derivatives, and those of the priors below them, at `p`.
fn with_priors(rows: &[[f64; 5]], p: &[f64]) -> DMatrix<f64> {
    let by_asymmetry = soft((p[4] - ASYMMETRY.0) / ASYMMETRY.1, SOFT_ASYMMETRY).1 / ASYMMETRY.1;
    let of_priors = [[0.0, 0.0, 1.0 / LN_OVERDRIVE.1, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0, by_asymmetry]];
    let columns = (0..5).flat_map(|k| rows.iter().chain(&of_priors).map(move |row| row[k]));
    DMatrix::from_iterator(rows.len() + of_priors.len(), 5, columns)
}

/// Scatter of greatest restricted likelihood (the fitted parameters' degrees of freedom taken out): on a grid, then between its points
/// along each axis, so that pictures a hair apart have scatters a hair apart.
fn likeliest_scatter(data: &Data, parameters: &[f64]) -> Scatter {
    const OWN_FACTORS: [f64; 4] = [0.35, 0.7, 1.4, 2.8];
    // Natural logarithms of the grid's steps: own factor, grain, length.
    const GRID_STEPS: [f64; 3] = [0.69, 0.5, 0.69];
    let mut grid = Vec::new();
    for length_mm in [0.4, 0.8, 1.5, 3.0, 6.0] {
        grid.extend([0.004, 0.007, 0.012, 0.02, 0.03, 0.045, 0.07, 0.11, 0.17].map(|grain| (length_mm, grain)));
    }
    let curve = Caustic::from_slice(parameters).at_many();
    let rows: Vec<[f64; 6]> = data
        .position
        .iter()
        .zip(&data.ln_kerf)
        .map(|(s, y)| {
            let (value, [a, b, c, d, e]) = curve.with_gradient(*s);
            [a, b, c, d, e, y - value]
        })
        .collect();
    let judged = Judged { positions_mm: &data.position, own: &data.own, rows: &rows };
    let deviances: Vec<[f64; 4]> = grid
        .par_iter()
        .map(|(length_mm, grain)| judged.deviances(*length_mm, OWN_FACTORS.map(|factor| (*grain, factor))))
        .collect();
    let mut best = (f64::INFINITY, [0.0; 3]);
    for ((length_mm, grain), deviances) in grid.into_iter().zip(deviances) {
        for (own_factor, deviance) in OWN_FACTORS.into_iter().zip(deviances) {
            if deviance < best.0 {
                best = (deviance, [own_factor, grain, length_mm].map(f64::ln));
            }
        }
    }
    let of = |ln: [f64; 3]| {
        let [own_factor, grain, length_mm] = ln.map(f64::exp);
        Scatter { grain, length_mm, own_factor }
    };
    let deviance = |ln: [f64; 3]| {
        let Scatter { grain, length_mm, own_factor } = of(ln);
        judged.deviances(length_mm, [(grain, own_factor)])[0]
    };
    let (mut least, mut place) = best;
    for (axis, step) in GRID_STEPS.into_iter().enumerate() {
        let moved = |by: f64| {
            let mut moved = place;
            moved[axis] += by;
            moved
        };
        let [below, above] = [-0.5 * step, 0.5 * step].map(|by| deviance(moved(by)));
        // The lowest place of the parabola through the three, or the lowest of them.
        let curvature = below + above - 2.0 * least;
        let by = if curvature > 0.0 {
            (0.25 * step * (below - above) / curvature).clamp(-0.75 * step, 0.75 * step)
        } else if below < above {
            -0.5 * step
        } else {
            0.5 * step
        };
        let there = deviance(moved(by));
        if there < least {
            (least, place) = (there, moved(by));
        }
    }
    of(place)
}
