//! Where the burned line starts and stops, at full resolution.

use super::run_off::Tip;
use crate::locate::Course;
use crate::locate::crossing::cross;
use crate::locate::refine::{WidthGuide, median_filter};
use crate::locate::trace::median;
use crate::photo::Photo;
use crate::stations::Station;
use crate::stations::quality::PALED;
use crate::stations::step::{LEAST_LN, SIDE, is_step};

/// Strength of the line next to its edges, over that of its middle, below which it is thinner than it was.
const FLANKS_COUNT: f64 = 1.6;
/// Distance between the places looked at along the line, px.
const STEP: f64 = 0.5;
/// Places between two looks whether all that is asked for has been found.
const LOOK_AGAIN: usize = 64;
/// Shares of the line's own strength: strong, half, gone.
const SHARES: [f64; 3] = [0.8, 0.5, 0.25];
/// A fall from strong to half takes this part of one from strong to gone, at most.
const FROM_HALF: f64 = 3.0;
/// Width at the end over that further in below which the trace may have followed something thinner beyond the end.
const THINNED: f64 = 0.7;
/// Places on each side over which kerfs are smoothed, and share of the widest so far below which the line has become narrower.
const SMOOTHED: usize = 5;
const NARROWER: f64 = 0.93;
/// How far from an end a step of the kerf or of the contrast is looked for, as a share of the line.
const STEP_WITHIN: f64 = 0.2;
/// Contrast within a step of the kerf over the line's own from which the line ends there.
const STRONG: f64 = 0.75;
/// Contrast within a step of it over the line's own: beyond lies grain that the trace followed.
const FULL: f64 = 0.9;
/// Share of the line towards an end, and share of the places there that must be measured.
const TOWARDS: f64 = 0.25;
const LEAST_TOWARDS: f64 = 0.5;
/// Widths next to the end over which the line must not have faded.
const NEAR_END: f64 = 3.0;
/// Widths from the end within which its own width is taken.
const AT_END: [f64; 2] = [0.4, 1.3];
/// Width at the end over the widest below which the line tapers.
const TAPERED: f64 = 0.6;

/// One end of the visible line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LineEnd {
    /// Outermost visible place along the course.
    pub along_px: f64,
    /// Where the beam's centre started or stopped, if the end is a datum.
    pub datum: Option<EndDatum>,
    /// True where the line runs out of the picture (or the area).
    pub leaves_picture: bool,
    /// True where it runs off the strip: the strip ends where it does.
    pub leaves_strip: bool,
}

/// The beam's centre at an end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EndDatum {
    /// Along the course.
    pub along_px: f64,
    /// Standard uncertainty.
    pub u_px: f64,
}

/// Finds both ends (start, then end of the course) from the light along its middle.
///
/// `stations` were measured over the course and give kerf and strength next to each end; `blur_px` is the standard deviation of the picture's blur.
pub fn find(photo: &Photo, course: &Course, guide: &WidthGuide, stations: &[Station], blur_px: f64) -> [LineEnd; 2] {
    let look = |is_end| {
        let end = one_end(photo, course, guide, stations, is_end);
        if is_hardly_measured(course, stations, is_end) {
            return LineEnd { datum: None, ..end };
        }
        let outward = if is_end { 1.0 } else { -1.0 };
        let tip = Tip {
            photo,
            course,
            end_px: end.along_px,
            outward,
            kerf_px: kerf_at(stations, end.along_px, outward),
            blur_px,
        };
        if end.datum.is_some() && tip.runs_off() {
            return LineEnd { datum: None, leaves_strip: true, ..end };
        }
        end
    };
    rayon::join(|| look(false), || look(true)).into()
}

/// Width of the line next to an end, where a beam that dwelt may have widened it, px; 0 where none was measured.
fn kerf_at(stations: &[Station], end_px: f64, outward: f64) -> f64 {
    let used = stations.iter().filter(|s| s.used);
    let mut inwards: Vec<(f64, f64)> = used.map(|s| (outward * (end_px - s.along_px), s.kerf_px)).collect();
    inwards.retain(|(inside, kerf)| (AT_END[0] * kerf..AT_END[1] * kerf).contains(inside));
    if inwards.is_empty() { 0.0 } else { median(inwards.into_iter().map(|(_, kerf)| kerf).collect()) }
}

