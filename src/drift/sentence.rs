//! The verdict in one plain sentence.

use super::outlook::Outlook;
use super::verdict::{Done, Moved, TOLD, Verdict};
use super::{Drift, Stretch};
use crate::estimate::Estimate;
use crate::logbook::baseline::Because;
use crate::logbook::{EventKind, When};

/// The verdict, no more than the data carry, in bench words.
pub fn sentence(drift: &Drift) -> String {
    match &drift.verdict {
        Verdict::Steady => steady(drift),
        Verdict::Moved(moved) => self::moved(moved),
        Verdict::Drifting(outlook) => drifting(drift, outlook),
        Verdict::TooFew { have, needed } => too_few(drift, *have, *needed),
    }
}

fn steady(drift: &Drift) -> String {
    let current = drift.judged.last().and_then(|judged| judged.chart);
    let Some(chart) = current else { return "The focus is steady.".to_owned() };
    let mut text = format!(
        "The focus is steady: {} readings{} agree on a block of {:.2} mm, give or take {:.2} mm from one reading to the next",
        chart.count,
        since(drift),
        chart.centre,
        scatter(drift)
    );
    let strays = drift.readings.points[drift.readings.current().range.clone()].iter().filter(|p| p.is_out).count();
    match strays {
        0 => {}
        1 => text.push_str("; one of them lay outside the limits, and those after it did not"),
        n => text.push_str(&format!("; {n} of them lay outside the limits, and those after them did not")),
    }
    text.push('.');
    text
}

/// Expanded scatter of one reading: the chart's, or what the readings are known to where that is more.
fn scatter(drift: &Drift) -> f64 {
    let points = drift.readings.with_spacer(drift.readings.current());
    let own: f64 = points.iter().map(|p| p.repeatability.powi(2)).sum::<f64>() / points.len().max(1) as f64;
    let chart = drift.judged.last().and_then(|judged| judged.chart).map_or(0.0, |chart| chart.sigma);
    Estimate::new(0.0, chart.max(own.sqrt())).expanded()
}

fn moved(moved: &Moved) -> String {
    let by = moved.change.value;
    let place = if moved.done.is_empty() {
        let [before, after] = moved.between.map(|when| when.date());
        if before == after { format!("On {before}") } else { format!("Between {before} and {after}") }
    } else {
        format!("On {}", list(&moved.done))
    };
    let mut text = format!(
        "{place} the focus moved by {:.2} mm, give or take {:.2} mm: since then a {} block fits",
        by.abs(),
        moved.change.half_width(TOLD),
        if by > 0.0 { "thicker" } else { "thinner" },
    );
    if moved.done.is_empty() {
        text.push_str(", and nothing that was done is written down");
    }
    if moved.rests_on_one {
        text.push_str("; one reading says so, so burn a second strip before you change anything");
    }
    text.push('.');
    text
}

/// "2026-03-01 (lens taken out and refitted)".
fn list(done: &[Done]) -> String {
    let told = |done: &Done| format!("{} ({})", done.when.date(), what(done));
    done.iter().map(told).collect::<Vec<_>>().join(" and ")
}

/// What was done, in words.
pub fn what(done: &Done) -> String {
    match (done.event, &done.note) {
        (Some((_, EventKind::Other)), Some(note)) => note.clone(),
        (Some((_, kind)), _) => kind.words().to_owned(),
        (None, _) => "another lens was in between".to_owned(),
    }
}

fn drifting(drift: &Drift, outlook: &Outlook) -> String {
    let trend = drift.judged.last().and_then(|judged| judged.trend);
    let Some(trend) = trend else { return "The focus is drifting.".to_owned() };
    let [least, slope, most] = trend.per_month();
    let [slowest, fastest] = if slope > 0.0 { [least, most] } else { [-most, -least] };
    let mut text = format!(
        "The focus is drifting: over {} readings{} the block that fits gets {} by {:.3} mm a month ({slowest:.3} to \
         {fastest:.3} mm)",
        trend.test.count,
        since(drift),
        if slope > 0.0 { "thicker" } else { "thinner" },
        slope.abs(),
    );
    let block = drift.spacer_in_use.map_or(String::new(), |block| format!(" of the {block:.1} mm block in use"));
    match outlook {
        Outlook::Unknown => text.push_str("; say which block is in use to learn when it no longer serves"),
        Outlook::Outside => text.push_str(&format!("; it has already left the height slack{block}")),
        Outlook::NotSoon => text.push_str(&format!("; it stays in the height slack{block} for the next five years")),
        Outlook::Leaves { earliest, latest } => {
            let day = |at: &jiff::Timestamp| When { at: *at, ..newest(drift) }.date();
            let range = match latest {
                Some(latest) if day(latest) == day(earliest) => format!("on {}", day(earliest)),
                Some(latest) => format!("between {} and {}", day(earliest), day(latest)),
                None => format!("at {} at the earliest", day(earliest)),
            };
            text.push_str(&format!("; at that pace it leaves the height slack{block} {range}"));
        }
    }
    text.push('.');
    text
}

fn newest(drift: &Drift) -> When {
    drift.readings.points.last().map_or_else(When::default, |point| point.when)
}

fn too_few(drift: &Drift, have: usize, needed: usize) -> String {
    let since = since(drift);
    let more = needed.saturating_sub(have);
    let strips = if more == 1 { "one more strip".to_owned() } else { format!("{more} more strips") };
    match have {
        0 => format!(
            "There is no reading{since} yet: burn and keep a first strip, and {} more to tell a drift.",
            needed - 1
        ),
        1 => format!(
            "There is one reading{since}, too few to compare: {strips}, weeks apart, are needed before a drift can be told."
        ),
        _ => format!(
            "There are {have} readings{since}, too few to tell a drift from chance, and none of them clearly moved: {strips}, \
             weeks apart, are needed."
        ),
    }
}

/// " since 2026-03-01 (lens taken out and refitted)", or nothing for the first stretch.
fn since(drift: &Drift) -> String {
    if drift.is_over_all {
        return String::new();
    }
    opened(drift, drift.readings.current()).map_or_else(String::new, |text| format!(" since {text}"))
}

/// What opened a stretch: "2026-03-01 (lens taken out and refitted)".
pub fn opened(drift: &Drift, stretch: &Stretch) -> Option<String> {
    let start = stretch.opened_by.last()?;
    let done = match start.because {
        Because::Event(id) => {
            let event = drift.readings.events.iter().find(|event| event.id == id)?;
            Done { when: event.when, event: Some((event.id, event.kind)), note: event.note.clone() }
        }
        Because::OtherLens(_) | Because::Settings(_) => {
            let first = drift.readings.points.get(stretch.range.start)?;
            Done { when: first.when, event: None, note: None }
        }
    };
    Some(list(&[done]))
}
