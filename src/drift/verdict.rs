//! Steady, moved, drifting, or too few readings to say.

use jiff::Timestamp;
use serde::Serialize;

use super::individuals::Individuals;
use super::outlook::{Course, Outlook};
use super::series::{Point, Readings, Stretch};
use super::shift::{self, Change, Measured};
use super::trend::{MannKendall, TheilSen, mann_kendall, theil_sen};
use crate::logbook::baseline::{Because, Start};
use crate::logbook::{EventKind, RecordId, When};

/// Limits are drawn as such from this many readings on.
pub const LEAST_FOR_LIMITS: usize = 8;
/// Fewer readings than this show no trend at the confidence asked for: of the 720 orders of six readings two are fully
/// rising or falling, of the 120 of five as many, which chance does once in sixty.
pub const LEAST_FOR_TREND: usize = 6;
/// Intervals are told at this confidence, as every give-or-take.
pub const TOLD: f64 = 0.95;
/// A verdict needs this confidence. It is asked anew with every reading, so it has to err more seldom than an interval.
pub const CLEAR: f64 = 0.99;
/// Readings on each side of an event that tell how much the focus moved there. More would blame the event for a drift.
const NEAR: usize = 5;
/// Mean number of days in a month.
pub const MONTH_DAYS: f64 = 365.25 / 12.0;

/// The verdict's codes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Code {
    /// The readings agree.
    Steady,
    /// The focus went from one place to another.
    Moved,
    /// It creeps.
    Drifting,
    /// Nothing can be said yet.
    TooFew,
}

/// What the readings since the last baseline say.
#[derive(Debug, Clone, PartialEq)]
pub enum Verdict {
    /// They agree.
    Steady,
    /// The focus moved.
    Moved(Moved),
    /// It creeps.
    Drifting(Outlook),
    /// There are too few.
    TooFew {
        /// Readings that there are.
        have: usize,
        /// Readings needed.
        needed: usize,
    },
}

impl Verdict {
    /// Its code.
    pub const fn code(&self) -> Code {
        match self {
            Self::Steady => Code::Steady,
            Self::Moved(_) => Code::Moved,
            Self::Drifting(_) => Code::Drifting,
            Self::TooFew { .. } => Code::TooFew,
        }
    }
}

/// Where the focus moved, and how much.
#[derive(Debug, Clone, PartialEq)]
pub struct Moved {
    /// By how much.
    pub change: Change,
    /// The last reading before and the first after.
    pub between: [When; 2],
    /// Numbers of these two readings.
    pub readings: [RecordId; 2],
    /// What was done between them; empty where nothing was written down.
    pub done: Vec<Done>,
    /// True where one reading alone shows it.
    pub rests_on_one: bool,
}

/// What was done at a moment.
#[derive(Debug, Clone, PartialEq)]
pub struct Done {
    /// When.
    pub when: When,
    /// Which event; `None`: a reading with another lens came before, and nobody wrote down the change.
    pub event: Option<(RecordId, EventKind)>,
    /// What was noted.
    pub note: Option<String>,
}

/// How much the focus moved at an event, the readings before it against those after it.
#[derive(Debug, Clone, PartialEq)]
pub struct Shift {
    /// What was done between the same two readings: it cannot be told apart.
    pub done: Vec<Done>,
    /// Place in the readings with a spacer: so many lie before it.
    pub at: usize,
    /// The change.
    pub change: Change,
    /// True where the focus starts anew there.
    pub is_baseline: bool,
}

/// A stretch's statistics.
#[derive(Debug, Clone, PartialEq)]
pub struct Judged {
    /// The chart, from two readings on.
    pub chart: Option<Individuals>,
    /// The trend, from [`LEAST_FOR_TREND`] readings on.
    pub trend: Option<Trend>,
}

impl Judged {
    /// True where the chart's limits are drawn as such.
    pub fn has_limits(&self) -> bool {
        self.chart.is_some_and(|chart| chart.count >= LEAST_FOR_LIMITS)
    }
}

/// A trend, whether it is clear or not.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trend {
    /// The test.
    pub test: MannKendall,
    /// Line and band; days and mm.
    pub course: Course,
    /// Part of the level's half width that heights and head have in common between the readings.
    pub common_half_width: f64,
}

impl Trend {
    /// Slope with its interval, mm per month.
    pub fn per_month(&self) -> [f64; 3] {
        let TheilSen { slope, interval: [least, most], .. } = self.course.line;
        [least, slope, most].map(|slope| slope * MONTH_DAYS)
    }