/// True where most places of the line towards an end are spoilt: the trace may follow dark grain there that runs on from the line's end.
fn is_hardly_measured(course: &Course, stations: &[Station], is_end: bool) -> bool {
    let length = course.end_px - course.start_px;
    let from_end = |s: &Station| if is_end { course.end_px - s.along_px } else { s.along_px - course.start_px };
    let towards: Vec<bool> = stations.iter().filter(|s| from_end(s) < TOWARDS * length).map(|s| s.used).collect();
    let used = towards.iter().filter(|used| **used).count();
    (used as f64) < LEAST_TOWARDS * towards.len() as f64
}

fn one_end(photo: &Photo, course: &Course, guide: &WidthGuide, stations: &[Station], is_end: bool) -> LineEnd {
    let outward = if is_end { 1.0 } else { -1.0 };
    let length = course.end_px - course.start_px;
    let usable: Vec<&Station> = stations.iter().filter(|s| s.used).collect();
    let mut inwards: Vec<&Station> = usable.clone();
    inwards.sort_by(|a, b| (outward * b.along_px).total_cmp(&(outward * a.along_px)));
    if let Some(pales_at) = pales_near_end(&inwards) {
        return beside_grain(photo, course, guide, (&usable, inwards.split_at(pales_at)), outward);
    }
    let step = step_near_end(&inwards);
    // What runs on beyond the line's end, thinner, must not set the scale. A line that fades has no such end.
    let within = &inwards[step..(step + SIDE).min(inwards.len())];
    let is_strong = contrast_of(within) > STRONG * contrast_of(&inwards);
    let runs_on = step > 0 && is_strong && is_thinner(&inwards[..step], within);
    let rough = match is_end {
        _ if runs_on => inwards[step].along_px,
        true => course.end_px,
        false => course.start_px,
    };
    let width = guide.at(rough);
    let kerf_near = |from: f64, to: f64| {
        let near: Vec<f64> = usable
            .iter()
            .filter(|s| {
                let inside = outward * (rough - s.along_px);
                inside >= from && inside <= to
            })
            .map(|s| s.kerf_px)
            .collect();
        (!near.is_empty()).then(|| median(near))
    };
    let reach = (6.0 * width).max(0.04 * length);
    let local = kerf_near(0.0, reach).unwrap_or(width);
    // Beyond the line's end the width is that of grain: the light beside the line lies farther out.
    let width = width.max(local);
    let end = End { photo, course, usable: &usable, outward, rough, widest: widest(&inwards[step..]).max(local) };

    let walk = Walk::outwards(&end, local, width, false);
    let found = walk.crossings(by_middle);
    let Some(outermost) = found[1] else {
        return LineEnd {
            along_px: walk.last_px,
            datum: None,
            leaves_picture: walk.leaves_picture || !walk.is_empty(),
            leaves_strip: false,
        };
    };
    // A crack or a streak that runs on from the line's end is thinner than the line: its flanks end where it ends. Where the
    // trace followed the streak, the line's own width is that of the places further in.
    let further = kerf_near(reach, 3.0 * reach).unwrap_or(local);
    let found = [found]
        .into_iter()
        .chain(std::iter::once_with(|| walk.crossings(by_flanks)))
        .chain(
            (local < THINNED * further)
                .then(|| Walk::outwards(&end, further, further.max(width), false).crossings(by_flanks)),
        )
        .find_map(|found| Some((found[1]?, end.datum(found, local)?)));
    match found {
        Some((along_px, datum)) => LineEnd { along_px, datum: Some(datum), leaves_picture: false, leaves_strip: false },
        None => LineEnd { along_px: outermost, datum: None, leaves_picture: false, leaves_strip: false },
    }
}

