//! Which of the straight things in the picture is the burned line: one, none or several.

pub mod candidate;
pub mod fork;
mod ground;
mod parted;

use rayon::prelude::*;

use crate::locate::coarse::Coarse;
use crate::locate::runs::straight_runs;
use crate::locate::trace::{Trace, follow, follow_beside, follow_between, follow_through};
use crate::photo::Photo;
use candidate::{Candidate, ORDINARY_MISFIT, examine, look_closer};
use parted::are_parted;

/// Straight runs looked at.
const RUNS: usize = 14;
/// Candidates measured.
const MEASURED: usize = 5;
/// The same of those that cross the whole picture, and how close to its edge these end, as a share of its long side.
const MEASURED_THROUGH: usize = 3;
const AT_THE_EDGE: f64 = 0.02;
/// The same for what leaves the picture, by its course.
const OUT_OF_THE_PICTURE: f64 = 0.005;
/// Share of the best score below which a candidate is not measured.
const WORTH_MEASURING: f64 = 0.1;
/// Share of the strength of the best that looks burned below which a candidate is out of the question.
const FAR_BELOW: f64 = 0.002;
/// Depth (ln light) of a line that may be no more than grain.
const GRAIN_DEPTH: f64 = 0.10;
/// Share of the picture's long side that a line must reach.
const LEAST_LENGTH: f64 = 0.06;

/// Share of the strongest's strength from which another candidate is a rival, and from which one that fits well is.
const CLEAR_RIVAL: f64 = 0.55;
const CLEAN_RIVAL: f64 = 0.25;
/// The same for one that runs beside it.
const BESIDE_RIVAL: f64 = 0.38;
/// How much more than the first's two sides (natural log of light) those of a lesser rival may differ, and of any.
const UNLIKE_SIDES: f64 = 0.1;
const CLEARLY_UNLIKE_SIDES: f64 = 0.25;
/// Share of the first's usable places below which one that runs across it is no rival: what strings together pieces of a ruler's
/// graduations or of marks is line for a half of its way.
const PIECES: f64 = 0.7;
/// Share of the strongest's strength from which a line that ends on its ground is the line rather than one that runs off it.
const ENDS_INSIDE: f64 = 0.5;
/// The same where the strongest widens far less.
const ENDS_INSIDE_AND_WIDENS: f64 = 0.3;

/// Whether a candidate that looks burned leaves doubt which is the line.
///
/// A second burned line runs beside the first, or keeps to its curve about as well; grain that happens to widen twice, on
/// the bench or across the strip, does neither.
fn rivals_it(candidate: &Candidate, first: &Candidate) -> bool {
    if candidate.is_askew_to(first) && candidate.usable < PIECES * first.usable {
        return false;
    }
    let share = candidate.strength() / first.strength();
    let is_clean = candidate.misfit < ORDINARY_MISFIT.min(2.0 * first.misfit.max(0.02)).max(first.misfit);
    // A second stroke lies on the strip, too; a gap beside a ruler lies between two things.
    let more_uneven = candidate.unevenness - first.unevenness;
    if share > CLEAR_RIVAL && more_uneven < CLEARLY_UNLIKE_SIDES {
        return true;
    }
    if more_uneven > UNLIKE_SIDES {
        return false;
    }
    (candidate.is_parallel_to(first) && candidate.share_beside(first) > BESIDE_RIVAL)
        || (is_clean && share > CLEAN_RIVAL)
        || candidate.is_alike(first)
}

/// So many others through the whole picture, as strong as this share of a line's strength and at an angle to it of this sine at most, make it
/// one of them.
const MANY: usize = 3;
const ALIKE_STREAK: f64 = 0.5;
const PARALLEL_STREAKS: f64 = 0.1;

/// What there is in the picture.
#[derive(Debug, Clone)]
pub enum Choice {
    /// One burned line.
    One(Box<Candidate>),
    /// Nothing that stands out as a line.
    None,
    /// Several that could each be it; the strongest first.
    Several(Vec<Candidate>),
}

