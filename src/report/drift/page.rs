//! The readings over time as one self-contained HTML page: verdict, chart, what to check first, the table.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::super::rounding::{Units, fixed, length, stock};
use super::super::text::CAUTION_FOOTER;
use super::{block_in_doubt, by, chart, done, how_many, left_out, pace, slack_told, whose};
use crate::drift::findings::Finding;
use crate::drift::sentence::sentence;
use crate::drift::{Drift, Point};
use crate::logbook::Event;
use crate::printable::printable;

const STYLE: &str = "
body { font: 16px/1.45 'DejaVu Sans', Verdana, sans-serif; color: #191919; background: #fff; margin: 2rem auto;
    max-width: 76rem; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .5rem; }
p.whose { color: #555; margin: 0 0 1.2rem; }
p.verdict { font-size: 1.2rem; border-left: .4rem solid #191919; padding: .3rem 0 .3rem .9rem; margin: 1rem 0; }
figure { margin: 1rem 0; }
figure svg { width: 100%; height: auto; }
table { border-collapse: collapse; font-size: .9rem; width: 100%; }
th, td { text-align: right; padding: .25rem .6rem; border-bottom: 1px solid #ccc; vertical-align: top; }
th { border-bottom: 2px solid #191919; }
th.text, td.text { text-align: left; }
td.text { overflow-wrap: anywhere; }
tr.event td { background: #f0f0f0; text-align: left; }
tr.baseline td { border-top: 3px solid #191919; font-weight: bold; }
dl { display: grid; grid-template-columns: max-content 1fr; gap: .2rem 1.2rem; margin: 0; }
dt { color: #555; } dd { margin: 0; }
.before { border: 2px solid #191919; padding: .5rem .9rem; }
footer { margin-top: 2.5rem; color: #555; font-size: .85rem; }
@media print { body { margin: 0; max-width: none; font-size: 11pt; } tr, figure, li { break-inside: avoid; } }
";

/// The page. It asks nothing of any other file or of the network.
pub fn page(drift: &Drift) -> String {
    let readings = &drift.readings;
    let title = format!("Focus over time: {}", whose(readings));
    let whole = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { "Focus over time" }
                p.whose { (whose(readings)) " – " (how_many(readings)) }
                p.verdict { (printable(&sentence(drift))) }
                @if let Some(doubt) = block_in_doubt(drift) { p { strong { (doubt) } } }
                @if let Some(svg) = chart::draw_svg(drift) {
                    figure { (PreEscaped(svg)) }
                }
                (check_first(&drift.findings))
                (basis(drift))
                (table(drift))
                footer { p { (CAUTION_FOOTER) } p { "narrows " (env!("CARGO_PKG_VERSION")) } }
            }
        }
    };
    whole.into_string()
}

fn check_first(findings: &[Finding]) -> Markup {
    html! {
        @if !findings.is_empty() {
            h2 { "What to check first" }
            @for finding in findings {
                p { strong { (printable(&finding.message)) } }
                ol { @for look in &finding.look_at { li { (look) } } }
            }
            @if let Some(before) = findings.iter().find_map(|finding| finding.before_looking) {
                p.before { (before) }
            }
        }
    }
}

fn basis(drift: &Drift) -> Markup {
    let judged = drift.judged.last();
    let row = |name: &str, value: &str| html! { @if !value.is_empty() { dt { (name) } dd { (value) } } };
    let limits = judged.and_then(|j| j.chart.filter(|_| j.has_limits())).map(|chart| {
        let [lower, upper] = chart.limits();
        format!("{} to {} mm about {} mm", fixed(lower, 2), fixed(upper, 2), fixed(chart.centre, 2))
    });
    let block = drift.spacer_in_use.map(|block| {
        let told = slack_told(drift).map_or(String::new(), |told| format!("; {told}"));
        format!("{}{told}", stock(block, Units::Millimetres))
    });
    html! {
        h2 { "What it rests on" }
        dl {
            (row("block in use", &block.unwrap_or_default()))
            (row("limits", &limits.unwrap_or_default()))
            (row("trend", &judged.and_then(|j| j.trend).map(|trend| pace(&trend)).unwrap_or_default()))
            @for shift in &drift.shifts { (row(&done(&shift.done), &format!("moved {}", by(&shift.change)))) }
            (row("left out", &left_out(&drift.readings)))
        }
    }
}

/// A row of the table.
enum Row<'a> {
    Reading(&'a Point),
    Event(&'a Event),
}

/// Readings and events together, the newest first.
fn table(drift: &Drift) -> Markup {
    let readings = &drift.readings;
    let Some(first) = readings.points.first() else { return html! {} };
    let mut rows: Vec<Row<'_>> = readings.points.iter().map(Row::Reading).collect();
    rows.extend(readings.events.iter().filter(|event| event.at() >= first.when.at).map(Row::Event));
    let at = |row: &Row<'_>| match row {
        Row::Reading(point) => (point.when.at, 1),
        Row::Event(event) => (event.at(), 0),
    };
    rows.sort_by_key(at);
    html! {
        h2 { "Readings" }
        table {
            thead { tr {
                th { "no." } th.text { "date" } th { "block that fits" } th { "line width" } th { "seen below" }
                th { "seen above" } th.text { "picture" } th.text { "remarks" }
            } }
            tbody {
                @for row in rows.iter().rev() {
                    @match row {
                        Row::Reading(point) => (reading_row(point)),
                        Row::Event(event) => tr.event.baseline[event.kind.starts_focus()] {
                            td { (event.id) }
                            td colspan="7" {
                                (event.when.date()) " – " (event.kind.words())
                                @if let Some(note) = &event.note { ": " (printable(note)) }
                            }
                        },
                    }
                }
            }
        }
    }
}

fn reading_row(point: &Point) -> Markup {
    let told = |estimate: &Option<crate::estimate::Estimate>| {
        estimate.as_ref().map_or_else(String::new, |e| length(e, Units::Millimetres).replace(", give or take", " ±"))
    };
    let reach = |side: usize| {
        let at_least = if point.is_reach_cut[side] { "at least " } else { "" };
        point.reach.map_or_else(String::new, |reach| format!("{at_least}{} mm", fixed(reach[side], 1)))
    };
    let mut remarks: Vec<String> = Vec::new();
    if point.is_out {
        remarks.push("outside the limits".to_owned());
    }
    if !point.cautions.is_empty() {
        remarks.push(if point.cautions.len() == 1 {
            "1 caution".to_owned()
        } else {
            format!("{} cautions", point.cautions.len())
        });
    }
    html! {
        tr {
            td { (point.id) }
            td.text { (point.when.date()) }
            td { (told(&point.spacer)) }
            td { (told(&point.kerf)) }
            td { (reach(0)) }
            td { (reach(1)) }
            td.text { (printable(&point.picture)) }
            td.text { (remarks.join(", ")) }
        }
    }
}
