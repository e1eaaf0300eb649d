//! Whether what narrows and widens again are two straight strokes that cross: a hair's breadth apart they look like one line, and beyond
//! that each is as fine as where they meet.

use rayon::prelude::*;

use super::candidate::Candidate;
use crate::locate::profile::{Profile, gather};
use crate::locate::trace::median;
use crate::photo::Photo;

/// Places looked at along the candidate, and the share of the way between two that is averaged: grain and noise are short.
const PLACES: usize = 80;
const AVERAGED: f64 = 0.35;
/// How far aside is looked, in widths of the finest place, in widths there, and in pixels besides.
const FINEST_WIDTHS: f64 = 8.0;
const WIDTHS: f64 = 2.0;
const BESIDE_PX: f64 = 4.0;
/// Share of the profile on each side that is ground.
const GROUND: f64 = 0.15;
/// Share of the stronger stroke's depth that the weaker must have, and that the lane between them may have.
const AS_DEEP: f64 = 0.6;
const LANE: f64 = 0.4;
/// Depth (share of the ground's light, of the greater) below which there is no stroke.
const FAINT: f64 = 0.1;
/// Share of all places that must part in two on one side of the finest, and of those from the first of them outward.
const LEAST_PARTED: f64 = 0.06;
const OUTWARD: f64 = 0.7;
/// Fewest places of one stroke that tell where it is finest.
const LEAST_FINEST: usize = 3;
/// How much wider than the line is at its finest each stroke may be where they are apart: a kerf, or one beside it, is wider there.
const AS_FINE: f64 = 1.35;
/// How far from the finest place, as a share of the length, the strokes may meet, and how far (RMS, over the mean distance between
/// them) that distance may stray from growing steadily.
const MEETING: f64 = 0.2;
const STRAYING: f64 = 0.12;

/// Two strokes at one place.
#[derive(Debug, Clone, Copy)]
struct Pair {
    /// Place, 0 to 1.
    share: f64,
    /// Distance between their middles.
    apart_px: f64,
    /// Width of the wider.
    width_px: f64,
}

/// What lies across the candidate at one place.
#[derive(Debug, Clone, Copy)]
enum Across {
    /// One stroke, so many pixels wide.
    One(f64),
    Two(Pair),
    Unclear,
}

impl Across {
    fn width_px(self) -> Option<f64> {
        if let Self::One(width_px) = self { Some(width_px) } else { None }
    }

    fn pair(self) -> Option<Pair> {
        if let Self::Two(pair) = self { Some(pair) } else { None }
    }
}

/// True where the candidate parts in two straight strokes on one side of its finest place, each as fine as it is there.
pub fn parts_in_two(photo: &Photo, candidate: &Candidate) -> bool {
    let course = &candidate.course;
    let length = course.end_px - course.start_px;
    let finest_px = candidate.guide.width_px.iter().copied().fold(f64::INFINITY, f64::min);
    let across: Vec<(f64, Across)> = (0..PLACES)
        .into_par_iter()
        .map(|place| {
            let share = (place as f64 + 0.5) / PLACES as f64;
            let along = course.start_px + share * length;
            let reach = (FINEST_WIDTHS * finest_px).max(WIDTHS * candidate.guide.at(along)) + BESIDE_PX;
            let half_length = (0.5 * AVERAGED * length / PLACES as f64).max(1.0);
            (share, look(&gather(photo, course, along, half_length, reach), course.is_dark, share))
        })
        .collect();
    let Some([finest_at, finest]) = finest(&across) else { return false };
    [-1.0, 1.0].into_iter().any(|side| {
        let outward = |share: f64| side * (share - finest_at);
        let beyond = |least: f64| across.iter().filter(move |(share, _)| outward(*share) >= least);
        let pairs: Vec<Pair> = beyond(0.0).filter_map(|(_, seen)| seen.pair()).collect();
        let nearest = pairs.iter().map(|pair| outward(pair.share)).fold(f64::INFINITY, f64::min);
        let enough = (LEAST_PARTED * PLACES as f64).max(OUTWARD * beyond(nearest).count() as f64);
        pairs.len() as f64 > enough
            && median(pairs.iter().map(|pair| pair.width_px).collect()) < AS_FINE * finest
            && meeting(&pairs).is_some_and(|at| (at - finest_at).abs() < MEETING)
    })
}

/// Where the one stroke is finest, 0 to 1, and its width there; `None` with hardly a place of one stroke.
fn finest(across: &[(f64, Across)]) -> Option<[f64; 2]> {
    let mut ones: Vec<[f64; 2]> = across.iter().filter_map(|(share, seen)| Some([*share, seen.width_px()?])).collect();
    ones.sort_by(|a, b| a[1].total_cmp(&b[1]));
    // A tenth of them, so that one odd place does not tell.
    ones.truncate((ones.len() / 10).max(LEAST_FINEST));
    (ones.len() >= LEAST_FINEST).then(|| [0, 1].map(|of| median(ones.iter().map(|one| one[of]).collect())))
}

/// Where two straight strokes meet, 0 to 1 along the candidate; `None` where they keep their distance, or it does not grow steadily.
fn meeting(pairs: &[Pair]) -> Option<f64> {
    let count = pairs.len() as f64;
    let mean = |of: &dyn Fn(&Pair) -> f64| pairs.iter().map(of).sum::<f64>() / count;
    let [at, apart] = [mean(&|pair| pair.share), mean(&|pair| pair.apart_px)];
    let slope = mean(&|pair| (pair.share - at) * (pair.apart_px - apart)) / mean(&|pair| (pair.share - at).powi(2));
    let stray = mean(&|pair| (pair.apart_px - apart - slope * (pair.share - at)).powi(2)).sqrt();
    (stray < STRAYING * apart).then(|| at - apart / slope)
}

