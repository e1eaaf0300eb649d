//! A block's answer told to the person at the bench: first what to stack, then how far off it is, then the settings.

use super::rounding::{Units, fixed, length, rough, stock};
use super::text::wrap;
use crate::printable::printable;
use crate::spacer::{Answer, Found, Layer, Miss, Setting, Slack, SpacerCaution, Stack, StepGauge, Work};

/// Columns of the text.
const COLUMNS: usize = 80;

/// Said wherever a block is made or marked.
pub const SWELLING: &str = "Wooden blocks swell and shrink with the weather; acrylic or metal keeps its size. Measure a \
     stack pressed together, free of dust.";

/// The answer without the footer. `source` says where the wanted block comes from.
pub fn answer(units: Units, answer: &Answer, source: &str) -> String {
    let mut page = String::new();
    match answer.stacks.first() {
        Some(best) => tell_best(&mut page, units, best),
        None => {
            tell_action(&mut page, &format!("use {} block", with_article(&stock_like(&answer.wanted.spacer, units))))
        }
    }
    page.push_str("what is wanted\n");
    row(&mut page, "block", &length(&answer.wanted.spacer, units));
    row(&mut page, "from", source);
    match &answer.wanted.slack {
        Some(slack) => row(
            &mut page,
            "height slack",
            &format!(
                "{} lower to {} higher, for a line at most {} % wider",
                rough(slack.below_mm, units),
                rough(slack.above_mm, units),
                percent(slack.fraction)
            ),
        ),
        None => row(&mut page, "height slack", "not known: how much a miss widens the line cannot be said"),
    }
    if let Some(kerf) = &answer.wanted.kerf {
        row(&mut page, "line width", &format!("{}, at the focus", length(kerf, units)));
    }
    if answer.stacks.len() > 1 {
        page.push_str("\nstacks, the best first\n");
        for (index, found) in answer.stacks.iter().enumerate() {
            tell_stack(&mut page, units, index + 1, found);
        }
    }
    tell_settings(&mut page, units, answer);
    for caution in &answer.cautions {
        page.push('\n');
        let (message, advice) = caution_words(caution, units);
        paragraph(&mut page, "caution: ", "  ", &message);
        paragraph(&mut page, "  do next: ", "    ", &advice);
    }
    page.push('\n');
    paragraph(&mut page, "", "", SWELLING);
    page
}

/// The staircase gauge's steps, and how to finish it.
pub fn step_gauge(units: Units, gauge: &StepGauge, file: &str) -> String {
    let mut page = String::from("step gauge\n");
    row(&mut page, "drawn in", file);
    let heights: Vec<String> = gauge
        .steps
        .iter()
        .map(|step| format!("{} {}", step.letter, fixed(units.from_mm(step.height_mm), decimals(units, 2))))
        .collect();
    row(&mut page, "steps", &format!("{} {}, as drawn", heights.join(", "), units.sign()));
    let kerf = if gauge.kerf_mm > 0.0 {
        format!("{} allowed for", stock(gauge.kerf_mm, units))
    } else {
        "not allowed for: every step comes out smaller by half of it at the top and half at the base".to_owned()
    };
    row(&mut page, "width of the cut", &kerf);
    paragraph(
        &mut page,
        "  do next: ",
        "    ",
        "burn the letters, then cut the outline; from thin sheet cut it twice and glue the two together, so that it \
         stands; then measure every step with a caliper and write what was measured on the line beside its letter. The \
         drawn heights are not to be relied on.",
    );
    page
}

/// A caution's sentence and what to do.
pub fn caution_words(caution: &SpacerCaution, units: Units) -> (String, String) {
    let list = |thicknesses: &[f64]| {
        thicknesses.iter().map(|&thickness| stock(thickness, units)).collect::<Vec<_>>().join(", ")
    };
    match caution {
        SpacerCaution::OutsideSlack { off_mm } => {
            let advice = if *off_mm < 0.0 {
                format!(
                    "add a shim of about {} to it, or make one block of the wanted thickness",
                    rough(-off_mm, units)
                )
            } else {
                "make one block of the wanted thickness, or list thinner pieces".to_owned()
            };
            ("the best stack lies outside the height slack: the line will be visibly wider".to_owned(), advice)
        }
        SpacerCaution::SpacerSmall => (
            "the block is thinner than 2.5 mm: tipped-up parts and warped sheet will hit the nozzle".to_owned(),
            "hold the work flat, and check that the nozzle clears clamps and the work's whole path".to_owned(),
        ),
        SpacerCaution::GapSmall { thicknesses_mm } => (
            format!(
                "cutting {} leaves a gap below 2.5 mm: tipped-up parts and warped sheet will hit the nozzle",
                list(thicknesses_mm)
            ),
            "hold the sheet flat and small parts with tabs, or sink the focus less with --sunk-fraction".to_owned(),
        ),
        SpacerCaution::NozzleTouches { thicknesses_mm } => (
            format!("for cutting {} the focus cannot be sunk so far: the nozzle would touch", list(thicknesses_mm)),
            "sink the focus less with --sunk-fraction, or use a longer lens or a shorter nozzle".to_owned(),
        ),
    }
}

