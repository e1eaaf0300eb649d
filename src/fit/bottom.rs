//! How much of the line the parabola sees.

use super::caustic::CausticFit;
use super::data::Data;
use super::parabola::{self, ParabolaFit};

/// The parabola sees the kerfs below a multiple of the narrowest: the least of these from which its place is sure enough, or the last.
///
/// What bends the curve otherwise than a parabola (unequal sides, the beam's own shape) grows with the stretch, the grain's part shrinks
/// with it; a clean line needs no more than its very bottom.
const GROWTHS: [f64; 10] = [1.08, 1.11, 1.14, 1.17, 1.20, 1.23, 1.26, 1.29, 1.32, 1.35];
/// Share of that stretch, in the width's logarithm, over which places fade out: one that enters or leaves must not move the rest.
const FADING: f64 = 0.3;
/// Standard uncertainty over the caustic's length that is sure enough.
const SURE: f64 = 0.035;

/// The parabola through the bottom of the curve that the caustic has found; `None` where none opens upwards.
pub fn fit(data: &Data, whole: &CausticFit) -> Option<ParabolaFit> {
    let caustic = &whole.caustic;
    let turn = caustic.turnover();
    let narrowest = caustic.ln_kerf(caustic.position);
    let below = |growth: f64| {
        let share = |i: usize| (caustic.ln_kerf(data.position[i]) - narrowest) / growth.ln();
        let is_near = |i: usize| share(i) < 1.0 && data.position[i] > turn[0] && data.position[i] < turn[1];
        let mut near = data.filtered(is_near);
        let shares = (0..data.len()).filter(|i| is_near(*i)).map(share);
        for (own, share) in near.own.iter_mut().zip(shares) {
            let weight = ((1.0 - share) / FADING).clamp(0.05, 1.0).powi(2);
            *own = own.hypot(whole.scatter.grain * (1.0 / weight - 1.0).sqrt());
        }
        parabola::fit(&near, |s| caustic.ln_kerf(s), &whole.scatter)
    };
    let sure = SURE * caustic.ln_length.exp();
    let mut last: Option<ParabolaFit> = None;
    for growth in GROWTHS {
        let Some(found) = below(growth) else { continue };
        if found.u_position < sure {
            // Between two steps, so that two pictures of one strip, a hair apart, do not differ by a whole one.
            return Some(match last {
                Some(less) => less.towards(&found, (less.u_position - sure) / (less.u_position - found.u_position)),
                None => found,
            });
        }
        last = Some(found);
    }
    last
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::bracket::bracket;
    use crate::fit::caustic;
    use crate::fit::curve::Caustic;
    use crate::fit::noise::Scatter;

    /// A clean line needs less of the curve than a grainy one, and both find its place.
    #[test]
    fn a_clean_line_is_judged_by_its_very_bottom() {
        let range_of = |grain: f64| {
            let curve = Caustic {
                position: 40.0,
                ln_width: 0.1f64.ln(),
                ln_overdrive: 20f64.ln(),
                ln_length: 6f64.ln(),
                asymmetry: 0.0,
            };
            let position: Vec<f64> = (0..320).map(|i| 0.25 * f64::from(i)).collect();
            let wander = |s: f64| grain * ((3.1 * s).sin() + (1.7 * s).cos());
            let ln_kerf: Vec<f64> = position.iter().map(|s| curve.ln_kerf(*s) + wander(*s)).collect();
            let column = |value: f64| vec![value; position.len()];
            let data = Data { own: column(0.003), contrast: column(0.9), position, ln_kerf };
            let start = Scatter { grain: 0.03, length_mm: 2.0, own_factor: 1.0 };
            let whole = caustic::fit(&data, &bracket(&data).unwrap(), start, 2).unwrap();
            let bottom = fit(&data, &whole).unwrap();
            assert!((bottom.position - 40.0).abs() < 2.5 * bottom.u_position.max(0.05), "{grain}: {bottom:?}");
            bottom.range[1] - bottom.range[0]
        };
        let [clean, grainy] = [0.002, 0.03].map(range_of);
        assert!(clean < 0.7 * grainy, "{clean} {grainy}");
    }
}
