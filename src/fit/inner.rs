//! The part of the line that the beam's curve is believed on: all of it, or what lies about its finest place.
//!
//! A lens with spherical aberration, a beam that hardly burns at the line's ends, or soot on one half bend the curve far from the
//! focus otherwise than an ideal beam does. Fitted to all of the line, the curve then gives way about the finest place, too.

use super::bracket::bracket;
use super::caustic::{self, CausticFit};
use super::data::Data;
use super::misfit::Misfit;
use super::noise::Scatter;
use crate::locate::trace::median;

/// The inner part has kerfs below so many times the narrowest.
const INNER_GROWTH: f64 = 2.0;
/// Growth on both sides of the finest place that it must show.
const LEAST_GROWTH: f64 = 1.5;
/// Fewest places that it must have.
const LEAST_PLACES: usize = 40;
/// Slow part of what the curve leaves (root mean square of ln kerf) below which all of the line keeps to it: the inner part is not asked.
const KEEPS_TO_IT: f64 = 0.01;
/// Growth (natural log) of the kerf over its distance from the finest place, from the inner part's end to the farthest third of what lies beyond,
/// up to which that is a beam's: it falls, since light makes a cone at most (a hyperbola's by 0.1 from twice to four times the narrowest;
/// rendered lines' by 0.08 and more). The gap between two bowed boards gapes.
const MOST_GAPING: f64 = -0.03;
/// Distance between the two places over the inner one's standard uncertainty beyond which they differ.
const DIFFER: f64 = 2.0;
/// Share of that distance which joins the standard uncertainty: what bends the curve far out has not ended where the inner part begins.
const ASIDE_SHARE: f64 = 0.5;

/// A curve and the stations that it is believed on.
#[derive(Debug, Clone)]
pub struct Trusted {
    /// The stations.
    pub data: Data,
    /// The curve fitted to them.
    pub fit: CausticFit,
    /// What it leaves of them.
    pub misfit: Misfit,
    /// Standard uncertainty of the place for what all of the line says otherwise, mm; 0 where it is believed.
    pub aside_mm: f64,
}

/// All of the line with the curve through it, or its inner part with a curve of its own: where all of it keeps to no burned line's curve and the
/// inner part does, or where the two differ about the finest place; never where the line gapes beyond that part.
pub fn trusted(data: Data, whole: CausticFit, start: Scatter) -> Trusted {
    let misfit = Misfit::of(&data, &whole.residuals);
    let inner = if misfit.slow_rms > KEEPS_TO_IT { inner(&data, &whole, start) } else { None };
    let believed = inner.and_then(|(near, fit)| {
        let left = Misfit::of(&near, &fit.residuals);
        let apart_mm = (fit.caustic.position - whole.caustic.position).abs();
        let is_asked = misfit.is_another_shape() || apart_mm > DIFFER * fit.u_position;
        let is_believed = is_asked && !left.is_another_shape() && !gapes(&data, &near, &fit);
        is_believed.then_some(Trusted { data: near, fit, misfit: left, aside_mm: ASIDE_SHARE * apart_mm })
    });
    believed.unwrap_or(Trusted { data, fit: whole, misfit, aside_mm: 0.0 })
}

/// The inner part and the curve through it; `None` where it does not show enough on both sides.
fn inner(data: &Data, whole: &CausticFit, start: Scatter) -> Option<(Data, CausticFit)> {
    let curve = &whole.caustic;
    let turn = curve.turnover();
    let narrowest = curve.ln_kerf(curve.position);
    let growth = |i: usize| (curve.ln_kerf(data.position[i]) - narrowest).exp();
    let near = data.filtered(|i| growth(i) < INNER_GROWTH && data.position[i] > turn[0] && data.position[i] < turn[1]);
    if near.len() < LEAST_PLACES {
        return None;
    }
    let fit = caustic::fit(&near, &bracket(&near).ok()?, start, 2)?;
    let ends = near.range().map(|end| (fit.caustic.ln_kerf(end) - fit.caustic.ln_kerf(fit.caustic.position)).exp());
    ends.into_iter().all(|grown| grown > LEAST_GROWTH).then_some((near, fit))
}