/// "6.2 + 2 × 0.5 mm", thickest first; with the shop's names "6.2 mm grey block + 2 × 0.5 mm".
pub fn pieces(stack: &Stack, units: Units) -> String {
    let unit = units.sign();
    let is_named = stack.layers.iter().any(|layer| layer.piece.name.is_some());
    let mut layers: Vec<&Layer> = stack.layers.iter().collect();
    layers.sort_by(|a, b| b.piece.thickness.value.total_cmp(&a.piece.thickness.value));
    let told = layers.into_iter().map(|layer| {
        let thickness = stock(layer.piece.thickness.value, units);
        let piece = match &layer.piece.name {
            Some(name) => format!("{thickness} {name}"),
            None if is_named => thickness,
            None => thickness.trim_end_matches(unit).trim_end().to_owned(),
        };
        if layer.count > 1 { format!("{} × {piece}", layer.count) } else { piece }
    });
    let told = told.collect::<Vec<_>>().join(" + ");
    if is_named { told } else { format!("{told} {unit}") }
}

fn tell_best(page: &mut String, units: Units, best: &Found) {
    let unit = units.sign();
    let pieces = pieces(&best.stack, units);
    let is_one = best.stack.piece_count() == 1;
    let has_name = best.stack.layers.iter().any(|layer| layer.piece.name.is_some());
    let action = match (is_one, has_name) {
        (true, true) => format!("use the {pieces}"),
        (true, false) => format!("use the {pieces} block"),
        _ => format!("stack {pieces}"),
    };
    tell_action(page, &action);
    let total = fixed(units.from_mm(best.stack.total.value), decimals(units, 2));
    let together = if is_one { "" } else { " together" };
    let mut told = format!("{total} {unit}{together}: {}", off_words(&best.miss, units));
    if best.miss.off.standard_uncertainty > 0.0 {
        told.push_str(&format!(", give or take {}", rough(best.miss.off.expanded(), units)));
    }
    if let Some(slack) = slack_words(&best.miss) {
        told.push_str(&format!("; {slack}"));
    }
    paragraph(page, "", "", &told);
    page.push('\n');
}

fn tell_stack(page: &mut String, units: Units, number: usize, found: &Found) {
    let total = fixed(units.from_mm(found.stack.total.value), decimals(units, 2));
    let off = short_off(&found.miss, units);
    let line = found.miss.wider.map_or(String::new(), |wider| format!("{:>6} % wider", percent_of_growth(wider)));
    let place = match found.miss.slack {
        Some(Slack::Inside) => "inside ",
        Some(Slack::Barely) => "barely ",
        Some(Slack::Outside) => "outside",
        None => "",
    };
    let first = match place {
        "" => format!("  {number}  {total:>7} {}  {off:>14}   ", units.sign()),
        _ => format!("  {number}  {total:>7} {}  {off:>14} {line}  {place}  ", units.sign()),
    };
    table_row(page, &first, &pieces(&found.stack, units));
}

/// The last column of a table, or a line of its own where it would not fit.
fn table_row(page: &mut String, first: &str, last: &str) {
    if first.chars().count() + last.chars().count() <= COLUMNS {
        paragraph(page, first, "", last);
        return;
    }
    page.push_str(first.trim_end());
    page.push('\n');
    paragraph(page, "       ", "         ", last);
}

fn tell_settings(page: &mut String, units: Units, answer: &Answer) {
    let unit = units.sign();
    page.push_str("\nsettings for the work\n");
    let last = if answer.stacks.is_empty() { "" } else { "nearest stack" };
    page.push_str(format!("  {:<15} {:<20} {:<10} {last}", "", "focus", "block").trim_end());
    page.push('\n');
    for (setting, nearest) in &answer.settings {
        let (work, focus) = match setting.work {
            Work::Engrave => ("engrave".to_owned(), "on the surface".to_owned()),
            Work::Cut { thickness_mm } => (
                format!("cut {}", stock(thickness_mm, units)),
                format!("{} {unit} below it", fixed(units.from_mm(setting.sunk_mm), decimals(units, 2))),
            ),
        };
        let block = match setting.usable() {
            Ok(_) => format!("{} {unit}", fixed(units.from_mm(setting.gap.value), decimals(units, 2))),
            Err(_) => "none: the nozzle would touch".to_owned(),
        };
        let first = format!("  {work:<15} {focus:<20} {block:<10} ");
        let mut told = nearest.as_ref().map_or(String::new(), |found| tell_nearest(found, units));
        if is_small(setting) {
            told = format!("{told}{}small gap", if told.is_empty() { "" } else { "; " });
        }
        table_row(page, &first, &told);
    }
    let sunk = format!(
        "For cuts the focus is sunk by {} % of the sheet's thickness: up to about 30 % is published for non-metals; one \
         half is common practice too. Try both on scrap.",
        percent(answer.options.setting.sunk_fraction)
    );
    paragraph(page, "  ", "  ", &sunk);
}

