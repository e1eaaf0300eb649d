//! Lines as rows of a table. A nested field's column is its path with points; lists stand as JSON in their cell, an empty
//! cell is a field that is not there.

use std::io::{self, Write};

use serde_json::{Map, Value};

use super::Line;
use crate::logbook::LogbookError;

/// How a column's cells are written.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Cell {
    /// As it is.
    Text,
    /// A number, `true` or `false`, or a list, as in JSON.
    Json,
}

use Cell::{Json, Text};

/// Every column, in order: first what people look for.
const COLUMNS: &[(&str, Cell)] = &[
    ("record", Text),
    ("id", Json),
    ("when", Text),
    ("machine", Text),
    ("lens", Text),
    ("spacer_mm.value", Json),
    ("spacer_mm.standard_uncertainty", Json),
    ("kerf_mm.value", Json),
    ("kerf_mm.standard_uncertainty", Json),
    ("height_mm.value", Json),
    ("height_mm.standard_uncertainty", Json),
    ("change_mm.value", Json),
    ("change_mm.standard_uncertainty", Json),
    ("focal_distance_mm.value", Json),
    ("focal_distance_mm.standard_uncertainty", Json),
    ("position_mm.value", Json),
    ("position_mm.standard_uncertainty", Json),
    ("slack.below_mm", Json),
    ("slack.above_mm", Json),
    ("slack.fraction", Json),
    ("slack.positions_mm", Json),
    ("refusal.code", Text),
    ("refusal.message", Text),
    ("refusal.advice", Text),
    ("cautions", Json),
    ("kind", Text),
    ("tube_mark", Text),
    ("note", Text),
    ("burn.material", Text),
    ("burn.power", Text),
    ("burn.speed_mm_s", Json),
    ("burn.passes", Json),
    ("burn.air", Json),
    ("burn.run_along", Text),
    ("line.visible_mm", Json),
    ("line.contrast", Json),
    ("line.straightness_mm", Json),
    ("line.raggedness_mm", Json),
    ("line.period_mm", Json),
    ("line.soot_side", Text),
    ("line.is_dark", Json),
    ("line.blur_px", Json),
    ("line.straightness_px", Json),
    ("line.raggedness_px", Json),
    ("line.sides_mm", Json),
    ("line.overdrive", Json),
    ("ramp.travel_mm", Json),
    ("ramp.span_mm", Json),
    ("ramp.rise_mm.value", Json),
    ("ramp.rise_mm.standard_uncertainty", Json),
    ("ramp.name", Text),
    ("ramp.incline_deg", Json),
    ("ramp.incline_u_deg", Json),
    ("head.spacer_in_use_mm", Json),
    ("head.lens_to_nozzle_mm", Json),
    ("head.nominal_focal_length_mm", Json),
    ("head.gauged_from", Text),
    ("name", Text),
    ("zone", Text),
    ("wavelength_um", Json),
    ("beam_diameter_mm", Json),
    ("nominal_focal_length_mm", Json),
    ("fitting.lens_to_nozzle_mm", Json),
    ("fitting.tip_diameter_mm", Json),
    ("fitting.spacer_in_use_mm", Json),
    ("fitting.gauged_from", Text),
    ("on", Json),
    ("picture.name", Text),
    ("picture.sha256", Text),
    ("picture.width_px", Json),
    ("picture.height_px", Json),
    ("picture.orientation", Json),
    ("picture.mm_per_px", Json),
    ("picture.area_px", Json),
    ("when_from", Text),
    ("zone_assumed", Json),
    ("recorded", Text),
    ("version", Text),
    ("uid", Text),
    ("replaces", Json),
    ("replaced_by", Json),
    ("withdrawn.recorded", Text),
    ("withdrawn.reason", Text),
    ("schema", Text),
    ("details.setup", Text),
    ("details.fits", Json),
    ("details.stations", Json),
    ("details.overlay_jpeg", Text),
];

/// Writes the table with its heading.
pub(super) fn write(lines: &[Line], to: &mut impl Write) -> io::Result<()> {
    let mut table = csv::Writer::from_writer(to);
    table.write_record(COLUMNS.iter().map(|(name, _)| *name))?;
    for line in lines {
        let value = serde_json::to_value(line)?;
        table.write_record(COLUMNS.iter().map(|(name, cell)| written(at(&value, name), *cell)))?;
    }
    table.flush()
}

/// The value at a path with points.
fn at<'a>(value: &'a Value, path: &str) -> Option<&'a Value> {
    path.split('.').try_fold(value, |value, name| value.get(name))
}

fn written(value: Option<&Value>, cell: Cell) -> String {
    match (value, cell) {
        (None | Some(Value::Null), _) => String::new(),
        (Some(Value::String(text)), Text) => text.clone(),
        (Some(value), _) => value.to_string(),
    }
}

/// Reads a table; columns may stand in any order, and those that are not there are empty.
pub(super) fn read(text: &str) -> Result<Vec<(usize, Line)>, LogbookError> {
    let mut table = csv::Reader::from_reader(text.as_bytes());
    let heading = table.headers().map_err(|error| bad(1, &error))?.clone();
    let mut columns = Vec::new();
    for name in &heading {
        let known = COLUMNS.iter().find(|(known, _)| *known == name);
        columns.push(known.ok_or_else(|| bad(1, &format!("there is no column \"{name}\"")))?);
    }
    let mut lines = Vec::new();
    for row in table.records() {
        let row = row.map_err(|error| bad(error.position().map_or(1, |position| position.line() as usize), &error))?;
        let line = row.position().map_or(0, |position| position.line() as usize);
        let mut value = Value::Object(Map::new());
        for ((name, cell), text) in columns.iter().zip(&row).filter(|(_, text)| !text.is_empty()) {
            let leaf = match cell {
                Text => Value::from(text),
                Json => serde_json::from_str(text).map_err(|error| bad(line, &format!("{name}: {error}")))?,
            };
            put(&mut value, name, leaf);
        }
        lines.push((line, serde_json::from_value(value).map_err(|error| bad(line, &error))?));
    }
    Ok(lines)
}

/// Puts a value at a path with points, making what lies on the way.
fn put(value: &mut Value, path: &str, leaf: Value) {
    let mut place = value;
    for name in path.split('.') {
        if !place.is_object() {
            *place = Value::Object(Map::new());
        }
        place = &mut place[name];
    }
    *place = leaf;
}

fn bad(line: usize, what: &dyn std::fmt::Display) -> LogbookError {
    LogbookError::BadLine { line, what: what.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Paths of everything that is not an object; what is empty counts as one value.
    fn paths(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(fields) => {
                for (name, value) in fields {
                    let path = if path.is_empty() { name.clone() } else { format!("{path}.{name}") };
                    paths(value, &path, found);
                }
            }
            // A record that has no such part has no columns of it.
            Value::Null => {}
            _ => found.push(path.to_owned()),
        }
    }

    #[test]
    fn every_field_of_every_record_has_its_column() {
        for line in crate::logbook::transfer::import::tests::one_of_each() {
            let mut found = Vec::new();
            paths(&serde_json::to_value(&line).unwrap(), "", &mut found);
            for path in found {
                assert!(COLUMNS.iter().any(|(name, _)| *name == path), "{path}");
            }
        }
    }
}