/// True where the kerf beyond the inner part, on either side, grows about as fast as its distance from the finest place, or faster.
fn gapes(data: &Data, near: &Data, fit: &CausticFit) -> bool {
    let finest = fit.caustic.position;
    near.range().into_iter().any(|end| {
        let away = |place: f64| (place - finest).abs();
        let is_beyond = |i: &usize| (data.position[*i] - end) * (end - finest) > 0.0;
        let mut beyond: Vec<usize> = (0..data.len()).filter(is_beyond).collect();
        beyond.sort_by(|a, b| away(data.position[*a]).total_cmp(&away(data.position[*b])));
        let farthest = &beyond[beyond.len() - beyond.len() / 3..];
        let spread = |ln_kerf: f64, place: f64| ln_kerf - away(place).ln();
        let there: Vec<f64> = farthest.iter().map(|i| spread(data.ln_kerf[*i], data.position[*i])).collect();
        !there.is_empty() && median(there) - spread(fit.caustic.ln_kerf(end), end) > MOST_GAPING
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::curve::Caustic;

    /// Places along the strip for a millimetre of height.
    const PER_HEIGHT: f64 = 8.0;
    /// Stations for a row of the table.
    const PER_ROW: usize = 5;
    const START: Scatter = Scatter { grain: 0.03, length_mm: 2.0, own_factor: 1.0 };

    /// Kerfs of lines burned by beams of other optics, propagated numerically (`fixtures/reference/propagated-kerf.csv` tells how), and
    /// where they are finest, along a strip.
    fn propagated(curve: &str) -> (Data, f64) {
        let text = include_str!("../../fixtures/reference/propagated-kerf.csv");
        let rows: Vec<[f64; 3]> = text
            .lines()
            .filter_map(|line| line.strip_prefix(curve)?.strip_prefix(','))
            .map(|rest| {
                let numbers: Vec<f64> = rest.split(',').map(|number| number.parse().unwrap()).collect();
                numbers.try_into().unwrap()
            })
            .collect();
        let between = |k: usize| {
            let [[_, h0, k0], [_, h1, k1]] = [rows[k / PER_ROW], rows[k / PER_ROW + 1]];
            let share = (k % PER_ROW) as f64 / PER_ROW as f64;
            (PER_HEIGHT * (h0 + share * (h1 - h0)), (k0 + share * (k1 - k0)).ln())
        };
        let places = (0..PER_ROW * (rows.len() - 1)).map(between);
        (data(places), PER_HEIGHT * rows[0][0])
    }

    /// Stations (place in mm, ln kerf) with a little grain.
    fn data(places: impl Iterator<Item = (f64, f64)>) -> Data {
        let grain = |s: f64| 0.008 * ((3.1 * s).sin() + (1.7 * s).cos());
        let (position, ln_kerf): (Vec<f64>, Vec<f64>) = places.map(|(s, ln_kerf)| (s, ln_kerf + grain(s))).unzip();
        let column = |value: f64| vec![value; position.len()];
        Data { own: column(0.003), contrast: column(0.9), position, ln_kerf }
    }

    fn whole(data: &Data) -> CausticFit {
        caustic::fit(data, &bracket(data).unwrap(), START, 2).unwrap()
    }

    #[test]
    fn of_an_aberrated_beam_the_part_about_its_focus_is_believed() {
        for curve in ["aberrated", "strongly aberrated", "uneven", "overdriven"] {
            let (data, finest) = propagated(curve);
            let whole = whole(&data);
            let trusted = trusted(data, whole.clone(), START);
            let off = |fit: &CausticFit| (fit.caustic.position - finest).abs();
            assert!(off(&trusted.fit) < 0.65 * off(&whole), "{curve}: {} {}", off(&trusted.fit), off(&whole));
            let u = trusted.aside_mm.hypot(trusted.fit.u_position).hypot(0.03 * whole.caustic.ln_length.exp());
            assert!(off(&trusted.fit) < 2.0 * u, "{curve}: {} u {u}", off(&trusted.fit));
        }
    }

    #[test]
    fn a_line_whose_ends_are_another_s_is_a_burned_line_about_its_focus() {
        for curve in ["overdriven", "fading", "card"] {
            let (data, finest) = propagated(curve);
            let whole = whole(&data);
            assert!(Misfit::of(&data, &whole.residuals).is_another_shape(), "{curve}");
            let trusted = trusted(data, whole, START);
            assert!(!trusted.misfit.is_another_shape(), "{curve}: {:?}", trusted.misfit);
            let off = (trusted.fit.caustic.position - finest).abs();
            assert!(off < 0.05 * trusted.fit.caustic.ln_length.exp(), "{curve}: {off}");
        }
    }

    /// An ideal beam's line from 40 mm before its focus to `end` mm beyond it, with so much more kerf (natural log) at each place.
    fn ideal(end: f64, more: impl Fn(f64) -> f64) -> Data {
        let curve = Caustic {
            position: 0.0,
            ln_width: 0.1f64.ln(),
            ln_overdrive: 30f64.ln(),
            ln_length: 8f64.ln(),
            asymmetry: 0.0,
        };
        let count = ((40.0 + end) / 0.15) as usize;
        data((0..count).map(|k| -40.0 + 0.15 * k as f64).map(|s| (s, curve.ln_kerf(s) + more(s))))
    }

    #[test]
    fn all_of_a_line_that_keeps_to_its_curve_is_believed() {
        let data = ideal(40.0, |_| 0.0);
        let trusted = trusted(data.clone(), whole(&data), START);
        assert_eq!((trusted.data.len(), trusted.aside_mm), (data.len(), 0.0));
    }

    /// Boards bowed away from each other: their gap grows with the square of the distance.
    #[test]
    fn no_part_of_what_gapes_is_believed() {
        let gap = data((0..540).map(|k| -40.0 + 0.15 * f64::from(k)).map(|s| (s, (0.3 + 0.0009 * s * s).ln())));
        let fitted = whole(&gap);
        assert!(Misfit::of(&gap, &fitted.residuals).is_another_shape());
        let (near, part) = inner(&gap, &fitted, START).unwrap();
        assert!(gapes(&gap, &near, &part));
        assert_eq!(trusted(gap.clone(), fitted, START).data.len(), gap.len());
        for curve in ["overdriven", "fading", "card"] {
            let (line, _) = propagated(curve);
            let (near, part) = inner(&line, &whole(&line), START).unwrap();
            assert!(!gapes(&line, &near, &part), "{curve}");
        }
    }

    #[test]
    fn nothing_else_is_believed_where_no_part_is_a_burned_line_s_or_one_side_hardly_shows() {
        let wave = |s: f64| 0.09 * (0.3 * s).cos();
        let bent = |s: f64| 0.2 * ((s.abs() - 12.0).max(0.0) / 28.0);
        for data in [ideal(40.0, wave), ideal(5.0, bent)] {
            let whole = whole(&data);
            let misfit = Misfit::of(&data, &whole.residuals);
            let trusted = trusted(data.clone(), whole, START);
            assert_eq!((trusted.data.len(), trusted.misfit), (data.len(), misfit));
        }
    }
}
