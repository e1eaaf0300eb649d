//! NIST/SEMATECH e-Handbook, 2.3.6.7 and 2.3.7.1: an optical line-width system calibrated on ten artefacts.

use narrows::fit::solve::{Solution, minimise};
use statrs::distribution::{ContinuousCDF, StudentsT};

use crate::{assert_close, numbers, reference};

fn calibration() -> (Solution, f64) {
    let text = reference("nist-handbook/CALIBRATIONLINE.DAT");
    // The handbook uses the first two columns.
    let data: Vec<[f64; 2]> =
        text.lines().filter_map(numbers).filter(|row| row.len() == 5).map(|row| [row[0], row[1]]).collect();
    assert_eq!(data.len(), 40);
    let residuals = |p: &[f64]| -> Vec<f64> { data.iter().map(|[x, y]| p[0] + p[1] * x - y).collect() };
    let solution = minimise(&residuals, &[0.0, 0.5], &[1e-4; 2]);
    let residual_sd = (solution.sum_of_squares / 38.0).sqrt();
    (solution, residual_sd)
}

#[test]
fn calibration_line() {
    let (solution, residual_sd) = calibration();
    // Printed in the handbook's newer edition, seen second-hand.
    for (name, value, printed, half_digit) in [
        ("intercept", solution.parameters[0], 0.2357, 1e-4),
        ("slope", solution.parameters[1], 0.9870, 1e-4),
        ("residual", residual_sd, 0.06203, 1e-5),
    ] {
        assert!((value - printed).abs() < half_digit, "{name}: {value}, printed {printed}");
    }
    // The same to more digits, computed independently from the file.
    assert_close("intercept", solution.parameters[0], 0.235_762_290_3, 1e-8);
    assert_close("slope", solution.parameters[1], 0.987_037_714_3, 1e-8);
    assert_close("residual", residual_sd, 0.062_031_959_4, 1e-8);
    let covariance = solution.covariance().expect("the data settle a line");
    assert_close("deviation of the slope", residual_sd * covariance[(1, 1)].sqrt(), 0.003_440_580_3, 1e-7);
}

/// On the fourth day all three artefacts were out of control, on the others none (e-Handbook 2.3.7.1).
#[test]
fn control_values_of_six_days() {
    let (solution, residual_sd) = calibration();
    let [intercept, slope] = [solution.parameters[0], solution.parameters[1]];
    let upper_tail = 0.5 * (1.0 - ((1.0_f64 - 0.05).ln() / 3.0).exp());
    let quantile = StudentsT::new(0.0, 1.0, 38.0).expect("a distribution").inverse_cdf(1.0 - upper_tail);
    // Computed independently.
    assert_close("quantile", quantile, 2.497_575_066_1, 1e-8);
    // The expected limit was computed from the printed, rounded parameters.
    let limit = residual_sd * quantile / slope;
    assert_close("limit", limit, 0.156_965_1, 1e-5);
    let rows: Vec<(u8, f64, f64)> = reference("nist-handbook/LINEWID.DAT")
        .lines()
        .filter_map(|line| {
            let words: Vec<&str> = line.split_whitespace().collect();
            let [day, "L" | "M" | "U", x, y] = words[..] else { return None };
            Some((day.parse().ok()?, x.parse().ok()?, y.parse().ok()?))
        })
        .collect();
    assert_eq!(rows.len(), 18);
    let control = |x: f64, y: f64| (y - intercept) / slope - x;
    for &(day, x, y) in &rows {
        assert_eq!(control(x, y).abs() > limit, day == 4, "day {day}, width {x}: {}", control(x, y));
    }
    let fourth: Vec<f64> = rows.iter().filter(|row| row.0 == 4).map(|row| control(row.1, row.2)).collect();
    // These too from the printed parameters.
    for (value, expected) in fourth.iter().zip([-0.2288, 0.2706, 0.2937]) {
        assert!((value - expected).abs() < 5e-4, "{value}, expected {expected}");
    }
}
