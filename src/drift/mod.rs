//! Readings of one machine, lens and axis over time: has the focus moved, is it creeping, and what to check first.
//!
//! ```text
//! [Entry], [Event] ─series─▶ Readings, stretches ─verdict─▶ chart, trend, shifts, verdict ─findings─▶ what to check first
//! ```
//!
//! Pure functions over what the logbook holds: no clock, no file, no database.

pub mod findings;
pub mod individuals;
pub mod outlook;
pub mod parts;
pub mod sentence;
pub mod series;
pub mod shift;
pub mod trend;
pub mod verdict;

use crate::logbook::baseline::{self, Series};
use crate::logbook::{Entry, Event};

use findings::Finding;
pub use series::{LeftOut, Point, Question, Readings, Stretch};
pub use verdict::{Code, Judged, Shift, Trend, Verdict};

/// Everything that the readings of one machine, lens and axis say.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// The readings, in the order of time and cut into stretches.
    pub readings: Readings,
    /// Chart and trend of every stretch, in their order.
    pub judged: Vec<Judged>,
    /// How much the focus moved at each event.
    pub shifts: Vec<Shift>,
    /// True where all readings were taken as one series.
    pub is_over_all: bool,
    /// Today's block.
    pub spacer_in_use: Option<f64>,
    /// Height slack below and above the focus: medians over the stretch that is going on, else over all.
    pub slack: Option<[f64; 2]>,
    /// Whether the focus lies where the block in use serves; `None` where block, slack or focus is not known.
    pub is_in_slack: Option<bool>,
    /// The verdict on the stretch that is going on.
    pub verdict: Verdict,
    /// What to check first.
    pub findings: Vec<Finding>,
}

/// Judges the readings that belong to a question. Their order and that of the events does not matter.
///
/// ```
/// use narrows::drift::{Code, Question, drift};
/// let question = Question { machine: "north".to_owned(), ..Question::default() };
/// assert_eq!(drift(&[], &[], &question).verdict.code(), Code::TooFew);
/// ```
pub fn drift(entries: &[Entry], events: &[Event], question: &Question) -> Drift {
    let mut readings = Readings::of(entries, events, question);
    let judged: Vec<Judged> = readings.stretches.iter().map(|s| verdict::judge(&readings.with_spacer(s))).collect();
    for (stretch, judged) in readings.stretches.iter().zip(&judged) {
        let Some(chart) = judged.chart.filter(|_| judged.has_limits()) else { continue };
        for point in &mut readings.points[stretch.range.clone()] {
            point.is_out = point.spacer.is_some_and(|spacer| chart.is_out(spacer.value, point.repeatability));
        }
    }
    let lens = readings.lens.clone();
    let starts = baseline::starts(Series::Focus, &readings.machine, lens.as_deref(), entries, events);
    let shifts = verdict::shifts(&readings, &starts);
    let spacer_in_use =
        question.spacer_in_use_mm.or_else(|| readings.points.iter().rev().find_map(|p| p.spacer_in_use));
    let slack = slack(&readings);
    let band = spacer_in_use.zip(slack).map(|(spacer, slack)| outlook::slack_band(spacer, slack));
    let now = readings.points.iter().rev().find(|p| p.spacer.is_some());
    let outlook = |trend: &Trend| match (band, now, readings.points.first()) {
        (Some(band), Some(now), Some(first)) => {
            // Against a block the whole uncertainty counts, and not only what differs between the readings.
            let level_half_width = trend.course.level_half_width.hypot(trend.common_half_width);
            outlook::Course { level_half_width, ..trend.course }.leaves(band, first.when.at, now.days)
        }
        _ => outlook::Outlook::Unknown,
    };
    let current = judged.last().expect("there is always a stretch that is going on");
    let verdict = verdict::verdict(&readings, readings.current(), current, &shifts, outlook);
    let is_in_slack = band.zip(level(&readings, &verdict)).map(|([low, high], at)| (low..=high).contains(&at));
    let findings = findings::findings(&readings, &verdict, current.trend.as_ref());
    Drift {
        judged,
        shifts,
        is_over_all: question.over_all,
        spacer_in_use,
        slack,
        is_in_slack,
        verdict,
        findings,
        readings,
    }
}

/// Where the focus is now: the newest reading where it moves, else the middle of the stretch.
fn level(readings: &Readings, verdict: &Verdict) -> Option<f64> {
    let points = readings.with_spacer(readings.current());
    let values: Vec<f64> = points.iter().filter_map(|p| Some(p.spacer?.value)).collect();
    match verdict {
        Verdict::Steady | Verdict::TooFew { .. } => median(values),
        Verdict::Moved(_) | Verdict::Drifting(_) => values.last().copied(),
    }
}

fn slack(readings: &Readings) -> Option<[f64; 2]> {
    let of = |points: &[Point]| {
        let sides = |side: fn(&crate::logbook::Slack) -> f64| {
            median(points.iter().filter_map(|p| p.slack.as_ref().map(side)).collect())
        };
        Some([sides(|s| s.below_mm)?, sides(|s| s.above_mm)?])
    };
    of(&readings.points[readings.current().range.clone()]).or_else(|| of(&readings.points))
}

fn median(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    let n = values.len();
    (n > 0).then(|| f64::midpoint(values[(n - 1) / 2], values[n / 2]))
}
