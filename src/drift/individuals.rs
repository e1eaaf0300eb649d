//! Control chart for individual values with the moving range.
//!
//! Source: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2 "Individuals Control Charts". The handbook's printed
//! constants are used, so that its own example comes out as printed.

/// Mean range of two values over their standard deviation, d₂ for n = 2, as printed (2/√π = 1.12838 unrounded).
pub const D2: f64 = 1.128;
/// Upper limit of the moving range over its mean, D₄ for n = 2, as printed (3.26653 unrounded).
pub const D4: f64 = 3.267;
/// Limits lie this many standard deviations from the centre.
pub const LIMITS: f64 = 3.0;

/// Centre, scatter and limits of a chart, in the unit of its values.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Individuals {
    /// Number of values.
    pub count: usize,
    /// Mean.
    pub centre: f64,
    /// Mean of the moving ranges.
    pub mean_moving_range: f64,
    /// Standard deviation from value to value: the mean moving range over d₂.
    pub sigma: f64,
    /// Upper limit of a moving range.
    pub moving_range_limit: f64,
}

impl Individuals {
    /// The chart of values in the order of time; `None` for fewer than two.
    ///
    /// ```
    /// use narrows::drift::individuals::Individuals;
    /// let chart = Individuals::of(&[7.0, 7.2, 7.1]).unwrap();
    /// assert!((chart.centre - 7.1).abs() < 1e-12);
    /// assert!((chart.mean_moving_range - 0.15).abs() < 1e-12);
    /// ```
    pub fn of(values: &[f64]) -> Option<Self> {
        let [first, .., _] = values else { return None };
        let count = values.len();
        // Taken from the first value on, so that equal values have exactly that value as their mean.
        let centre = first + values.iter().map(|value| value - first).sum::<f64>() / count as f64;
        let ranges = moving_ranges(values);
        let mean_moving_range = ranges.iter().sum::<f64>() / ranges.len() as f64;
        Some(Self {
            count,
            centre,
            mean_moving_range,
            sigma: mean_moving_range / D2,
            moving_range_limit: D4 * mean_moving_range,
        })
    }

    /// Lower and upper control limit.
    pub fn limits(&self) -> [f64; 2] {
        [-LIMITS, LIMITS].map(|times| self.centre + times * self.sigma)
    }

    /// True where a value lies outside the limits. A value whose own repeatability (standard uncertainty) is larger than
    /// the chart's standard deviation is judged against its own.
    pub fn is_out(&self, value: f64, repeatability: f64) -> bool {
        (value - self.centre).abs() > LIMITS * self.sigma.max(repeatability)
    }
}

/// Distance of each value from the one before it.
pub fn moving_ranges(values: &[f64]) -> Vec<f64> {
    values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_value_makes_no_chart() {
        assert_eq!(Individuals::of(&[]), None);
        assert_eq!(Individuals::of(&[7.0]), None);
    }

    #[test]
    fn equal_values_are_never_out() {
        for value in [0.1, 7.3, 1e-9, 12_345.678_9] {
            let chart = Individuals::of(&[value; 13]).unwrap();
            assert_eq!(chart.centre, value);
            assert!(!chart.is_out(value, 0.0));
        }
    }

    #[test]
    fn a_value_less_sure_than_the_chart_is_judged_by_its_own_scatter() {
        let chart = Individuals::of(&[7.0, 7.1, 7.0, 7.1, 7.0, 7.1]).unwrap();
        assert!(chart.is_out(7.6, 0.0));
        assert!(chart.is_out(7.6, 0.15));
        assert!(!chart.is_out(7.6, 0.2));
    }
}
