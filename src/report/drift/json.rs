//! The readings over time as one line of JSON; the fields are named in `docs/drift.md`.

use serde::Serialize;

use super::super::json::{Quantity, one_line};
use crate::drift::findings::{Finding, compared};
use crate::drift::outlook::{Outlook, slack_band};
use crate::drift::sentence::sentence;
use crate::drift::shift::Change;
use crate::drift::verdict::{Done, Moved, TOLD, Trend};
use crate::drift::{Code, Drift, Point, Shift, Verdict};
use crate::logbook::baseline::Because;
use crate::logbook::{RecordId, When};

/// Name and version of the object's layout.
pub const SCHEMA: &str = "narrows.drift/1";

/// One line without a line end.
pub fn drift(drift: &Drift) -> String {
    let readings = &drift.readings;
    let current = readings.current();
    let judged = drift.judged.last();
    let chart = judged.and_then(|judged| judged.chart);
    one_line(&Object {
        schema: SCHEMA,
        machine: &readings.machine,
        lens: readings.lens.as_deref(),
        axis: readings.axis.as_deref(),
        over_all: drift.is_over_all,
        verdict: drift.verdict.code(),
        message: sentence(drift),
        moved: match &drift.verdict {
            Verdict::Moved(moved) => Some(moved.into()),
            _ => None,
        },
        leaves: match &drift.verdict {
            Verdict::Drifting(outlook) => Some(leaves(drift, outlook)),
            _ => None,
        },
        needed: match drift.verdict {
            Verdict::TooFew { needed, .. } => Some(needed),
            _ => None,
        },
        spacer_in_use_mm: drift.spacer_in_use,
        slack_band_mm: drift.spacer_in_use.zip(drift.slack).map(|(spacer, slack)| slack_band(spacer, slack)),
        in_slack: drift.is_in_slack,
        since: current.opened_by.last().map(|start| Since {
            event: match start.because {
                Because::Event(id) => Some(id),
                Because::OtherLens(_) | Because::Settings(_) => None,
            },
            reading: readings.points.get(current.range.start).map(|p| p.id),
        }),
        limits: chart.map(|chart| {
            let is_drawn = judged.is_some_and(crate::drift::Judged::has_limits);
            let [lower_mm, upper_mm] = chart.limits().map(|limit| is_drawn.then_some(limit));
            Limits {
                count: chart.count,
                centre_mm: chart.centre,
                mean_moving_range_mm: chart.mean_moving_range,
                sigma_mm: chart.sigma,
                lower_mm,
                upper_mm,
            }
        }),
        trend: judged.and_then(|judged| judged.trend.as_ref()).map(TrendObject::from),
        shifts: drift.shifts.iter().map(ShiftObject::from).collect(),
        check_first: &drift.findings,
        compared_with: compared(readings).map_or(0, |(_, count)| count),
        readings: readings.points.iter().map(PointObject::from).collect(),
        left_out: LeftOutObject {
            refused: readings.left_out.refused,
            other_axis: readings.left_out.other_axis,
            same_picture: readings.left_out.same_picture,
            no_spacer: readings.left_out.no_spacer,
            too_old: readings.left_out.too_old,
        },
    })
}

#[derive(Serialize)]
struct Object<'a> {
    schema: &'static str,
    machine: &'a str,
    lens: Option<&'a str>,
    axis: Option<&'a str>,
    over_all: bool,
    verdict: Code,
    message: String,
    moved: Option<MovedObject>,
    leaves: Option<LeavesObject>,
    needed: Option<usize>,
    spacer_in_use_mm: Option<f64>,
    slack_band_mm: Option<[f64; 2]>,
    in_slack: Option<bool>,
    since: Option<Since>,
    limits: Option<Limits>,
    trend: Option<TrendObject>,
    shifts: Vec<ShiftObject>,
    check_first: &'a [Finding],
    compared_with: usize,
    readings: Vec<PointObject<'a>>,
    left_out: LeftOutObject,
}

#[derive(Serialize)]
struct Since {
    event: Option<RecordId>,
    reading: Option<RecordId>,
}

#[derive(Serialize)]
struct Limits {
    count: usize,
    centre_mm: f64,
    mean_moving_range_mm: f64,
    sigma_mm: f64,
    lower_mm: Option<f64>,
    upper_mm: Option<f64>,
}

