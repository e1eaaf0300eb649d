//! Is there an inner minimum at all, and roughly where.

use super::data::Data;
use crate::locate::refine::{median_filter, smooth};

/// Least rise of the smoothed kerf on both sides for an inner minimum to be looked into further.
const LEAST_RISE: f64 = 1.07;

/// Where the smoothed kerf has its most prominent inner minimum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bracket {
    /// Position in mm.
    pub position: f64,
    /// Smoothed ln kerf there.
    pub ln_kerf: f64,
    /// Greatest rise of ln kerf towards the low and the high end.
    pub rises: [f64; 2],
}

/// Why there is no inner minimum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum NoBracket {
    /// Narrowest at an end while the line keeps its strength there: the focus lies beyond that end.
    AtEnd {
        /// True for the high end.
        is_high: bool,
    },
    /// The kerf hardly changes: greatest over smallest.
    Flat {
        /// Ratio of the widest to the narrowest smoothed kerf.
        ratio: f64,
    },
    /// Narrowest at an end, but the line fades there.
    Fades,
}

/// Finds the inner minimum of the smoothed kerf that stands deepest between its two sides.
pub fn bracket(data: &Data) -> Result<Bracket, NoBracket> {
    let reach = (data.len() / 60).max(2);
    let curve = smooth(&median_filter(&data.ln_kerf, reach), reach);
    let n = curve.len();
    let mut left_max = curve.clone();
    for i in 1..n {
        left_max[i] = left_max[i].max(left_max[i - 1]);
    }
    let mut right_max = curve.clone();
    for i in (0..n - 1).rev() {
        right_max[i] = right_max[i].max(right_max[i + 1]);
    }
    let prominence = |i: usize| (left_max[i] - curve[i]).min(right_max[i] - curve[i]);
    let best = (0..n).max_by(|a, b| prominence(*a).total_cmp(&prominence(*b))).unwrap_or(0);
    if prominence(best) >= LEAST_RISE.ln() {
        return Ok(Bracket {
            position: data.position[best],
            ln_kerf: curve[best],
            rises: [left_max[best] - curve[best], right_max[best] - curve[best]],
        });
    }
    let highest = curve.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let lowest_at = (0..n).min_by(|a, b| curve[*a].total_cmp(&curve[*b])).unwrap_or(0);
    let ratio = (highest - curve[lowest_at]).exp();
    if ratio < 1.15 {
        return Err(NoBracket::Flat { ratio });
    }
    let is_high = lowest_at > n / 2;
    // Towards the focus the line grows darker, towards a fading end paler.
    let contrast = smooth(&median_filter(&data.contrast, reach), reach);
    let tenth = (n / 10).max(1);
    let mean = |range: std::ops::Range<usize>| contrast[range.clone()].iter().sum::<f64>() / range.len() as f64;
    let [at_end, typical] =
        if is_high { [mean(n - tenth..n), mean(n / 2..n - tenth)] } else { [mean(0..tenth), mean(tenth..n / 2 + 1)] };
    if at_end < 0.93 * typical { Err(NoBracket::Fades) } else { Err(NoBracket::AtEnd { is_high }) }
}
