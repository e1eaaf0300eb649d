//! The ramp form: fields as texts become a setup, and the side view's numbers.

use std::collections::BTreeMap;

use axum::Json;
use serde::{Deserialize, Serialize};

use super::failure::{Failure, Told};
use super::words;
use crate::estimate::Estimate;
use crate::height;
use crate::setup::{Field, Head, HeadPlace, RawSetup, Setup, SetupError};

/// Longest text a field may hold, in bytes.
const MOST_TEXT: usize = 200;

/// Fields by their names in the setup file, each as it is typed: `"7"`, `"0.7 cm"`, `"true"`. Blank ones count as absent.
pub(super) type Fields = BTreeMap<String, String>;

#[derive(Debug, Deserialize)]
pub(super) struct CheckRequest {
    fields: Fields,
}

/// What the form says so far.
#[derive(Debug, Serialize)]
pub(super) struct Checked {
    /// `complete`, `incomplete` (something is still missing) or `impossible`.
    state: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    problem: Option<Told>,
    #[serde(skip_serializing_if = "Option::is_none")]
    side: Option<SideView>,
}

/// The ramp from the side, in millimetres. Positions are head travel from the low end.
#[derive(Debug, Serialize)]
struct SideView {
    travel_mm: f64,
    rise_mm: f64,
    rise_expanded_mm: f64,
    span_mm: f64,
    incline_deg: f64,
    /// Height of the strip at its low end, middle and high end above where it is lowest.
    strip_mm: [f64; 3],
    /// Gap from nozzle tip to strip at low end, middle and high end; `None` where the head's place is unknown.
    gaps_mm: Option<[f64; 3]>,
    /// Travel at which a block slid under, and its thickness.
    block: Option<[f64; 2]>,
    spacer_in_use_mm: Option<f64>,
    /// Travel at which the block in use would be in focus, where that lies on the strip.
    spacer_in_use_at_mm: Option<f64>,
}

/// `POST /api/setup/check`.
pub(super) async fn check(Json(request): Json<CheckRequest>) -> Json<Checked> {
    Json(match setup(&request.fields) {
        Ok(setup) => Checked { state: "complete", problem: None, side: Some(side(&setup)) },
        Err(Problem { told, is_missing }) => {
            Checked { state: if is_missing { "incomplete" } else { "impossible" }, problem: Some(told), side: None }
        }
    })
}

/// Why fields make no setup.
#[derive(Debug)]
pub(super) struct Problem {
    told: Told,
    is_missing: bool,
}

impl From<Problem> for Failure {
    fn from(problem: Problem) -> Self {
        Self::about(problem.told)
    }
}

impl From<SetupError> for Problem {
    fn from(error: SetupError) -> Self {
        let [message, hint] = words::sentences(&error);
        let is_missing = matches!(error, SetupError::Missing(_) | SetupError::NoSteepness { .. });
        let field = error.field().map(Field::name);
        Self { told: Told { code: "setup", field, error: message, hint }, is_missing }
    }
}

/// The setup that the fields make.
fn setup(fields: &Fields) -> Result<Setup, Problem> {
    Ok(raw(fields)?.check()?)
}

/// The fields, each valid by itself.
pub(super) fn raw(fields: &Fields) -> Result<RawSetup, Problem> {
    let mut raw = RawSetup::default();
    let impossible = |field, error: String, hint: &str| Problem {
        told: Told { code: "setup", field, error, hint: hint.to_owned() },
        is_missing: false,
    };
    for (name, text) in fields {
        let text = text.trim();
        if text.is_empty() {
            continue;
        }
        let Some(field) = Field::from_name(name) else {
            let name: String = crate::printable::printable(name).chars().take(40).collect();
            return Err(impossible(None, format!("there is no field {name}"), "see docs/interface.md for the fields"));
        };
        if text.len() > MOST_TEXT {
            let error = format!("“{}” is longer than {MOST_TEXT} letters", words::label(field));
            return Err(impossible(Some(field.name()), error, "shorten it"));
        }
        if field == Field::RampFile {
            let error = "the page opens no files by their name".to_owned();
            return Err(impossible(Some(field.name()), error, "give the ramp's angle and how sure it is instead"));
        }
        raw.set_flag(field, text)?;
    }
    Ok(raw)
}

