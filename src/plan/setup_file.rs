//! The setup file that `narrows read` takes: what is known filled in, what must be measured left as commented lines.

use std::fmt::Write as _;

use super::ramp::{RampPlan, Support};
use super::request::{PlanRequest, PlannedDatum, PlannedPicture};

/// What is measured at the bench, as it would be if all came out as planned, in the file's own digits.
#[derive(Debug, Clone, PartialEq)]
pub struct Planned {
    /// Field and planned value.
    pub fields: Vec<(&'static str, String)>,
}

/// A length as the file and the sheet write it: to the tenth that one can set, and without a needless zero.
pub fn digits(length_mm: f64) -> String {
    let text = crate::report::rounding::fixed(length_mm, 1);
    text.strip_suffix(".0").map_or(text.clone(), str::to_owned)
}

/// The setup file. `filled` puts the planned gaps and a low end in, as if they had been measured; without it they are
/// commented lines that say where to measure.
pub fn text(request: &PlanRequest, ramp: &RampPlan, filled: bool) -> String {
    let mut page = Page { text: String::new(), filled };
    let title = [request.name.as_deref(), request.date.as_deref()].into_iter().flatten().collect::<Vec<_>>().join(", ");
    page.line(
        "# Setup of a ramp test. Measure, take the # away, fill in; then: narrows read PICTURE --setup THIS_FILE",
    );
    if !title.is_empty() {
        page.line(&format!("# {}", one_line(&title)));
    }
    page.line("# Lengths are millimetres, or text with a unit: \"0.276 in\".");
    page.line("");
    page.line("[ramp]");
    page.known("travel_mm", &digits(ramp.travel_mm), "head travel from the low end to the high end of the line");
    match &ramp.support {
        Support::Prop { prop_mm, prop_at_mm } => {
            page.line("# The two gaps below say how steep the strip lay. These two lines check them; fill in both or neither:");
            page.later("prop_mm", &digits(*prop_mm), "caliper across the prop");
            page.later("prop_at_mm", &digits(*prop_at_mm), "level along the bed, strip's toe to the prop's near edge");
        }
        Support::RampFile { path } => {
            page.known("ramp_file", &quoted(path), "the ramp, measured once and kept");
        }
    }
    page.known("measured_with", &quoted(request.measured_with.word()), "caliper, rule or blocks");
    page.line("");
    page.line("[head]");
    page.line("# Key off. Nozzle tip straight down to the strip, right under the hole, with the head over each end of the line:");
    page.blank("gap_low_mm", &digits(ramp.gap_low_mm), "over the low end");
    page.blank("gap_high_mm", &digits(ramp.gap_high_mm), "over the high end");
    page.line("# Or, in place of the gaps, a block that just slides under the tip (then fill in how steep, above):");
    page.later("block_mm", &digits(ramp.block_middle_mm), "caliper across the block");
    page.later("block_at_mm", &digits(0.5 * ramp.travel_mm), "head travel from the low end to where it slid");
    page.known("tip_diameter_mm", &digits(request.tip_diameter_mm), "flat face of the nozzle's tip");
    if let Some(offset) = request.lens_to_nozzle_mm {
        page.known("lens_to_nozzle_mm", &exact(offset), "lens mount to nozzle tip");
    }
    page.known("nominal_focal_length_mm", &exact(request.optics.focal_length_mm), "printed on the lens");
    page.known("spacer_in_use_mm", &exact(request.spacer_in_use_mm), "today's block");
    page.line("");
    page.line("[burn]");
    match &request.material {
        Some(material) => page.known("material", &quoted(material), "of the strip"),
        None => page.later("material", &quoted(""), "of the strip"),
    }
    page.later("power", &quoted(""), "as the machine showed it");
    page.later("speed_mm_s", "", "as the machine showed it");
    page.later("run_along", &quoted("x"), "machine axis that the line ran along");
    page.line("");
    page.line("[picture]");
    match (request.datum, &ramp.marks) {
        (PlannedDatum::Marks, Some(marks)) => {
            page.known("datum", &quoted("marks"), "the index marks tell where the line lies");
            page.known("mark_pitch_mm", &digits(marks.pitch_mm), "head travel from mark to mark");
            page.later("low_end", &quoted("left"), "not needed with marks");
        }
        _ => {
            page.known("datum", &quoted("ends"), "the line's two ends tell where it lies");
            page.blank(
                "low_end",
                &quoted("left"),
                "side of the picture on which LOW stands: left, right, top or bottom",
            );
        }
    }
    if let PlannedPicture::Scan { dpi } = request.picture {
        page.known("dpi", &exact(dpi), "the scan's true resolution; take the line out for a photograph");
    }
    page.text
}

/// The measured fields with their planned values, as the sheet prints them beside its blanks.
pub fn planned(request: &PlanRequest, ramp: &RampPlan) -> Planned {
    let mut fields = vec![];
    if let Support::Prop { prop_mm, prop_at_mm } = &ramp.support {
        fields.extend([("prop_mm", digits(*prop_mm)), ("prop_at_mm", digits(*prop_at_mm))]);
    }
    fields.extend([("gap_low_mm", digits(ramp.gap_low_mm)), ("gap_high_mm", digits(ramp.gap_high_mm))]);
    fields.extend([("block_mm", digits(ramp.block_middle_mm)), ("block_at_mm", digits(0.5 * ramp.travel_mm))]);
    if request.datum == PlannedDatum::Ends {
        fields.push(("low_end", String::new()));
    }
    Planned { fields }
}

struct Page {
    text: String,
    filled: bool,
}

impl Page {
    fn line(&mut self, text: &str) {
        let _ = writeln!(self.text, "{text}");
    }

    /// A field that is known.
    fn known(&mut self, field: &str, value: &str, what: &str) {
        self.line(&format!("{:<42} # {what}", format!("{field} = {value}")));
    }

    /// A field that may be measured later, or never.
    fn later(&mut self, field: &str, planned: &str, what: &str) {
        self.commented(field, planned, what);
    }

    /// A field that must be measured before reading.
    fn blank(&mut self, field: &str, planned: &str, what: &str) {
        if self.filled { self.known(field, planned, what) } else { self.commented(field, planned, what) }
    }

    fn commented(&mut self, field: &str, planned: &str, what: &str) {
        let is_planned = !planned.is_empty() && !planned.starts_with('"');
        let told = if is_planned { format!("planned {planned}: {what}") } else { what.to_owned() };
        let gap = if planned.starts_with('"') { "\"\"" } else { "" };
        self.line(&format!("{:<42} # {told}", format!("# {field} = {gap}").trim_end()));
    }
}

/// A length that was typed in, in all its digits.
fn exact(number: f64) -> String {
    let text = format!("{number:.6}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    toml::Value::String(one_line(text)).to_string()
}

fn one_line(text: &str) -> String {
    text.chars().map(|letter| if letter.is_control() { ' ' } else { letter }).collect()
}
