//! The plan on the page: what to set, and what to burn, print and keep of it as files.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::App;
use super::failure::{Failure, Told};
use super::logbooks::download;
use super::readings::in_turn;
use crate::plan::artwork::artwork;
use crate::plan::cradle::{CutFrom, cradle};
use crate::plan::{
    Gauge, Plan, PlanError, PlanRequest, PlannedDatum, PlannedPicture, PlannedSteepness, plan, setup_file,
};
use crate::report::plan::{json, sheet, side_view, text};
use crate::report::rounding::Units;
use crate::report::text::Block;
use crate::setup::parse_length_mm;

/// Fields as typed, by the names of the command's flags with underscores. They come with the address, so that every file
/// of a plan has one and nothing is remembered between requests.
type Fields = BTreeMap<String, String>;

/// What the page calls them.
const WORDS: [(&str, &str); 15] = [
    ("nominal_focal_length_mm", "focal length on the lens"),
    ("spacer_in_use_mm", "block in use today"),
    ("search_mm", "how far off it may be"),
    ("beam_diameter_mm", "width of the beam at the lens"),
    ("beam_quality", "beam quality M²"),
    ("tip_diameter_mm", "width of the nozzle’s tip"),
    ("below_nozzle_mm", "what hangs below the nozzle"),
    ("strip_length_mm", "strip length"),
    ("strip_width_mm", "strip width"),
    ("strip_thickness_mm", "strip thickness"),
    ("prop_mm", "block under the strip"),
    ("dpi", "resolution of the scan"),
    ("photo_px", "pixels along the strip"),
    ("sheet_thickness_mm", "thickness of the sheet"),
    ("kerf_mm", "width of the cut"),
];

#[derive(Serialize)]
struct Page {
    told: Vec<Block>,
}

/// `GET /api/plan?…`.
pub(super) async fn plan_page(State(app): State<Arc<App>>, Query(fields): Query<Fields>) -> Result<Response, Failure> {
    let body = in_turn(&app, "the plan", move || {
        let plan = planned(&fields)?;
        let page = Page { told: text::blocks(&plan, Units::Millimetres) };
        let page = serde_json::to_string(&page).map_err(|_| Failure::own_fault("the plan"))?;
        Ok(format!("{{\"plan\":{},\"page\":{page}}}", json::plan(&plan)))
    })
    .await?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], body).into_response())
}

/// `GET /api/plan/{file}?…`: one of the files that the command writes.
pub(super) async fn file(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    Query(fields): Query<Fields>,
) -> Result<Response, Failure> {
    in_turn(&app, "the file", move || made(&name, &fields)).await
}

fn made(name: &str, fields: &Fields) -> Result<Response, Failure> {
    let plan = planned(fields)?;
    let units = Units::Millimetres;
    const SVG: &str = "image/svg+xml";
    const DXF: &str = "image/vnd.dxf";
    let strokes = || artwork(&plan).map_err(failure);
    let ramp = || {
        let from = CutFrom {
            sheet_thickness_mm: length(fields, "sheet_thickness_mm")?.unwrap_or(3.0),
            kerf_mm: length(fields, "kerf_mm")?.unwrap_or(0.0),
        };
        cradle(&plan, from).map_err(failure)
    };
    Ok(match name {
        "side.svg" => {
            let svg = side_view::svg(&plan, units);
            ([(header::CONTENT_TYPE, HeaderValue::from_static(SVG))], svg).into_response()
        }
        "line.svg" => download(SVG, "line.svg", strokes()?.line.svg()),
        "marks.svg" => download(SVG, "marks.svg", strokes()?.marks.svg()),
        "note.svg" => download(SVG, "note.svg", strokes()?.note.svg()),
        "line.dxf" => download(DXF, "line.dxf", strokes()?.line.dxf()),
        "marks.dxf" => download(DXF, "marks.dxf", strokes()?.marks.dxf()),
        "note.dxf" => download(DXF, "note.dxf", strokes()?.note.dxf()),
        "contours.svg" => download(SVG, "contours.svg", ramp()?.cut.svg()),
        "letters.svg" => download(SVG, "letters.svg", ramp()?.engrave.svg()),
        "ramp.toml" => download("application/toml", "ramp.toml", ramp()?.ramp_file),
        "setup.toml" => download("application/toml", "setup.toml", setup_file::text(&plan.request, &plan.ramp, false)),
        "sheet.html" => download("text/html; charset=utf-8", "sheet.html", sheet::sheet(&plan, units)),
        _ => {
            return Err(Failure::new(
                StatusCode::NOT_FOUND,
                "nothing_there",
                "a plan has no file of this name",
                "go back to the page and choose from there",
            ));
        }
    })
}

