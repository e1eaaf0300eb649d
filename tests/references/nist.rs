//! NIST Statistical Reference Datasets: the certified values are read out of the files themselves.

use nalgebra::DMatrix;
use narrows::fit::data::Data;
use narrows::fit::noise::Scatter;
use narrows::fit::parabola;
use narrows::fit::solve::{Solution, minimise};

use crate::{assert_close, numbers, reference};

/// One parameter of a nonlinear set: two starts, certified value and standard deviation.
type Certified = [f64; 4];

/// `b1 = start start value deviation` lines of a nonlinear set.
fn certified(text: &str) -> Vec<Certified> {
    text.lines()
        .filter_map(|line| line.trim().strip_prefix('b')?.split_once('='))
        .filter_map(|(_, rest)| numbers(rest)?.try_into().ok())
        .collect()
}

/// The number at the end of the line that begins with `name`.
fn named(text: &str, name: &str) -> f64 {
    let line = text.lines().find(|line| line.trim_start().starts_with(name)).expect("the file names it");
    line.split_whitespace().last().and_then(|word| word.parse().ok()).expect("a number at its end")
}

/// Rows of two numbers, `y x`.
fn rows(text: &str) -> Vec<[f64; 2]> {
    text.lines().filter_map(|line| numbers(line)?.try_into().ok()).collect()
}

/// Steps of the central differences: the cube root of the machine's precision, relative to the start.
fn steps(start: &[f64]) -> Vec<f64> {
    start.iter().map(|value| 6e-6 * value.abs()).collect()
}

/// Standard deviations of the parameters from the residuals' own scatter.
fn deviations(solution: &Solution, observations: usize) -> (Vec<f64>, f64) {
    let parameters = solution.parameters.len();
    let variance = solution.sum_of_squares / (observations - parameters) as f64;
    let covariance: DMatrix<f64> = solution.covariance().expect("the data settle the parameters");
    ((0..parameters).map(|k| (variance * covariance[(k, k)]).sqrt()).collect(), variance.sqrt())
}

fn check_nonlinear(name: &str, model: impl Fn(&[f64], f64) -> f64) {
    let text = reference(&format!("nist-strd/{name}.dat"));
    let certified = certified(&text);
    // Everything after the last heading.
    let data = rows(text.rsplit_once("Data:").expect("a heading over the data").1);
    assert_eq!(data.len() as f64, named(&text, "Number of Observations:"), "{name}");
    assert!(certified.len() >= 2, "{name}: {certified:?}");
    let residuals = |p: &[f64]| -> Vec<f64> { data.iter().map(|[y, x]| model(p, *x) - y).collect() };
    for start in 0..2 {
        let from: Vec<f64> = certified.iter().map(|row| row[start]).collect();
        let solution = minimise(&residuals, &from, &steps(&from));
        let case = format!("{name} from start {}", start + 1);
        let (deviations, residual_sd) = deviations(&solution, data.len());
        for (k, [.., value, deviation]) in certified.iter().enumerate() {
            assert_close(&format!("{case}, b{}", k + 1), solution.parameters[k], *value, 1e-6);
            assert_close(&format!("{case}, deviation of b{}", k + 1), deviations[k], *deviation, 1e-4);
        }
        assert_close(&case, residual_sd, named(&text, "Residual Standard Deviation:"), 1e-6);
        assert_close(&case, solution.sum_of_squares, named(&text, "Residual Sum of Squares:"), 1e-6);
        assert!(solution.has_converged, "{case}");
    }
}

#[test]
fn misra1a_from_both_starts() {
    check_nonlinear("Misra1a", |b, x| b[0] * (1.0 - (-b[1] * x).exp()));
}

#[test]
fn eckerle4_from_both_starts() {
    check_nonlinear("Eckerle4", |b, x| b[0] / b[1] * (-0.5 * ((x - b[2]) / b[1]).powi(2)).exp());
}

#[test]
fn gauss1_from_both_starts() {
    check_nonlinear("Gauss1", |b, x| {
        b[0] * (-b[1] * x).exp()
            + b[2] * (-((x - b[3]) / b[4]).powi(2)).exp()
            + b[5] * (-((x - b[6]) / b[7]).powi(2)).exp()
    });
}

