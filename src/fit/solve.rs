//! Least squares by Levenberg–Marquardt (the `levenberg-marquardt` crate, a port of MINPACK) with central differences.

use levenberg_marquardt::{LeastSquaresProblem, LevenbergMarquardt};
use nalgebra::{DMatrix, DVector, Dyn, Owned};

/// Residuals as a function of the parameters.
pub trait Residuals {
    /// One residual per datum, in units of its standard uncertainty.
    fn residuals(&self, parameters: &[f64]) -> Vec<f64>;

    /// Derivatives of the residuals, shape (residuals, parameters), where they are known in closed form; `None`: central
    /// differences are taken.
    fn jacobian(&self, _parameters: &[f64]) -> Option<DMatrix<f64>> {
        None
    }
}

impl<F: Fn(&[f64]) -> Vec<f64>> Residuals for F {
    fn residuals(&self, parameters: &[f64]) -> Vec<f64> {
        self(parameters)
    }
}

/// A solution with its Jacobian.
#[derive(Debug, Clone)]
pub struct Solution {
    /// Best parameters.
    pub parameters: Vec<f64>,
    /// Sum of squared residuals.
    pub sum_of_squares: f64,
    /// Derivatives of the residuals; shape (residuals, parameters).
    pub jacobian: DMatrix<f64>,
    /// True where the solver stopped because it had converged.
    pub has_converged: bool,
}

struct Problem<'a, R> {
    residuals: &'a R,
    parameters: DVector<f64>,
    steps: &'a [f64],
}

impl<R: Residuals> Problem<'_, R> {
    fn jacobian_at(&self, parameters: &[f64]) -> DMatrix<f64> {
        if let Some(jacobian) = self.residuals.jacobian(parameters) {
            return jacobian;
        }
        let columns: Vec<DVector<f64>> = (0..parameters.len())
            .map(|k| {
                let mut shifted = parameters.to_vec();
                shifted[k] = parameters[k] + self.steps[k];
                let up = self.residuals.residuals(&shifted);
                shifted[k] = parameters[k] - self.steps[k];
                let down = self.residuals.residuals(&shifted);
                DVector::from_iterator(up.len(), up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * self.steps[k])))
            })
            .collect();
        DMatrix::from_columns(&columns)
    }
}

impl<R: Residuals> LeastSquaresProblem<f64, Dyn, Dyn> for Problem<'_, R> {
    type ResidualStorage = Owned<f64, Dyn>;
    type JacobianStorage = Owned<f64, Dyn, Dyn>;
    type ParameterStorage = Owned<f64, Dyn>;

    fn set_params(&mut self, parameters: &DVector<f64>) {
        self.parameters.copy_from(parameters);
    }

    fn params(&self) -> DVector<f64> {
        self.parameters.clone()
    }

    fn residuals(&self) -> Option<DVector<f64>> {
        Some(DVector::from_vec(self.residuals.residuals(self.parameters.as_slice())))
    }

    fn jacobian(&self) -> Option<DMatrix<f64>> {
        Some(self.jacobian_at(self.parameters.as_slice()))
    }
}

/// Minimises the sum of squares from `start`; `steps` are the half-widths of the central differences.
pub fn minimise<R: Residuals>(residuals: &R, start: &[f64], steps: &[f64]) -> Solution {
    minimise_with(&LevenbergMarquardt::new(), residuals, start, steps)
}

/// As [`minimise`], and stops where the sum of squares, or the parameters, change by less than a fraction `tolerance`.
pub fn minimise_to<R: Residuals>(residuals: &R, start: &[f64], steps: &[f64], tolerance: f64) -> Solution {
    let solver = LevenbergMarquardt::new().with_ftol(tolerance).with_xtol(tolerance);
    minimise_with(&solver, residuals, start, steps)
}

fn minimise_with<R: Residuals>(
    solver: &LevenbergMarquardt<f64>,
    residuals: &R,
    start: &[f64],
    steps: &[f64],
) -> Solution {
    let problem = Problem { residuals, parameters: DVector::from_column_slice(start), steps };
    let (problem, report) = solver.with_patience(60).minimize(problem);
    let parameters = problem.parameters.as_slice().to_vec();
    let sum_of_squares = residuals.residuals(&parameters).iter().map(|r| r * r).sum();
    let jacobian = problem.jacobian_at(&parameters);
    Solution { parameters, sum_of_squares, jacobian, has_converged: report.termination.was_successful() }
}

impl Solution {
    /// Covariance of the parameters for residuals of unit variance; `None` where the data do not settle them.
    pub fn covariance(&self) -> Option<DMatrix<f64>> {
        (self.jacobian.transpose() * &self.jacobian).try_inverse()
    }
}
