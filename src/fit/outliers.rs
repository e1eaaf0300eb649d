//! Which stations a fit is to leave out: kerfs that disagree with their neighbours or with the line's curve.

use super::bracket::{Bracket, bracket};
use super::caustic;
use super::curve::Caustic;
use super::data::{Data, LEAST_STATIONS};
use super::noise::Scatter;
use crate::locate::refine::median_filter;
use crate::locate::trace::median;
use crate::stations::step::{SIDE, is_step};
use crate::stations::{LeftOut, Station};

/// How far from an end a step of the kerf is looked for, as a share of the line.
const STEP_WITHIN: f64 = 0.2;
/// Places on each side by which a straggler is known.
const STRAGGLER_REACH: usize = 6;
/// Distance from the running median, in robust standard deviations, at which a kerf is an outlier.
const OUTLIER: f64 = 5.0;
/// Share of the line's usual contrast below which a place is more likely grain beyond its ends.
const FAINT_SHARE: f64 = 0.45;
/// Distance from the curve, in robust standard deviations, and least distance in ln kerf, of a stray.
const STRAY: f64 = 4.0;
const LEAST_STRAY: f64 = 0.12;

/// Leaves out kerfs that do not agree with their neighbours.
pub fn mark_outliers(stations: &mut [Station]) {
    leave_out_beyond_steps(stations);
    leave_out_outliers(stations);
    leave_out_stragglers(stations);
}

/// Leaves out what lies beyond a step of the kerf near an end: there the line ends, and a crack or grain runs on.
fn leave_out_beyond_steps(stations: &mut [Station]) {
    let count = stations.len();
    let outermost = (STEP_WITHIN * count as f64) as usize;
    if count < 8 * SIDE {
        return;
    }
    let places: Vec<&Station> = stations.iter().collect();
    let first = (SIDE..outermost).rev().find(|i| is_step(&places, *i)).unwrap_or(0);
    let last = (count - outermost..count - SIDE).find(|i| is_step(&places, *i)).unwrap_or(count);
    for (index, station) in stations.iter_mut().enumerate().filter(|(_, s)| s.used) {
        if index < first || index >= last {
            station.used = false;
            station.left_out = Some(LeftOut::Outlier);
        }
    }
}

/// Leaves out, from each end inwards, places among many that are left out: beyond the line's end grain yields an edge here and there.
///
/// Within the line those that remain between others are as good as any.
fn leave_out_stragglers(stations: &mut [Station]) {
    let used: Vec<bool> = stations.iter().map(|s| s.used).collect();
    let is_among_used = |index: &usize| {
        let near = &used[index.saturating_sub(STRAGGLER_REACH)..(index + STRAGGLER_REACH + 1).min(used.len())];
        near.iter().filter(|used| **used).count() * 2 > near.len()
    };
    let first = (0..used.len()).find(is_among_used).unwrap_or(used.len());
    let last = (first..used.len()).rev().find(is_among_used).unwrap_or(first);
    for (index, station) in stations.iter_mut().enumerate().filter(|(_, s)| s.used) {
        if !(first..=last).contains(&index) {
            station.used = false;
            station.left_out = Some(LeftOut::Outlier);
        }
    }
}

pub(super) fn leave_out_outliers(stations: &mut [Station]) {
    let usual = median(stations.iter().filter(|s| s.used).map(|s| s.contrast).collect());
    for station in stations.iter_mut().filter(|s| s.used && s.contrast < FAINT_SHARE * usual) {
        station.used = false;
        station.left_out = Some(LeftOut::Faint);
    }
    let used: Vec<usize> = (0..stations.len()).filter(|i| stations[*i].used).collect();
    if used.len() < LEAST_STATIONS {
        return;
    }
    let values: Vec<f64> = used.iter().map(|i| stations[*i].kerf_px.max(1e-3).ln()).collect();
    // A narrow waist bends within the window of a running median: the rough curve is taken off first, where there is one.
    let data = Data::of(stations);
    let found = (data.len() >= LEAST_STATIONS).then(|| bracket(&data).ok()).flatten();
    let curve = found.and_then(|bracket| caustic::roughly(&data, &bracket)).map(|curve| curve.at_many());
    let rest: Vec<f64> = used
        .iter()
        .zip(&values)
        .map(|(i, value)| match (&curve, stations[*i].position_mm) {
            (Some(curve), Some(position)) => value - curve.ln_kerf(position),
            _ => *value,
        })
        .collect();
    let smooth = median_filter(&rest, (used.len() / 50).max(3));
    let apart: Vec<f64> = rest.iter().zip(&smooth).map(|(r, s)| (r - s).abs()).collect();
    let scale = 1.4826 * median(apart.clone());
    for ((index, apart), value) in used.iter().zip(&apart).zip(&values) {
        let own = stations[*index].standard_uncertainty_px / stations[*index].kerf_px.max(1e-3);
        if *apart > OUTLIER * scale.max(0.01).max(0.3 * own) || !value.is_finite() {
            stations[*index].used = false;
            stations[*index].left_out = Some(LeftOut::Outlier);
        }
    }
}

/// Leaves out stretches that do not belong to the line's curve: grain beyond its ends, a knot, a joint it crosses.
pub fn leave_out_strays(stations: &mut [Station], data: &Data, bracket: &Bracket, scatter: Scatter) {
    let mut kept = data.clone();
    let mut curve: Option<(Caustic, f64)> = None;
    for _ in 0..3 {
        let fit = match &curve {
            None => caustic::fit(&kept, bracket, scatter, 0),
            Some((near, _)) => caustic::fit_from(&kept, near, scatter, 0),
        };
        let Some(fit) = fit else { return };
        let apart = |i: usize| (data.ln_kerf[i] - fit.caustic.ln_kerf(data.position[i])).abs();
        let limit = (STRAY * 1.4826 * median(fit.residuals.iter().map(|r| r.abs()).collect())).max(LEAST_STRAY);
        kept = data.filtered(|i| apart(i) <= limit);
        if kept.len() < LEAST_STATIONS {
            return;
        }
        curve = Some((fit.caustic, limit));
    }
    let Some((caustic, limit)) = curve else { return };
    for station in stations.iter_mut().filter(|s| s.used) {
        let (Some(position), Some(kerf)) = (station.position_mm, station.kerf_mm) else { continue };
        if (kerf.max(1e-6).ln() - caustic.ln_kerf(position)).abs() > limit {
            station.used = false;
            station.left_out = Some(LeftOut::Outlier);
        }
    }
}
