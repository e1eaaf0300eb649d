//! Coded index marks: which mark is which, and the map from the picture to the strip that they carry.
//!
//! Mark `i` crosses the line at travel `i × pitch`. Seen from the low end, every left half runs from 6 to 12 mm out, a
//! right half from 6 to 12 mm where bit `i` is 1 and from 6 to 9 mm where it is 0. The bits are the maximal-length
//! sequence of x⁵ + x² + 1, so any five neighbours occur once.

use super::mark_map::fit_map;
use super::placing::{Placing, Row, SideScale};
use super::ticks::Tick;
use super::tie::TieError;
use crate::locate::profile::gather;
use crate::locate::refine::half_levels;
use crate::locate::trace::{median, robust_line};
use crate::locate::{Course, Mark, Tie, TieSample};
use crate::photo::Photo;

/// Bit of each mark.
pub const BITS: [u8; 31] =
    [1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 0];

/// Where halves begin, mm from the line.
pub const INNER_MM: f64 = 6.0;
/// Where short ones end.
pub const SHORT_MM: f64 = 9.0;
/// Where long ones end.
pub const LONG_MM: f64 = 12.0;
/// Scatter of where a half seems to end.
pub const OUTER_SD_MM: f64 = 0.6;
/// Shapes of ends that are tried: a beam's half circle, and less.
const ROUND_ENDS: [f64; 3] = [1.0, 0.5, 0.0];
/// Rungs of a chain's end whose common pitch says where the next one is, however the last few stand.
const STEADY: usize = 6;
/// Distance from its place, in pitches, from which what stands there is no mark, and the mark itself missing. Machines burn marks to a
/// few hundredths of a millimetre.
const OUT_OF_PLACE: f64 = 0.08;
/// Difference from the slant that a picture's strokes share (along per across) from which one is grain.
const ASLANT: f64 = 0.1;
/// Fewest marks of a chain.
pub const LEAST_MARKS: usize = 5;
/// Standard uncertainty of a mark's place as burned (mm); machines repeat to a few hundredths (common practice, no source).
const BURNED_U_MM: f64 = 0.02;

/// What is known of the ramp for placing marks.
#[derive(Debug, Clone, Copy)]
pub struct MarkSetup {
    /// Pitch along the surface, mm.
    pub pitch_mm: f64,
    /// Number of the last mark.
    pub last: usize,
    /// Surface distance between the datums.
    pub span_mm: f64,
    /// True: position grows along the course; `None`: not said.
    pub is_rising: Option<bool>,
}

/// One place where a mark may be: its halves on the positive and the negative side of the course.
#[derive(Debug, Clone, Copy, Default)]
pub struct Rung {
    /// Where it crosses the course.
    pub along_px: f64,
    /// Its strokes on the positive and the negative side.
    pub halves: [Option<Tick>; 2],
    /// Stands beside the place that the other marks leave to one.
    pub is_out_of_place: bool,
    score: f64,
}

/// Rungs with the number of pitches from the first.
type Chain = Vec<(isize, Rung)>;

/// Places the marks and ties the course by them.
///
/// # Errors
/// [`TieError::MarksNotFound`], [`TieError::MarksAmbiguous`], [`TieError::LowEndContradictsMarks`].
pub fn tie(photo: &Photo, course: &Course, ticks: &[Tick], setup: &MarkSetup) -> Result<Tie, TieError> {
    // How far a stroke's end reaches past where the beam stood depends on how strongly it burned: the shape of ends that makes the
    // halves most alike to halves of marks comes first, and another where no marks are found with it.
    let mut shapes: Vec<(f64, f64, Chain)> = ROUND_ENDS
        .iter()
        .filter_map(|share| {
            let ticks: Vec<Tick> = ticks.iter().map(|tick| tick.with_round_ends(*share)).collect();
            let (scale, rungs) = rungs(course, &ticks, setup)?;
            let chain = chain(&rungs, setup.pitch_mm * scale);
            Some((shapeliness(&chain, scale), scale, chain))
        })
        .collect();
    shapes.sort_by(|a, b| b.0.total_cmp(&a.0));
    let mut why = None;
    for (_, scale, chain) in &shapes {
        match tie_chain(photo, course, chain, *scale, setup) {
            Err(TieError::MarksNotFound { found }) => {
                why.get_or_insert(TieError::MarksNotFound { found });
            }
            settled => return settled,
        }
    }
    Err(why.unwrap_or(TieError::MarksNotFound { found: 0 }))
}

