//! From stations to the waist: bracket, outliers, fits, and how they are combined.

use std::collections::BTreeMap;

use super::bottom;
use super::bracket::{Bracket, NoBracket, bracket};
use super::caustic;
use super::combine::{Combined, combine};
use super::data::{Data, LEAST_STATIONS};
use super::fading::{leave_out_faded, strong_span};
use super::inner::{Trusted, trusted};
use super::noise::Scatter;
use super::outliers::{leave_out_strays, mark_outliers};
use crate::estimate::Estimate;
use crate::locate::trace::median;
use crate::locate::{Course, Tie};
use crate::reading::{Fit, Model, Waist};
use crate::stations::{LeftOut, Station};

/// Least rise on both sides of a finest place that is preferred because the line is stronger there.
const LEAST_STRONG_RISE: f64 = 1.15;
/// A line that has risen less than this on a side does not show its waist.
const LEAST_FITTED_RISE: f64 = 1.10;

/// Share of the usable stations that must agree with one curve.
const LEAST_AGREEING: f64 = 0.6;

/// Distance from the waist, in lengths of the caustic, within which places that are left out make it less sure, and the share of
/// them that makes the standard uncertainty √2 times as large. What disturbed them may have moved their neighbours too.
const ABOUT_THE_WAIST: f64 = 1.5;
const LEFT_OUT_DOUBT: f64 = 0.15;
/// Distance from the waist, in lengths of the caustic on that side, within which this share of the places must be used.
const FINEST_REACH: f64 = 0.4;
const LEAST_AT_FINEST: f64 = 0.4;
/// The same on either side of it: what turns the kerf upwards there must have been measured.
const SIDE_REACH: f64 = 0.7;
const LEAST_ON_A_SIDE: f64 = 0.56;
/// Where grain spoils more than that, this share is enough if so much of what lies farther out on both sides, up to this distance, is
/// used: there the line is seen to come down from both sides.
const LEAST_IF_SEEN_FARTHER_OUT: f64 = 0.2;
const FARTHER_OUT_REACH: f64 = 1.5;
const LEAST_FARTHER_OUT: f64 = 0.7;
/// The same share of what lies farther out up to this distance is enough where so much of each side is used.
const FAR_OUT_REACH: f64 = 3.0;
const LEAST_ON_A_SIDE_IF_SEEN_FAR_OUT: f64 = 0.35;
/// Rise on the flatter side below which a line is shallow: its beam is so weak that the kerf turns over nearby, where both models
/// describe it less well. What that adds to the standard uncertainty, over the caustic's length and the rise short of it (natural log).
const SHALLOW_RISE: f64 = 1.75;
const SHALLOW: f64 = 0.2;
/// Standard uncertainty over the caustic's length beyond which no place is given.
const MOST_UNSURE: f64 = 0.34;
/// The same may be so many times as much where places that are left out make it less sure.
const MOST_UNSURE_DOUBT: f64 = 1.25;
/// Root mean square of what the curve leaves of the kerf beyond which no place is given. Of ten thousand rendered strips with a number 8
/// were beyond, by 0.2 to 1.4 Rayleigh ranges off.
const MOST_LEFT: f64 = 0.2;
/// Rise on the flatter side over the root mean square of what strays slowly; rendered lines have 3.9 and more.
const LEAST_OVER_SLOW: f64 = 3.8;
/// Most that one side's length can be of the other's; an asymmetry of 15 % is ordinary and makes 1.35.
const MOST_UNEQUAL: f64 = 2.0;

/// The waist and the fits behind it.
#[derive(Debug, Clone)]
pub struct WaistFit {
    /// Position from the kerf's curve alone; the tie's uncertainty comes on top.
    pub position: Estimate,
    /// Narrowest kerf, mm.
    pub kerf_mm: Estimate,
    /// Positions where the fitted kerf has grown by the fraction; `None` where either lies outside the stations.
    pub slack: Option<[f64; 2]>,
    /// The caustic's length along the strip on the low and the high side, mm.
    pub lengths_mm: [f64; 2],
    /// 1/e² radius of the beam at the waist by the caustic, mm.
    pub beam_radius_mm: f64,
    /// Half the log ratio of the high to the low side's length.
    pub asymmetry: f64,
    /// How far the fits differ over what they claim.
    pub disagreement: f64,
    /// First and last usable station.
    pub range_mm: [f64; 2],
}

