//! A plan told to the person at the bench: what to set, what to expect, what that rests on.

use super::set;
use crate::plan::ramp::Support;
use crate::plan::{LensShape, Note, Plan, PlannedPicture};
use crate::report::rounding::{Units, fixed, rough, stock};
use crate::report::text::{Block, Page};

/// The plan without the footer of [`crate::report::text::footer`].
pub fn plan(plan: &Plan, units: Units) -> String {
    tell(plan, units).text
}

/// The plan as blocks, for whoever sets them in a page of their own.
pub fn blocks(plan: &Plan, units: Units) -> Vec<Block> {
    tell(plan, units).blocks
}

fn tell(plan: &Plan, units: Units) -> Page {
    let mut page = Page::new();
    page.action(&action(plan, units));
    page.paragraph("", "", &answer(plan, units));
    page.heading("set up");
    tell_setting_up(&mut page, plan, units);
    page.heading("what to expect");
    tell_expectations(&mut page, plan, units);
    page.heading("what it rests on");
    tell_basis(&mut page, plan, units);
    if !plan.notes.is_empty() {
        page.heading("to know");
        for note in &plan.notes {
            page.paragraph("  - ", "    ", &tell_note(note, plan, units));
        }
    }
    page
}

/// The one thing to do.
pub(super) fn action(plan: &Plan, units: Units) -> String {
    let ramp = &plan.ramp;
    let head = format!("set the head {} over the high end", set(ramp.gap_high_mm, units));
    match &ramp.support {
        Support::Prop { prop_mm, .. } => {
            format!("prop the strip's high end up on a block of {}, and {head}", set(*prop_mm, units))
        }
        Support::RampFile { .. } => format!("lay the strip on the ramp against its stop, and {head}"),
    }
}

fn answer(plan: &Plan, units: Units) -> String {
    let expected = plan.accuracy.in_use.spacer_mm.expanded();
    let in_use = stock(plan.request.spacer_in_use_mm, units);
    format!("expect the block to give or take {} where today's {in_use} is about right", rough(expected, units))
}

fn tell_setting_up(page: &mut Page, plan: &Plan, units: Units) {
    let (request, ramp) = (&plan.request, &plan.ramp);
    let [length, width, thickness] =
        [request.strip_length_mm, request.strip_width_mm, request.strip_thickness_mm].map(|side| set(side, units));
    page.row("strip", &format!("{length} long, {width} wide, {thickness} thick; write LOW on its low end first"));
    page.row("held up by", &support(plan, units));
    page.row(
        "ramp",
        &format!(
            "rises {} over {} of head travel, {}°; its low end lies {} up from the strip's low edge",
            set(ramp.rise_mm, units),
            set(ramp.travel_mm, units),
            fixed(ramp.incline_deg, 1),
            set(ramp.low_margin_mm, units)
        ),
    );
    let [low, high] = [ramp.gap_low_mm, ramp.gap_high_mm].map(|gap| set(gap, units));
    page.row("gaps", &format!("{low} over the low end, {high} over the high end, nozzle tip to strip"));
    page.row("or by a block", &by_block(plan, units));
    page.row("clearance", &clearance(plan, units));
    page.row("line", &line(plan, units));
    if let Some(marks) = &ramp.marks {
        let pitch = set(marks.pitch_mm, units);
        page.row(
            "index marks",
            &format!("{} of them, {pitch} apart in head travel; they may be stronger", marks.last + 1),
        );
    }
    page.row("burn", &burn(plan, units));
}

/// What holds the strip up.
pub(super) fn support(plan: &Plan, units: Units) -> String {
    match &plan.ramp.support {
        Support::Prop { prop_mm, prop_at_mm } => format!(
            "a block {} thick; its near edge, on which the strip's underside rests, {} level from the strip's toe",
            set(*prop_mm, units),
            set(*prop_at_mm, units)
        ),
        Support::RampFile { path } => format!("the ramp of {path}, the strip against its stop"),
    }
}

/// The head set by a block in place of two gaps.
pub(super) fn by_block(plan: &Plan, units: Units) -> String {
    let ramp = &plan.ramp;
    let middle = format!(
        "{} just slides under the tip at half the travel, {}",
        set(ramp.block_middle_mm, units),
        set(0.5 * ramp.travel_mm, units)
    );
    match ramp.block_in_use_at_mm {
        Some(at) => format!(
            "{middle}; today's {} block does at {} from the low end",
            stock(plan.request.spacer_in_use_mm, units),
            set(at, units)
        ),
        None => middle,
    }
}

/// What is lowest at the head over a rising strip.
pub(super) fn lowest(plan: &Plan) -> &'static str {
    if plan.request.below_nozzle_mm > 0.0 { "what hangs below the tip" } else { "the nozzle's uphill rim" }
}

/// The room over the high end.
fn clearance(plan: &Plan, units: Units) -> String {
    let lowest = lowest(plan);
    format!("{} under {lowest} over the high end: drive there first, beam disarmed", set(plan.ramp.clearance_mm, units))
}

/// The stroke.
pub(super) fn line(plan: &Plan, units: Units) -> String {
    let [start, stop] = plan.ramp.line_travel_mm();
    let length = set(stop - start, units);
    match plan.ramp.marks {
        Some(_) => format!(
            "one plain stroke, {length} of head travel: from {} before the first mark to as far past the last",
            set(-start, units)
        ),
        None => format!("one plain stroke, {length} of head travel, from the low end to the high end"),
    }
}