/// Places one chain and ties the course by it.
fn tie_chain(
    photo: &Photo,
    course: &Course,
    chain: &[(isize, Rung)],
    scale: f64,
    setup: &MarkSetup,
) -> Result<Tie, TieError> {
    let found = chain.len();
    if found < LEAST_MARKS {
        return Err(TieError::MarksNotFound { found });
    }
    let sides = [0, 1].map(|side| SideScale::new(chain, side, scale));
    let place = |chain: &[(isize, Rung)]| Row { photo, course, chain, scale, sides, setup }.place();
    let placing = place(chain)?;
    let marks: Vec<(usize, Rung)> = chain
        .iter()
        .filter_map(|(step, rung)| {
            let index = placing.index_of(*step);
            (index >= 0 && index <= setup.last as isize).then_some((index as usize, *rung))
        })
        .collect();
    let (tie, beside) = map(photo, course, &marks, scale, &placing, setup).ok_or(TieError::MarksNotFound { found })?;
    // What the map shows to stand beside its place must not have decided which number the marks have.
    let mut of_the_map = chain.to_vec();
    for (step, rung) in &mut of_the_map {
        rung.is_out_of_place = beside.iter().any(|index| *index as isize == placing.index_of(*step));
    }
    if beside.is_empty() || place(&of_the_map)? == placing { Ok(tie) } else { Err(TieError::MarksAmbiguous) }
}

/// The scale (px per mm) at which most strokes look like halves of marks at the pitch, and the rungs they form.
fn rungs(course: &Course, ticks: &[Tick], setup: &MarkSetup) -> Option<(f64, Vec<Rung>)> {
    let length = course.end_px - course.start_px;
    let least = length / (setup.span_mm + 8.0) * 0.85;
    let most = (length / (3.5 * setup.pitch_mm)).max(1.5 * least);
    let steps = ((most / least).ln() / 0.02).ceil() as usize + 1;
    let mut best: Option<(f64, f64)> = None;
    for k in 0..steps {
        let scale = least * (0.02 * k as f64).exp();
        let like: Vec<&Tick> = ticks.iter().filter(|t| likeness(t, scale) > 0.3).collect();
        let pitch = setup.pitch_mm * scale;
        let mut score = 0.0;
        for tick in &like {
            // A neighbour at the pitch on either side of the line.
            let near = |away: f64| {
                like.iter().map(|o| (o.along_px - tick.along_px - away).abs()).fold(f64::INFINITY, f64::min)
                    < 0.1 * pitch
            };
            let neighbours = f64::from(u8::from(near(pitch)) + u8::from(near(-pitch)));
            score += likeness(tick, scale) * neighbours * tick.score.sqrt().min(3.0);
        }
        if best.is_none_or(|b| score > b.1) {
            best = Some((scale, score));
        }
    }
    let (scale, score) = best?;
    if score <= 0.0 {
        return None;
    }
    let pitch = setup.pitch_mm * scale;
    let mut like: Vec<Tick> = ticks.iter().filter(|t| likeness(t, scale) > 0.15).copied().collect();
    straighten(&mut like);
    like.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut rungs: Vec<Rung> = Vec::new();
    for tick in like {
        let side = usize::from(!tick.is_positive);
        let home = rungs.iter_mut().find(|r| (r.along_px - tick.along_px).abs() < 0.22 * pitch);
        match home {
            Some(rung) if rung.halves[side].is_none() => {
                let weight = rung.score + tick.score;
                rung.along_px = (rung.along_px * rung.score + tick.along_px * tick.score) / weight;
                rung.score = weight;
                rung.halves[side] = Some(tick);
            }
            Some(_) => {}
            None => {
                let mut halves = [None; 2];
                halves[side] = Some(tick);
                rungs.push(Rung { along_px: tick.along_px, halves, score: tick.score, ..Rung::default() });
            }
        }
    }
    rungs.sort_by(|a, b| a.along_px.total_cmp(&b.along_px));
    Some((scale, rungs))
}

