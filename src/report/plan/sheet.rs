//! The page for the bench: one printable side, steps in order, a side view to scale, blanks for what is measured.

use maud::{DOCTYPE, Markup, PreEscaped, html};

use super::text::{burn, line, lowest, support, tell_note};
use super::{set, side_view};
use crate::plan::ramp::Support;
use crate::plan::setup_file::{digits, planned};
use crate::plan::{Plan, PlannedDatum, PlannedPicture};
use crate::report::rounding::{Units, fixed, rough, stock};

const STYLE: &str = "\
@page { size: A4; margin: 9mm 13mm }
* { box-sizing: border-box }
body { font: 9pt/1.27 'DejaVu Sans', Verdana, sans-serif; color: #000; margin: 0 auto; max-width: 184mm }
h1 { font-size: 15pt; margin: 0 }
.sub { margin: 0 0 1.5mm; color: #333 }
h2 { font-size: 10pt; margin: 2mm 0 .6mm; border-bottom: .3mm solid #000 }
ol { margin: 0; padding-left: 6mm }
li { margin: 0 0 .7mm }
ul { margin: 0; padding-left: 5mm }
svg { display: block; width: 100%; margin: 1mm 0 }
table { border-collapse: collapse; width: 100% }
td, th { text-align: left; padding: .35mm 2mm; border: .2mm solid #777; vertical-align: top; font-weight: normal }
th { background: #eee }
td.blank { width: 32mm }
th, td:nth-child(3) { white-space: nowrap }
code { font-family: 'DejaVu Sans Mono', monospace; font-size: 8.8pt }
.care { border: .5mm solid #000; padding: 1.2mm 2.5mm; margin-top: 2.5mm; font-size: 8.4pt; line-height: 1.22 }
@media screen { body { padding: 8mm } }
";

/// The page as HTML that needs nothing else.
pub fn sheet(plan: &Plan, units: Units) -> String {
    let request = &plan.request;
    let name = request.name.as_deref().unwrap_or("");
    let date = request.date.as_deref().unwrap_or("");
    let title = ["Ramp test", name, date].into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join(", ");
    html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                h1 { (title) }
                p.sub {
                    (stock(request.optics.focal_length_mm, units)) " lens; today's block "
                    (stock(request.spacer_in_use_mm, units)) ". Expect the answer to give or take "
                    (rough(plan.accuracy.in_use.spacer_mm.expanded(), units)) "."
                }
                (PreEscaped(side_view::svg(plan, units)))
                h2 { "Before the beam" }
                ol { @for step in before(plan, units) { li { (step) } } }
                h2 { "Measure, with the key off, after the path is driven" }
                (blanks(plan, units))
                h2 { "Burn and picture" }
                ol start=(before(plan, units).len() + 1) { @for step in after(plan, units) { li { (step) } } }
                @if !plan.notes.is_empty() {
                    h2 { "To know" }
                    ul { @for note in &plan.notes { li { (tell_note(note, plan, units)) } } }
                }
                (cautions())
            }
        }
    }
    .into_string()
}

fn before(plan: &Plan, units: Units) -> Vec<String> {
    let (request, ramp) = (&plan.request, &plan.ramp);
    let held = match &ramp.support {
        Support::Prop { .. } => format!("Lay the strip down, low end on the bed. Prop: {}.", support(plan, units)),
        Support::RampFile { .. } => format!("Strip on {}.", support(plan, units)),
    };
    let lowest = lowest(plan);
    vec![
        "Write LOW on the low end of the strip, first of all.".to_owned(),
        "Switch off whatever moves bed or head by itself at the start: homing of the bed, focusing, probing."
            .to_owned(),
        format!(
            "{held} Fasten it with paper tape or pins, below nozzle level. Its uphill direction lies along the head's travel."
        ),
        format!(
            "Beam disarmed: drive to the high end first, {} of head travel from the low end, and set the head {} above the \
             strip. What is lowest at the head, {lowest}, then has {} to spare.",
            set(ramp.travel_mm, units),
            set(ramp.gap_high_mm, units),
            set(ramp.clearance_mm, units)
        ),
        format!(
            "Drive the whole path with the beam disarmed. The line begins {} up from the strip's low edge.",
            set(ramp.low_margin_mm - past_datum(plan), units)
        ),
        format!(
            "The material: {}, flat and light, never PVC; no bare or polished metal, no mirror.",
            request.material.as_deref().unwrap_or("card on a stiff ramp, fine board or light ply")
        ),
    ]
}

/// Surface that the line runs past the datum at its low end.
fn past_datum(plan: &Plan) -> f64 {
    -plan.ramp.line_travel_mm()[0] * plan.ramp.span_mm / plan.ramp.travel_mm
}

fn after(plan: &Plan, units: Units) -> Vec<String> {
    let picture = match plan.request.picture {
        PlannedPicture::Scan { dpi } => {
            format!("Scan it at {} dpi, black paper behind, sharpening off; keep the original file.", fixed(dpi, 0))
        }
        PlannedPicture::Photo { .. } => {
            "Photograph it outside the machine, square on, in even light; with marks, the fine \
             third from close by too. Keep the original file."
                .to_owned()
        }
    };
    let marks = match plan.ramp.marks {
        Some(_) => " Burn the index marks with it; they may be stronger.",
        None => "",
    };
    vec![
        format!("Burn {}, once, at constant speed.{marks}", line(plan, units)),
        format!("How strong: {}.", burn(plan, units)),
        "Take the strip out of the machine.".to_owned(),
        picture,
        "Fill the blanks into the setup file, then: narrows read PICTURE --setup FILE".to_owned(),
    ]
}

/// Where the measured values go, with the planned ones beside them, named as in the setup file.
fn blanks(plan: &Plan, units: Units) -> Markup {
    let where_to = |field: &str| match field {
        "gap_low_mm" => "nozzle tip down to the strip, right under the hole, head over the low end",
        "gap_high_mm" => "the same with the head over the high end",
        "block_mm" => "or, instead of gaps, a block that just slides under the tip",
        "block_at_mm" => "head travel from the low end to where it slid",
        "prop_mm" => "caliper across the prop",
        "prop_at_mm" => "level along the bed, strip's toe to the prop's near edge",
        "low_end" => "after picturing: side of the picture on which LOW stands",
        _ => "",
    };
    html! {
        table {
            tr { th { "in the setup file" } th { "where" } th { "planned" } th { "measured" } }
            tr { td { code { "travel_mm" } } td { "head travel from the low end to the high end" }
                 td { (in_file(&digits(plan.ramp.travel_mm), units)) } td.blank {} }
            @for (field, value) in planned(&plan.request, &plan.ramp).fields {
                tr {
                    td { code { (field) } }
                    td { (where_to(field)) }
                    td { (in_file(&value, units)) }
                    td.blank {}
                }
            }
            @if plan.request.datum == PlannedDatum::Marks {
                @if let Some(marks) = plan.ramp.marks {
                    tr { td { code { "mark_pitch_mm" } } td { "head travel from mark to mark" }
                         td { (in_file(&digits(marks.pitch_mm), units)) } td.blank {} }
                }
            }
        }
    }
}

/// A value as the setup file has it, in millimetres; for readers of inches these stand beside it.
fn in_file(digits: &str, units: Units) -> String {
    match (units, digits.parse()) {
        (Units::Inches, Ok(length_mm)) => format!("{digits} ({})", set(length_mm, units)),
        _ => digits.to_owned(),
    }
}

fn cautions() -> Markup {
    html! {
        div.care {
            b { "Local rules, the machine's manual and trained people come before this page. " }
            "The beam and its reflections burn skin and blind. Keep the enclosure and its interlocks closed and do not bridge a \
             lid switch to watch. Key off, not just paused, before hands, gauges or a phone go in. Never leave a burning \
             machine; extinguisher within reach; air assist and extraction on. Never burn PVC or other chlorinated plastics. A \
             sloping strip throws reflections sideways: no bare or polished metal, no mirror. A cracked zinc selenide lens is \
             poisonous: follow its safety sheet."
        }
    }
}
