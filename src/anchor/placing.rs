//! Which number each mark of a chain has, and which way the numbers run.

use super::marks::{BITS, INNER_MM, LEAST_MARKS, LONG_MM, MarkSetup, OUTER_SD_MM, Rung, SHORT_MM};
use super::ticks::Tick;
use super::tie::TieError;
use crate::locate::Course;
use crate::locate::trace::{median, robust_line};
use crate::photo::Photo;

/// Log-likelihood by which a placing must beat the next best (a factor of about 55).
const CLEAR: f64 = 4.0;
/// The same without the one half that speaks most for it, where less than this share of the halves was recognised.
const CLEAR_WITHOUT_ONE: f64 = 1.5;
const MOSTLY_SEEN: f64 = 0.75;
/// Fewest marks of a chain with more gaps than that: grain across the line may show as many at some pitch.
const LEAST_WITH_GAPS: usize = 8;
/// Share of the seen halves that must be as long as the placing says.
const LEAST_AGREEMENT: f64 = 0.8;
/// Chance that a half is missing, faint or smeared beyond recognition.
const MISSING: f64 = 0.15;
/// Chance, over that at its own length, that a half seems to end anywhere.
const STRAY: f64 = 0.012;
/// Chance that a mark is missing as a whole.
const MISSING_WHOLE: f64 = 0.1;
/// A half that ends nearer than this to the picture's edge may be cut by it.
const CUT_ROOM_MM: f64 = 1.0;
const CUT_STEPS: u32 = 10;
/// How far the line runs past its first and last mark, mm of travel, and what a wide end or a trace into grain may add.
const RUN_ON_MM: f64 = 4.0;
const RUN_ON_ROOM_MM: f64 = 2.5;
/// Taken off the log-likelihood of a placing whose line runs further.
const RUNS_ON_FAR: f64 = 8.0;

/// Number of a chain's first mark, and whether they rise along the course.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Placing {
    first: isize,
    /// True: numbers and positions grow along the course.
    pub is_rising: bool,
}

impl Placing {
    /// Number of the mark so many pitches from the chain's first.
    pub const fn index_of(&self, step: isize) -> isize {
        self.first + if self.is_rising { step } else { -step }
    }
}

/// A chain of marks in a picture.
#[derive(Debug)]
pub struct Row<'a> {
    /// The picture.
    pub photo: &'a Photo,
    /// The line's course.
    pub course: &'a Course,
    /// Rungs with the number of pitches from the first.
    pub chain: &'a [(isize, Rung)],
    /// Pixels to a millimetre along the course.
    pub scale: f64,
    /// Scale across it on the positive and the negative side.
    pub sides: [SideScale; 2],
    /// What is known of the ramp.
    pub setup: &'a MarkSetup,
}