#[test]
fn norris_by_the_solver() {
    let text = reference("nist-strd/Norris.dat");
    let certified: Vec<[f64; 2]> = text
        .lines()
        .filter_map(|line| line.trim().strip_prefix('B'))
        .filter_map(|rest| numbers(rest.get(1..)?)?.try_into().ok())
        .collect();
    let data = rows(text.rsplit_once("Data:").expect("a heading over the data").1);
    assert_eq!((certified.len(), data.len()), (2, 36));
    let residuals = |b: &[f64]| -> Vec<f64> { data.iter().map(|[y, x]| b[0] + b[1] * x - y).collect() };
    let solution = minimise(&residuals, &[1.0, 0.5], &[1e-2, 1e-4]);
    let (deviations, residual_sd) = deviations(&solution, data.len());
    for k in 0..2 {
        assert_close(&format!("B{k}"), solution.parameters[k], certified[k][0], 1e-6);
        assert_close(&format!("deviation of B{k}"), deviations[k], certified[k][1], 1e-6);
    }
    assert_close("residual", residual_sd, named(&text, "Standard Deviation   0."), 1e-6);
}

/// `# certified B0 value sd deviation` lines and the `y x` rows of the load cell.
fn pontius() -> (Vec<[f64; 2]>, f64, Vec<[f64; 2]>) {
    let text = reference("nist-strd/Pontius.dat");
    let certified = text
        .lines()
        .filter_map(|line| line.strip_prefix("# certified B"))
        .filter_map(|rest| numbers(&rest.get(1..)?.replace("sd", ""))?.try_into().ok())
        .collect();
    let line = text.lines().find_map(|line| line.strip_prefix("# certified residual sd")).expect("a residual");
    let residual = line.split(';').next().and_then(|word| word.trim().parse().ok()).expect("a number");
    (certified, residual, rows(&text))
}

#[test]
fn pontius_is_the_same_in_the_handbook() {
    let (_, _, mut data) = pontius();
    let mut again = rows(&reference("nist-handbook/PONTIUS.DAT"));
    assert_eq!((data.len(), again.len()), (40, 40));
    for rows in [&mut data, &mut again] {
        rows.sort_by(|a, b| a[1].total_cmp(&b[1]).then(a[0].total_cmp(&b[0])));
    }
    assert_eq!(data, again);
}

#[test]
fn pontius_by_the_solver() {
    const SCALE: f64 = 1e6;
    let (certified, residual_sd, data) = pontius();
    assert_eq!(certified.len(), 3);
    let residuals = |b: &[f64]| -> Vec<f64> {
        data.iter().map(|[y, x]| b[0] + b[1] * (x / SCALE) + b[2] * (x / SCALE).powi(2) - y).collect()
    };
    let solution = minimise(&residuals, &[0.1, 1.0, 0.1], &[1e-3; 3]);
    let (deviations, own_residual_sd) = deviations(&solution, data.len());
    for (k, [value, deviation]) in certified.iter().enumerate() {
        let unit = SCALE.powi(k as i32);
        assert_close(&format!("B{k}"), solution.parameters[k] / unit, *value, 1e-6);
        assert_close(&format!("deviation of B{k}"), deviations[k] / unit, *deviation, 1e-6);
    }
    assert_close("residual", own_residual_sd, residual_sd, 1e-6);
}

/// The load cell bends down and the fit wants a curve that bends up: what is fitted is 3 minus the reading.
#[test]
fn pontius_by_the_parabola() {
    const TOP: f64 = 3.0;
    let (certified, _, mut data) = pontius();
    data.sort_by(|a, b| a[1].total_cmp(&b[1]));
    let data = Data {
        position: data.iter().map(|[_, x]| *x).collect(),
        ln_kerf: data.iter().map(|[y, _]| (TOP - y).ln()).collect(),
        own: vec![1.0; data.len()],
        contrast: vec![1.0; data.len()],
    };
    let fit = parabola::fit(&data, |_| 0.0, &Scatter { grain: 0.0, length_mm: 1.0, own_factor: 1.0 }).expect("a fit");
    let [c0, c1, c2] = fit.coefficients;
    assert_close("B0", TOP - (c0 - c1 * fit.origin + c2 * fit.origin.powi(2)), certified[0][0], 1e-6);
    assert_close("B1", -(c1 - 2.0 * c2 * fit.origin), certified[1][0], 1e-6);
    assert_close("B2", -c2, certified[2][0], 1e-6);
}
