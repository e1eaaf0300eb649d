//! One place from two fits that fail differently.

use super::caustic::CausticFit;
use super::parabola::ParabolaFit;
use crate::estimate::Estimate;

/// Standard uncertainty, over the caustic's length, of what each model does not describe: the caustic takes the whole line for that of
/// one ideal beam, the parabola only the bottom of the curve for symmetric.
const CAUSTIC_FLOOR: f64 = 0.03;
const PARABOLA_FLOOR: f64 = 0.02;
/// Share of a fit's own standard uncertainty that counts beside its floor. What a fit learns of the grain's size and reach from one
/// line errs to both sides, so that a large one is on average too large, a small one too small.
const OWN_SHARE: f64 = 0.80;
/// The caustic's where there is no parabola beside it.
const ALONE_FLOOR: f64 = 0.05;
/// Correlation of the two fits' errors, which see the same grain: as rendered strips showed it (docs/uncertainty.md).
const CORRELATION: f64 = 0.62;
/// Share of the variance between the fits beyond their own that joins the combined one.
const EXCESS_SHARE: f64 = 0.5;
/// How slowly a fit's weight falls with its standard uncertainty beyond the other's.
const BALANCE: f64 = 3.0;

/// The finest place by both fits.
#[derive(Debug, Clone, Copy)]
pub struct Combined {
    /// Position along the strip, mm.
    pub position: Estimate,
    /// Shares of the caustic and of the parabola in it; they sum to 1.
    pub weights: [f64; 2],
    /// How far the fits differ over what they claim.
    pub disagreement: f64,
}

/// Mean of both fits, weighed by their certainty.
///
/// Its variance is that of a weighted mean of two correlated values (JCGM 100:2008, 5.2.2). What they differ by beyond their own
/// uncertainties is evidence against both models and joins it in part. Weights fall more slowly than with the inverse variance: each
/// fit's own uncertainty says nothing of its model's bias, and on rendered strips the nearly plain mean errs least. Floors, share and
/// balance are calibrated there (docs/uncertainty.md).
pub fn combine(caustic: &CausticFit, parabola: Option<&ParabolaFit>) -> Combined {
    let length = caustic.caustic.ln_length.exp();
    let place = caustic.caustic.position;
    match parabola {
        None => Combined {
            position: Estimate::new(place, (OWN_SHARE * caustic.u_position).hypot(ALONE_FLOOR * length)),
            weights: [1.0, 0.0],
            disagreement: 0.0,
        },
        Some(parabola) => of_both(
            [place, parabola.position],
            [
                (OWN_SHARE * caustic.u_position).hypot(CAUSTIC_FLOOR * length),
                (OWN_SHARE * parabola.u_position).hypot(PARABOLA_FLOOR * length),
            ],
        ),
    }
}

/// Two correlated values with their standard uncertainties as one.
fn of_both(values: [f64; 2], u: [f64; 2]) -> Combined {
    let least = u[0].min(u[1]);
    // Much less sure than the other, a fit says nothing: neither in the mean nor by differing.
    let says = u.map(|u| 1.0 / (u * u + BALANCE * least * least));
    let weights = says.map(|say| say / (says[0] + says[1]));
    let [a, b] = [weights[0] * u[0], weights[1] * u[1]];
    let own = a * a + b * b + 2.0 * CORRELATION * a * b;
    // Variance between the fits, as of a mixture of both, and what of it theirs does not explain.
    let difference = values[0] - values[1];
    let between = weights[0] * weights[1] * difference * difference;
    let excess = (between - weights[0] * u[0] * u[0] - weights[1] * u[1] * u[1]).max(0.0);
    Combined {
        position: Estimate::new(weights[0] * values[0] + weights[1] * values[1], (own + EXCESS_SHARE * excess).sqrt()),
        weights,
        disagreement: difference.abs() / u[0].hypot(u[1]),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The variance of a mean of two correlated values, by JCGM 100:2008, equation (16).
    #[test]
    fn two_alike_make_it_surer_by_what_they_do_not_share() {
        let both = of_both([40.0, 40.0], [0.2, 0.2]);
        assert!((both.position.value - 40.0).abs() < 1e-12 && (both.weights[0] - 0.5).abs() < 1e-12);
        let expected = 0.2 * (0.5 * (1.0 + CORRELATION)).sqrt();
        assert!((both.position.standard_uncertainty - expected).abs() < 1e-12, "{both:?}");
    }

    #[test]
    fn fits_that_differ_make_it_less_sure() {
        let u = |difference: f64| of_both([40.0, 40.0 + difference], [0.2, 0.2]).position.standard_uncertainty;
        assert!((u(0.3) - u(0.0)).abs() < 1e-12, "within what they claim");
        assert!(u(1.0) > 1.5 * u(0.0) && u(2.0) > 1.8 * u(1.0));
    }

    #[test]
    fn one_that_is_far_less_sure_says_next_to_nothing() {
        let both = of_both([40.0, 43.0], [0.2, 4.0]);
        assert!((both.position.value - 40.0).abs() < 0.1, "{both:?}");
        assert!(both.position.standard_uncertainty < 0.25, "{both:?}");
    }
}