/// How much less sure a place is in a photograph than the fits say, whose noise and softness are less even than a scan's: as rendered
/// strips showed it (docs/uncertainty.md).
const PHOTOGRAPHED: f64 = 1.05;
/// Standard uncertainty, as a share of the kerf, of what is seen as its edge: the light half-way between char and ground. And of a
/// picture's blur, as a share of it, whose shape is not known. Both as pictures of two renderers showed them (docs/uncertainty.md).
const EDGE_UNSURE: f64 = 0.02;
const BLUR_UNSURE: f64 = 1.0 / 12.0;
/// Wavelength of a CO2 laser, mm.
const WAVELENGTH_MM: f64 = 0.0106;
/// Beyond this a mark is no single stroke of a focused beam, but an area filled with many, or two lines that cross. Rendered strips
/// (M² of 1.1 to 1.6, heat spread, aberration) reach 3.2.
const MOST_TIMES_IDEAL: f64 = 7.0;

/// Kerf in px below which pixels hide it, and the same over the blur: a little below what is asked to be answered.
const LEAST_KERF_PX: f64 = 2.1;
const LEAST_KERF_OVER_BLUR: f64 = 1.6;

impl WaistFit {
    /// The same of a picture that is no scan, less sure.
    #[must_use]
    pub fn photographed(mut self) -> Self {
        self.position.standard_uncertainty *= PHOTOGRAPHED;
        self
    }

    /// The waist in the picture; the tie's uncertainty joins the fit's place, and the blur's its kerf.
    pub fn waist(&self, course: &Course, tie: &Tie, blur_px: f64) -> Waist {
        let along_px = tie.along_at(self.position.value);
        let scale = tie.mm_per_px(along_px);
        let tied = tie.at(along_px).standard_uncertainty_mm;
        let kerf = self.kerf_mm.value;
        let seen = kerf * unsure_as_seen(blur_px * scale / kerf);
        let kerf_mm = Estimate::new(kerf, self.kerf_mm.standard_uncertainty.hypot(seen));
        Waist {
            position_mm: Estimate::new(self.position.value, self.position.standard_uncertainty.hypot(tied)),
            along_px,
            place_px: course.place(along_px, 0.0),
            kerf_px: Estimate::new(kerf / scale, kerf_mm.standard_uncertainty / scale),
            kerf_mm: Some(kerf_mm),
            slack_positions_mm: self.slack,
        }
    }

    /// How many times faster than a beam of ideal quality (M² = 1) at 10.6 µm the mark widens for its width:
    /// `π·w0²/(λ·zR)` (ISO 11146-1: `M² = π·w0²/(λ·zR)`), with zR in height. `rise_per_mm`: along the strip's surface.
    ///
    /// A material that spreads the heat makes it several times the beam's own; shorter wavelengths make it smaller.
    pub fn times_ideal(&self, rise_per_mm: f64) -> f64 {
        let rayleigh_mm = (self.lengths_mm[0] * self.lengths_mm[1]).sqrt() * rise_per_mm;
        std::f64::consts::PI * self.beam_radius_mm.powi(2) / (WAVELENGTH_MM * rayleigh_mm)
    }

    /// True where one stroke of a focused beam can have made the mark.
    pub fn is_one_stroke(&self, rise_per_mm: f64) -> bool {
        self.times_ideal(rise_per_mm) < MOST_TIMES_IDEAL
    }

    /// True where the narrowest kerf is wide enough for the picture.
    pub fn is_resolved(&self, kerf_px: f64, blur_px: f64) -> bool {
        kerf_px >= LEAST_KERF_PX && kerf_px >= LEAST_KERF_OVER_BLUR * blur_px
    }
}

/// Standard uncertainty of a kerf, as a share of it, for how it is seen in a picture whose blur (standard deviation) is this share of it.
///
/// A bar as wide as w softened by a blur σ has the second moment w²/12 + σ²: where σ is wrong by a share x, w is by x·12·(σ/w)².
fn unsure_as_seen(blur_over_kerf: f64) -> f64 {
    EDGE_UNSURE.hypot(BLUR_UNSURE * 12.0 * blur_over_kerf.powi(2))
}

/// Why there is no waist.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoWaist {
    /// Too few usable stations.
    TooFew {
        /// Usable.
        found: usize,
    },
    /// Narrowest at an end, or the fit's waist lies at or outside it.
    NotBracketed {
        /// True for the high end.
        is_high: bool,
    },
    /// The kerf does not change enough.
    Flat {
        /// Widest over narrowest.
        ratio: f64,
    },
    /// The line fades instead of narrowing.
    Fades,
    /// It narrows and widens otherwise than a line burned through a focus.
    NotABeam,
    /// Hardly a kerf was measured about the waist.
    Unmeasured,
    /// The kerf wanders more than it narrows.
    Erratic {
        /// Relative wander.
        wander: f64,
    },
}