/// How strongly to burn, told by what a line shows.
pub(super) fn burn(plan: &Plan, units: Units) -> String {
    format!(
        "a little stronger than a short stroke that just still shows on the same material with the nozzle {} above it, far \
         out of focus; in focus that is about {} times what just marks. Brown and not black, and never through",
        set(plan.burn.just_shows_gap_mm, units),
        fixed(plan.burn.overdrive, 0)
    )
}

fn tell_expectations(page: &mut Page, plan: &Plan, units: Units) {
    let spot = &plan.spot;
    page.row(
        "spot",
        &format!(
            "{} wide (1/e²): {} by diffraction, {} by the lens's spherical aberration",
            rough(spot.diameter_mm, units),
            rough(spot.diffraction_mm, units),
            rough(spot.aberration_mm, units)
        ),
    );
    page.row(
        "Rayleigh range",
        &format!("{}: so far from focus the beam is 1.41 times as wide", rough(spot.rayleigh_mm, units)),
    );
    page.row(
        "depth of focus",
        &format!("{} in all, where the beam is at most 5 % wider", rough(2.0 * spot.depth_half_mm, units)),
    );
    let picture = &plan.picture;
    page.row(
        "line width",
        &format!(
            "about {} at its finest, {} pixels {}",
            rough(picture.kerf_mm, units),
            fixed(picture.kerf_px, 1),
            pictured(plan)
        ),
    );
    let [from, to] = plan.ramp.found_spacers_mm;
    page.row("found", &format!("any block from {} to {}", set(from, units), set(to, units)));
    let expected = |spacer: &crate::estimate::Estimate| rough(spacer.expanded(), units);
    let worst = &plan.accuracy.worst;
    page.row(
        "give or take",
        &format!(
            "{} for the block; {} at worst, with the focus at a block of {}",
            expected(&plan.accuracy.in_use.spacer_mm),
            expected(&worst.spacer_mm),
            set(worst.spacer_mm.value, units)
        ),
    );
    let from_picture = 2.0 * plan.accuracy.in_use.picture_height_u_mm(&plan.ramp);
    page.row(
        "",
        &format!(
            "{} of it from the picture, the rest from lengths measured with a {}",
            rough(from_picture, units),
            gauge(plan)
        ),
    );
}

fn gauge(plan: &Plan) -> &'static str {
    match plan.request.measured_with {
        crate::plan::Gauge::Caliper => "caliper",
        crate::plan::Gauge::Rule => "rule",
        crate::plan::Gauge::Blocks => "set of blocks",
    }
}

fn pictured(plan: &Plan) -> String {
    match plan.request.picture {
        PlannedPicture::Scan { dpi } => format!("in a scan at {} dpi", fixed(dpi, 0)),
        PlannedPicture::Photo { pixels } => format!("in a photo with {} pixels along the strip", fixed(pixels, 0)),
    }
}

fn tell_basis(page: &mut Page, plan: &Plan, units: Units) {
    let request = &plan.request;
    let optics = &request.optics;
    let shape = match optics.lens_shape {
        LensShape::PlanoConvex => "plano-convex",
        LensShape::Meniscus => "meniscus",
        LensShape::Aspheric => "aspheric",
    };
    page.row("lens", &format!("{} focal length, {shape}, zinc selenide", stock(optics.focal_length_mm, units)));
    page.row(
        "beam",
        &format!(
            "{} wide at the lens (1/e²), M² {}, wavelength {} µm",
            stock(optics.beam_diameter_mm, units),
            trimmed(optics.beam_quality),
            trimmed(1000.0 * optics.wavelength_mm)
        ),
    );
    page.row("", "M² says how much wider than an ideal beam it focuses; 1 is ideal");
    page.row(
        "search",
        &format!(
            "{} to either side of today's {}",
            set(request.search_mm, units),
            stock(request.spacer_in_use_mm, units)
        ),
    );
    page.row(
        "material",
        &format!(
            "its grain makes the line width wander by {} %, alike over {}",
            trimmed(100.0 * request.grain),
            stock(request.grain_length_mm, units)
        ),
    );
    page.row("formulas", "docs/plan.md, with their sources");
}

/// A number without needless zeros.
fn trimmed(number: f64) -> String {
    let text = fixed(number, 3);
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

/// One thing to know.
pub(super) fn tell_note(note: &Note, plan: &Plan, units: Units) -> String {
    match *note {
        Note::NozzleLimitsHighEnd { beyond_mm, wanted_mm } => format!(
            "the nozzle would touch the high end if the line went further: the most you can have beyond the focus is {}, where \
             {} was wanted; expect give or take {}",
            set(beyond_mm, units),
            set(wanted_mm, units),
            rough(plan.accuracy.in_use.spacer_mm.expanded(), units)
        ),
        Note::ShortStrip { rayleigh_ranges } => format!(
            "the strip is short: the line reaches {} Rayleigh ranges past the search range on each side, and three are wanted",
            fixed(rayleigh_ranges, 1)
        ),
        Note::PartOfSearch { from_mm, to_mm } => format!(
            "not the whole search range shows: a focus at a block below {} or above {} would be missed",
            set(from_mm, units),
            set(to_mm, units)
        ),
        Note::FewPixels { kerf_px, better_dpi, is_unreadable } => format!(
            "the line at its finest is only {} pixels wide{}: scan at {} dpi, or photograph the fine third from close by, for \
             which index marks are needed",
            fixed(kerf_px, 1),
            if is_unreadable { " and would not be read" } else { "" },
            fixed(better_dpi, 0)
        ),
        Note::Aberration { share } => format!(
            "the lens's spherical aberration makes {} % of the spot: the two sides of the focus will be unequal, and a \
             longer lens or a narrower beam would be finer",
            fixed(100.0 * share, 0)
        ),
    }
}