/// Sum over a chain's halves of how near their outer ends lie to where a long or a short half's does, 0 to 1 each.
fn shapeliness(chain: &[(isize, Rung)], scale: f64) -> f64 {
    let sides = [0, 1].map(|side| SideScale::new(chain, side, scale));
    let near = |outer_mm: f64, target: f64| (-0.5 * ((outer_mm - target) / OUTER_SD_MM).powi(2)).exp();
    let of = |(side, tick): (usize, &Tick)| {
        let outer = tick.reach_px[1] / sides[side].at(tick.along_px);
        near(outer, LONG_MM).max(near(outer, SHORT_MM))
    };
    chain
        .iter()
        .flat_map(|(_, rung)| rung.halves.iter().enumerate().filter_map(|(side, half)| Some((side, half.as_ref()?))))
        .map(of)
        .sum()
}

/// Gives strokes the slant that their neighbours share and moves their crossings of the line accordingly; drops those of quite another.
///
/// One stroke's own slant errs, and half a pitch of reach turns its error into a shift along the line. The strokes of
/// one picture are parallel but for perspective, which changes their slant steadily along the line.
fn straighten(ticks: &mut Vec<Tick>) {
    // Along per the course's own across, whose sign the negative side turns.
    let signed = |t: &Tick| if t.is_positive { t.slant } else { -t.slant };
    let half_way = |t: &Tick| 0.5 * (t.reach_px[0] + t.reach_px[1]);
    let middle = |t: &Tick| t.along_px + t.slant * half_way(t);
    ticks.sort_by(|a, b| middle(a).total_cmp(&middle(b)));
    let along: Vec<f64> = ticks.iter().map(middle).collect();
    let slants: Vec<f64> = ticks.iter().map(signed).collect();
    let (intercept, slope) =
        if ticks.len() < LEAST_MARKS { (median(slants), 0.0) } else { robust_line(&along, &slants) };
    let shared = |t: &Tick| intercept + slope * middle(t);
    ticks.retain(|tick| (signed(tick) - shared(tick)).abs() < ASLANT);
    for tick in ticks {
        let (along, shared) = (middle(tick), shared(tick));
        tick.slant = if tick.is_positive { shared } else { -shared };
        tick.along_px = along - tick.slant * half_way(tick);
    }
}

/// 0 to 1: does the stroke begin and end where a half of a mark does?
fn likeness(tick: &Tick, scale: f64) -> f64 {
    // Perspective scales both ends alike: their ratio is the better witness.
    let inner = tick.reach_px[0] / scale;
    let ratio = tick.reach_px[1] / tick.reach_px[0].max(1.0);
    let near = |value: f64, target: f64, room: f64| (-0.5 * ((value - target) / room).powi(2)).exp();
    near(inner, INNER_MM, 1.0) * near(ratio, LONG_MM / INNER_MM, 0.22).max(near(ratio, SHORT_MM / INNER_MM, 0.16))
}

/// The longest chain of rungs whose distances are whole multiples of a slowly changing pitch; steps count from 0.
fn chain(rungs: &[Rung], pitch_px: f64) -> Chain {
    let mut best: (f64, Chain) = (0.0, Vec::new());
    for (a, first) in rungs.iter().enumerate() {
        for (b, second) in rungs.iter().enumerate().skip(a + 1) {
            let apart = second.along_px - first.along_px;
            if apart < 0.7 * pitch_px {
                continue;
            }
            if apart > 1.4 * pitch_px {
                break;
            }
            let mut members: Vec<(isize, usize)> = vec![(0, a), (1, b)];
            grow(rungs, &mut members, true);
            grow(rungs, &mut members, false);
            let score: f64 = members
                .iter()
                .map(|(_, r)| rungs[*r].score.sqrt().min(3.0) * rungs[*r].halves.iter().flatten().count() as f64)
                .sum();
            if score > best.0 {
                members.sort_unstable();
                let origin = members[0].0;
                best = (score, members.into_iter().map(|(k, r)| (k - origin, rungs[r])).collect());
            }
        }
    }
    best.1
}