fn failure(error: PlanError) -> Failure {
    let field = match &error {
        PlanError::OutOfRange { field, .. } => WORDS.iter().find(|(name, _)| name == field).map(|(name, _)| *name),
        _ => None,
    };
    Failure::about(Told {
        code: "plan",
        field,
        error: in_page_words(&error.to_string()),
        hint: in_page_words(&error.hint().to_string()),
    })
}

fn in_page_words(text: &str) -> String {
    WORDS.iter().fold(text.to_owned(), |text, (name, words)| {
        let flag = format!("--{}", name.replace('_', "-"));
        text.replace(&flag, &format!("“{words}”")).replace(name, &format!("“{words}”"))
    })
}

fn planned(fields: &Fields) -> Result<Plan, Failure> {
    plan(&request(fields)?).map_err(failure)
}

/// A length as typed; `None` where nothing was.
fn length(fields: &Fields, name: &'static str) -> Result<Option<f64>, Failure> {
    let Some(text) = fields.get(name).map(|text| text.trim()).filter(|text| !text.is_empty()) else { return Ok(None) };
    parse_length_mm(text).map(Some).map_err(|error| {
        let words = WORDS.iter().find(|(known, _)| *known == name).map_or(name, |(_, words)| words);
        Failure::about(Told {
            code: "plan",
            field: Some(name),
            error: format!("“{words}”: {error}"),
            hint: "write 50.8 or \"2 in\"".to_owned(),
        })
    })
}

fn request(fields: &Fields) -> Result<PlanRequest, Failure> {
    let needed = |name| {
        length(fields, name)?.ok_or_else(|| {
            let words = WORDS.iter().find(|(known, _)| *known == name).map_or(name, |(_, words)| words);
            Failure::about(Told {
                code: "plan",
                field: Some(name),
                error: format!("“{words}” is still missing"),
                hint: "fill it in".to_owned(),
            })
        })
    };
    let usual = PlanRequest::new(needed("nominal_focal_length_mm")?, needed("spacer_in_use_mm")?);
    let or = |name, usual| Ok::<f64, Failure>(length(fields, name)?.unwrap_or(usual));
    let word = |name: &str| fields.get(name).map(|text| text.trim()).filter(|text| !text.is_empty());
    let picture = match word("picture") {
        Some("photo") => PlannedPicture::Photo { pixels: or("photo_px", 3500.0)? },
        _ => PlannedPicture::Scan { dpi: or("dpi", PlanRequest::SCAN_DPI)? },
    };
    let datum = match (word("datum"), &picture) {
        (Some("ends"), _) => PlannedDatum::Ends,
        (Some("marks"), _) | (None, PlannedPicture::Photo { .. }) => PlannedDatum::Marks,
        _ => PlannedDatum::Ends,
    };
    let measured_with = match word("measured_with") {
        Some("rule") => Gauge::Rule,
        Some("blocks") => Gauge::Blocks,
        _ => Gauge::Caliper,
    };
    let mut optics = usual.optics;
    optics.beam_diameter_mm = or("beam_diameter_mm", optics.beam_diameter_mm)?;
    optics.beam_quality = or("beam_quality", optics.beam_quality)?;
    let text = |name: &str| word(name).map(|text| text.chars().take(60).collect::<String>());
    Ok(PlanRequest {
        search_mm: or("search_mm", usual.search_mm)?,
        tip_diameter_mm: or("tip_diameter_mm", usual.tip_diameter_mm)?,
        below_nozzle_mm: or("below_nozzle_mm", usual.below_nozzle_mm)?,
        strip_length_mm: or("strip_length_mm", usual.strip_length_mm)?,
        strip_width_mm: or("strip_width_mm", usual.strip_width_mm)?,
        strip_thickness_mm: or("strip_thickness_mm", usual.strip_thickness_mm)?,
        steepness: PlannedSteepness::Prop { thickness_mm: length(fields, "prop_mm")? },
        picture,
        datum,
        measured_with,
        optics,
        name: text("name"),
        date: Some(text("date").unwrap_or_else(|| jiff::ZonedDateTime::now().date().to_string())),
        material: text("material"),
        ..usual
    })
}