impl Row<'_> {
    /// Chooses index and direction of the chain by likelihood.
    ///
    /// # Errors
    /// [`TieError::MarksNotFound`], [`TieError::MarksAmbiguous`], [`TieError::LowEndContradictsMarks`].
    pub fn place(&self) -> Result<Placing, TieError> {
        let Self { course, chain, scale, setup, .. } = *self;
        let last_step = chain[chain.len() - 1].0;
        let mut scored: Vec<(f64, Placing)> = Vec::new();
        for is_rising in [true, false] {
            // Grain across the line may begin the chain, or end it, any number of pitches beyond the marks.
            for first in -last_step..=setup.last as isize + last_step {
                let placing = Placing { first, is_rising };
                let mut likelihood = 0.0;
                for step in 0..=last_step {
                    let rung = chain.iter().find(|c| c.0 == step).map(|c| &c.1);
                    likelihood += self.likelihood(rung, step, placing).iter().sum::<f64>();
                }
                // Marks that should show just beyond the chain and do not.
                let pitch = setup.pitch_mm * scale;
                for beyond in 1..=3 {
                    for (step, along) in [
                        (-beyond, chain[0].1.along_px - beyond as f64 * pitch),
                        (last_step + beyond, chain[chain.len() - 1].1.along_px + beyond as f64 * pitch),
                    ] {
                        let index = placing.index_of(step);
                        let is_mark = index >= 0 && index <= setup.last as isize;
                        if is_mark && [0, 1].iter().all(|side| self.shows(along, *side, LONG_MM * scale)) {
                            likelihood += MISSING_WHOLE.ln();
                        }
                    }
                }
                // The line runs a little past its first and last mark, never far past them.
                for (along, step, upwards) in [(course.start_px, 0, false), (course.end_px, last_step, true)] {
                    let rung = if upwards { chain[chain.len() - 1].1 } else { chain[0].1 };
                    let past_chain_mm = (along - rung.along_px) / scale * if upwards { 1.0 } else { -1.0 };
                    let index = placing.index_of(step);
                    let left = if upwards == is_rising { setup.last as isize - index } else { index };
                    let past_mm = past_chain_mm - left as f64 * setup.pitch_mm;
                    if past_mm > RUN_ON_MM + RUN_ON_ROOM_MM + 0.05 * left.unsigned_abs() as f64 * setup.pitch_mm {
                        likelihood -= RUNS_ON_FAR;
                    }
                }
                scored.push((likelihood, placing));
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
        let agreeing = self.agreement(placing);
        if agreeing < LEAST_AGREEMENT {
            // Strokes at one pitch whose lengths are not those of the marks: something else.
            let found = (agreeing * chain.len() as f64) as usize;
            return Err(TieError::MarksNotFound { found: found.min(LEAST_MARKS - 1) });
        }
        // Where few of the halves were recognised, one that grain drew or covered must not decide alone.
        let in_place = chain.iter().filter(|(_, rung)| !rung.is_out_of_place);
        let seen = in_place.map(|(_, rung)| rung.halves.iter().flatten().count()).sum::<usize>() as f64;
        let mostly_seen = seen / (2 * (last_step + 1)) as f64 >= MOSTLY_SEEN;
        if !mostly_seen && chain.len() < LEAST_WITH_GAPS {
            return Err(TieError::MarksAmbiguous);
        }
        let own = self.halves(placing);
        let decided = |other: &(f64, Placing)| {
            if best - other.0 < CLEAR || mostly_seen {
                return best - other.0 >= CLEAR;
            }
            let others = self.halves(other.1);
            let greatest = own.iter().zip(&others).map(|(a, b)| a - b).fold(0.0, f64::max);
            best - other.0 >= CLEAR_WITHOUT_ONE + greatest
        };
        if !allowed.iter().skip(1).all(|other| decided(other)) {
            return Err(TieError::MarksAmbiguous);
        }
        Ok(placing)
    }

    /// ln of the chance of what is seen of every half of the chain by a placing, in the chain's order.
    fn halves(&self, placing: Placing) -> Vec<f64> {
        self.chain.iter().flat_map(|(step, rung)| self.likelihood(Some(rung), *step, placing)).collect()
    }

    /// True where the place beside the line lies in the picture.
    fn shows(&self, along_px: f64, side: usize, away_px: f64) -> bool {
        let sign = if side == 0 { 1.0 } else { -1.0 };
        let [x, y] = self.course.place(along_px, sign * away_px);
        x >= 0.0 && y >= 0.0 && x < self.photo.width() as f64 && y < self.photo.height() as f64
    }

    /// How far out a half that runs on to the picture's edge, or ends close to it, can seem to end, mm; `None` for others.
    fn cut_mm(&self, tick: &Tick, side: usize) -> Option<f64> {
        let scale = self.sides[side].at(tick.along_px);
        let shows = |away_px: f64| self.shows(tick.along_px + tick.slant * away_px, side, away_px);
        let away = |step: u32| tick.reach_px[1] + CUT_ROOM_MM * scale * f64::from(step) / f64::from(CUT_STEPS);
        // Its end is taken to be round, which what is cut is not.
        (0..=CUT_STEPS).map(away).find(|away| !shows(*away)).map(|edge| (edge - tick.rounding_px) / scale)
    }

    /// Share of the halves, but for those that are cut, that are as long as the placing says.
    fn agreement(&self, placing: Placing) -> f64 {
        let [mut seen, mut agreeing] = [0.0; 2];
        for (step, rung) in self.chain.iter().filter(|(_, rung)| !rung.is_out_of_place) {
            let index = placing.index_of(*step);
            for (side, half) in rung.halves.iter().enumerate() {
                let Some(tick) = half else { continue };
                let outer = tick.reach_px[1] / self.sides[side].at(tick.along_px);
                let cut = self.cut_mm(tick, side).unwrap_or(f64::INFINITY);
                // Cut before it can show whether it is a long one.
                if cut < 0.5 * (SHORT_MM + LONG_MM) {
                    continue;
                }
                seen += 1.0;
                if index >= 0 && index <= self.setup.last as isize {
                    let expected = expected_mm(index, side, placing.is_rising).min(cut);
                    agreeing += f64::from(u8::from((outer - expected).abs() < 0.5 * (LONG_MM - SHORT_MM)));
                }
            }
        }
        agreeing / f64::max(seen, 1.0)
    }

    /// ln of the chance of what is seen of the two halves of one mark by a placing.
    fn likelihood(&self, rung: Option<&Rung>, step: isize, placing: Placing) -> [f64; 2] {
        let index = placing.index_of(step);
        if index < 0 || index > self.setup.last as isize {
            // Something that only looks like a mark, or nothing.
            return [0, 1].map(|side| if rung.is_some_and(|r| r.halves[side].is_some()) { -4.0 } else { 0.0 });
        }
        let Some(rung) = rung.filter(|rung| !rung.is_out_of_place) else {
            return [MISSING_WHOLE.ln(), 0.0];
        };
        [0, 1].map(|side| {
            let scale = self.sides[side].at(rung.along_px);
            let Some(tick) = &rung.halves[side] else {
                return if self.shows(rung.along_px, side, LONG_MM * scale) { MISSING.ln() } else { 0.0 };
            };
            let scale = self.sides[side].at(tick.along_px);
            let outer = tick.reach_px[1] / scale;
            let chance = |target: f64| (-0.5 * ((outer - target) / OUTER_SD_MM).powi(2)).exp() + STRAY;
            let expected = expected_mm(index, side, placing.is_rising);
            if let Some(cut) = self.cut_mm(tick, side) {
                // Where the edge hides the difference, each is as likely.
                let [expected, long, short] = [expected, LONG_MM, SHORT_MM].map(|mm| chance(mm.min(cut)));
                return (expected / long.max(short)).ln();
            }
            ((1.0 - MISSING) * chance(expected) / (chance(LONG_MM) + chance(SHORT_MM))).ln()
        })
    }
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
pub struct SideScale {
    intercept: f64,
    slope: f64,
}

impl SideScale {
    /// From the halves of a chain on a side; the scale along the line where they are few.
    pub fn new(chain: &[(isize, Rung)], side: usize, scale: f64) -> Self {
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

    /// Pixels to a millimetre at a place along the course.
    pub fn at(&self, along_px: f64) -> f64 {
        self.intercept + self.slope * along_px
    }
}
