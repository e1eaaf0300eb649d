//! Places whose middle lies beside the line's own course: for a while the trace has followed what crosses the line, a joint perhaps.
//!
//! The course is the parabola (lens and paper bow it) that lies closest to most groups of places: the least median of distances
//! (P. J. Rousseeuw, JASA 79(388), 1984; from memory), over all triples of groups.

use super::quality::Parabola;
use super::{LeftOut, Station};
use crate::locate::trace::median;

/// Groups into which the places are put.
const GROUPS: usize = 12;
/// How far aside, in kerfs there, in standard deviations of the other places, and in px, a middle must lie to be astray: in all of them.
const ASIDE_KERFS: f64 = 0.75;
const ASIDE_SPREADS: f64 = 4.0;
const ASIDE_PX: f64 = 3.0;
/// Share of the places beyond which none is left out: what so much of the line does is its own.
const MOST_ASTRAY: f64 = 0.25;

/// Leaves out the places that are astray, between others that are not: a line that steps aside for good was burned so.
pub fn leave_out_astray(stations: &mut [Station]) {
    let used: Vec<usize> = (0..stations.len()).filter(|index| stations[*index].used).collect();
    let rows: Vec<[f64; 2]> = used.iter().map(|i| [stations[*i].along_px, stations[*i].centre_px]).collect();
    let Some(course) = closest_to_most(&rows) else { return };
    let aside: Vec<f64> = rows.iter().map(|[along, across]| (across - course.at(*along)).abs()).collect();
    // Median over its place in a normal distribution.
    let spread = median(aside.clone()) / 0.6745;
    let is_astray: Vec<bool> = used
        .iter()
        .zip(&aside)
        .map(|(index, aside)| {
            *aside > (ASIDE_KERFS * stations[*index].kerf_px).max(ASIDE_SPREADS * spread).max(ASIDE_PX)
        })
        .collect();
    let Some((first, last)) = is_astray.iter().position(|astray| !astray).zip(is_astray.iter().rposition(|a| !a))
    else {
        return;
    };
    let astray = || (first..last).filter(|k| is_astray[*k]);
    if astray().count() as f64 > MOST_ASTRAY * used.len() as f64 {
        return;
    }
    for index in astray().map(|k| used[k]) {
        stations[index].used = false;
        stations[index].left_out = Some(LeftOut::Disturbed);
    }
}

/// The parabola of least median distance; `None` with too few places for groups.
fn closest_to_most(rows: &[[f64; 2]]) -> Option<Parabola> {
    let size = rows.len() / GROUPS;
    if size == 0 {
        return None;
    }
    let groups: Vec<[f64; 2]> =
        rows.chunks(size).map(|group| [0, 1].map(|axis| median(group.iter().map(|row| row[axis]).collect()))).collect();
    let count = groups.len();
    let triples = (0..count).flat_map(|a| (a + 1..count).flat_map(move |b| (b + 1..count).map(move |c| [a, b, c])));
    triples
        .filter_map(|triple| {
            let course = Parabola::through(&triple.map(|index| groups[index]))?;
            let distances = groups.iter().map(|[along, across]| (across - course.at(*along)).abs()).collect();
            Some((median(distances), course))
        })
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, course)| course)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 300 places 5 px apart on a line of 10 px that bows by 4 px and wanders by a pixel, moved aside by `aside` of the place along.
    fn stations(aside: impl Fn(f64) -> f64) -> Vec<Station> {
        (0..300)
            .map(|index| {
                let along_px = 5.0 * f64::from(index);
                let bow = 4.0 * (1.0 - ((along_px - 750.0) / 750.0).powi(2));
                let centre_px = 7.0 + bow + (0.9 * f64::from(index)).sin() + aside(along_px);
                Station { centre_px, ..Station::clean(along_px, 10.0) }
            })
            .collect()
    }

    /// Places along of what is left out.
    fn left_out(aside: impl Fn(f64) -> f64) -> Vec<f64> {
        let mut all = stations(aside);
        leave_out_astray(&mut all);
        all.iter().filter(|s| !s.used).map(|s| s.along_px).collect()
    }

    #[test]
    fn a_stretch_aside_is_left_out_and_nothing_else() {
        let out = left_out(|along| if (600.0..800.0).contains(&along) { 14.0 } else { 0.0 });
        assert_eq!(out, (120..160).map(|index| 5.0 * f64::from(index)).collect::<Vec<_>>());
    }

    #[test]
    fn what_the_whole_line_does_is_its_own() {
        assert!(left_out(|_| 0.0).is_empty());
        // A belt's wobble, wider than the line.
        assert!(left_out(|along| 14.0 * (along / 60.0).sin()).is_empty());
        // A step of the belt, for good.
        assert!(left_out(|along| if along > 1200.0 { 14.0 } else { 0.0 }).is_empty());
        // Less than the line's own width.
        assert!(left_out(|along| if (600.0..800.0).contains(&along) { 6.0 } else { 0.0 }).is_empty());
        // So much of it that nobody can say which part is the line.
        assert!(left_out(|along| if (400.0..900.0).contains(&along) { 14.0 } else { 0.0 }).is_empty());
    }

    #[test]
    fn few_places_are_left_alone() {
        let mut few = stations(|along| if along < 50.0 { 0.0 } else { 30.0 });
        few.truncate(12);
        leave_out_astray(&mut few);
        assert!(few.iter().all(|s| s.used));
        leave_out_astray(&mut []);
    }
}