/// What the setup says of the line and of what is burned beside it.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Said {
    /// Two places that lie on the line.
    pub through_px: Option<[[f64; 2]; 2]>,
    /// Index marks are burned across its two sides.
    pub has_marks: bool,
    /// It is tied by its own ends or the strip's, which must be in the picture.
    pub ends_show: bool,
}

/// Looks at the picture (or the area) and chooses.
pub fn choose(photo: &Photo, coarse: &Coarse, said: Said) -> Choice {
    let known = said.through_px.and_then(|places| known_at(photo, coarse, places));
    let Some(known) = known else { return among(photo, distinct_traces(photo, coarse), said) };
    if known.is_gap || is_nothing(photo, &known) {
        return Choice::None;
    }
    let mut others = distinct_traces(photo, coarse);
    others.retain(|t| !t.is_one_with(&known.trace));
    if is_one_of_many(photo, &known.trace, &others) {
        return Choice::None;
    }
    // The places say where one line is, and not that there is no other.
    let others = others.into_iter().filter(|t| t.score > CLEAN_RIVAL * known.trace.score);
    let rivals: Vec<Candidate> =
        others.take(MEASURED).collect::<Vec<_>>().into_par_iter().map(|t| examine(photo, t)).collect();
    let (gaps, mut rivals): (Vec<Candidate>, Vec<Candidate>) = rivals.into_iter().partition(|c| c.is_gap);
    let strokes: Vec<Candidate> = gaps.into_iter().filter(|c| is_second_stroke(photo, c, &known)).collect();
    if !strokes.is_empty() {
        return Choice::Several([vec![known], strokes].concat());
    }
    rivals.retain(|rival| rival.looks_burned() || rival.runs_alongside(&known));
    if rivals.is_empty() {
        return Choice::One(Box::new(known));
    }
    let mut first = known.clone();
    look_closer(photo, &mut first);
    rivals.par_iter_mut().for_each(|rival| look_closer(photo, rival));
    // Nor is what runs askew meant by them (planks of the bench, grain), or lies on another strip beside this one.
    rivals.retain(|rival| {
        rival.looks_burned()
            && !rival.is_askew_to(&first)
            && !rival.lies_on(&first)
            && !rival.is_ground_of(&first)
            && rivals_it(rival, &first)
            && !are_parted(photo, &first, rival)
    });
    if !rivals.is_empty() && !first.runs_off(photo) {
        rivals.retain(|rival| {
            is_stronger_by_far(rival, &first) || !may_be_joint(photo, rival, &first) || !rival.runs_off(photo)
        });
    }
    if rivals.is_empty() {
        return Choice::One(Box::new(known));
    }
    rivals.insert(0, known);
    Choice::Several(rivals)
}

/// The line through two places: what stands out most about them, unless something else passes them closer and looks burned.
fn known_at(photo: &Photo, coarse: &Coarse, places_px: [[f64; 2]; 2]) -> Option<Candidate> {
    let traces = follow_through(coarse, places_px).into_iter().filter(|trace| trace.median_depth() > GRAIN_DEPTH);
    let mut found: Vec<Candidate> =
        traces.map(|trace| examine(photo, Trace { score: trace.score.max(1.0), ..trace })).collect();
    let closest = found.pop()?;
    match found.pop() {
        Some(strongest) if !closest.looks_burned() || closest.lies_on(&strongest) => Some(strongest),
        _ => Some(closest),
    }
}

/// True where a candidate is no line, by half levels and by edges proper.
fn is_nothing(photo: &Photo, candidate: &Candidate) -> bool {
    candidate.is_nothing() && {
        let mut closer = candidate.clone();
        look_closer(photo, &mut closer);
        closer.is_nothing()
    }
}