    /// True where chance makes so clear a trend once in a hundred series.
    pub fn is_clear(&self) -> bool {
        let [least, most] = self.course.line.interval;
        self.test.p < 1.0 - CLEAR && least * most > 0.0
    }
}

/// Chart and trend of a stretch.
pub fn judge(points: &[&Point]) -> Judged {
    let measured: Vec<Measured> = points.iter().filter_map(|p| p.measured()).collect();
    let values: Vec<f64> = measured.iter().map(|m| m.value).collect();
    let days: Vec<f64> = points.iter().filter(|p| p.spacer.is_some()).map(|p| p.days).collect();
    Judged { chart: Individuals::of(&values), trend: trend(&days, &measured) }
}

fn trend(days: &[f64], measured: &[Measured]) -> Option<Trend> {
    if measured.len() < LEAST_FOR_TREND {
        return None;
    }
    let values: Vec<f64> = measured.iter().map(|m| m.value).collect();
    let test = mann_kendall(&values)?;
    let line = theil_sen(days, &values, TOLD)?;
    let n = values.len() as f64;
    let squares: f64 = days.iter().zip(&values).map(|(d, v)| (v - line.at(*d)).powi(2)).sum();
    let own = measured.iter().map(|m| m.repeatability.powi(2)).sum::<f64>() / n;
    // Standard uncertainty of a median of n values: √(π/2) times that of their mean.
    let level = (std::f64::consts::FRAC_PI_2 * (squares / (n - 2.0)).max(own) / n).sqrt();
    let common =
        (measured.iter().map(|m| (m.whole.powi(2) - m.repeatability.powi(2)).max(0.0)).sum::<f64>() / n).sqrt();
    let half_width = crate::estimate::COVERAGE_FACTOR * level;
    Some(Trend {
        test,
        course: Course { line, level_half_width: half_width },
        common_half_width: crate::estimate::COVERAGE_FACTOR * common,
    })
}

/// How much the focus moved at every event that has readings on both sides, in the order of time.
pub fn shifts(readings: &Readings, starts: &[Start]) -> Vec<Shift> {
    let points: Vec<&Point> = readings.points.iter().filter(|p| p.spacer.is_some()).collect();
    let before = |at: Timestamp| points.iter().take_while(|p| p.when.at < at).count();
    let events = readings.events.iter().map(|event| {
        let done = Done { when: event.when, event: Some((event.id, event.kind)), note: event.note.clone() };
        (before(event.at()), done, event.kind.starts_focus())
    });
    let unrecorded = starts.iter().filter(|s| matches!(s.because, Because::OtherLens(_))).map(|start| {
        let when = points.iter().find(|p| p.when.at >= start.at).map_or_else(|| start.at.into(), |p| p.when);
        (before(start.at), Done { when, event: None, note: None }, true)
    });
    let mut groups: Vec<Shift> = Vec::new();
    let mut done: Vec<_> = events.chain(unrecorded).collect();
    done.sort_by_key(|(at, done, _)| (*at, done.when.at, done.event));
    let cuts: Vec<usize> = done.iter().filter(|d| d.2).map(|d| d.0).collect();
    for (at, what, is_baseline) in done {
        if let Some(last) = groups.last_mut().filter(|last| last.at == at) {
            last.done.push(what);
            last.is_baseline |= is_baseline;
            continue;
        }
        let from = cuts.iter().copied().filter(|cut| *cut < at).max().unwrap_or(0).max(at.saturating_sub(NEAR));
        let to = cuts.iter().copied().filter(|cut| *cut > at).min().unwrap_or(points.len()).min(at + NEAR);
        let group = |range: std::ops::Range<usize>| -> Vec<Measured> {
            points[range].iter().filter_map(|p| p.measured()).collect()
        };
        if let Some(change) = Change::between(&group(from..at), &group(at..to)) {
            groups.push(Shift { done: vec![what], at, change, is_baseline });
        }
    }
    groups
}

