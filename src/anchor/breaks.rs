//! Is it one unbroken stroke of one sign?

use rayon::prelude::*;

use crate::locate::Course;
use crate::locate::crossing::{Crossing, cross};
use crate::locate::refine::WidthGuide;
use crate::locate::trace::median;
use crate::photo::Photo;
use crate::stations::Station;

/// How far beyond its ends the line is looked for with the other sign, as a share of its length, and at how many places.
const BEYOND: f64 = 0.08;
const BEYOND_PLACES: usize = 40;

/// Standard deviation of the strength, relative to the usual one, from which it may come in dots; their least number; and the
/// autocorrelation at their pitch.
const LEAST_SWING: f64 = 0.15;
const LEAST_BEATS: usize = 12;
const RHYTHM: f64 = 0.5;

/// How the stroke's strength holds along the line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Breaks {
    /// Share of the line where the stroke is all but gone.
    pub gap_share: f64,
    /// Number of separate gaps.
    pub gaps: usize,
    /// Longest gap over the line's length.
    pub longest_share: f64,
    /// Share of the line where it turns from dark to light or the other way.
    pub reversed_share: f64,
    /// Whether its strength comes and goes at a pitch.
    pub is_rhythmic: bool,
}

impl Breaks {
    /// Dotted, interrupted or burnt through.
    pub fn is_broken(&self) -> bool {
        (self.gaps >= 5 && self.gap_share > 0.10)
            || self.longest_share > 0.06
            || self.reversed_share > 0.02
            || self.is_rhythmic
    }
}

/// The part of the course where the line stands clear of the strip: its ends may fade into grain, which is no break.
fn clear_stretch(course: &Course, stations: &[Station]) -> [f64; 2] {
    let usual = median(stations.iter().filter(|s| s.used).map(|s| s.contrast).collect());
    let clear: Vec<f64> = stations.iter().filter(|s| s.used && s.contrast > 0.6 * usual).map(|s| s.along_px).collect();
    if clear.len() < 20 {
        return [course.start_px, course.end_px];
    }
    // A few stray grain lines beyond a faded end must not stretch it.
    [clear[clear.len() / 25], clear[clear.len() - 1 - clear.len() / 25]]
}

/// Looks along the middle of the line where it stands clear.
pub fn find(photo: &Photo, course: &Course, guide: &WidthGuide, stations: &[Station]) -> Breaks {
    let [from, to] = clear_stretch(course, stations);
    let length = to - from;
    let step = (length / 4000.0).max(1.0);
    let count = (length / step) as usize;
    let crossings: Vec<Crossing> = (0..count)
        .into_par_iter()
        .filter_map(|i| {
            let along = from + (i as f64 + 0.5) * step;
            let width = guide.at(along);
            cross(photo, course, along, 0.8 * width, width)
        })
        .collect();
    if crossings.len() < 20 {
        return Breaks { gap_share: 0.0, gaps: 0, longest_share: 0.0, reversed_share: 0.0, is_rhythmic: false };
    }
    let strengths: Vec<f64> = crossings.iter().map(|c| c.strength(course.is_dark)).collect();
    let strip = median(crossings.iter().map(|c| c.background).collect());
    let n = strengths.len();
    // Strength of the line round about, from every eighth place: a long line's running quantile would cost too much. A
    // dotted line is there less than half of the way.
    let sparse: Vec<f64> = strengths.iter().step_by(8).copied().collect();
    let reach = (sparse.len() / 10).max(4);
    let typical: Vec<f64> = (0..sparse.len())
        .map(|i| {
            let mut near = sparse[i.saturating_sub(reach)..(i + reach + 1).min(sparse.len())].to_vec();
            let place = near.len() * 3 / 4;
            *near.select_nth_unstable_by(place, f64::total_cmp).1
        })
        .collect();
    let [mut gap, mut reversed, mut run, mut longest, mut gaps] = [0usize; 5];
    let mut relative = Vec::with_capacity(n);
    for (i, value) in strengths.iter().enumerate() {
        let usual = typical[(i / 8).min(typical.len() - 1)].max(0.1);
        relative.push((value / usual).clamp(0.0, 1.2));
        if *value < 0.3 * usual {
            gap += 1;
            run += 1;
            longest = longest.max(run);
            gaps += usize::from(run == 1);
        } else {
            run = 0;
        }
        reversed += usize::from(is_reversed(&crossings[i], course.is_dark, strip));
    }
    let share = |k: usize| k as f64 / n as f64;
    let reversed_share = share(reversed) + if goes_on_reversed(photo, course, guide, strip) { BEYOND } else { 0.0 };
    Breaks {
        gap_share: share(gap),
        gaps,
        longest_share: share(longest),
        reversed_share,
        is_rhythmic: is_rhythmic(&relative),
    }
}