/// Followed runs of some length and depth that do not lie on each other, best first.
fn distinct_traces(photo: &Photo, coarse: &Coarse) -> Vec<Trace> {
    let mut traces = follow(coarse, &straight_runs(coarse, RUNS));
    traces.sort_by(|a, b| b.score.total_cmp(&a.score));
    // Two lines close to each other are one run.
    let beside = traces.first().map(|first| follow_beside(coarse, first)).unwrap_or_default();
    traces.extend(beside);
    traces.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut distinct: Vec<Trace> = Vec::new();
    for trace in traces {
        if !distinct.iter().any(|d| trace.is_one_with(d)) {
            distinct.push(trace);
        }
    }
    let long_side = photo.width().max(photo.height()) as f64;
    distinct.retain(|t| t.length_px() > LEAST_LENGTH * long_side && t.median_depth() > GRAIN_DEPTH);
    distinct
}

/// True where what looks like a gap is one more stroke beside `first`, on the same ground: a light one between another and the lid beyond
/// the strip's edge shows light on both sides, as the gap between two things does.
fn is_second_stroke(photo: &Photo, gap: &Candidate, first: &Candidate) -> bool {
    gap.is_second_stroke_beside(first) && !are_parted(photo, first, gap)
}

/// True for each end of a trace that lies at the picture's edge.
fn at_the_edge(trace: &Trace, photo: &Photo) -> [bool; 2] {
    [0, trace.offsets_px.len() - 1].map(|index| is_within(AT_THE_EDGE, trace.place(index), photo))
}

/// True for a place that lies so near the picture's edge, as a share of its long side.
fn is_within(share: f64, [x, y]: [f64; 2], photo: &Photo) -> bool {
    let [width, height] = [photo.width() as f64, photo.height() as f64];
    x.min(y).min(width - x).min(height - y) < share * width.max(height)
}

/// True where a trace runs from edge to edge of the picture.
fn crosses(trace: &Trace, photo: &Photo) -> bool {
    at_the_edge(trace, photo) == [true; 2]
}

/// True where a trace runs through the whole picture and so do others beside it, of its sign and not far weaker: streaks of the grain,
/// or ruled lines. A burned line would stand out from them.
fn is_one_of_many(photo: &Photo, trace: &Trace, others: &[Trace]) -> bool {
    let is_alike = |other: &&Trace| {
        let [a, b] = [trace, other].map(|trace| trace.direction);
        other.is_dark == trace.is_dark
            && other.score > ALIKE_STREAK * trace.score
            && (a[0] * b[1] - a[1] * b[0]).abs() < PARALLEL_STREAKS
            && crosses(other, photo)
    };
    crosses(trace, photo) && others.iter().filter(is_alike).count() >= MANY
}

