//! The readings over time told to the person at the bench: the verdict, what it rests on, what to check first.

use super::super::rounding::{Units, fixed, stock};
use super::super::text::Page;
use super::{block_in_doubt, by, done, how_many, left_out, pace, slack_told, whose};
use crate::drift::sentence::{opened, sentence};
use crate::drift::verdict::{LEAST_FOR_LIMITS, TOLD};
use crate::drift::{Code, Drift, Shift};
use crate::printable::printable;

/// So many moves at events are told.
const MOST_SHIFTS: usize = 5;

/// Verdict, evidence and advice, without the footer of [`super::super::text::footer`].
pub fn drift(drift: &Drift) -> String {
    let mut page = Page::new();
    page.action(match drift.verdict.code() {
        Code::Steady => "the focus is steady",
        Code::Moved => "the focus moved",
        Code::Drifting => "the focus is drifting",
        Code::TooFew => "too few readings to say",
    });
    page.paragraph("", "", &sentence(drift));
    if let Some(doubt) = block_in_doubt(drift) {
        page.paragraph("", "", &doubt);
    }
    page.heading("what it rests on");
    page.row("readings of", &whose(&drift.readings));
    page.row("readings", &how_many(&drift.readings));
    page.row_if("left out", &left_out(&drift.readings));
    tell_block(&mut page, drift);
    tell_chart(&mut page, drift);
    if let Some(trend) = drift.judged.last().and_then(|judged| judged.trend) {
        let chance = if trend.test.p < 0.001 {
            "less than 1 series in 1000".to_owned()
        } else {
            format!("{} % of series", fixed(100.0 * trend.test.p, if trend.test.p < 0.1 { 1 } else { 0 }))
        };
        page.row("trend", &format!("{}; chance makes as much of one in {chance}", pace(&trend)));
    }
    tell_shifts(&mut page, drift);
    tell_findings(&mut page, drift);
    page.text
}

fn tell_block(page: &mut Page, drift: &Drift) {
    match (drift.spacer_in_use, slack_told(drift)) {
        (Some(block), Some(told)) => page.row("block in use", &format!("{}; {told}", stock(block, Units::Millimetres))),
        (Some(block), None) => page.row("block in use", &stock(block, Units::Millimetres)),
        (None, _) => page.row("block in use", "not said, so nothing can be said of leaving its height slack"),
    }
}

fn tell_chart(page: &mut Page, drift: &Drift) {
    let judged = drift.judged.last();
    let Some(chart) = judged.and_then(|judged| judged.chart) else { return };
    let readings = &drift.readings;
    let current = readings.current();
    if let Some(opened) = opened(drift, current).filter(|_| !drift.is_over_all) {
        page.row("baseline", &printable(&opened));
    }
    if judged.is_some_and(crate::drift::Judged::has_limits) {
        let [lower, upper] = chart.limits();
        let out = readings.points[current.range.clone()].iter().filter(|p| p.is_out).count();
        page.row(
            "limits",
            &format!(
                "{} to {} mm about {} mm, from {} readings; {} outside",
                fixed(lower, 2),
                fixed(upper, 2),
                fixed(chart.centre, 2),
                chart.count,
                if out == 0 { "none".to_owned() } else { out.to_string() }
            ),
        );
    } else {
        page.row(
            "limits",
            &format!("none yet: {} readings, and limits are drawn from {LEAST_FOR_LIMITS} on", chart.count),
        );
    }
}

/// Refits, and what clearly moved besides: the newest of them.
fn tell_shifts(page: &mut Page, drift: &Drift) {
    let is_told = |shift: &&Shift| shift.is_baseline || shift.change.is_clear(TOLD);
    let told: Vec<&Shift> = drift.shifts.iter().filter(is_told).collect();
    for (index, shift) in told.iter().rev().take(MOST_SHIFTS).enumerate() {
        let [before, after] = shift.change.counts;
        let clear = if shift.change.is_clear(TOLD) { "" } else { ", which may be chance" };
        let text = format!("{}: {}{clear} ({before} before, {after} after)", done(&shift.done), by(&shift.change));
        page.row(if index == 0 { "moved at events" } else { "" }, &text);
    }
    let rest = drift.shifts.len() - told.len().min(MOST_SHIFTS);
    if rest > 0 {
        let label = if told.is_empty() { "moved at events" } else { "" };
        let which = if told.is_empty() { "nowhere clearly: " } else { "" };
        let more = if told.is_empty() { "" } else { "more " };
        let older = if told.len() > MOST_SHIFTS { "older or without a clear move" } else { "without a clear move" };
        page.row(label, &format!("{which}{rest} {more}{older}, told with --json and --report"));
    }
}

fn tell_findings(page: &mut Page, drift: &Drift) {
    if drift.findings.is_empty() {
        if let Some((_, count)) = crate::drift::findings::compared(&drift.readings).filter(|(_, count)| *count > 0) {
            page.gap();
            let strips = if count == 1 { "the strip".to_owned() } else { format!("the {count} strips") };
            let text = format!(
                "nothing: width, strength, straightness and sides of the newest line are as in {strips} \
                it is compared with"
            );
            page.paragraph("what to check first: ", "  ", &text);
        }
        return;
    }
    page.heading("what to check first");
    for finding in &drift.findings {
        page.paragraph("  - ", "    ", &finding.message);
        for (index, look) in finding.look_at.iter().enumerate() {
            let lead = ["      1. ", "      2. ", "      3. ", "      4. "][index.min(3)];
            page.paragraph(lead, "         ", look);
        }
    }
    if let Some(before) = drift.findings.iter().find_map(|finding| finding.before_looking) {
        page.gap();
        page.paragraph("before you look: ", "  ", before);
    }
}
