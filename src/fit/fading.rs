//! Where a line fades away from its focus.
//!
//! A fully burned core is as dark as the material gets, and its half level is where the burn ends. Where the beam is too weak for
//! that, the half level is that of the beam's own profile, which goes on widening, and then that of a pale stain: neither is the
//! kerf that a threshold makes.

use super::bracket::Bracket;
use crate::locate::refine::median_filter;
use crate::locate::trace::median;
use crate::stations::{LeftOut, Station};

/// Share of the strength about the finest place below which the line is no more fully burned.
const BURNED_SHARE: f64 = 0.7;
/// Share of the strength that a tenth of the line exceeds from which it is about as strong as it gets.
const STRONG_SHARE: f64 = 0.75;
/// Growth of the kerf within which places tell that strength.
const ABOUT_THE_WAIST: f64 = 1.5;
/// Places on each side over which the strength is smoothed.
const REACH: usize = 8;
/// How far (ln kerf) below the widest place most of those beyond it lie where the line has turned over.
const TURNED: f64 = 0.10;
/// The strength of most of those places over that about the finest one, at most.
const PALER: f64 = 0.9;
/// Growth of the kerf that must be left on both sides.
const LEAST_LEFT: f64 = 1.25;

/// First and last position at which the line is about as strong as it gets. The beam is strongest at the finest place, so what lies
/// outside is no waist, unless blur hides how strong it is.
pub fn strong_span(stations: &[Station], is_dark: bool) -> Option<[f64; 2]> {
    let used = in_order(stations);
    let strengths = smoothed_strength(stations, &used, is_dark);
    let mut sorted = strengths.clone();
    sorted.sort_by(f64::total_cmp);
    let limit = STRONG_SHARE * sorted.get(sorted.len() * 9 / 10)?;
    let is_strong = |place: &usize| strengths[*place] >= limit;
    let ends = [(0..used.len()).find(is_strong)?, (0..used.len()).rev().find(is_strong)?];
    Some([stations[used[ends[0]]].position_mm?, stations[used[ends[1]]].position_mm?])
}

/// Leaves out what lies beyond the place, on each side of the finest one, where the line lastingly fades. A side that would hardly
/// widen without it is left alone.
pub fn leave_out_faded(stations: &mut [Station], bracket: &Bracket, is_dark: bool) {
    let used = in_order(stations);
    let strengths = smoothed_strength(stations, &used, is_dark);
    let kerf = |place: usize| stations[used[place]].kerf_mm.map_or(f64::NAN, |kerf| kerf.max(1e-6).ln());
    let narrow = bracket.ln_kerf + ABOUT_THE_WAIST.ln();
    let middle = used.partition_point(|index| stations[*index].position_mm < Some(bracket.position));
    let about: Vec<f64> = outwards(middle, used.len())
        .into_iter()
        .flat_map(|side| {
            side.take_while(|place| kerf(*place) < narrow).map(|place| strengths[place]).collect::<Vec<_>>()
        })
        .collect();
    if about.is_empty() {
        return;
    }
    let usual = median(about);
    let mut faded = Vec::new();
    for side in outwards(middle, used.len()) {
        let side: Vec<usize> = side.collect();
        let kerfs = median_filter(&side.iter().map(|place| kerf(*place)).collect::<Vec<_>>(), REACH);
        // For good, and not where it is paler for a while, as a pencil line is.
        let is_lasting =
            |from: &usize| median(side[*from..].iter().map(|place| strengths[*place]).collect()) < usual * BURNED_SHARE;
        let pale = side.iter().position(|place| strengths[*place] < usual * BURNED_SHARE);
        let pale = pale.filter(is_lasting).unwrap_or(side.len());
        let highest = |kerfs: &[f64]| kerfs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let mut kept = side.len();
        if highest(&kerfs[..pale]) > bracket.ln_kerf + LEAST_LEFT.ln() {
            kept = pale;
        }
        // Before a line fades it stops widening.
        let widest = highest(&kerfs[..kept]);
        let at_widest = kerfs[..kept].iter().position(|kerf| *kerf >= widest).map_or(kept, |at| at + 1);
        let beyond = at_widest..kept;
        let is_paler = median(side[beyond.clone()].iter().map(|place| strengths[*place]).collect()) < PALER * usual;
        if beyond.len() > 2 * REACH && is_paler && median(kerfs[beyond].to_vec()) < widest - TURNED {
            kept = at_widest;
        }
        faded.extend(side[kept..].iter().map(|place| used[*place]));
    }
    leave_out(stations, faded.into_iter());
}

/// Usable places in order of position.
fn in_order(stations: &[Station]) -> Vec<usize> {
    let mut used: Vec<usize> =
        (0..stations.len()).filter(|index| stations[*index].used && stations[*index].position_mm.is_some()).collect();
    let position = |index: usize| stations[index].position_mm.unwrap_or(f64::NAN);
    used.sort_by(|a, b| position(*a).total_cmp(&position(*b)));
    used
}

/// By how much of the strip's own light the line differs from it, smoothed.
fn smoothed_strength(stations: &[Station], places: &[usize], is_dark: bool) -> Vec<f64> {
    let strength = |s: &Station| if is_dark { s.contrast } else { s.contrast / (1.0 - s.contrast).max(0.02) };
    median_filter(&places.iter().map(|index| strength(&stations[*index])).collect::<Vec<_>>(), REACH)
}

fn leave_out(stations: &mut [Station], places: impl Iterator<Item = usize>) {
    for index in places {
        stations[index].used = false;
        stations[index].left_out = Some(LeftOut::Faint);
    }
}

/// Places from the middle to the low end, and to the high end.
fn outwards(middle: usize, count: usize) -> [Box<dyn Iterator<Item = usize>>; 2] {
    [Box::new((0..middle).rev()), Box::new(middle..count)]
}
