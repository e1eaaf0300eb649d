//! What to burn on the strip: the line, the index marks, a note, each a drawing of its own on one page.
//!
//! The page is the strip as the head sees it from above, low end on the left: x is head travel, so it is shorter than the
//! strip's surface. All three drawings share it and lie true on each other.

use super::path::{Drawing, Stroke};
use super::{Plan, PlanError};
use crate::anchor::marks::BITS;
use crate::report::strokes::{cannot_write, capital_height_for, letter};

/// Distance of a mark's halves from the line, mm: inner end, outer end, outer end of a short right half.
pub const MARK_REACH_MM: [f64; 3] = [6.0, 12.0, 9.0];
/// Capitals of the note, and what stays free between it and the strip's edge.
const NOTE_CAPITAL_MM: f64 = 3.0;
const NOTE_MARGIN_MM: f64 = 1.5;

/// The three drawings.
#[derive(Debug, Clone, PartialEq)]
pub struct Artwork {
    /// The line.
    pub line: Drawing,
    /// The index marks; empty where the line's ends are the datum.
    pub marks: Drawing,
    /// Name and date.
    pub note: Drawing,
}

/// Draws what to burn.
///
/// # Errors
/// A name or date with a letter that cannot be drawn as strokes.
pub fn artwork(plan: &Plan) -> Result<Artwork, PlanError> {
    let (request, ramp) = (&plan.request, &plan.ramp);
    let cos = ramp.angle().cos();
    let size_mm = [request.strip_length_mm * cos, request.strip_width_mm];
    let origin = [ramp.low_margin_mm * cos, 0.5 * request.strip_width_mm];
    let page = |strokes| Drawing { size_mm, strokes };
    let at = |travel: f64, right: f64| [origin[0] + travel, origin[1] + right];

    let [start, stop] = ramp.line_travel_mm();
    let line = page(vec![Stroke::open([at(start, 0.0), at(stop, 0.0)])]);

    let mut marks = vec![];
    if let Some(row) = ramp.marks {
        let [near, far, short] = MARK_REACH_MM;
        for (index, bit) in BITS.iter().enumerate().take(row.last + 1) {
            let travel = index as f64 * row.pitch_mm;
            // From the low to the high end the left is up on the page.
            marks.push(Stroke::open([at(travel, -near), at(travel, -far)]));
            let reach = if *bit == 1 { far } else { short };
            marks.push(Stroke::open([at(travel, near), at(travel, reach)]));
        }
    }

    let text = note_text(plan)?;
    let [from, to] = [at(0.0, 0.0)[0], at(ramp.travel_mm, 0.0)[0]];
    // Between the marks (or the line) and the strip's edge on the right; as tall as there is room for.
    let free_from = if ramp.marks.is_some() { MARK_REACH_MM[1] + 1.0 } else { 0.25 * request.strip_width_mm };
    let free_to = 0.5 * request.strip_width_mm - NOTE_MARGIN_MM;
    // A comma and a small g reach below the line of writing by a third of a capital.
    let room = ((free_to - free_from) / (4.0 / 3.0)).max(0.0);
    let capital = capital_height_for(&text, to - from, NOTE_CAPITAL_MM).min(room);
    let mut note = vec![];
    // Letters lower than this close up.
    if capital >= 0.8 {
        let baseline = at(0.0, free_to - capital / 3.0);
        note = letter(&text, capital).moved(baseline).strokes.into_iter().map(Stroke::open).collect();
    }
    Ok(Artwork { line, marks: page(marks), note: page(note) })
}

/// "LOW, north, 2026-11-25".
fn note_text(plan: &Plan) -> Result<String, PlanError> {
    let mut parts = vec!["LOW".to_owned()];
    for (field, text) in [("name", &plan.request.name), ("date", &plan.request.date)] {
        if let Some(text) = text {
            if let Some(letter) = cannot_write(text) {
                return Err(PlanError::CannotWrite { field, letter });
            }
            parts.push(text.split_whitespace().collect::<Vec<_>>().join(" "));
        }
    }
    Ok(parts.join("  "))
}