/// Fits the stations (which carry positions and kerfs in mm); marks outliers in them.
pub fn find(stations: &mut [Station], is_dark: bool, growth_fraction: f64) -> (Vec<Fit>, Result<WaistFit, NoWaist>) {
    mark_outliers(stations);
    let data = Data::of(stations);
    if data.len() < LEAST_STATIONS {
        return (Vec::new(), Err(NoWaist::TooFew { found: data.len() }));
    }
    let bracket = match bracket(&data) {
        Ok(bracket) => bracket,
        Err(NoBracket::AtEnd { is_high }) => return (Vec::new(), Err(NoWaist::NotBracketed { is_high })),
        Err(NoBracket::Flat { ratio }) => return (Vec::new(), Err(NoWaist::Flat { ratio })),
        Err(NoBracket::Fades) => return (Vec::new(), Err(NoWaist::Fades)),
    };
    let bracket = among_the_strong(stations, &data, bracket, is_dark);
    leave_out_faded(stations, &bracket, is_dark);
    let data = Data::of(stations);
    if data.len() < LEAST_STATIONS {
        return (Vec::new(), Err(NoWaist::TooFew { found: data.len() }));
    }
    let start = Scatter { grain: 0.03, length_mm: 2.0, own_factor: 1.0 };
    leave_out_strays(stations, &data, &bracket, start);
    let total = data.len();
    let data = Data::of(stations);
    if (data.len() as f64) < LEAST_AGREEING * total as f64 || data.len() < LEAST_STATIONS {
        return (Vec::new(), Err(NoWaist::Erratic { wander: 1.0 - data.len() as f64 / total as f64 }));
    }
    let Some(whole) = caustic::fit(&data, &bracket, start, 2) else {
        return (Vec::new(), Err(NoWaist::Flat { ratio: bracket.rises[0].min(bracket.rises[1]).exp() }));
    };
    let of_all_mm = data.range();
    let Trusted { data, fit: whole, misfit, aside_mm } = trusted(data, whole, start);
    let mut fits = Vec::new();
    let parabola = bottom::fit(&data, &whole);

    let range = data.range();
    let position = whole.caustic.position;
    let Combined { position: mut combined, weights, disagreement } = combine(&whole, parabola.as_ref());
    let length = whole.caustic.ln_length.exp();
    let lengths_mm = whole.caustic.lengths();
    let reach = ABOUT_THE_WAIST * length;
    let left_out = left_out_share(stations, [position - reach, position + reach]);
    let doubt = (left_out / LEFT_OUT_DOUBT).hypot(1.0);
    combined.standard_uncertainty = (doubt * combined.standard_uncertainty).hypot(aside_mm);
    if let Some(parabola) = &parabola {
        fits.push(Fit {
            model: Model::Parabola,
            position_mm: Estimate::new(parabola.position, parabola.u_position),
            used: weights[1] > 0.0,
            weight: weights[1],
            range_mm: parabola.range,
            stations: parabola.stations,
            relative_rms: parabola.relative_rms,
            curve: drawn(parabola.range, 60).into_iter().map(|s| [s, parabola.kerf(s)]).collect(),
            parameters: BTreeMap::new(),
        });
    }
    let rms = (whole.residuals.iter().map(|r| r * r).sum::<f64>() / data.len() as f64).sqrt();
    fits.push(Fit {
        model: Model::ThresholdCaustic,
        position_mm: Estimate::new(position, whole.u_position),
        used: weights[0] > 0.0,
        weight: weights[0],
        range_mm: range,
        stations: data.len(),
        relative_rms: rms,
        curve: drawn(range, 240).into_iter().map(|s| [s, whole.caustic.ln_kerf(s).exp()]).collect(),
        parameters: BTreeMap::from([
            ("overdrive", whole.caustic.ln_overdrive.exp()),
            ("length_low_mm", lengths_mm[0]),
            ("length_high_mm", lengths_mm[1]),
            ("grain", whole.scatter.grain),
            ("grain_length_mm", whole.scatter.length_mm),
        ]),
    });

    // What the fitted curve itself says of bracketing.
    let narrowest = whole.caustic.ln_kerf(position);
    let rise = |from: f64, to: f64| {
        drawn([from.min(to), from.max(to)], 60).into_iter().map(|s| whole.caustic.ln_kerf(s)).fold(f64::MIN, f64::max)
            - narrowest
    };
    if position <= range[0] || position >= range[1] {
        return (fits, Err(NoWaist::NotBracketed { is_high: position >= range[1] }));
    }
    let rises = [rise(range[0], position), rise(position, range[1])];
    let least = rises[0].min(rises[1]);
    if least < LEAST_FITTED_RISE.ln() {
        let is_high = rises[1] < rises[0];
        let highest = rises[0].max(rises[1]);
        let why = if highest > 1.3f64.ln() {
            NoWaist::NotBracketed { is_high }
        } else {
            NoWaist::Flat { ratio: highest.exp() }
        };
        return (fits, Err(why));
    }
    // Surer than this of its place, or the curve is not that of one line through its focus.
    let wander = 1.4826 * median(whole.residuals.iter().map(|r| r.abs()).collect());
    if least < 2.0 * wander || combined.standard_uncertainty > MOST_UNSURE * length * doubt.min(MOST_UNSURE_DOUBT) {
        return (fits, Err(NoWaist::Erratic { wander }));
    }
    if rms > MOST_LEFT {
        return (fits, Err(NoWaist::Erratic { wander: rms }));
    }
    let asymmetry = 0.5 * (lengths_mm[1] / lengths_mm[0]).ln();
    let unequal = 2.0 * asymmetry.abs();
    if misfit.is_another_shape() || least < LEAST_OVER_SLOW * misfit.slow_rms || unequal > MOST_UNEQUAL.ln() {
        return (fits, Err(NoWaist::NotABeam));
    }
    let shallow = SHALLOW * (SHALLOW_RISE.ln() - least).max(0.0) * length;
    combined.standard_uncertainty = combined.standard_uncertainty.hypot(shallow);
    let at = |reach: f64| position + reach * lengths_mm[usize::from(reach > 0.0)];
    let used = |from: f64, to: f64| 1.0 - left_out_share(stations, [at(from), at(to)]);
    let at_finest = used(-FINEST_REACH, FINEST_REACH);
    let on_a_side = used(-SIDE_REACH, 0.0).min(used(0.0, SIDE_REACH));
    let reaches_out = of_all_mm[0] < at(-FARTHER_OUT_REACH) && of_all_mm[1] > at(FARTHER_OUT_REACH);
    // There the line is seen to come down from both sides.
    let comes_down =
        |reach: f64| reaches_out && used(-reach, -SIDE_REACH).min(used(SIDE_REACH, reach)) > LEAST_FARTHER_OUT;
    let is_measured = (at_finest > LEAST_AT_FINEST && on_a_side > LEAST_ON_A_SIDE)
        || (at_finest.min(on_a_side) > LEAST_IF_SEEN_FARTHER_OUT
            && (comes_down(FARTHER_OUT_REACH)
                || (on_a_side > LEAST_ON_A_SIDE_IF_SEEN_FAR_OUT && comes_down(FAR_OUT_REACH))));
    if !is_measured {
        return (fits, Err(NoWaist::Unmeasured));
    }
    let slack = match (
        whole.caustic.position_at_growth(-1.0, growth_fraction),
        whole.caustic.position_at_growth(1.0, growth_fraction),
    ) {
        (Some(a), Some(b)) if a >= range[0] && b <= range[1] => Some([a, b]),
        _ => None,
    };
    let waist = WaistFit {
        position: combined,
        kerf_mm: Estimate::new(whole.caustic.narrowest(), whole.caustic.narrowest() * whole.u_ln_narrowest),
        slack,
        lengths_mm,
        // The curve's own width is the full one at 1/√e of the peak: the radius at 1/e².
        beam_radius_mm: whole.caustic.ln_width.exp(),
        asymmetry,
        disagreement,
        range_mm: of_all_mm,
    };
    (fits, Ok(waist))
}