/// Strokes in a profile, by half of the deepest's depth.
fn look(profile: &Profile, is_dark: bool, share: f64) -> Across {
    let bins = profile.len();
    let ground_bins = (GROUND * bins as f64) as usize;
    if ground_bins == 0 || profile.inside < 0.6 {
        return Across::Unclear;
    }
    let mean = |light: &[f64]| light.iter().sum::<f64>() / light.len() as f64;
    let ground = 0.5 * (mean(&profile.light[..ground_bins]) + mean(&profile.light[bins - ground_bins..]));
    let depth: Vec<f64> =
        profile.light.iter().map(|light| if is_dark { ground - light } else { light - ground }).collect();
    let deepest = depth.iter().copied().fold(0.0, f64::max);
    let lightest = if is_dark { ground } else { ground + deepest };
    if deepest < FAINT * lightest {
        return Across::Unclear;
    }
    // Stretches deeper than half of the deepest: first and last bin.
    let mut stretches: Vec<[usize; 2]> = Vec::new();
    for bin in (0..bins).filter(|bin| depth[*bin] > 0.5 * deepest) {
        match stretches.last_mut() {
            Some(last) if last[1] + 1 == bin => last[1] = bin,
            _ => stretches.push([bin, bin]),
        }
    }
    let place = |bin: usize, other: usize| -> f64 {
        let [a, b] = [depth[bin], depth[other]];
        let part = (0.5 * deepest - a) / (b - a);
        profile.across_px[bin] + part * (profile.across_px[other] - profile.across_px[bin])
    };
    let edges: Option<Vec<[f64; 2]>> = stretches
        .iter()
        .map(|[first, last]| {
            (*first > 0 && last + 1 < bins).then(|| [place(first - 1, *first), place(*last, last + 1)])
        })
        .collect();
    let Some(edges) = edges else { return Across::Unclear };
    match edges[..] {
        [[from, to]] => Across::One(to - from),
        [[from, to], [other_from, other_to]] => {
            let peak = |[first, last]: [usize; 2]| depth[first..=last].iter().copied().fold(0.0, f64::max);
            let weaker = peak(stretches[0]).min(peak(stretches[1]));
            let lane = depth[stretches[0][1]..=stretches[1][0]].iter().copied().fold(f64::INFINITY, f64::min);
            if weaker < AS_DEEP * deepest || lane > LANE * deepest {
                return Across::Unclear;
            }
            Across::Two(Pair {
                share,
                apart_px: 0.5 * (other_from + other_to - from - to),
                width_px: (to - from).max(other_to - other_from),
            })
        }
        _ => Across::Unclear,
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::super::{Choice, Said, choose};
    use super::*;
    use crate::locate::coarse::Coarse;

    const GROUND_LIGHT: f64 = 30000.0;
    const STROKE_LIGHT: f64 = 6000.0;

    /// Whether the line chosen in a picture, with or without two points on it, parts in two. Each place is covered by strokes as far as
    /// `cover` of (x from the middle, y from the line) says, beyond 0 and 1 for what is far from an edge.
    fn parts(cover: impl Fn(f64, f64) -> f64) -> [bool; 2] {
        let luminance = Array2::from_shape_fn((420, 1200), |(y, x)| {
            let [x, y] = [x as f64 + 0.5 - 600.0, y as f64 + 0.5 - 210.0];
            let cover = if x.abs() < 500.0 { cover(x, y).clamp(0.0, 1.0) } else { 0.0 };
            (GROUND_LIGHT + cover * (STROKE_LIGHT - GROUND_LIGHT)) as u16
        });
        let photo = Photo::from_light(luminance);
        let coarse = Coarse::new(&photo, None);
        [None, Some([[300.0, 210.0], [900.0, 210.0]])].map(|through_px| {
            let chosen = choose(&photo, &coarse, Said { through_px, ..Said::default() });
            let Choice::One(line) = chosen else { panic!("one line is chosen with {through_px:?}: {chosen:?}") };
            parts_in_two(&photo, &line)
        })
    }

    /// Cover of a place so far from the middle of a stroke.
    fn stroke(away: f64, half_width: f64) -> f64 {
        half_width - away.abs() + 0.5
    }

    #[test]
    fn two_straight_strokes_that_cross_part_in_two() {
        let crossing = |x: f64, y: f64| stroke(y - 0.009 * x, 2.0).max(stroke(y + 0.009 * x, 2.0));
        assert_eq!(parts(crossing), [true; 2]);
        // On one side they stay as close as they are wide.
        let late = |x: f64, y: f64| crossing(0.7 * (x - 280.0), y);
        assert_eq!(parts(late), [true; 2]);
    }

    #[test]
    fn a_kerf_is_one_line_whatever_fine_stroke_crosses_it_where_it_is_finest() {
        let kerf = |x: f64, y: f64| stroke(y, 2.0 * (1.0 + (x / 180.0).powi(2)).sqrt());
        assert_eq!(parts(kerf), [false; 2]);
        assert_eq!(parts(|x, y| kerf(x, y).max(stroke(y - 0.03 * x, 1.2))), [false; 2]);
    }

    /// Beams of two lobes burn like this: the two halves widen with the kerf.
    #[test]
    fn a_kerf_whose_middle_stays_light_where_it_is_wide_does_not_part_in_two() {
        let hollow = |x: f64, y: f64| {
            let half_width = 2.0 * (1.0 + (x / 100.0).powi(2)).sqrt();
            stroke(y, half_width).min(1.0 - stroke(y, 0.4 * half_width - 1.6).max(0.0))
        };
        assert_eq!(parts(hollow), [false; 2]);
    }
}