/// The line among several traces.
fn among(photo: &Photo, mut distinct: Vec<Trace>, said: Said) -> Choice {
    let Some(best_score) = distinct.first().map(|t| t.score) else { return Choice::None };
    distinct.retain(|t| t.score > WORTH_MEASURING * best_score);
    // Many may cross the whole picture, as the lines of a mat do: they must not crowd out one that ends inside.
    let mut room = [MEASURED, MEASURED_THROUGH];
    distinct.retain(|trace| {
        let room = &mut room[usize::from(crosses(trace, photo))];
        let is_measured = *room > 0;
        *room = room.saturating_sub(1);
        is_measured
    });
    let candidates: Vec<Candidate> = distinct.into_par_iter().map(|t| examine(photo, t)).collect();
    let (gaps, mut candidates): (Vec<Candidate>, Vec<Candidate>) = candidates.into_iter().partition(|c| c.is_gap);
    // A joint between the bench's planks crosses the picture, and is longer and darker than any line.
    if said.ends_show && candidates.iter().any(|c| c.looks_burned() && !crosses(&c.trace, photo)) {
        candidates.retain(|c| !crosses(&c.trace, photo));
    }
    if said.has_marks {
        let all = candidates.clone();
        candidates.retain(|c| !all.iter().any(|line| line.trace.score > c.trace.score && c.may_be_mark_of(line)));
    }
    // Half-level widths blur what a candidate is like, but what is this far below the best cannot come near it.
    let best = candidates.iter().filter(|c| c.looks_burned()).map(Candidate::strength).fold(0.0, f64::max);
    candidates.retain(|c| c.strength() >= FAR_BELOW * best);
    let burned: Vec<&Candidate> = candidates.iter().filter(|c| c.looks_burned()).collect();
    let is_alone = matches!(burned[..], [first] if !candidates.iter().any(|c| c.runs_alongside(first)));
    if !is_alone {
        // More than one could be it, or none quite: look at them with edges proper.
        candidates.par_iter_mut().for_each(|candidate| look_closer(photo, candidate));
    }
    candidates.sort_by(|a, b| b.strength().total_cmp(&a.strength()));
    let mut burned: Vec<&Candidate> = Vec::new();
    let looking: Vec<&Candidate> = candidates.iter().filter(|c| c.looks_burned()).collect();
    for candidate in looking.iter().copied().filter(|c| !looking.iter().any(|other| c.is_ground_of(other))) {
        // Two traces can end on one course.
        if !burned.iter().any(|stronger| candidate.lies_on(stronger)) {
            burned.push(candidate);
        }
    }
    if !burned.is_empty() {
        let twins = |first: &Candidate| -> Vec<Candidate> {
            // One that looks burned all the same widens like the first; a joint beside it hardly does.
            let may_be = |c: &&Candidate| !c.looks_burned() || c.widens_like(first);
            let spoilt = candidates.iter().filter(|c| !c.is_gap && !c.lies_on(first)).filter(may_be);
            // The strip's own edge runs beside the line, too, between two grounds.
            let spoilt = spoilt.filter(|c| c.unevenness < first.unevenness + UNLIKE_SIDES);
            let twins = spoilt.filter(|c| c.is_twin_of(first) && !c.runs_off(photo));
            let as_gaps = gaps.iter().filter(|c| is_second_stroke(photo, c, first));
            twins.chain(as_gaps).cloned().collect()
        };
        return match the_burned(photo, &burned, said.ends_show) {
            Choice::One(first) => match twins(&first) {
                twins if twins.is_empty() => Choice::One(first),
                twins => Choice::Several([vec![*first], twins].concat()),
            },
            other => other,
        };
    }
    let rivals = candidates.iter().skip(1).filter(|c| c.strength() > 0.6 * candidates[0].strength()).count();
    if candidates.is_empty() {
        return Choice::None;
    }
    if rivals > 0 {
        // Many alike and pale: grain. Few and strong: lines.
        if candidates[0].contrast < 0.35 || candidates[0].usable < 0.4 {
            Choice::None
        } else {
            Choice::Several(candidates)
        }
    } else if candidates[0].is_nothing() {
        Choice::None
    } else {
        Choice::One(Box::new(candidates.swap_remove(0)))
    }
}

/// The line among those that look burned, strongest first.
fn the_burned(photo: &Photo, burned: &[&Candidate], ends_show: bool) -> Choice {
    // One that runs off its ground and covers the first is a joint that it was drawn along; one askew, the bench's, or the mat's.
    let is_ground = |c: &Candidate, first: &Candidate| {
        may_be_joint(photo, c, first) || (c.is_askew_to(first) && !is_stronger_by_far(c, first))
    };
    let rivals = |first: &Candidate, runs_off: &[bool]| -> Vec<Candidate> {
        let others = burned.iter().zip(runs_off).filter(|(c, _)| !std::ptr::eq(**c, first));
        // What leaves the picture is no line whose ends show.
        let leaves = |c: &Candidate| at_the_edge(&c.trace, photo).contains(&true);
        let others = others.filter(|(c, _)| !ends_show || !leaves(c) || leaves(first));
        let others = others.filter(|(c, off)| !(**off && is_ground(c, first)) && rivals_it(c, first));
        others.map(|(c, _)| (*c).clone()).collect()
    };
    let strongest = burned[0];
    let mut beside = rivals(strongest, &vec![false; burned.len()]);
    if beside.is_empty() {
        return Choice::One(Box::new(strongest.clone()));
    }
    // A joint or a pencil line runs on to the strip's edge, where a burned line ends before it.
    let runs_off: Vec<bool> = burned.par_iter().map(|c| c.runs_off(photo)).collect();
    let inside = burned.iter().zip(&runs_off).find(|(c, off)| {
        let gives_way = runs_off[0] && is_ground(strongest, c);
        !**off && (std::ptr::eq(**c, strongest) || (gives_way && !is_stronger_by_far(strongest, c)))
    });
    let first = inside.map_or(strongest, |(first, _)| *first);
    if inside.is_some() {
        beside = rivals(first, &runs_off);
        if beside.is_empty() {
            return Choice::One(Box::new(first.clone()));
        }
    }
    beside.insert(0, first.clone());
    Choice::Several(beside)
}