/// The end of a line whose trace has run on along grain, as wide as the line perhaps, but much paler: where the light along the middle
/// goes over from the grain's to the line's. `usable` places, and those of them beyond the step and within it, from the end inwards.
fn beside_grain(
    photo: &Photo,
    course: &Course,
    guide: &WidthGuide,
    (usable, (beyond, within)): (&[&Station], (&[&Station], &[&Station])),
    outward: f64,
) -> LineEnd {
    let rough = within[0].along_px;
    let local = median(within.iter().take(2 * SIDE).map(|s| s.kerf_px).collect());
    let width = guide.at(rough).max(local);
    let end = End { photo, course, usable, outward, rough, widest: widest(within).max(local) };
    let walk = Walk::outwards(&end, local, width, true);
    let is_grain = |along: f64| outward * (along - rough) > width && outward * (beyond[0].along_px - along) > 0.0;
    let grain = median(walk.light.iter().filter(|(along, _)| is_grain(*along)).map(|(_, light)| light[0]).collect());
    let found = walk.crossings(|light| light[0] - grain);
    let datum = end.datum(found, local).map(|datum| EndDatum { u_px: datum.u_px.max(0.25 * end.widest), ..datum });
    LineEnd { along_px: found[1].unwrap_or(rough), datum, leaves_picture: false, leaves_strip: false }
}

/// Indices, from an end inwards, near which a step is looked for, the innermost first.
fn steps_near_end(inwards: &[&Station]) -> impl Iterator<Item = usize> {
    let within = inwards.len().min((STEP_WITHIN * inwards.len() as f64) as usize + SIDE);
    (SIDE..within.saturating_sub(SIDE)).rev()
}

/// Index, from an end inwards, of the first place within a step of the contrast near the end, beyond which all is as pale as where a line
/// has faded: a beam that weakens pales over a longer stretch, and its line tapers.
fn pales_near_end(inwards: &[&Station]) -> Option<usize> {
    let usual = contrast_of(inwards);
    steps_near_end(inwards).find(|at| {
        let [outer, next, inner] =
            [&inwards[..*at], &inwards[at - SIDE..*at], &inwards[*at..at + SIDE]].map(contrast_of);
        outer < PALED * usual && next < PALED * usual && inner > FULL * usual
    })
}

/// Index, from an end inwards, of the first place within a step of the kerf near the end; 0 without one.
///
/// The trace may follow a streak or a crack beyond the line's end: the line is what lies within the step.
fn step_near_end(inwards: &[&Station]) -> usize {
    steps_near_end(inwards).find(|at| is_step(inwards, *at)).unwrap_or(0)
}

/// True where the line is thinner by a step over all of some places than over others.
fn is_thinner(places: &[&Station], others: &[&Station]) -> bool {
    let [these, those] = [places, others].map(|all| median(all.iter().map(|s| s.kerf_px).collect()));
    these < those * (-LEAST_LN).exp()
}

fn contrast_of(places: &[&Station]) -> f64 {
    median(places.iter().map(|s| s.contrast).collect())
}

/// Widest kerf, single places apart, from an end inwards until the line becomes narrower: what it tapers from, if it does. Beyond
/// its finest place, which may be near, it widens again.
fn widest(inwards: &[&Station]) -> f64 {
    let smooth = median_filter(&inwards.iter().map(|s| s.kerf_px).collect::<Vec<_>>(), SMOOTHED);
    let mut widest = 0.0f64;
    for kerf in smooth {
        if kerf < NARROWER * widest {
            break;
        }
        widest = widest.max(kerf);
    }
    widest
}

/// One end that is being looked for.
struct End<'a> {
    photo: &'a Photo,
    course: &'a Course,
    usable: &'a [&'a Station],
    outward: f64,
    /// Where the course ends.
    rough: f64,
    /// Width of the line on this side of its finest place.
    widest: f64,
}

/// Strength by which an end is looked for: of the middle.
const fn by_middle(light: &[f64; 2]) -> f64 {
    light[0]
}

/// The same, no more than that next to the edges allows.
fn by_flanks(light: &[f64; 2]) -> f64 {
    light[0].min(FLANKS_COUNT * light[1])
}