/// Whether a strength, relative to what is usual round about, swings widely and regularly: dots whose brown rims fill the gaps.
///
/// The greatest autocorrelation beyond its first descent below nought: grain that crosses the line keeps no pitch.
fn is_rhythmic(relative: &[f64]) -> bool {
    let n = relative.len();
    let mean = relative.iter().sum::<f64>() / n as f64;
    let swing: Vec<f64> = relative.iter().map(|r| r - mean).collect();
    let variance = swing.iter().map(|s| s * s).sum::<f64>() / n as f64;
    if variance.sqrt() < LEAST_SWING {
        return false;
    }
    let correlation =
        |lag: usize| swing.iter().zip(&swing[lag..]).map(|(a, b)| a * b).sum::<f64>() / ((n - lag) as f64 * variance);
    let correlations: Vec<f64> = (1..n / LEAST_BEATS).map(correlation).collect();
    let Some(descent) = correlations.iter().position(|c| *c < 0.0) else { return false };
    correlations[descent..].iter().any(|c| *c > RHYTHM)
}

/// Where it is burnt through, what shows is lighter than the strip itself; beside a dark streak the line is not.
fn is_reversed(crossing: &Crossing, is_dark: bool, strip: f64) -> bool {
    let is_other = if is_dark { crossing.core > 1.1 * strip } else { crossing.core < 0.9 * strip };
    is_other && crossing.strength(is_dark) < -0.25
}

/// Whether beyond an end of the course the line goes on with the other sign: there it went through, or there it is whole.
fn goes_on_reversed(photo: &Photo, course: &Course, guide: &WidthGuide, strip: f64) -> bool {
    let length = course.end_px - course.start_px;
    [(course.start_px, -1.0), (course.end_px, 1.0)].into_iter().any(|(end, outward)| {
        let width = guide.at(end);
        let reversed = (0..BEYOND_PLACES)
            .filter_map(|k| {
                let share = (k as f64 + 0.5) / BEYOND_PLACES as f64;
                cross(photo, course, end + outward * (0.5 * width + share * BEYOND * length), 0.8 * width, width)
            })
            .filter(|crossing| is_reversed(crossing, course.is_dark, strip))
            .count();
        2 * reversed > BEYOND_PLACES
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dots_keep_a_pitch_and_grain_does_not() {
        let dots: Vec<f64> = (0..2000).map(|i| if i % 50 < 30 { 1.0 } else { 0.4 }).collect();
        assert!(is_rhythmic(&dots));
        // Gaps as deep, of lengths that keep no pitch.
        let lengths = [20, 31, 6, 14, 45, 9, 17, 27, 11, 52, 8, 23, 38, 5, 13, 29, 19, 61, 7, 33];
        let is_gap = |i: usize| i % 2 == 1;
        let grain: Vec<f64> = (0..80)
            .flat_map(|i| vec![if is_gap(i) { 0.4 } else { 1.0 }; lengths[(i * i + i / 3) % lengths.len()]])
            .collect();
        assert!(!is_rhythmic(&grain));
        let even: Vec<f64> = (0..2000).map(|i| 1.0 + 0.1 * (f64::from(i) * 0.1).sin()).collect();
        assert!(!is_rhythmic(&even));
    }
}