/// True where `candidate` covers `first` and runs on, out of the picture or without narrowing and widening as `first` does: a joint that it was
/// drawn along. In dark bands of the grain a faint stroke seems to run off the strip, too.
fn may_be_joint(photo: &Photo, candidate: &Candidate, first: &Candidate) -> bool {
    let course = &candidate.course;
    // Its trace may run on into what lies beyond its ends.
    let leaves = || {
        [course.start_px, course.end_px]
            .into_iter()
            .all(|end| is_within(OUT_OF_THE_PICTURE, course.place(end, 0.0), photo))
    };
    candidate.outreaches(first) && (!candidate.is_second_stroke_beside(first) || leaves())
}

/// True where `candidate` is so much stronger that it may be the line although it runs off its ground and `other` does not.
fn is_stronger_by_far(candidate: &Candidate, other: &Candidate) -> bool {
    let share = if candidate.widens_like(other) { ENDS_INSIDE } else { ENDS_INSIDE_AND_WIDENS };
    other.strength() < share * candidate.strength()
}

/// The line between two given places.
pub fn along(photo: &Photo, coarse: &Coarse, line_px: [[f64; 2]; 2]) -> Choice {
    follow_between(coarse, line_px).map_or(Choice::None, |trace| Choice::One(Box::new(examine(photo, trace))))
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;

    /// Light of the line, of the strip it is burned on.
    const LINE: u16 = 4000;
    const STRIP: u16 = 30000;

    /// Two dark lines of one kerf, finest in their middle, one above the other; `grounds` beside the upper and the lower one, and the light
    /// of the lane between.
    pub(super) fn two_lines(grounds: [u16; 2], lane: u16) -> (Photo, Vec<Candidate>) {
        let luminance = Array2::from_shape_fn((420, 1200), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let half_width = 3.0 + 8.0 * ((x - 600.0) / 500.0).powi(2);
            let aside = (y - 130.0).abs().min((y - 290.0).abs());
            if (80.0..1120.0).contains(&x) && aside < half_width {
                LINE
            } else if (200.0..220.0).contains(&y) {
                lane
            } else {
                grounds[usize::from(y > 210.0)]
            }
        });
        let photo = Photo::from_light(luminance);
        let coarse = Coarse::new(&photo, None);
        let candidates = distinct_traces(&photo, &coarse).into_iter().map(|trace| examine(&photo, trace));
        let mut lines: Vec<Candidate> = candidates.filter(|c| c.course.is_dark && c.looks_burned()).collect();
        lines.sort_by(|a, b| a.course.place(600.0, 0.0)[1].total_cmp(&b.course.place(600.0, 0.0)[1]));
        assert_eq!(lines.len(), 2, "the two lines and nothing else look burned");
        (photo, lines)
    }

    #[test]
    fn an_equal_is_a_rival_unless_its_sides_are_clearly_less_alike() {
        let (_, lines) = two_lines([STRIP; 2], STRIP);
        let [first, other] = &lines[..] else { unreachable!("asserted above") };
        assert!(rivals_it(other, first) && rivals_it(first, other));
        let with_sides = |more: f64| Candidate { unevenness: first.unevenness + more, ..other.clone() };
        assert!(rivals_it(&with_sides(0.9 * CLEARLY_UNLIKE_SIDES), first));
        assert!(!rivals_it(&with_sides(1.1 * CLEARLY_UNLIKE_SIDES), first));
    }

    #[test]
    fn what_runs_across_and_is_line_for_half_of_its_way_is_no_rival() {
        let (_, lines) = two_lines([STRIP; 2], STRIP);
        let [first, other] = &lines[..] else { unreachable!("asserted above") };
        let seen_for = |share: f64, direction: [f64; 2]| {
            let mut candidate = Candidate { usable: share * first.usable, ..other.clone() };
            candidate.course.direction = direction;
            candidate
        };
        let [beside, across] = [first.course.direction, [-first.course.direction[1], first.course.direction[0]]];
        assert!(!rivals_it(&seen_for(0.9 * PIECES, across), first));
        assert!(rivals_it(&seen_for(1.1 * PIECES, across), first));
        assert!(rivals_it(&seen_for(0.9 * PIECES, beside), first));
    }

    #[test]
    fn two_strokes_on_one_strip_are_several_and_on_two_strips_the_points_choose() {
        let through = Some([[300.0, 130.0], [900.0, 130.0]]);
        let chosen = |lane: u16| {
            let (photo, _) = two_lines([STRIP; 2], lane);
            choose(&photo, &Coarse::new(&photo, None), Said { through_px: through, ..Said::default() })
        };
        assert!(matches!(chosen(STRIP), Choice::Several(_)));
        let Choice::One(line) = chosen(STRIP / 4) else { panic!("one line lies on the strip of the points") };
        assert!((line.course.place(600.0, 0.0)[1] - 130.0).abs() < 2.0);
    }

    /// Streaks from edge to edge of the picture, the one of the points finest in its middle and so many others beside it.
    #[test]
    fn one_of_many_streaks_through_the_picture_is_no_line_where_two_points_name_it() {
        let chosen = |others: usize, depth: f64, ends_inside: bool| {
            let luminance = Array2::from_shape_fn((420, 1200), |(y, x)| {
                let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
                let half_width = 3.0 + 3.5 * ((x - 600.0) / 500.0).powi(2);
                let shows = !ends_inside || (80.0..1120.0).contains(&x);
                let is_other = (0..others).any(|k| (y - [60.0, 350.0, 280.0, 110.0][k]).abs() < 5.0);
                if (y - 200.0).abs() < half_width && shows {
                    STRIP / 3
                } else if is_other {
                    (f64::from(STRIP) * depth) as u16
                } else {
                    STRIP
                }
            });
            let photo = Photo::from_light(luminance);
            let through_px = Some([[300.0, 200.0], [900.0, 200.0]]);
            choose(&photo, &Coarse::new(&photo, None), Said { through_px, ..Said::default() })
        };
        let many = chosen(3, 0.4, false);
        assert!(matches!(many, Choice::None), "{many:?}");
        assert!(matches!(chosen(2, 0.4, false), Choice::One(_)), "too few to be grain");
        assert!(matches!(chosen(4, 0.75, false), Choice::One(_)), "it stands out from them");
        assert!(matches!(chosen(4, 0.4, true), Choice::One(_)), "it ends where a beam was switched off");
    }

    /// Two light strokes on a dark coating, the lower one between the upper and the white lid: with and without points on the upper.
    #[test]
    fn a_light_stroke_between_another_and_the_lid_is_a_second_line() {
        const LID: u16 = 60000;
        const STROKE: u16 = 40000;
        const COATING: u16 = 6000;
        let luminance = Array2::from_shape_fn((420, 1200), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let half_width = 3.0 + 5.0 * ((x - 600.0) / 500.0).powi(2);
            let on_a_stroke = (y - 180.0).abs().min((y - 225.0).abs()) < half_width;
            if y > 265.0 {
                LID
            } else if (80.0..1120.0).contains(&x) && on_a_stroke {
                STROKE
            } else {
                COATING
            }
        });
        let photo = Photo::from_light(luminance);
        let coarse = Coarse::new(&photo, None);
        let lower = distinct_traces(&photo, &coarse).into_iter().map(|trace| examine(&photo, trace));
        assert!(lower.into_iter().any(|c| c.is_gap && (c.course.place(600.0, 0.0)[1] - 225.0).abs() < 3.0));
        for through_px in [None, Some([[300.0, 180.0], [900.0, 180.0]])] {
            let chosen = choose(&photo, &coarse, Said { through_px, ..Said::default() });
            assert!(matches!(chosen, Choice::Several(_)), "{through_px:?}: {chosen:?}");
        }
    }

    /// A dark line from x 300 to 900 on y 400, and a stroke up and down on x 500 between these distances above the line, both finest in
    /// their middle.
    fn line_and_stroke(from: f64, to: f64) -> Photo {
        let luminance = Array2::from_shape_fn((560, 1200), |(y, x)| {
            let [x, above] = [x as f64 + 0.5, 400.0 - (y as f64 + 0.5)];
            let half_width = |share: f64| 4.0 + 6.0 * share.powi(2);
            let on_the_line = (300.0..900.0).contains(&x) && above.abs() < half_width((x - 600.0) / 300.0);
            let share = (2.0 * above - from - to) / (to - from);
            let on_the_stroke = (from..to).contains(&above) && (x - 500.0).abs() < half_width(share);
            if on_the_line || on_the_stroke { LINE } else { STRIP }
        });
        Photo::from_light(luminance)
    }

    #[test]
    fn an_index_mark_is_no_rival_of_the_line_that_it_lies_beside() {
        let chosen = |photo: &Photo, has_marks: bool| {
            choose(photo, &Coarse::new(photo, None), Said { has_marks, ..Said::default() })
        };
        for (from, to) in [(170.0, 340.0), (190.0, 285.0)] {
            let marked = line_and_stroke(from, to);
            let Choice::One(line) = chosen(&marked, true) else {
                panic!("a mark from {from} to {to} is no second line")
            };
            assert!((line.course.place(0.5 * (line.course.start_px + line.course.end_px), 0.0)[1] - 400.0).abs() < 2.0);
        }
        // Without marks it is a second line, and so is one that begins at the first.
        assert!(matches!(chosen(&line_and_stroke(170.0, 340.0), false), Choice::Several(_)));
        assert!(matches!(chosen(&line_and_stroke(40.0, 300.0), true), Choice::Several(_)));
    }

    /// A joint from edge to edge of the picture, darker than the line that ends inside.
    #[test]
    fn what_crosses_the_picture_gives_way_to_a_line_whose_ends_must_show() {
        let luminance = Array2::from_shape_fn((420, 1200), |(y, x)| {
            let [x, y] = [x as f64 + 0.5, y as f64 + 0.5];
            let half_width = |rise: f64| 4.0 + rise * ((x - 600.0) / 500.0).powi(2);
            if (y - 130.0).abs() < half_width(4.0) {
                LINE / 4
            } else if (300.0..900.0).contains(&x) && (y - 290.0).abs() < half_width(16.0) {
                STRIP / 2
            } else {
                STRIP
            }
        });
        let photo = Photo::from_light(luminance);
        let middle_of_the_chosen = |ends_show: bool| {
            let said = Said { ends_show, ..Said::default() };
            let Choice::One(line) = choose(&photo, &Coarse::new(&photo, None), said) else {
                panic!("one of the two is chosen")
            };
            line.course.place(0.5 * (line.course.start_px + line.course.end_px), 0.0)[1]
        };
        assert!((middle_of_the_chosen(true) - 290.0).abs() < 2.0);
        assert!((middle_of_the_chosen(false) - 130.0).abs() < 2.0, "a close picture's line may cross it");
    }
}