/// The verdict on the stretch that is going on. `outlook` tells when a trend leaves the height slack.
pub fn verdict(
    readings: &Readings,
    stretch: &Stretch,
    judged: &Judged,
    shifts: &[Shift],
    outlook: impl Fn(&Trend) -> Outlook,
) -> Verdict {
    let points = readings.with_spacer(stretch);
    let measured: Vec<Measured> = points.iter().filter_map(|p| p.measured()).collect();
    let first = readings.points[..stretch.range.start].iter().filter(|p| p.spacer.is_some()).count();
    let moved_at = |at: usize, change: Change, done: &[Done], rests_on_one: bool| {
        let ends = [points_before(readings, first + at), points_before(readings, first + at + 1)];
        let [Some(before), Some(after)] = ends else { return None };
        Some(Moved {
            change,
            between: [before.when, after.when],
            readings: [before.id, after.id],
            done: done.to_vec(),
            rests_on_one,
        })
    };
    let step = step(&measured, first, shifts);
    let trend = judged.trend.filter(Trend::is_clear);
    let is_step = match (&step, &trend) {
        (Some((_, change, parameters, _)), Some(trend)) => {
            is_better_told_by_a_step(&points, change, *parameters, &trend.course.line)
        }
        (step, _) => step.is_some(),
    };
    if let (true, Some((at, change, _, done))) = (is_step, step)
        && let Some(moved) = moved_at(at, change, done, change.counts[1] == 1)
    {
        return Verdict::Moved(moved);
    }
    if let Some(trend) = trend {
        return Verdict::Drifting(outlook(&trend));
    }
    let n = measured.len();
    if let (Some(chart), Some(last)) = (judged.chart.filter(|_| judged.has_limits()), measured.last())
        && chart.is_out(last.value, last.repeatability)
        && let Some(change) = Change::between(&measured[..n - 1], &measured[n - 1..])
        && let Some(moved) = moved_at(n - 1, change, &[], true)
    {
        return Verdict::Moved(moved);
    }
    // A stretch that is young is judged by how it began; later it is a baseline of its own.
    if n < LEAST_FOR_LIMITS
        && let Some(opening) = shifts.iter().find(|shift| shift.is_baseline && shift.at == first)
        && !stretch.opened_by.is_empty()
        && opening.change.is_clear(CLEAR)
        && let Some(moved) = moved_at(0, opening.change, &opening.done, opening.change.counts[1] == 1)
    {
        return Verdict::Moved(moved);
    }
    if n < LEAST_FOR_TREND { Verdict::TooFew { have: n, needed: LEAST_FOR_TREND } } else { Verdict::Steady }
}

/// The reading before place `at` of those with a spacer.
fn points_before(readings: &Readings, at: usize) -> Option<&Point> {
    readings.points.iter().filter(|p| p.spacer.is_some()).nth(at.checked_sub(1)?)
}

/// The clearest step inside a stretch: its place, the change, how many numbers describe it, and what was done there.
/// At an event its place is known; elsewhere every place is as likely, which costs certainty.
fn step<'a>(measured: &[Measured], first: usize, shifts: &'a [Shift]) -> Option<(usize, Change, usize, &'a [Done])> {
    let n = measured.len();
    let inside = shifts.iter().filter(|shift| shift.at > first && shift.at < first + n);
    let at_events = inside.filter_map(|shift| {
        let at = shift.at - first;
        let whole = Change::between(&measured[..at], &measured[at..])?;
        (shift.change.is_clear(CLEAR) && whole.is_clear(CLEAR)).then_some((at, whole, 2, shift.done.as_slice()))
    });
    let known = at_events.max_by(|a, b| {
        let strength = |s: &Change| s.value.abs() / s.half_width(CLEAR);
        strength(&a.1).total_cmp(&strength(&b.1)).then(b.0.cmp(&a.0))
    });
    let unknown = shift::greatest(measured)
        .filter(|(_, change)| change.is_clear(shift::shared_confidence(CLEAR, n - 1)))
        .map(|(at, change)| (at, change, 3, &[][..]));
    match (known, unknown) {
        // An event explains what lies one reading beside it as well: one reading may be off.
        (Some(known), Some(unknown)) if known.0.abs_diff(unknown.0) > 1 => {
            Some(if unknown.1.sum_of_squares < 0.5 * known.1.sum_of_squares { unknown } else { known })
        }
        (Some(known), _) => Some(known),
        (None, unknown) => unknown,
    }
}

/// Whether two levels describe the readings better than a slope, by Schwarz's criterion: the logarithm of what is left
/// unexplained, plus a price for every number in the description. A line has two.
fn is_better_told_by_a_step(points: &[&Point], change: &Change, parameters: usize, line: &TheilSen) -> bool {
    let n = points.len() as f64;
    let left: f64 = points.iter().filter_map(|p| Some((p.spacer?.value - line.at(p.days)).powi(2))).sum();
    let criterion = |squares: f64, parameters: f64| n * (squares.max(1e-12) / n).ln() + parameters * n.ln();
    criterion(change.sum_of_squares, parameters as f64) < criterion(left, 2.0)
}
