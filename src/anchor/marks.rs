//! Coded index marks: which mark is which, and the map from the picture to the strip that they carry.
//!
//! Mark `i` crosses the line at travel `i × pitch`. Seen from the low end, every left half runs from 6 to 12 mm out, a
//! right half from 6 to 12 mm where bit `i` is 1 and from 6 to 9 mm where it is 0. The bits are the maximal-length
//! sequence of x⁵ + x² + 1, so any five neighbours occur once.

use super::ticks::Tick;
use super::tie::TieError;
use crate::fit::solve::minimise;
use crate::locate::profile::gather;
use crate::locate::refine::half_levels;
use crate::locate::trace::{median, robust_line};
use crate::locate::{Course, Mark, Tie, TieSample};
use crate::photo::Photo;

/// Bit of each mark.
pub const BITS: [u8; 31] =
    [1, 1, 1, 1, 1, 0, 0, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 0, 0, 0, 1, 0, 0, 1, 0, 1, 1, 0, 0];

/// Where halves begin and end, mm from the line.
const INNER_MM: f64 = 6.0;
const SHORT_MM: f64 = 9.0;
const LONG_MM: f64 = 12.0;
/// Scatter of where a half seems to end.
const OUTER_SD_MM: f64 = 0.6;
/// Shapes of ends that are tried: a beam's half circle, and less.
const ROUND_ENDS: [f64; 3] = [1.0, 0.5, 0.0];
/// Fewest marks of a chain.
const LEAST_MARKS: usize = 5;
/// Log-likelihood by which a placing must beat the next best (a factor of about 55).
const CLEAR: f64 = 4.0;
/// The same without the one half that speaks most for it, where less than this share of the halves was recognised.
const CLEAR_WITHOUT_ONE: f64 = 1.5;
const MOSTLY_SEEN: f64 = 0.75;
/// Share of the seen halves that must be as long as the placing says.
const LEAST_AGREEMENT: f64 = 0.8;
/// Chance that a half is missing, faint or smeared beyond recognition.
const MISSING: f64 = 0.15;
/// Chance that a mark is missing as a whole.
const MISSING_WHOLE: f64 = 0.1;
/// A half that ends nearer than this to the picture's edge may be cut by it.
const CUT_ROOM_MM: f64 = 1.0;
/// How far the line runs past its first and last mark, mm of travel, and what a wide end or a trace into grain may add.
const RUN_ON_MM: f64 = 4.0;
const RUN_ON_ROOM_MM: f64 = 2.5;
/// Taken off the log-likelihood of a placing whose line runs further.
const RUNS_ON_FAR: f64 = 8.0;
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
struct Rung {
    along_px: f64,
    halves: [Option<Tick>; 2],
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
    let placing = place(photo, course, chain, scale, setup)?;
    let marks: Vec<(usize, Rung)> = chain
        .iter()
        .filter_map(|(step, rung)| {
            let index = placing.first + if placing.is_rising { *step } else { -*step };
            (index >= 0 && index <= setup.last as isize).then_some((index as usize, *rung))
        })
        .collect();
    map(photo, course, &marks, scale, &placing, setup).ok_or(TieError::MarksNotFound { found })
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
                rungs.push(Rung { along_px: tick.along_px, halves, score: tick.score });
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

/// Gives strokes the slant that their neighbours share and moves their crossings of the line accordingly.
///
/// One stroke's own slant is coarse, and half a pitch of reach turns its error into a shift along the line. The strokes of
/// one picture are parallel but for perspective, which changes their slant steadily along the line.
fn straighten(ticks: &mut [Tick]) {
    // Along per the course's own across, whose sign the negative side turns.
    let signed = |t: &Tick| if t.is_positive { t.slant } else { -t.slant };
    let middle = |t: &Tick| 0.5 * (t.reach_px[0] + t.reach_px[1]);
    let along: Vec<f64> = ticks.iter().map(|t| t.along_px + t.slant * middle(t)).collect();
    let slants: Vec<f64> = ticks.iter().map(signed).collect();
    let (intercept, slope) =
        if ticks.len() < LEAST_MARKS { (median(slants), 0.0) } else { robust_line(&along, &slants) };
    for (tick, along) in ticks.iter_mut().zip(along) {
        let shared = intercept + slope * along;
        tick.slant = if tick.is_positive { shared } else { -shared };
        tick.along_px = along - tick.slant * middle(tick);
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
        let found = (1..=4isize).find_map(|ahead| {
            let target = at(n - 1) + direction as f64 * ahead as f64 * (average + drift * ahead as f64);
            let room = (0.10 + 0.04 * ahead as f64) * average.abs();
            (0..rungs.len())
                .filter(|r| (rungs[*r].along_px - target).abs() < room && !members.iter().any(|m| m.1 == *r))
                .min_by(|a, b| {
                    let away = |r: &usize| (rungs[*r].along_px - target).abs() / rungs[*r].score.sqrt().max(0.3);
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

#[derive(Debug, Clone, Copy)]
struct Placing {
    first: isize,
    is_rising: bool,
}

/// Chooses index and direction of the chain by likelihood.
fn place(
    photo: &Photo,
    course: &Course,
    chain: &[(isize, Rung)],
    scale: f64,
    setup: &MarkSetup,
) -> Result<Placing, TieError> {
    let last_step = chain[chain.len() - 1].0;
    let sides = [0, 1].map(|side| SideScale::new(chain, side, scale));
    let mut scored: Vec<(f64, Placing)> = Vec::new();
    for is_rising in [true, false] {
        for first in -2..=setup.last as isize + 2 {
            let index_of = |step: isize| first + if is_rising { step } else { -step };
            let mut likelihood = 0.0;
            for step in 0..=last_step {
                let index = index_of(step);
                let rung = chain.iter().find(|c| c.0 == step).map(|c| &c.1);
                let halves = rung_likelihood(photo, course, rung, index, is_rising, &sides, setup);
                likelihood += halves.iter().sum::<f64>();
            }
            // Marks that should show just beyond the chain and do not.
            let pitch = setup.pitch_mm * scale;
            for beyond in 1..=3 {
                for (step, along) in [
                    (-beyond, chain[0].1.along_px - beyond as f64 * pitch),
                    (last_step + beyond, chain[chain.len() - 1].1.along_px + beyond as f64 * pitch),
                ] {
                    let index = index_of(step);
                    let is_mark = index >= 0 && index <= setup.last as isize;
                    if is_mark && [0, 1].iter().all(|side| shows(photo, course, along, *side, LONG_MM * scale)) {
                        likelihood += MISSING_WHOLE.ln();
                    }
                }
            }
            // The line runs a little past its first and last mark, never far past them.
            for (along, step, upwards) in [(course.start_px, 0, false), (course.end_px, last_step, true)] {
                let rung = if upwards { chain[chain.len() - 1].1 } else { chain[0].1 };
                let past_chain_mm = (along - rung.along_px) / scale * if upwards { 1.0 } else { -1.0 };
                let index = index_of(step);
                let left = if upwards == is_rising { setup.last as isize - index } else { index };
                let past_mm = past_chain_mm - left as f64 * setup.pitch_mm;
                if past_mm > RUN_ON_MM + RUN_ON_ROOM_MM + 0.05 * left.unsigned_abs() as f64 * setup.pitch_mm {
                    likelihood -= RUNS_ON_FAR;
                }
            }
            scored.push((likelihood, Placing { first, is_rising }));
        }
    }
    scored.sort_by(|a, b| b.0.total_cmp(&a.0));
    let (best, placing) = scored[0];
    let allowed: Vec<&(f64, Placing)> =
        scored.iter().filter(|s| setup.is_rising.is_none_or(|r| r == s.1.is_rising)).collect();
    if setup.is_rising.is_some_and(|rising| placing.is_rising != rising) && best - allowed[0].0 > CLEAR {
        return Err(TieError::LowEndContradictsMarks);
    }
    let (best, placing) = *allowed[0];
    let agreeing = agreement(photo, course, chain, &placing, &sides, setup);
    if agreeing < LEAST_AGREEMENT {
        // Strokes at one pitch whose lengths are not those of the marks: something else.
        let found = (agreeing * chain.len() as f64) as usize;
        return Err(TieError::MarksNotFound { found: found.min(LEAST_MARKS - 1) });
    }
    // Where few of the halves were recognised, one that grain drew or covered must not decide alone.
    let seen = chain.iter().map(|(_, rung)| rung.halves.iter().flatten().count()).sum::<usize>() as f64;
    let mostly_seen = seen / (2 * (last_step + 1)) as f64 >= MOSTLY_SEEN;
    let own = halves(photo, course, chain, &placing, &sides, setup);
    let decided = |other: &(f64, Placing)| {
        if best - other.0 < CLEAR || mostly_seen {
            return best - other.0 >= CLEAR;
        }
        let others = halves(photo, course, chain, &other.1, &sides, setup);
        let greatest = own.iter().zip(&others).map(|(a, b)| a - b).fold(0.0, f64::max);
        best - other.0 >= CLEAR_WITHOUT_ONE + greatest
    };
    if !allowed.iter().skip(1).all(|other| decided(other)) {
        return Err(TieError::MarksAmbiguous);
    }
    Ok(placing)
}

/// ln of the chance of what is seen of every half of a chain by a placing, in the chain's order.
fn halves(
    photo: &Photo,
    course: &Course,
    chain: &[(isize, Rung)],
    placing: &Placing,
    sides: &[SideScale; 2],
    setup: &MarkSetup,
) -> Vec<f64> {
    let index_of = |step: isize| placing.first + if placing.is_rising { step } else { -step };
    let of = |(step, rung): &(isize, Rung)| {
        rung_likelihood(photo, course, Some(rung), index_of(*step), placing.is_rising, sides, setup)
    };
    chain.iter().flat_map(of).collect()
}

/// True where the place beside the line lies in the picture.
fn shows(photo: &Photo, course: &Course, along_px: f64, side: usize, away_px: f64) -> bool {
    let sign = if side == 0 { 1.0 } else { -1.0 };
    let [x, y] = course.place(along_px, sign * away_px);
    x >= 0.0 && y >= 0.0 && x < photo.width() as f64 && y < photo.height() as f64
}

/// True where a half runs on to the picture's edge, so that its length is not known.
fn is_cut(photo: &Photo, course: &Course, tick: &Tick, side: usize, scale: f64) -> bool {
    let outer = tick.reach_px[1] + CUT_ROOM_MM * scale;
    !shows(photo, course, tick.along_px + tick.slant * outer, side, outer)
}

/// Share of the halves, but for those that are cut, that are as long as the placing says.
fn agreement(
    photo: &Photo,
    course: &Course,
    chain: &[(isize, Rung)],
    placing: &Placing,
    sides: &[SideScale; 2],
    setup: &MarkSetup,
) -> f64 {
    let [mut seen, mut agreeing] = [0.0; 2];
    for (step, rung) in chain {
        let index = placing.first + if placing.is_rising { *step } else { -*step };
        for (side, half) in rung.halves.iter().enumerate() {
            let Some(tick) = half else { continue };
            if is_cut(photo, course, tick, side, sides[side].at(tick.along_px)) {
                continue;
            }
            let outer = tick.reach_px[1] / sides[side].at(tick.along_px);
            seen += 1.0;
            if index >= 0 && index <= setup.last as isize {
                let expected = expected_mm(index, side, placing.is_rising);
                agreeing += f64::from(u8::from((outer - expected).abs() < 0.5 * (LONG_MM - SHORT_MM)));
            }
        }
    }
    agreeing / f64::max(seen, 1.0)
}

/// How far out a half of mark `index` reaches.
fn expected_mm(index: isize, side: usize, is_rising: bool) -> f64 {
    // Side 0 is the positive one: left of the course's direction, and of low to high where position rises.
    let is_left = (side == 0) == is_rising;
    if is_left || BITS[index as usize % BITS.len()] == 1 { LONG_MM } else { SHORT_MM }
}

/// Scale across the line on one side, from where the halves begin: perspective lets it differ from side to side and
/// change along the line.
#[derive(Debug, Clone, Copy)]
struct SideScale {
    intercept: f64,
    slope: f64,
}

impl SideScale {
    fn new(chain: &[(isize, Rung)], side: usize, scale: f64) -> Self {
        let ticks: Vec<Tick> = chain.iter().filter_map(|(_, r)| r.halves[side]).collect();
        let along: Vec<f64> = ticks.iter().map(|t| t.along_px).collect();
        let scales: Vec<f64> = ticks.iter().map(|t| t.reach_px[0] / INNER_MM).collect();
        match ticks.len() {
            0..3 => Self { intercept: scale, slope: 0.0 },
            3..6 => Self { intercept: median(scales), slope: 0.0 },
            _ => {
                let (intercept, slope) = robust_line(&along, &scales);
                Self { intercept, slope }
            }
        }
    }

    fn at(&self, along_px: f64) -> f64 {
        self.intercept + self.slope * along_px
    }
}

/// ln of the chance of what is seen of one mark's two halves, were it number `index`.
fn rung_likelihood(
    photo: &Photo,
    course: &Course,
    rung: Option<&Rung>,
    index: isize,
    is_rising: bool,
    sides: &[SideScale; 2],
    setup: &MarkSetup,
) -> [f64; 2] {
    if index < 0 || index > setup.last as isize {
        // Something that only looks like a mark, or nothing.
        return [0, 1].map(|side| if rung.is_some_and(|r| r.halves[side].is_some()) { -4.0 } else { 0.0 });
    }
    let Some(rung) = rung else { return [MISSING_WHOLE.ln(), 0.0] };
    [0, 1].map(|side| {
        let scale = sides[side].at(rung.along_px);
        let Some(tick) = &rung.halves[side] else {
            return if shows(photo, course, rung.along_px, side, LONG_MM * scale) { MISSING.ln() } else { 0.0 };
        };
        let scale = sides[side].at(tick.along_px);
        if is_cut(photo, course, tick, side, scale) {
            return 0.0;
        }
        let outer = tick.reach_px[1] / scale;
        let chance = |target: f64| (-0.5 * ((outer - target) / OUTER_SD_MM).powi(2)).exp() + 0.012;
        let expected = expected_mm(index, side, is_rising);
        ((1.0 - MISSING) * chance(expected) / (chance(LONG_MM) + chance(SHORT_MM))).ln()
    })
}

/// Fits along-course place against surface position through the marks, and samples the map.
fn map(
    photo: &Photo,
    course: &Course,
    marks: &[(usize, Rung)],
    scale: f64,
    placing: &Placing,
    setup: &MarkSetup,
) -> Option<Tie> {
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
    Some(Tie { datum: "marks", low_px: course.place(low, 0.0), high_px: course.place(high, 0.0), marks, samples })
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

/// `along = (α + β·x)/(1 + γ·x) + κ·x³`, x in half-lengths from the middle of the marks used.
struct MapFit {
    middle: f64,
    half: f64,
    parameters: Vec<f64>,
    covariance: nalgebra::DMatrix<f64>,
}

impl MapFit {
    fn value(parameters: &[f64], x: f64) -> f64 {
        (parameters[0] + parameters[1] * x) / (1.0 + parameters[2] * x) + parameters[3] * x * x * x
    }

    fn along(&self, position_mm: f64) -> f64 {
        Self::value(&self.parameters, (position_mm - self.middle) / self.half)
    }

    fn slope(&self, position_mm: f64) -> f64 {
        let h = 1e-4 * self.half;
        (self.along(position_mm + h) - self.along(position_mm - h)) / (2.0 * h)
    }

    fn u_along(&self, position_mm: f64) -> f64 {
        let x = (position_mm - self.middle) / self.half;
        let gradient = nalgebra::DVector::from_fn(self.parameters.len(), |k, _| {
            let mut p = self.parameters.clone();
            let h = 1e-5 * p[k].abs().max(1.0);
            p[k] += h;
            let up = Self::value(&p, x);
            p[k] -= 2.0 * h;
            (up - Self::value(&p, x)) / (2.0 * h)
        });
        (gradient.transpose() * &self.covariance * gradient)[0].max(0.0).sqrt()
    }
}

/// The simplest of a straight, a projective and a projective map with the lens' cubic that the marks ask for.
///
/// Chosen by the Bayesian information criterion on Cauchy's loss, so that neither a scan is bent by a false mark nor a
/// photograph read as a scan.
fn fit_map(rows: &[[f64; 2]]) -> Option<MapFit> {
    let low = rows.iter().map(|r| r[0]).fold(f64::INFINITY, f64::min);
    let high = rows.iter().map(|r| r[0]).fold(f64::NEG_INFINITY, f64::max);
    let [middle, half] = [0.5 * (low + high), 0.5 * (high - low)];
    if half <= 0.0 {
        return None;
    }
    let count = rows.len() as f64;
    let mut best: Option<(f64, MapFit)> = None;
    for terms in 2..=4 {
        if rows.len() < terms + 2 {
            break;
        }
        let fit = fit_terms(rows, middle, half, terms)?;
        let loss: f64 = rows
            .iter()
            .map(|r| MARK_SCATTER_PX.powi(2) * (((fit.along(r[0]) - r[1]) / MARK_SCATTER_PX).powi(2)).ln_1p())
            .sum();
        let criterion = count * (loss / count + 0.1f64.powi(2)).ln() + 2.0 * terms as f64 * count.ln();
        if best.as_ref().is_none_or(|b| criterion < b.0) {
            best = Some((criterion, fit));
        }
    }
    best.map(|b| b.1)
}

/// Residual in px from which a mark counts as false rather than as scatter.
const MARK_SCATTER_PX: f64 = 2.0;

fn fit_terms(rows: &[[f64; 2]], middle: f64, half: f64, terms: usize) -> Option<MapFit> {
    let (intercept, slope) = robust_line(
        &rows.iter().map(|r| (r[0] - middle) / half).collect::<Vec<_>>(),
        &rows.iter().map(|r| r[1]).collect::<Vec<_>>(),
    );
    let full = |p: &[f64]| {
        let mut all = p.to_vec();
        all.resize(4, 0.0);
        all
    };
    let start = [intercept, slope, 0.0, 0.0];
    let steps = [1e-3, 1e-3, 1e-7, 1e-3];
    let residuals = |p: &[f64]| {
        let p = full(p);
        rows.iter()
            .map(|r| {
                let u = (MapFit::value(&p, (r[0] - middle) / half) - r[1]) / MARK_SCATTER_PX;
                MARK_SCATTER_PX * (u * u).ln_1p().sqrt() * u.signum()
            })
            .collect::<Vec<f64>>()
    };
    let solution = minimise(&residuals, &start[..terms], &steps[..terms]);
    let freedom = (rows.len() as f64 - terms as f64).max(1.0);
    let variance = (solution.sum_of_squares / freedom).max(0.1f64.powi(2));
    let covariance = (solution.covariance()? * variance).resize(4, 4, 0.0);
    Some(MapFit { middle, half, parameters: full(&solution.parameters), covariance })
}