/// Light along the line's middle, from well inside outwards.
struct Walk {
    outward: f64,
    /// Place, strength of the middle, strength next to the edges.
    light: Vec<(f64, [f64; 2])>,
    /// Steps well inside, steps that are averaged to each side, and steps for which a fall must last.
    inside: usize,
    half: usize,
    persists: usize,
    last_px: f64,
    leaves_picture: bool,
}

impl Walk {
    /// Light is judged against the line's own strength next to the end. Goes to the limit or, unless all of it is wanted, as far as the
    /// end's crossings need.
    fn outwards(end: &End<'_>, kerf: f64, width: f64, is_all_wanted: bool) -> Self {
        let length = end.course.end_px - end.course.start_px;
        let inside_from = (3.0 * width).max(0.03 * length).min(0.3 * length);
        let limit = 0.12 * length + 6.0 * width + 40.0;
        let mut walk = Self {
            outward: end.outward,
            light: Vec::new(),
            inside: (inside_from / STEP) as usize,
            half: (0.12 * kerf / STEP).round() as usize,
            persists: ((0.7 * kerf).max(4.0) / STEP) as usize,
            last_px: end.rough,
            leaves_picture: false,
        };
        let mut along = end.rough - end.outward * inside_from;
        while end.outward * (along - end.rough) < limit {
            if !is_all_wanted && walk.light.len().is_multiple_of(LOOK_AGAIN) && walk.has_all_crossings() {
                break;
            }
            let Some(light) = cross(end.photo, end.course, along, kerf.min(width), width) else {
                walk.leaves_picture = true;
                break;
            };
            let is_dark = end.course.is_dark;
            walk.light.push((along, [light.strength(is_dark), light.flank_strength(is_dark)]));
            walk.last_px = along;
            along += end.outward * STEP;
        }
        walk
    }

    fn is_empty(&self) -> bool {
        self.light.is_empty()
    }

    /// True where nothing farther out can change either light's crossings.
    fn has_all_crossings(&self) -> bool {
        let settled = self.light.len().saturating_sub(self.half);
        let has_all = |found: [Option<f64>; 3]| found.iter().all(Option::is_some);
        settled > self.inside
            && has_all(self.crossings_within(settled, false, by_middle))
            && has_all(self.crossings_within(settled, false, by_flanks))
    }

    /// Outwards, the places where the light has fallen to each of three shares of the line's own.
    fn crossings(&self, light: impl Fn(&[f64; 2]) -> f64) -> [Option<f64>; 3] {
        self.crossings_within(self.light.len(), !self.leaves_picture, light)
    }

    /// The same among the first so many places, after which nothing follows where `ends_there`.
    fn crossings_within(&self, count: usize, ends_there: bool, light: impl Fn(&[f64; 2]) -> f64) -> [Option<f64>; 3] {
        if count == 0 {
            return [None; 3];
        }
        let smooth: Vec<f64> = (0..count)
            .map(|i| {
                let window = &self.light[i.saturating_sub(self.half)..(i + self.half + 1).min(self.light.len())];
                window.iter().map(|w| light(&w.1)).sum::<f64>() / window.len() as f64
            })
            .collect();
        let steady = median(smooth[..self.inside.min(count).max(1)].to_vec());
        SHARES.map(|share| {
            let level = share * steady;
            let mut below = 0usize;
            for (i, value) in smooth.iter().enumerate() {
                below = if *value < level { below + 1 } else { 0 };
                if below > self.persists || (below > 0 && i + 1 == count && ends_there) {
                    let at = i + 1 - below;
                    let before = at.saturating_sub(1);
                    let rise = smooth[before] - smooth[at];
                    let part = if rise > 1e-9 { ((smooth[before] - level) / rise).clamp(0.0, 1.0) } else { 0.0 };
                    return Some(self.light[before].0 + self.outward * STEP * part);
                }
            }
            None
        })
    }
}

