//! A number and how sure it is.

use serde::{Deserialize, Serialize};

/// A value with its standard uncertainty, in the unit its field name says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Estimate {
    /// The best value.
    pub value: f64,
    /// One standard deviation (JCGM 100:2008, 2.3.1).
    pub standard_uncertainty: f64,
}

/// Coverage factor of the expanded uncertainty: the "give or take" of every screen and page.
pub const COVERAGE_FACTOR: f64 = 2.0;

impl Estimate {
    /// A value with its standard uncertainty, both in one unit.
    pub const fn new(value: f64, standard_uncertainty: f64) -> Self {
        Self { value, standard_uncertainty }
    }

    /// Half the width of the interval k = 2 (JCGM 100:2008, 2.3.5).
    pub fn expanded(&self) -> f64 {
        COVERAGE_FACTOR * self.standard_uncertainty
    }
}

/// A function of independent inputs with the uncertainty that they give it (JCGM 100:2008, 5.1.2), in the unit of
/// the function's value.
///
/// Each input's part is half the difference of the function one standard uncertainty above and below it
/// (5.1.3, note 2), which needs no derivative by hand and is exact for functions up to the second degree in each input.
/// Inputs that share a cause are not independent: pass the cause.
///
/// ```
/// use narrows::estimate::{Estimate, propagate};
/// let area = propagate([Estimate::new(3.0, 0.3), Estimate::new(4.0, 0.3)], |[a, b]| a * b);
/// assert_eq!(area.value, 12.0);
/// assert!((area.standard_uncertainty - 1.5).abs() < 1e-12);
/// ```
pub fn propagate<const N: usize>(inputs: [Estimate; N], function: impl Fn([f64; N]) -> f64) -> Estimate {
    let values = inputs.map(|input| input.value);
    let part = |index: usize| {
        let moved = |by: f64| {
            let mut values = values;
            values[index] += by * inputs[index].standard_uncertainty;
            function(values)
        };
        (moved(1.0) - moved(-1.0)) / 2.0
    };
    let variance: f64 = (0..N).map(|index| part(index).powi(2)).sum();
    Estimate::new(function(values), variance.sqrt())
}