/// The bracket, or that of the line's strong part where the first lies outside it: beyond its ends a line fades, and the stain that
/// it leaves widens again.
fn among_the_strong(stations: &[Station], data: &Data, first: Bracket, is_dark: bool) -> Bracket {
    let Some([from, to]) = strong_span(stations, is_dark) else { return first };
    if (from..=to).contains(&first.position) {
        return first;
    }
    let strong = data.filtered(|i| (from..=to).contains(&data.position[i]));
    let found = (strong.len() >= LEAST_STATIONS).then(|| bracket(&strong).ok()).flatten();
    found.filter(|found| found.rises[0].min(found.rises[1]) > LEAST_STRONG_RISE.ln()).unwrap_or(first)
}

/// Share of the places between two positions that are left out, those too close to an end apart.
fn left_out_share(stations: &[Station], [from_mm, to_mm]: [f64; 2]) -> f64 {
    let near = stations.iter().filter(|s| s.position_mm.is_some_and(|p| p > from_mm && p < to_mm));
    let [mut all, mut left_out] = [0.0f64; 2];
    for station in near.filter(|s| s.left_out != Some(LeftOut::NearEnd)) {
        all += 1.0;
        left_out += f64::from(u8::from(!station.used));
    }
    left_out / all.max(1.0)
}