/// Extends a chain on one side as long as rungs turn up where the last ones say.
fn grow(rungs: &[Rung], members: &mut Vec<(isize, usize)>, upwards: bool) {
    loop {
        members.sort_unstable();
        if !upwards {
            members.reverse();
        }
        let n = members.len();
        let at = |k: usize| rungs[members[k].1].along_px;
        let [last, before] = [members[n - 1], members[n - 2]];
        let step = (last.0 - before.0) as f64;
        let recent = (at(n - 1) - at(n - 2)) / step;
        // The pitch's own drift from the last three, damped: marks jitter by a few hundredths of the pitch.
        let drift = if n >= 4 {
            let [c, d] = [members[n - 3], members[n - 4]];
            let older = (at(n - 3) - at(n - 4)) / (c.0 - d.0) as f64;
            0.5 * (recent - older) / ((last.0 - d.0).abs() as f64).max(1.0)
        } else {
            0.0
        };
        let average = if n >= 3 { (at(n - 1) - at(n - 3)) / (last.0 - members[n - 3].0) as f64 } else { recent };
        let direction = if upwards { 1 } else { -1 };
        // What passes for a mark between two of them leads the last distances astray, but not most of those before.
        let recently = &members[n - n.min(STEADY)..];
        let steady = (recently.len() == STEADY).then(|| {
            let steps: Vec<f64> = recently.iter().map(|(step, _)| *step as f64).collect();
            robust_line(&steps, &recently.iter().map(|(_, r)| rungs[*r].along_px).collect::<Vec<_>>())
        });
        let found = (1..=4isize).find_map(|ahead| {
            let by_last = at(n - 1) + direction as f64 * ahead as f64 * (average + drift * ahead as f64);
            let by_steady = steady.map(|(intercept, slope)| intercept + slope * (last.0 + direction * ahead) as f64);
            let room = (0.10 + 0.04 * ahead as f64) * average.abs();
            let off = |r: &usize| {
                let from = |target: f64| (rungs[*r].along_px - target).abs();
                from(by_last).min(by_steady.map_or(f64::INFINITY, from))
            };
            (0..rungs.len())
                .filter(|r| off(r) < room && !members.iter().any(|m| m.1 == *r))
                .min_by(|a, b| {
                    let away = |r: &usize| off(r) / rungs[*r].score.sqrt().max(0.3);
                    away(a).total_cmp(&away(b))
                })
                .map(|r| (last.0 + direction * ahead, r))
        });
        match found {
            Some(member) => members.push(member),
            None => break,
        }
    }
}