impl End<'_> {
    /// Where the beam stood, unless the line fades or tapers: a true end is as short as the mark is wide; a fading one takes
    /// many widths from strong to gone.
    fn datum(&self, [strong, half, gone]: [Option<f64>; 3], local: f64) -> Option<EndDatum> {
        let [strong, outermost] = [strong?, half?];
        let length = self.course.end_px - self.course.start_px;
        // A streak beyond a sharp end can be dark enough to count as not gone.
        let fade = (FROM_HALF * self.outward * (outermost - strong))
            .min(gone.map_or(f64::INFINITY, |gone| self.outward * (gone - strong)));
        let near = |from: f64, to: f64| {
            let inside = |s: &&&Station| (from..=to).contains(&(self.outward * (outermost - s.along_px)));
            let kerfs: Vec<f64> = self.usable.iter().filter(inside).map(|s| s.kerf_px).collect();
            (!kerfs.is_empty()).then(|| median(kerfs))
        };
        let at_end = near(0.4 * self.widest, 1.6 * self.widest).unwrap_or(local);
        let further_in = near(2.0 * self.widest, 5.0 * self.widest + 0.02 * length).unwrap_or(at_end);
        let reach = 0.4 * self.widest..=NEAR_END * self.widest;
        let near_end: Vec<&Station> = self
            .usable
            .iter()
            .filter(|s| reach.contains(&(self.outward * (outermost - s.along_px))))
            .copied()
            .collect();
        let has_paled = !near_end.is_empty() && contrast_of(&near_end) < PALED * contrast_of(self.usable);
        if has_paled || at_end < TAPERED * self.widest || fade > 2.0 * self.widest + 8.0 {
            return None;
        }
        Some(if at_end < 0.985 * further_in {
            EndDatum { along_px: outermost, u_px: 0.25 * self.widest }
        } else {
            EndDatum { along_px: outermost - self.outward * 0.25 * at_end, u_px: at_end / 8.0 }
        })
    }
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::stations::measure::{MeasureOptions, measure};

    /// Places from an end inwards with these kerfs, px.
    fn widest_of(kerf: impl Fn(f64) -> f64) -> f64 {
        let stations: Vec<Station> = (0..400).map(|i| Station::clean(f64::from(i), kerf(f64::from(i)))).collect();
        let inwards: Vec<&Station> = stations.iter().collect();
        widest(&inwards[step_near_end(&inwards)..])
    }

    /// The finest place lies 60 px from the end, and the other end is four times as wide as this one.
    #[test]
    fn a_thin_end_near_the_finest_place_does_not_taper() {
        let widest = widest_of(|i| 5.0 * (1.0 + ((i - 60.0) / 60.0).powi(2)).sqrt());
        assert!((widest - 7.07).abs() < 0.3, "{widest}");
    }

    #[test]
    fn a_tapering_end_is_known_by_what_it_tapers_from() {
        let widest = widest_of(|i| 20.0 * (i / 40.0).min(1.0));
        assert!((widest - 20.0).abs() < 0.5, "{widest}");
    }

    /// A streak of 7 px, narrower towards the line, runs on for 40 px from the end of a line of 21 px.
    #[test]
    fn a_streak_beyond_the_end_is_not_the_line() {
        let widest = widest_of(|i| if i < 40.0 { 7.0 - 0.07 * i } else { 21.0 });
        assert!((widest - 21.0).abs() < 0.5, "{widest}");
    }

    /// A line from 300 to 1100, 24 px wide at its ends and 12 in the middle, on light ground; grain of this light and half width goes on
    /// from its start to 100. With a course along both, and what was measured along it.
    fn grain_beyond(light: u16, half_width: f64) -> (Photo, Course, WidthGuide, Vec<Station>) {
        let luminance = Array2::from_shape_fn((200, 1300), |(y, x)| {
            let [x, aside] = [x as f64 + 0.5, (y as f64 + 0.5 - 100.0).abs()];
            let half = 6.0 + 6.0 * ((x - 700.0) / 400.0).powi(2);
            // Pores: grain is no even bar.
            let pore = if (x / 7.0).sin() > 0.0 { 1.0 } else { 0.8 };
            if (300.0..1100.0).contains(&x) && aside < half {
                3000
            } else if (100.0..300.0).contains(&x) && aside < half_width * pore {
                light
            } else {
                30000
            }
        });
        let photo = Photo::from_light(luminance);
        let course = Course {
            origin_px: [0.0, 100.0],
            direction: [1.0, 0.0],
            start_px: 100.0,
            end_px: 1100.0,
            step_px: 10.0,
            offsets_px: vec![0.0; 101],
            is_dark: true,
        };
        let along_px: Vec<f64> = (0..=100).map(|k| 100.0 + 10.0 * f64::from(k)).collect();
        let width_px = along_px.iter().map(|x| 12.0 + 12.0 * ((x - 700.0) / 400.0).powi(2).min(1.0)).collect();
        let guide = WidthGuide { along_px, width_px };
        let stations = measure(&photo, &course, &guide, [100.0, 1100.0], &MeasureOptions::default()).stations;
        (photo, course, guide, stations)
    }

    /// What the ends of that line are found to be.
    fn with_grain_beyond(light: u16, half_width: f64) -> [LineEnd; 2] {
        let (photo, course, guide, stations) = grain_beyond(light, half_width);
        find(&photo, &course, &guide, &stations, 0.7)
    }

    /// Beyond ends with nothing, a streak thinner than the line, paler grain and grain as wide and almost as dark.
    #[test]
    fn a_walk_that_stops_early_finds_what_the_whole_one_finds() {
        for (light, half_width) in [(30000, 1.0), (3000, 4.0), (17000, 12.0), (5000, 12.0)] {
            let (photo, course, _, stations) = grain_beyond(light, half_width);
            let usable: Vec<&Station> = stations.iter().filter(|s| s.used).collect();
            for (outward, rough) in [(-1.0, 300.0), (1.0, 1100.0)] {
                let end = End { photo: &photo, course: &course, usable: &usable, outward, rough, widest: 24.0 };
                let [short, whole] = [false, true].map(|is_all| Walk::outwards(&end, 22.0, 24.0, is_all));
                let found = |walk: &Walk| [walk.crossings(by_middle), walk.crossings(by_flanks)];
                assert_eq!(found(&short), found(&whole), "{light} {half_width} {outward}");
                let has_all = found(&whole).iter().flatten().all(Option::is_some);
                assert_eq!(short.light.len() < whole.light.len(), has_all, "{light} {half_width} {outward}");
            }
        }
    }

    #[test]
    fn paler_grain_as_wide_as_the_line_is_not_the_line() {
        for half_width in [9.0, 12.0] {
            let [start, end] = with_grain_beyond(17000, half_width);
            let datum = start.datum.expect("the line ends where the grain begins");
            assert!((start.along_px - 300.0).abs() < 3.0, "{half_width}: {start:?}");
            assert!((datum.along_px - 306.0).abs() < datum.u_px, "{half_width}: {start:?}");
            assert!((end.along_px - 1100.0).abs() < 2.0 && end.datum.is_some(), "{half_width}: {end:?}");
        }
    }

    /// Grain as dark as the line spoils what is measured along it.
    #[test]
    fn an_end_towards_which_hardly_anything_was_measured_is_no_datum() {
        let (photo, course, guide, stations) = grain_beyond(17000, 12.0);
        let spoilt_towards_the_end = |share: f64| {
            let mut stations = stations.clone();
            let from = course.end_px - 0.25 * (course.end_px - course.start_px);
            for (index, station) in stations.iter_mut().enumerate().filter(|(_, s)| s.along_px > from) {
                station.used &= (index % 10) as f64 >= 10.0 * share;
            }
            find(&photo, &course, &guide, &stations, 0.7)[1]
        };
        assert!(spoilt_towards_the_end(0.4).datum.is_some());
        assert!(spoilt_towards_the_end(0.6).datum.is_none());
    }

    /// As dark as the line, it cannot be told from it.
    #[test]
    fn what_is_as_dark_as_the_line_belongs_to_it() {
        let [start, _] = with_grain_beyond(3000, 12.0);
        assert!(start.along_px < 120.0, "{start:?}");
    }
}