fn drawn(range: [f64; 2], steps: usize) -> Vec<f64> {
    (0..=steps).map(|i| range[0] + (range[1] - range[0]) * i as f64 / steps as f64).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The width of a bar that has the same second moment with a blur a little larger.
    #[test]
    fn a_width_is_as_unsure_as_the_blur_beside_it() {
        for blur in [0.05f64, 0.2, 0.4] {
            let off = 0.01;
            let moment = 1.0 / 12.0 + blur.powi(2);
            let width = (12.0 * (moment - (blur * (1.0 + off)).powi(2))).sqrt();
            let by_blur = (unsure_as_seen(blur).powi(2) - EDGE_UNSURE.powi(2)).sqrt();
            assert!(((1.0 - width) * BLUR_UNSURE / off / by_blur - 1.0).abs() < 0.03, "{blur}: {width} {by_blur}");
        }
        assert!((unsure_as_seen(0.0) - EDGE_UNSURE).abs() < 1e-12);
    }
    use crate::fit::curve::Caustic;
    use crate::fit::outliers::leave_out_outliers;

    /// Places every half millimetre of a line that is finest at 40 mm and has that length on both sides, every `every`th of them
    /// within 6 mm of the finest left out.
    fn stations(length_mm: f64, every: usize) -> Vec<Station> {
        with_grain(0.02, length_mm, every)
    }

    fn with_grain(grain: f64, length_mm: f64, every: usize) -> Vec<Station> {
        let at = |i: usize| {
            let position = 0.5 * i as f64;
            let caustic = Caustic {
                position: 40.0,
                ln_width: 0.1f64.ln(),
                ln_overdrive: 20f64.ln(),
                ln_length: length_mm.ln(),
                asymmetry: 0.0,
            };
            // Grain: incommensurate waves.
            let wander = grain * (3.1 * position).sin() + grain * (1.7 * position).cos();
            let kerf_mm = (caustic.ln_kerf(position) + wander).exp();
            let is_out = (position - 40.0).abs() < 6.0 && i.is_multiple_of(every);
            Station {
                position_mm: Some(position),
                kerf_mm: Some(kerf_mm),
                used: !is_out,
                left_out: is_out.then_some(LeftOut::Disturbed),
                ..Station::clean(10.0 * position, 20.0 * kerf_mm)
            }
        };
        (0..200).map(at).collect()
    }

    #[test]
    fn places_left_out_about_the_waist_make_it_less_sure() {
        let of = |every: usize| find(&mut stations(6.0, every), true, 0.05).1.unwrap().position;
        let [whole, some, many] = [1000, 5, 3].map(of);
        assert!((whole.value - 40.0).abs() < 2.0 * whole.standard_uncertainty, "{whole:?}");
        assert!(some.standard_uncertainty > 1.2 * whole.standard_uncertainty, "{whole:?} {some:?}");
        assert!(many.standard_uncertainty > 1.1 * some.standard_uncertainty, "{some:?} {many:?}");
    }

    /// Seen as far as it is 1.5 times as wide, a line is shallow, and nothing else makes this one unsure; as far as 2.4 times, it is not.
    #[test]
    fn a_shallow_line_is_less_sure_however_clean_it_is() {
        let seen_to = |reach_mm: f64| {
            let mut all = with_grain(0.002, 6.0, 1000);
            all.retain(|station| (station.position_mm.unwrap_or(f64::NAN) - 40.0).abs() < reach_mm);
            find(&mut all, true, 0.05).1.unwrap().position
        };
        let [shallow, deep] = [8.1, 16.1].map(seen_to);
        let expected = SHALLOW * (SHALLOW_RISE / 1.5).ln() * 6.0;
        let u = shallow.standard_uncertainty;
        assert!(u > expected && u < 1.6 * expected, "{shallow:?} {expected}");
        assert!(deep.standard_uncertainty < 0.8 * expected, "{deep:?} {expected}");
    }

    /// What turns the kerf upwards on one side was hardly measured: there may be no finest place at all.
    #[test]
    fn a_side_that_was_hardly_measured_shows_no_finest_place() {
        let with_gap = |length_mm: f64, is_lost: fn(usize) -> bool| {
            let mut all = stations(6.0, 1000);
            for (index, station) in all.iter_mut().enumerate().filter(|(index, _)| is_lost(*index)) {
                let position = 0.5 * index as f64;
                station.used = !(40.0 - length_mm..40.0).contains(&position);
                station.left_out = (!station.used).then_some(LeftOut::Disturbed);
            }
            find(&mut all, true, 0.05).1
        };
        let [three_in_five, half]: [fn(usize) -> bool; 2] = [|index| index % 5 > 1, |index| index % 2 == 0];
        assert!(with_gap(2.0, three_in_five).is_ok());
        assert_eq!(with_gap(8.0, three_in_five).unwrap_err(), NoWaist::Unmeasured);
        // Farther out the line is seen to come down on that side, too.
        let [little, much] = [2.0, 5.0].map(|length_mm| with_gap(length_mm, three_in_five).unwrap().position);
        assert!((much.value - 40.0).abs() < 2.0 * much.standard_uncertainty, "{much:?}");
        assert!(much.standard_uncertainty > 1.2 * little.standard_uncertainty, "{little:?} {much:?}");
        // Or far out, where half of that side is measured.
        let more = with_gap(9.0, half).unwrap().position;
        assert!((more.value - 40.0).abs() < 2.0 * more.standard_uncertainty, "{more:?}");
        assert!(more.standard_uncertainty > 1.2 * little.standard_uncertainty, "{little:?} {more:?}");
        assert_eq!(with_gap(14.0, half).unwrap_err(), NoWaist::Unmeasured);
    }

    /// The same, where the line ends before it could be seen to come down on that side.
    #[test]
    fn a_side_that_ends_where_it_was_hardly_measured_shows_no_finest_place() {
        let mut all = stations(6.0, 1000);
        all.retain(|station| station.position_mm > Some(34.5));
        for (index, station) in all.iter_mut().enumerate().filter(|(index, _)| index % 5 > 1) {
            station.used = !(34.0..40.0).contains(&(34.5 + 0.5 * index as f64));
            station.left_out = (!station.used).then_some(LeftOut::Disturbed);
        }
        assert_eq!(find(&mut all, true, 0.05).1.unwrap_err(), NoWaist::Unmeasured);
    }

    /// Beyond 60 mm the line pales until it is no more than a stain, and what is measured there narrows again and widens.
    fn fading(length_mm: f64) -> Vec<Station> {
        let mut all = stations(length_mm, 1000);
        for station in &mut all {
            let beyond = station.position_mm.unwrap_or(0.0) - 60.0;
            if beyond > 0.0 {
                station.contrast = (0.9 - 0.03 * beyond).max(0.45);
                let narrower = 0.3 + 0.7 * ((beyond - 20.0) / 20.0).powi(2).min(1.0);
                station.kerf_px *= narrower;
                station.kerf_mm = station.kerf_mm.map(|kerf| kerf * narrower);
            }
        }
        all
    }

    #[test]
    fn what_fades_is_left_out_and_its_narrowest_place_is_not_the_finest() {
        for (length_mm, is_dark) in [(4.0, true), (6.0, true)] {
            let mut all = fading(length_mm);
            let waist = find(&mut all, is_dark, 0.05).1.unwrap();
            let error = waist.position.value - 40.0;
            assert!(error.abs() < 2.0 * waist.position.standard_uncertainty, "{length_mm}: {:?}", waist.position);
            assert!(all.iter().filter(|s| s.position_mm > Some(75.0)).all(|s| !s.used));
            let burned: Vec<bool> = all.iter().filter(|s| s.position_mm < Some(55.0)).map(|s| s.used).collect();
            assert!(burned.iter().filter(|used| **used).count() * 20 > burned.len() * 19, "{length_mm}");
        }
    }

    /// A waist so narrow that it takes few places bends within the running median: none of it is an outlier.
    #[test]
    fn a_narrow_waist_is_no_outlier() {
        let mut all = stations(1.5, 1000);
        leave_out_outliers(&mut all);
        assert!(
            all.iter().all(|s| s.used),
            "{:?}",
            all.iter().filter(|s| !s.used).map(|s| s.position_mm).collect::<Vec<_>>()
        );
    }
}