/// Fits along-course place against surface position through the marks, and samples the map; and which of them stand beside their place.
fn map(
    photo: &Photo,
    course: &Course,
    marks: &[(usize, Rung)],
    scale: f64,
    placing: &Placing,
    setup: &MarkSetup,
) -> Option<(Tie, Vec<usize>)> {
    let slants: Vec<f64> = marks
        .iter()
        .flat_map(|(_, r)| r.halves.iter().flatten().map(|t| if t.is_positive { t.slant } else { -t.slant }))
        .collect();
    let slant = median(slants);
    let placed: Vec<(Mark, f64)> = marks
        .iter()
        .filter_map(|(index, rung)| {
            let centres =
                [0, 1].map(|side| rung.halves[side].and_then(|t| refine_half(photo, course, &t, scale, slant)));
            let along = match centres {
                // Both halves lie on one straight stroke: where it crosses the line.
                [Some(a), Some(b)] => a[0] + (b[0] - a[0]) * a[1] / (a[1] - b[1]),
                [Some(a), None] | [None, Some(a)] => a[0] - slant * a[1],
                [None, None] => return None,
            };
            let half = |side: usize| {
                rung.halves[side].map(|t| {
                    let sign = if side == 0 { 1.0 } else { -1.0 };
                    t.reach_px.map(|r| course.place(along + slant * sign * r, sign * r))
                })
            };
            let halves_px = if placing.is_rising { [half(0), half(1)] } else { [half(1), half(0)] };
            Some((Mark { index: *index, place_px: course.place(along, 0.0), halves_px }, along))
        })
        .collect();
    if placed.len() < LEAST_MARKS {
        return None;
    }
    let mut rows: Vec<[f64; 2]> = placed.iter().map(|(m, along)| [m.index as f64 * setup.pitch_mm, *along]).collect();
    let mut kept: Vec<usize> = (0..rows.len()).collect();
    let mut fit = fit_map(&rows)?;
    for _ in 0..3 {
        let apart: Vec<f64> = rows.iter().map(|r| (fit.along(r[0]) - r[1]).abs()).collect();
        let limit = (4.0 * 1.4826 * median(apart.clone())).max(0.6);
        if apart.iter().all(|a| *a <= limit) || rows.len() <= LEAST_MARKS {
            break;
        }
        kept = kept.iter().zip(&apart).filter(|(_, a)| **a <= limit).map(|(k, _)| *k).collect();
        rows = rows.iter().zip(&apart).filter(|(_, a)| **a <= limit).map(|(r, _)| *r).collect();
        fit = fit_map(&rows)?;
    }
    let is_beside = |(mark, along): &&(Mark, f64)| {
        let position = mark.index as f64 * setup.pitch_mm;
        (fit.along(position) - along).abs() > OUT_OF_PLACE * setup.pitch_mm * fit.slope(position).abs()
    };
    let beside = placed.iter().filter(is_beside).map(|(mark, _)| mark.index).collect();
    let marks: Vec<Mark> = kept.into_iter().map(|k| placed[k].0.clone()).collect();
    let [low, high] = [fit.along(0.0), fit.along(setup.span_mm)];
    // Sampled over what is visible; a close picture's datums lie outside.
    let first = rows.iter().map(|r| r[0]).fold(f64::INFINITY, f64::min) - 1.5 * setup.pitch_mm;
    let last = rows.iter().map(|r| r[0]).fold(f64::NEG_INFINITY, f64::max) + 1.5 * setup.pitch_mm;
    const STEPS: usize = 160;
    let mut samples: Vec<TieSample> = (0..=STEPS)
        .map(|k| {
            let position_mm = first + (last - first) * k as f64 / STEPS as f64;
            let along_px = fit.along(position_mm);
            let u = fit.u_along(position_mm) / fit.slope(position_mm).abs();
            TieSample { along_px, position_mm, standard_uncertainty_mm: u.hypot(BURNED_U_MM) }
        })
        .collect();
    if !placing.is_rising {
        samples.reverse();
    }
    if samples.windows(2).any(|w| w[1].along_px <= w[0].along_px) {
        return None;
    }
    let tie = Tie { datum: "marks", low_px: course.place(low, 0.0), high_px: course.place(high, 0.0), marks, samples };
    Some((tie, beside))
}

/// Sub-pixel centre of a half: along the course and across it, at the middle of the part that both kinds share.
fn refine_half(photo: &Photo, course: &Course, tick: &Tick, scale: f64, slant: f64) -> Option<[f64; 2]> {
    let side = if tick.is_positive { 1.0 } else { -1.0 };
    let middle = 0.5 * (INNER_MM + SHORT_MM) * scale;
    // The strokes of one picture are nearly parallel: the common slant is surer than a single coarse one.
    let own = tick.along_px + tick.slant * middle;
    let place = course.place(own, side * middle);
    let norm = slant.hypot(1.0);
    let [d, a] = [course.direction, course.across()];
    let along_stroke = [side * (a[0] + slant * d[0]) / norm, side * (a[1] + slant * d[1]) / norm];
    let stroke = Course {
        origin_px: place,
        direction: along_stroke,
        start_px: -1.0,
        end_px: 1.0,
        step_px: 2.0,
        offsets_px: vec![0.0; 2],
        is_dark: course.is_dark,
    };
    let reach = (0.9 * scale).max(5.0);
    let profile = gather(photo, &stroke, 0.0, 1.1 * scale, 2.5 * reach);
    if profile.inside < 0.8 {
        return None;
    }
    let levels = half_levels(&profile, course.is_dark, reach)?;
    let [x, y] = stroke.place(0.0, levels.centre_px);
    let found = course.along_across([x, y]);
    Some(found)
}

