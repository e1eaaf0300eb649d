//! A number and how sure it is.

use serde::Serialize;

/// A value with its standard uncertainty, in the unit its field name says.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
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
