//! Whether a line's end is that of the strip: the beam went on beside it, and where it was switched off does not show.
//!
//! The ground beside it ends there, too. What the strip's edge cuts off ends square, where a focused beam's mark ends round, since its
//! fluence falls off to all sides alike; by itself that is no proof.

use crate::locate::Course;
use crate::locate::profile::{Profile, gather};
use crate::locate::trace::median;
use crate::photo::Photo;

/// Distance between the places looked at along the line, px.
const STEP_PX: f64 = 0.5;

/// Bands across the line in which its end is looked for, their distance and breadth in widths, and px more on both sides.
const BANDS: i32 = 11;
const BAND: f64 = 0.09;
const BAND_PX: f64 = 0.25;
/// Stretches of the line from which its light, and that of what lies beyond, are taken, in widths from its end.
const OF_LINE: [[f64; 2]; 2] = [[-1.6, -0.7], [0.6, 1.6]];
/// Bands that must show an end, by so much light (natural log), no farther from the rest than this, in widths.
const LEAST_BANDS: usize = 9;
const LEAST_STEP: f64 = 0.15;
const FARTHEST: f64 = 0.9;
/// Radius, in widths, of a round end: half a width and a little, so that the outermost bands have a place on it.
const RADIUS: f64 = 0.51;
/// Greatest slope of a strip's edge against the line's normal, and steps to it that are tried.
const ASKEW: f64 = 0.1;
const ASKEW_STEPS: i32 = 10;
/// Mean distance, in widths, of a square end's places from a straight line, and its share of that from a round end: rendered ends have more with
/// hardly an exception, those that a strip's edge cuts off less, unless the bench is as dark as they are.
const SQUARE: f64 = 0.0125;
const SQUARE_SHARE: f64 = 0.25;
/// Least width for which its end's shape shows, px, and over the blur, which flattens a round one; and least width of any line that is looked at.
const LEAST_SQUARE_PX: f64 = 8.0;
const LEAST_OVER_BLUR: f64 = 6.0;
const LEAST_PX: f64 = 5.0;

/// The same stretches of the ground beside it: what is next to the end belongs to neither (blur, the strip's rim, soot). And how far aside it is
/// looked at, from and to, in widths, and px more.
const OF_GROUND: [[f64; 2]; 2] = [[-4.0, -1.25], [1.25, 4.0]];
const ASIDE: [f64; 2] = [0.75, 2.25];
const ASIDE_PX: [f64; 2] = [2.0, 8.0];
/// Change of the ground's light (natural log) at the strip's edge: a band of grain makes 0.5. Where it lies, in widths from the line's end, which a
/// bench as dark as the char seems to prolong.
const STEP: f64 = 0.55;
const PLACE: [f64; 2] = [-1.5, 0.3];
/// The same beside a square end.
const STEP_IF_SQUARE: f64 = 0.2;
const PLACE_IF_SQUARE: [f64; 2] = [-0.3, 0.3];
/// How far its places on both sides of the line may lie apart.
const APART: f64 = 0.25;

/// An end of a line.
#[derive(Debug, Clone, Copy)]
pub struct Tip<'a> {
    /// The picture.
    pub photo: &'a Photo,
    /// The line's course.
    pub course: &'a Course,
    /// The outermost visible place along it.
    pub end_px: f64,
    /// 1 at the course's end, −1 at its start.
    pub outward: f64,
    /// Width of the line there.
    pub kerf_px: f64,
    /// Standard deviation of the picture's blur.
    pub blur_px: f64,
}

impl Tip<'_> {
    /// True where the strip ends with the line.
    pub fn runs_off(&self) -> bool {
        if self.kerf_px < LEAST_PX {
            return false;
        }
        let Some((places, step)) = self.ground_step() else { return false };
        let is_in = |[from, to]: [f64; 2]| places.iter().all(|place| (from..to).contains(place));
        (step > STEP && is_in(PLACE)) || (step > STEP_IF_SQUARE && is_in(PLACE_IF_SQUARE) && self.is_square())
    }

    /// True where the line's end is straight across it.
    fn is_square(&self) -> bool {
        if self.kerf_px < LEAST_SQUARE_PX.max(LEAST_OVER_BLUR * self.blur_px) {
            return false;
        }
        let profiles = self.profiles(OF_LINE, 0.5 * self.kerf_px + 2.0);
        let places: Vec<[f64; 2]> = (0..BANDS)
            .filter_map(|band| {
                let across = BAND * f64::from(band - BANDS / 2);
                let [from, to] = [-0.5, 0.5].map(|half| (across + half * BAND) * self.kerf_px);
                let (place, step) = crossing(&profiles, [from - BAND_PX, to + BAND_PX], OF_LINE)?;
                (place.abs() < FARTHEST && step.abs() > LEAST_STEP).then_some([across, place])
            })
            .collect();
        if places.len() < LEAST_BANDS {
            return false;
        }
        let straight = apart(&places, |_| 0.0);
        let round = apart(&places, |across| (RADIUS * RADIUS - across * across).sqrt());
        straight < SQUARE && straight < SQUARE_SHARE * round
    }

    /// Where, on both sides of the line, the ground's light steps alike, and by how much at least.
    fn ground_step(&self) -> Option<([f64; 2], f64)> {
        let [from, to] = [0, 1].map(|k| ASIDE[k] * self.kerf_px + ASIDE_PX[k]);
        let profiles = self.profiles(OF_GROUND, to);
        let [(a, up), (b, up_too)] =
            [crossing(&profiles, [-to, -from], OF_GROUND)?, crossing(&profiles, [from, to], OF_GROUND)?];
        (up * up_too > 0.0 && (a - b).abs() < APART).then_some(([a, b], up.abs().min(up_too.abs())))
    }

    /// Profiles across the line at places, in widths from its end, from the innermost to the outermost of two stretches.
    fn profiles(&self, [inside, outside]: [[f64; 2]; 2], half_width_px: f64) -> Vec<(f64, Profile)> {
        let step = STEP_PX / self.kerf_px;
        let [first, last] = [(inside[0] / step).floor() as i32, (outside[1] / step).ceil() as i32];
        let profile = |number: i32| {
            let place = f64::from(number) * step;
            let along = self.end_px + self.outward * place * self.kerf_px;
            (place, gather(self.photo, self.course, along, 0.75, half_width_px))
        };
        (first..=last).map(profile).collect()
    }
}