fn side(setup: &Setup) -> SideView {
    let ramp = &setup.ramp;
    let shares = [0.0, 0.5, 1.0];
    let at = |share: f64| height::convert(Estimate::new(share * ramp.span_mm, 0.0), None, None, 0.05, setup).0;
    let focuses = shares.map(at);
    let gap = |i: usize| focuses[i].spacer_mm.map(|gap| gap.value);
    let gaps_mm = gap(0).zip(gap(1)).zip(gap(2)).map(|((low, middle), high)| [low, middle, high]);
    let heights = |i: usize| focuses[i].height_mm.map(|height| height.value);
    let strip_mm = match (heights(0), heights(1), heights(2)) {
        (Some(low), Some(middle), Some(high)) => [0.0, middle - low, high - low],
        _ => [0.0, ramp.rise.value / 2.0, ramp.rise.value],
    };
    let block = match &setup.head {
        Head { place: Some(HeadPlace::Block { block, block_at, .. }), .. } => Some([block_at.value, block.value]),
        _ => None,
    };
    let in_use = setup.head.spacer_in_use_mm;
    let spacer_in_use_at_mm = gaps_mm.zip(in_use).and_then(|([low, _, high], in_use)| {
        let share = (low - in_use) / (low - high);
        (0.0..=1.0).contains(&share).then_some(share * ramp.travel_mm)
    });
    SideView {
        travel_mm: ramp.travel_mm,
        rise_mm: ramp.rise.value,
        rise_expanded_mm: ramp.rise.expanded(),
        span_mm: ramp.span_mm,
        incline_deg: ramp.rise.value.atan2(ramp.travel_mm).to_degrees(),
        strip_mm,
        gaps_mm,
        block,
        spacer_in_use_mm: in_use,
        spacer_in_use_at_mm,
    }
}

#[derive(Debug, Deserialize)]
pub(super) struct FileText {
    text: String,
}

#[derive(Debug, Serialize)]
pub(super) struct FileFields {
    pub(super) fields: Fields,
}

/// `POST /api/setup/fields`: a setup file's text becomes the form's fields.
pub(super) async fn from_file(Json(file): Json<FileText>) -> Result<Json<FileFields>, Failure> {
    let text = file.text.strip_prefix('\u{feff}').unwrap_or(&file.text);
    fields_of(text).map(|fields| Json(FileFields { fields }))
}

/// The fields of a setup file, each as it would be typed.
pub(super) fn fields_of(text: &str) -> Result<Fields, Failure> {
    // The library's reader judges it first: its errors name the line.
    RawSetup::from_toml(text, None).map_err(|error| {
        let field = error.field().map(Field::name);
        Failure::about(Told { code: "setup", field, error: error.to_string(), hint: error.hint() })
    })?;
    let table: toml::Table = toml::from_str(text).map_err(|_| Failure::own_fault("the setup"))?;
    let sections = table.values().filter_map(toml::Value::as_table);
    Ok(sections.flatten().map(|(name, value)| (name.clone(), typed(value))).collect())
}

fn typed(value: &toml::Value) -> String {
    match value {
        toml::Value::String(text) => text.clone(),
        toml::Value::Array(items) => items.iter().map(typed).collect::<Vec<_>>().join(","),
        other => other.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::setup::parse_toml;

    #[test]
    fn a_file_and_its_fields_are_one_setup() {
        for text in [
            include_str!("../../fixtures/north-scan.toml"),
            include_str!("../../fixtures/north-photo.toml"),
            include_str!("../../fixtures/south-scan.toml"),
            "[ramp]\ntravel_mm = \"9 cm\"\nrise_mm = 12\n[picture]\ndatum = \"points\"\npoints_px = [[1.5, 2], [3, 4.25]]\narea_px = [1, 2, 3, 4]\n",
        ] {
            let fields = fields_of(text).unwrap();
            assert_eq!(setup(&fields).unwrap(), parse_toml(text, None).unwrap(), "{fields:?}");
        }
    }

    #[test]
    fn the_side_view_repeats_what_was_measured() {
        let setup = parse_toml(include_str!("../../fixtures/north-scan.toml"), None).unwrap();
        let side = side(&setup);
        let [low, middle, high] = side.gaps_mm.unwrap();
        assert!((low - 14.0).abs() < 1e-9 && (middle - 8.0).abs() < 1e-9 && (high - 2.0).abs() < 1e-9);
        assert!((side.rise_mm - 12.0).abs() < 1e-9 && (side.spacer_in_use_at_mm.unwrap() - 45.0).abs() < 1e-9);
    }

    #[test]
    fn no_path_is_taken() {
        let fields = Fields::from([
            ("travel_mm".to_owned(), "90".to_owned()),
            ("ramp_file".to_owned(), "/etc/passwd".to_owned()),
        ]);
        let problem = setup(&fields).unwrap_err();
        assert!(!problem.is_missing && problem.told.field == Some("ramp_file"));
        assert!(fields_of("[ramp]\ntravel_mm = 7,5\n").is_err());
    }
}