fn is_small(setting: &Setting) -> bool {
    setting.is_small() && setting.usable().is_ok()
}

fn tell_nearest(found: &Found, units: Units) -> String {
    let place = match found.miss.slack {
        Some(Slack::Outside) => ", outside the slack",
        _ => "",
    };
    format!("{}, {}{place}", pieces(&found.stack, units), short_off(&found.miss, units))
}

fn off_words(miss: &Miss, units: Units) -> String {
    match short_off(miss, units).as_str() {
        "as wanted" => "as thick as wanted".to_owned(),
        off => format!("{off} than wanted"),
    }
}

/// "0.05 mm thicker", or "as wanted".
fn short_off(miss: &Miss, units: Units) -> String {
    let off = units.from_mm(miss.off.value);
    let least = decimals(units, 2);
    // A gauge block's thousandth is not nothing: more digits where there would be none.
    let decimals = (least..least + 3).find(|&d| off.abs() >= 0.5 * 10_f64.powi(-(d as i32)));
    let Some(decimals) = decimals else { return "as wanted".to_owned() };
    let which = if off > 0.0 { "thicker" } else { "thinner" };
    format!("{} {} {which}", fixed(off.abs(), decimals), units.sign())
}

fn slack_words(miss: &Miss) -> Option<String> {
    let wider = percent_of_growth(miss.wider?);
    Some(match miss.slack? {
        Slack::Inside => format!("inside the height slack, the line {wider} % wider"),
        Slack::Barely => {
            format!("inside the height slack but not by its give or take, the line about {wider} % wider")
        }
        Slack::Outside => format!("outside the height slack, the line {wider} % wider"),
    })
}

fn tell_action(page: &mut String, action: &str) {
    let lines = wrap(&printable(action), COLUMNS - 2, COLUMNS - 2);
    let longest = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
    for line in lines {
        page.push_str(&format!("  {line}\n"));
    }
    page.push_str(&format!("  {}\n\n", "=".repeat(longest)));
}

fn row(page: &mut String, label: &str, value: &str) {
    paragraph(page, &format!("  {label:<17}"), &" ".repeat(19), value);
}

fn paragraph(page: &mut String, first: &str, rest: &str, text: &str) {
    let width = |lead: &str| COLUMNS.saturating_sub(lead.chars().count());
    for (index, line) in wrap(&printable(text), width(first), width(rest)).iter().enumerate() {
        page.push_str(format!("{}{line}", if index == 0 { first } else { rest }).trim_end());
        page.push('\n');
    }
}

/// Digits after the point: those of millimetres, and one more in inches.
const fn decimals(units: Units, millimetres: usize) -> usize {
    match units {
        Units::Millimetres => millimetres,
        Units::Inches => millimetres + 1,
    }
}

fn stock_like(estimate: &crate::estimate::Estimate, units: Units) -> String {
    format!("{} {}", super::rounding::round(estimate, units).value, units.sign())
}

/// "an 8.4 mm", as it is read aloud.
fn with_article(number: &str) -> String {
    let whole = number.split('.').next().unwrap_or_default();
    let article = if whole.starts_with('8') || whole == "11" || whole == "18" { "an" } else { "a" };
    format!("{article} {number}")
}

fn percent(share: f64) -> String {
    let tenths = fixed(share * 100.0, 1);
    tenths.strip_suffix(".0").unwrap_or(&tenths).to_owned()
}

/// Growth in per cent: tenths below 10 %, whole above.
fn percent_of_growth(growth: f64) -> String {
    fixed(growth * 100.0, if growth < 0.0995 { 1 } else { 0 })
}

/// Where the label goes.
pub fn label_note(file: &str) -> String {
    let mut page = String::from("label\n");
    row(&mut page, "drawn in", file);
    row(
        &mut page,
        "goes onto",
        "the block's side, never onto a face that gauges: an engraved face has another thickness",
    );
    page
}