/// Mean distance of places (across, along) from a shape that is moved along and turned as it fits best.
fn apart(places: &[[f64; 2]], shape: impl Fn(f64) -> f64) -> f64 {
    let turned = |step: i32| {
        let slope = ASKEW * f64::from(step) / f64::from(ASKEW_STEPS);
        let off: Vec<f64> = places.iter().map(|[across, along]| along - slope * across - shape(*across)).collect();
        let middle = median(off.clone());
        off.iter().map(|off| (off - middle).abs()).sum::<f64>() / off.len() as f64
    };
    (-ASKEW_STEPS..=ASKEW_STEPS).map(turned).fold(f64::INFINITY, f64::min)
}

/// Of the light between two distances across the line: where along it, in widths from the end, it is half-way between its levels on two
/// stretches, inside and outside, and how much higher (natural log) the latter is. The nearest such place; `None` without one, or out of the picture.
fn crossing(profiles: &[(f64, Profile)], [from, to]: [f64; 2], levels: [[f64; 2]; 2]) -> Option<(f64, f64)> {
    let light = |(place, profile): &(f64, Profile)| Some((*place, profile.mean_between(from, to)?));
    let light: Vec<(f64, f64)> = profiles.iter().map(light).collect::<Option<_>>()?;
    let [inside, outside] = levels.map(|[from, to]| {
        median(light.iter().filter(|(place, _)| (from..=to).contains(place)).map(|(_, light)| *light).collect())
    });
    let share = |light: f64| (light - inside) / (outside - inside);
    let places = light.windows(2).filter_map(|pair| {
        let [(a, before), (b, after)] = [pair[0], pair[1]].map(|(place, light)| (place, share(light)));
        (before < 0.5 && after >= 0.5).then(|| a + (b - a) * (0.5 - before) / (after - before))
    });
    let step = (outside.max(1e-4) / inside.max(1e-4)).ln();
    places.min_by(|a, b| a.abs().total_cmp(&b.abs())).map(|place| (place, step))
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    const KERF: f64 = 16.0;

    /// A line from x 100 to 500, 16 px wide, on a strip that goes on by so much at its right end, the edge askew by this much; the bench is of
    /// this light. Pixels on an edge take their share.
    fn ends_before_the_edge(by: f64, askew: f64, bench: f64) -> bool {
        let share = |inside: f64| (inside + 0.5).clamp(0.0, 1.0);
        let luminance = Array2::from_shape_fn((200, 700), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let radius = 0.5 * KERF;
            let [from, to] = [100.0 + radius, 500.0 - radius];
            // A stroke of a round spot; one that runs on where it runs off the strip.
            let to = if by == 0.0 { 600.0 } else { to };
            let on_line = share(radius - (x - x.clamp(from, to)).hypot(y - 100.0));
            let on_strip = share(500.0 + by + askew * (y - 100.0) - x);
            let strip = 30000.0 + on_line * (2500.0 - 30000.0);
            (bench + on_strip * (strip - bench)) as u16
        });
        let course = Course {
            origin_px: [0.0, 100.0],
            direction: [1.0, 0.0],
            start_px: 100.0,
            end_px: 500.0,
            step_px: 10.0,
            offsets_px: vec![0.0; 41],
            is_dark: true,
        };
        let photo = Photo::from_light(luminance);
        let tip = Tip { photo: &photo, course: &course, end_px: 500.0, outward: 1.0, kerf_px: KERF, blur_px: 0.5 };
        assert!(!Tip { end_px: 100.0, outward: -1.0, ..tip }.runs_off(), "the start lies on the strip");
        tip.runs_off()
    }

    #[test]
    fn a_line_that_ends_with_the_strip_runs_off_it() {
        // A dark bench, also askew, a light one, one little darker than the strip, and one as dark as the line.
        for (askew, bench) in [(0.0, 9000.0), (0.06, 9000.0), (0.0, 60000.0), (-0.05, 22000.0), (0.03, 2500.0)] {
            assert!(ends_before_the_edge(0.0, askew, bench), "{askew} {bench}");
        }
    }

    #[test]
    fn a_line_that_ends_before_the_strip_s_edge_does_not() {
        for by in [8.0, 14.0, 40.0] {
            for bench in [9000.0, 30000.0] {
                assert!(!ends_before_the_edge(by, 0.0, bench), "{by} px");
            }
        }
        // Round, next to a bench little darker; and square on one ground, as a rectangle is drawn.
        assert!(!ends_before_the_edge(0.5, 0.0, 22000.0));
        assert!(!ends_before_the_edge(0.0, 0.0, 30000.0));
    }
}