#[cfg(test)]
mod tests {
    use ndarray::Array2;

    use super::*;
    use crate::anchor::ticks;
    use crate::locate::coarse::Coarse;

    const PX_PER_MM: f64 = 20.0;
    const PITCH_MM: f64 = 4.0;
    /// Where the lowest of the drawn marks stands.
    const FIRST_PX: f64 = 120.0;
    const LINE_PX: f64 = 280.0;

    /// A line with so many marks from number `first` on, low end on the left, of which the picture shows no more than `below_mm` below the
    /// line; as the marks tie it.
    fn tied(first: usize, count: usize, below_mm: f64) -> Result<Tie, TieError> {
        let size = [LINE_PX + below_mm * PX_PER_MM, 2.0 * FIRST_PX + (count - 1) as f64 * PITCH_MM * PX_PER_MM];
        let luminance = Array2::from_shape_fn((size[0] as usize, size[1] as usize), |(y, x)| {
            let [x, below] = [x as f64 + 0.5, y as f64 + 0.5 - LINE_PX].map(|px| px / PX_PER_MM);
            let step = ((x - FIRST_PX / PX_PER_MM) / PITCH_MM).round();
            let on_a_stroke =
                (x - FIRST_PX / PX_PER_MM - step * PITCH_MM).abs() < 0.2 && (0.0..count as f64).contains(&step);
            // Right of the line, seen from the low end, lies below it.
            let is_long = below < 0.0 || BITS[(first as f64 + step).max(0.0) as usize % BITS.len()] == 1;
            let outer = if is_long { LONG_MM } else { SHORT_MM };
            if below.abs() < 0.3 || (on_a_stroke && (INNER_MM..outer).contains(&below.abs())) { 2000 } else { 30000 }
        });
        let photo = Photo::from_light(luminance);
        let course = Course {
            origin_px: [0.0, LINE_PX],
            direction: [1.0, 0.0],
            start_px: 0.5 * FIRST_PX,
            end_px: size[1] - 0.5 * FIRST_PX,
            step_px: 10.0,
            offsets_px: vec![0.0; size[1] as usize / 10],
            is_dark: true,
        };
        let coarse = Coarse::new(&photo, None);
        let look = |is_positive| ticks::find(&coarse, &course, is_positive, [2.0 * PX_PER_MM, 15.0 * PX_PER_MM], 0.06);
        let strokes = [look(true), look(false)].concat();
        let setup = MarkSetup { pitch_mm: PITCH_MM, last: 30, span_mm: 30.0 * PITCH_MM, is_rising: None };
        tie(&photo, &course, &strokes, &setup)
    }

    /// Numbers of the marks found, and the position of the line's place at the first drawn mark.
    fn found(first: usize, count: usize, below_mm: f64) -> (Vec<usize>, f64) {
        let tie = tied(first, count, below_mm).unwrap_or_else(|why| panic!("{first} {count} {below_mm}: {why:?}"));
        let mut numbers: Vec<usize> = tie.marks.iter().map(|mark| mark.index).collect();
        numbers.sort_unstable();
        (numbers, tie.at(FIRST_PX).position_mm)
    }

    #[test]
    fn marks_are_known_by_their_neighbours() {
        for first in [0, 5, 17, 24] {
            let (numbers, position_mm) = found(first, 7, 13.5);
            assert_eq!(numbers, (first..first + 7).collect::<Vec<_>>());
            assert!((position_mm - first as f64 * PITCH_MM).abs() < 0.05, "{first}: {position_mm}");
        }
    }

    /// A half that is cut by the picture's edge beyond where a short one ends is a long one.
    #[test]
    fn a_half_that_is_cut_beyond_a_short_one_s_end_is_long() {
        for first in [0, 8, 17] {
            let (numbers, _) = found(first, 7, 11.2);
            assert_eq!(numbers, (first..first + 7).collect::<Vec<_>>());
        }
    }

    /// Cut where a short one ends, halves say nothing.
    #[test]
    fn halves_cut_where_short_ones_end_do_not_tell_the_marks_numbers() {
        assert!(matches!(tied(8, 7, 8.9), Err(TieError::MarksAmbiguous)));
    }
}
