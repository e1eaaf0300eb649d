//! What the readings over time say, shown: text, JSON, chart, page.

#[cfg(feature = "charts")]
mod calendar;
#[cfg(feature = "charts")]
pub mod chart;
pub mod json;
#[cfg(feature = "pages")]
pub mod page;
pub mod text;

use crate::drift::outlook::Outlook;
use crate::drift::verdict::{Done, Trend};
use crate::drift::{Drift, Readings, Verdict};
use crate::estimate::Estimate;

use super::rounding::{Units, length};

/// "machine north, lens two-inch, along x".
fn whose(readings: &Readings) -> String {
    let mut text = format!("machine {}", readings.machine);
    match &readings.lens {
        Some(lens) => text.push_str(&format!(", lens {lens}")),
        None => text.push_str(", no lens named"),
    }
    if let Some(axis) = &readings.axis {
        text.push_str(&format!(", along {axis}"));
    }
    crate::printable::printable(&text)
}

/// "12 readings from 2025-06-03 to 2026-11-02"; "no reading" where there is none.
fn how_many(readings: &Readings) -> String {
    match readings.points.as_slice() {
        [] => "no reading".to_owned(),
        [one] => format!("1 reading, of {}", one.when.date()),
        [first, .., last] => {
            format!("{} readings from {} to {}", readings.points.len(), first.when.date(), last.when.date())
        }
    }
}

/// What is not among the readings, and why; empty where nothing is missing.
fn left_out(readings: &Readings) -> String {
    let out = &readings.left_out;
    let all = [
        (out.refused, "without an answer"),
        (out.other_axis, "along another axis"),
        (out.same_picture, "of a picture that was kept again"),
        (out.too_old, "older than asked for"),
        (out.no_spacer, "without a block (in the line's width and strength, not in the focus)"),
    ];
    let told: Vec<String> = all.iter().filter(|(n, _)| *n > 0).map(|(n, why)| format!("{n} {why}")).collect();
    told.join(", ")
}

/// "2025-07-01 lens taken out and refitted".
fn done(done: &[Done]) -> String {
    let told = |done: &Done| format!("{} {}", done.when.date(), crate::drift::sentence::what(done));
    crate::printable::printable(&done.iter().map(told).collect::<Vec<_>>().join(", "))
}

/// "0.34 mm thicker, give or take 0.12 mm".
fn by(change: &crate::drift::shift::Change) -> String {
    let half = change.half_width(crate::drift::verdict::TOLD);
    let estimate = Estimate::new(change.value.abs(), half / crate::estimate::COVERAGE_FACTOR);
    let word = if change.value >= 0.0 { "thicker" } else { "thinner" };
    let told = length(&estimate, Units::Millimetres);
    match told.split_once(',') {
        Some((value, rest)) => format!("{value} {word},{rest}"),
        None => format!("{told} {word}"),
    }
}

/// "0.012 mm thicker a month (0.002 to 0.024 mm)".
fn pace(trend: &Trend) -> String {
    let [least, slope, most] = trend.per_month();
    let word = if slope >= 0.0 { "thicker" } else { "thinner" };
    let [from, to] = if slope >= 0.0 { [least, most] } else { [-most, -least] };
    let digits = |value: f64| super::rounding::fixed(value, 3);
    format!("{} mm {word} a month ({} to {} mm)", digits(slope.abs()), digits(from), digits(to))
}

/// A steady focus is no comfort where the block in use does not meet it.
fn block_in_doubt(drift: &Drift) -> Option<String> {
    let block = drift.spacer_in_use.filter(|_| drift.is_in_slack == Some(false))?;
    let what_to_do = "read the newest strip again and change the block";
    Some(match drift.verdict {
        // The sentence has said so already.
        Verdict::Drifting(Outlook::Outside) => format!("Do next: {what_to_do}."),
        _ => format!(
            "The {} block in use lies outside the height slack: {what_to_do}.",
            super::rounding::stock(block, Units::Millimetres)
        ),
    })
}

/// Where the block in use serves, in words; `None` where block or slack is not known.
fn slack_told(drift: &Drift) -> Option<String> {
    let band = crate::drift::outlook::slack_band(drift.spacer_in_use?, drift.slack?);
    let digits = |value: f64| super::rounding::fixed(value, 2);
    Some(format!("serves while the focus lies between {} and {} mm", digits(band[0]), digits(band[1])))
}