#[derive(Serialize)]
struct TrendObject {
    mm_per_month: f64,
    interval_mm_per_month: [f64; 2],
    mann_kendall_s: i64,
    mann_kendall_z: f64,
    chance: f64,
    is_clear: bool,
}

impl From<&Trend> for TrendObject {
    fn from(trend: &Trend) -> Self {
        let [least, slope, most] = trend.per_month();
        Self {
            mm_per_month: slope,
            interval_mm_per_month: [least, most],
            mann_kendall_s: trend.test.s,
            mann_kendall_z: trend.test.z,
            chance: trend.test.p,
            is_clear: trend.is_clear(),
        }
    }
}

#[derive(Serialize)]
struct ChangeObject {
    by_mm: f64,
    interval_mm: [f64; 2],
    before: usize,
    after: usize,
}

impl From<&Change> for ChangeObject {
    fn from(change: &Change) -> Self {
        let [before, after] = change.counts;
        Self { by_mm: change.value, interval_mm: change.interval(TOLD), before, after }
    }
}

#[derive(Serialize)]
struct DoneObject {
    when: String,
    event: Option<RecordId>,
    kind: &'static str,
    note: Option<String>,
}

impl From<&Done> for DoneObject {
    fn from(done: &Done) -> Self {
        Self {
            when: done.when.rfc3339(),
            event: done.event.map(|(id, _)| id),
            kind: done.event.map_or("other_lens", |(_, kind)| kind.as_str()),
            note: done.note.clone(),
        }
    }
}

#[derive(Serialize)]
struct ShiftObject {
    #[serde(flatten)]
    change: ChangeObject,
    is_baseline: bool,
    done: Vec<DoneObject>,
}

impl From<&Shift> for ShiftObject {
    fn from(shift: &Shift) -> Self {
        Self {
            change: (&shift.change).into(),
            is_baseline: shift.is_baseline,
            done: shift.done.iter().map(DoneObject::from).collect(),
        }
    }
}

#[derive(Serialize)]
struct MovedObject {
    #[serde(flatten)]
    change: ChangeObject,
    between: [String; 2],
    readings: [RecordId; 2],
    done: Vec<DoneObject>,
    rests_on_one: bool,
}

impl From<&Moved> for MovedObject {
    fn from(moved: &Moved) -> Self {
        Self {
            change: (&moved.change).into(),
            between: moved.between.map(|when| when.rfc3339()),
            readings: moved.readings,
            done: moved.done.iter().map(DoneObject::from).collect(),
            rests_on_one: moved.rests_on_one,
        }
    }
}

#[derive(Serialize)]
struct LeavesObject {
    state: &'static str,
    earliest: Option<String>,
    latest: Option<String>,
}

fn leaves(drift: &Drift, outlook: &Outlook) -> LeavesObject {
    let told = |at: jiff::Timestamp| {
        let newest = drift.readings.points.last().map_or_else(When::default, |point| point.when);
        When { at, ..newest }.date()
    };
    let plain = |state| LeavesObject { state, earliest: None, latest: None };
    match outlook {
        Outlook::Unknown => plain("unknown"),
        Outlook::Outside => plain("outside"),
        Outlook::NotSoon => plain("not_soon"),
        Outlook::Leaves { earliest, latest } => {
            LeavesObject { state: "leaves", earliest: Some(told(*earliest)), latest: latest.map(told) }
        }
    }
}

#[derive(Serialize)]
struct PointObject<'a> {
    id: RecordId,
    when: String,
    picture: &'a str,
    spacer_mm: Option<Quantity>,
    repeatability_mm: f64,
    out_of_limits: bool,
    stretch: usize,
    kerf_mm: Option<Quantity>,
    reach_mm: Option<[f64; 2]>,
    reach_cut: [bool; 2],
}

impl<'a> From<&'a Point> for PointObject<'a> {
    fn from(point: &'a Point) -> Self {
        Self {
            id: point.id,
            when: point.when.rfc3339(),
            picture: &point.picture,
            spacer_mm: point.spacer.as_ref().map(Quantity::from),
            repeatability_mm: point.repeatability,
            out_of_limits: point.is_out,
            stretch: point.stretch,
            kerf_mm: point.kerf.as_ref().map(Quantity::from),
            reach_mm: point.reach,
            reach_cut: point.is_reach_cut,
        }
    }
}

#[derive(Serialize)]
struct LeftOutObject {
    refused: usize,
    other_axis: usize,
    same_picture: usize,
    no_spacer: usize,
    too_old: usize,
}
