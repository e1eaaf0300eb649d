//! Is there a trend, and how fast: the test of Mann and Kendall and the slope of Theil and Sen.
//!
//! Sources: H. B. Mann, Econometrica 13 (1945) 245; P. K. Sen, JASA 63 (1968) 1379; the interval by ranks as in
//! R. O. Gilbert, *Statistical Methods for Environmental Pollution Monitoring* (1987), ch. 16.

use statrs::distribution::{ContinuousCDF, Normal};

/// Up to this many values without ties the chance is counted out; beyond, the normal law is as good.
const COUNTED: usize = 40;

/// Outcome of the Mann–Kendall test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Number of values.
    pub count: usize,
    /// Rising pairs minus falling pairs.
    pub s: i64,
    /// Variance of `s` where there is no trend, ties allowed for.
    pub variance: f64,
    /// `s`, one step nearer to zero, over its standard deviation.
    pub z: f64,
    /// Two-sided chance of as large an `s` by the normal law.
    pub p_normal: f64,
    /// Two-sided chance: counted out for few values without ties, else the normal law's.
    pub p: f64,
}

/// Tests values in the order of time for a trend; `None` for fewer than three.
pub fn mann_kendall(values: &[f64]) -> Option<MannKendall> {
    let n = values.len();
    if n < 3 {
        return None;
    }
    let pairs = (0..n).flat_map(|i| (i + 1..n).map(move |j| (i, j)));
    let s: i64 = pairs
        .map(|(i, j)| match values[j].partial_cmp(&values[i]) {
            Some(std::cmp::Ordering::Greater) => 1,
            Some(std::cmp::Ordering::Less) => -1,
            _ => 0,
        })
        .sum();
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let ties: Vec<usize> = sorted.chunk_by(|a, b| a == b).map(<[f64]>::len).filter(|&t| t > 1).collect();
    let term = |t: usize| (t * (t - 1) * (2 * t + 5)) as f64;
    let variance = (term(n) - ties.iter().map(|&t| term(t)).sum::<f64>()) / 18.0;
    // Continuity: the next value nearer to zero.
    let z = if variance > 0.0 { (s - s.signum()) as f64 / variance.sqrt() } else { 0.0 };
    let p_normal = (2.0 * standard_normal().sf(z.abs())).min(1.0);
    let p = if ties.is_empty() && n <= COUNTED { counted(n, s) } else { p_normal };
    Some(MannKendall { count: n, s, variance, z, p_normal, p })
}

/// Two-sided chance of as large an |S| among all orders of n different values: by the number of orders with each
/// count of falling pairs, which is the product of 1 + x + … + x^(k−1) for k = 1 … n.
fn counted(n: usize, s: i64) -> f64 {
    let pairs = n * (n - 1) / 2;
    let mut shares = vec![0.0; pairs + 1];
    shares[0] = 1.0;
    for k in 2..=n {
        let before = shares.clone();
        let mut window = 0.0;
        for (falling, share) in shares.iter_mut().enumerate() {
            window += before[falling];
            if falling >= k {
                window -= before[falling - k];
            }
            *share = window / k as f64;
        }
    }
    // S = pairs − 2 × falling.
    let least_falling = (pairs - s.unsigned_abs() as usize) / 2;
    if s == 0 {
        return 1.0;
    }
    (2.0 * shares[..=least_falling].iter().sum::<f64>()).min(1.0)
}

/// A straight line through the middle of values, with the interval of its slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs, in units of y over units of x.
    pub slope: f64,
    /// Lower and upper end of the slope's interval.
    pub interval: [f64; 2],
    /// Median x and median y, through which the line runs.
    pub middle: [f64; 2],
}

impl TheilSen {
    /// The line at a place.
    pub fn at(&self, x: f64) -> f64 {
        self.middle[1] + self.slope * (x - self.middle[0])
    }

    /// The line's value at x = 0.
    pub fn intercept(&self) -> f64 {
        self.at(0.0)
    }
}

/// Fits a line to values `y` at `x`; `confidence` such as 0.95. `None` where fewer than two places differ.
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Option<TheilSen> {
    let n = x.len().min(y.len());
    let mut slopes: Vec<f64> = (0..n)
        .flat_map(|i| (i + 1..n).map(move |j| (i, j)))
        .filter(|&(i, j)| x[i] != x[j])
        .map(|(i, j)| (y[j] - y[i]) / (x[j] - x[i]))
        .collect();
    if slopes.is_empty() {
        return None;
    }
    // Ties in y count as in the test; with ties in x their pairs are already missing from the slopes.
    let spread = mann_kendall(&y[..n]).map_or(0.0, |test| test.variance).sqrt();
    let wide = standard_normal().inverse_cdf(0.5 + 0.5 * confidence.clamp(0.0, 1.0 - 1e-12)) * spread;
    let pairs = slopes.len() as f64;
    // Counted from 1.
    let ranks = [(pairs - wide) / 2.0, (pairs + wide) / 2.0 + 1.0];
    Some(TheilSen {
        slope: at_rank(&mut slopes, 0.5 * (pairs + 1.0)),
        interval: ranks.map(|rank| at_rank(&mut slopes, rank)),
        middle: [median(&sorted(&x[..n])), median(&sorted(&y[..n]))],
    })
}

/// Value at a fractional rank counted from 1; beyond the first or last, that one. Sorts no more than it has to: thousands
/// of readings make millions of pairs.
fn at_rank(values: &mut [f64], rank: f64) -> f64 {
    let rank = (rank - 1.0).clamp(0.0, (values.len() - 1) as f64);
    let (_, &mut below, rest) = values.select_nth_unstable_by(rank.floor() as usize, f64::total_cmp);
    let share = rank.fract();
    if share == 0.0 {
        return below;
    }
    let above = rest.iter().copied().min_by(f64::total_cmp).unwrap_or(below);
    below + share * (above - below)
}

fn sorted(values: &[f64]) -> Vec<f64> {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values
}

/// Of values in order.
fn median(sorted: &[f64]) -> f64 {
    let n = sorted.len();
    f64::midpoint(sorted[(n - 1) / 2], sorted[n / 2])
}

fn standard_normal() -> Normal {
    Normal::standard()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// All orders of five values, counted by hand on the computer: the chances of |S| = 10, 8, 6 are 2, 10 and 28 of 120.
    #[test]
    fn chances_are_counted_out() {
        for (s, orders) in [(10, 2.0), (8, 10.0), (6, 28.0), (0, 120.0)] {
            assert!((counted(5, s) - orders / 120.0).abs() < 1e-12, "{s}: {}", 120.0 * counted(5, s));
            assert!((counted(5, -s) - orders / 120.0).abs() < 1e-12);
        }
    }

    #[test]
    fn two_values_have_no_trend() {
        assert_eq!(mann_kendall(&[1.0, 2.0]), None);
    }

    #[test]
    fn equal_values_have_no_trend() {
        let test = mann_kendall(&[7.0; 9]).unwrap();
        assert_eq!((test.s, test.z, test.p), (0, 0.0, 1.0));
    }

    #[test]
    fn a_straight_line_is_found() {
        let x: Vec<f64> = (0..9).map(f64::from).collect();
        let y: Vec<f64> = x.iter().map(|x| 3.0 - 0.25 * x).collect();
        let line = theil_sen(&x, &y, 0.95).unwrap();
        assert!((line.slope + 0.25).abs() < 1e-12 && (line.intercept() - 3.0).abs() < 1e-12);
        assert_eq!(line.interval, [-0.25, -0.25]);
        assert_eq!(theil_sen(&[1.0, 1.0], &[2.0, 3.0], 0.95), None);
    }
}
