//! How much a series moved between two groups of its values, and where it moved most.
//!
//! The interval is that of two means with a common scatter (Student's t; NIST/SEMATECH e-Handbook, 1.3.5.3). Few values
//! say little of their own scatter, so what each value is known to is never forgotten: the wider of both holds.

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};

/// Fewer values than this beyond the two means, and their own scatter is not asked.
const LEAST_FREEDOM: usize = 4;

/// A value with what is known of its certainty before it is compared with others; one unit throughout.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Standard uncertainty of what differs from one measurement to the next.
    pub repeatability: f64,
    /// Standard uncertainty of the whole.
    pub whole: f64,
}

/// Change from one group of values to a later one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// Mean after minus mean before.
    pub value: f64,
    /// Values before and after.
    pub counts: [usize; 2],
    /// Sum of the squared distances from the two means.
    pub sum_of_squares: f64,
    /// Standard uncertainty of the change from the values' own certainty.
    own: f64,
    /// The same from their scatter about the two means.
    scattered: f64,
}

impl Change {
    /// The change between two groups; `None` where either is empty.
    pub fn between(before: &[Measured], after: &[Measured]) -> Option<Self> {
        if before.is_empty() || after.is_empty() {
            return None;
        }
        let means = [before, after].map(mean);
        let sum_of_squares =
            [before, after].iter().zip(means).flat_map(|(g, m)| g.iter().map(move |v| (v.value - m).powi(2))).sum();
        let counts = [before.len(), after.len()];
        let freedom = counts[0] + counts[1] - 2;
        let is_told = freedom >= LEAST_FREEDOM;
        let own_of = |group: &[Measured]| {
            let of = |v: &Measured| if is_told { v.repeatability } else { v.whole };
            group.iter().map(|v| of(v).powi(2)).sum::<f64>() / (group.len() as f64).powi(2)
        };
        let variance: f64 = if freedom > 0 { sum_of_squares / freedom as f64 } else { 0.0 };
        Some(Self {
            value: means[1] - means[0],
            counts,
            sum_of_squares,
            own: (own_of(before) + own_of(after)).sqrt(),
            scattered: (variance / counts[0] as f64 + variance / counts[1] as f64).sqrt(),
        })
    }

    /// Half the width of the interval at a confidence such as 0.95.
    pub fn half_width(&self, confidence: f64) -> f64 {
        let tail = 0.5 + 0.5 * confidence.clamp(0.0, 1.0 - 1e-12);
        let normal = Normal::standard().inverse_cdf(tail);
        let freedom = self.counts[0] + self.counts[1] - 2;
        let times = if freedom >= LEAST_FREEDOM {
            StudentsT::new(0.0, 1.0, freedom as f64).map_or(normal, |law| law.inverse_cdf(tail))
        } else {
            normal
        };
        (times * self.scattered).max(normal * self.own)
    }

    /// The interval at a confidence such as 0.95.
    pub fn interval(&self, confidence: f64) -> [f64; 2] {
        [-1.0, 1.0].map(|sign| self.value + sign * self.half_width(confidence))
    }

    /// True where the interval at this confidence does not hold zero.
    pub fn is_clear(&self, confidence: f64) -> bool {
        self.value.abs() > self.half_width(confidence) && self.value != 0.0
    }
}

/// The place in a series in the order of time where it moved most for its uncertainty: number of values before it, and
/// the change there. `None` for fewer than two values.
pub fn greatest(values: &[Measured]) -> Option<(usize, Change)> {
    let strength = |change: &Change| change.value.abs() / change.half_width(0.99).max(f64::MIN_POSITIVE);
    (1..values.len())
        .filter_map(|at| Some((at, Change::between(&values[..at], &values[at..])?)))
        .map(|(at, change)| (strength(&change), at, change))
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(&a.1)))
        .map(|(_, at, change)| (at, change))
}

/// Confidence at each of several places that together err no more often than one place at `confidence` (Bonferroni).
pub fn shared_confidence(confidence: f64, places: usize) -> f64 {
    1.0 - (1.0 - confidence) / places.max(1) as f64
}

fn mean(values: &[Measured]) -> f64 {
    let first = values[0].value;
    first + values.iter().map(|v| v.value - first).sum::<f64>() / values.len() as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sure(values: &[f64]) -> Vec<Measured> {
        values.iter().map(|&value| Measured { value, repeatability: 0.0, whole: 0.0 }).collect()
    }

    /// Worked by hand: means 2 and 5, sum of squares 2 + 2 with 4 degrees of freedom, so s = 1; t(0.975, 4) = 2.776
    /// (t table of the NIST/SEMATECH e-Handbook, 1.3.6.7.2), half width 2.776·√(2/3).
    #[test]
    fn two_means_worked_by_hand() {
        let change = Change::between(&sure(&[1.0, 2.0, 3.0]), &sure(&[4.0, 5.0, 6.0])).unwrap();
        assert!((change.value - 3.0).abs() < 1e-12 && change.counts == [3, 3]);
        assert!((change.half_width(0.95) - 2.776 * (2.0_f64 / 3.0).sqrt()).abs() < 1e-3);
        assert!(change.is_clear(0.95) && !change.is_clear(0.99));
    }

    #[test]
    fn one_value_against_one_is_judged_by_what_they_are_known_to() {
        let one = |value| [Measured { value, repeatability: 0.05, whole: 0.1 }];
        let change = Change::between(&one(7.0), &one(7.3)).unwrap();
        // 1.96 · 0.1 · √2
        assert!((change.half_width(0.95) - 0.277_2).abs() < 1e-3, "{}", change.half_width(0.95));
        assert_eq!(Change::between(&one(7.0), &[]), None);
    }

    #[test]
    fn many_values_that_agree_too_well_are_held_to_their_own_scatter() {
        let alike = [Measured { value: 7.0, repeatability: 0.1, whole: 0.5 }; 8];
        let change = Change::between(&alike, &alike).unwrap();
        assert!((change.half_width(0.95) - 1.96 * 0.05).abs() < 1e-3);
        assert!(!change.is_clear(0.95));
    }

    #[test]
    fn the_place_of_a_step_is_found() {
        let values = sure(&[7.0, 7.1, 6.9, 7.0, 8.0, 8.1, 7.9]);
        let (at, change) = greatest(&values).unwrap();
        assert_eq!(at, 4);
        assert!((change.value - 1.0).abs() < 1e-12);
        assert_eq!(greatest(&values[..1]), None);
    }

    #[test]
    fn equal_values_never_moved() {
        let (_, change) = greatest(&sure(&[0.3; 9])).unwrap();
        assert!(!change.is_clear(0.5));
    }
}
