//! The stack from the shop's stock, and the settings for its work.

use std::collections::BTreeMap;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::App;
use super::failure::{Failure, Told};
use super::logbooks::download;
use super::readings::in_turn;
use crate::estimate::Estimate;
use crate::reading::DepthOfFocus;
use crate::report::rounding::{Units, length};
use crate::report::spacer_drawings::{self, Label};
use crate::report::{spacer_json, spacer_text, stroke_svg};
use crate::setup::parse_length_mm;
use crate::spacer::{
    Answer, AnswerOptions, DEFAULT_THICKNESS_U_MM, Found, SettingOptions, Slack, SpacerError, StackOptions, StepGauge,
    StepGaugeOptions, Stock, USUAL_THICKNESSES_MM, Wanted, Work, answer,
};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct StackRequest {
    /// The block that is wanted, as typed.
    spacer: String,
    /// Its standard uncertainty, in mm.
    #[serde(default)]
    spacer_u_mm: f64,
    /// How far lower and higher the line stays fine, and how much wider it is there.
    #[serde(default)]
    slack: Option<SlackSaid>,
    /// A list such as `3.0, 4.1, 0.5x4`, or a stock file's text.
    stock: String,
    #[serde(default = "three")]
    pieces: usize,
    /// How far below the surface the focus lies for a cut, as a fraction of the thickness.
    #[serde(default)]
    sunk_fraction: Option<f64>,
}

#[derive(Debug, Deserialize)]
struct SlackSaid {
    fraction: f64,
    below: f64,
    above: f64,
}

const fn three() -> usize {
    3
}

/// What the page calls the command's flags.
const WORDS: [(&str, &str); 14] = [
    ("--spacer-mm", "the block"),
    ("--stock", "the stock"),
    ("--pieces", "the number of pieces"),
    ("--sunk-fraction", "the sunk share"),
    ("--measured-mm", "the block as measured"),
    ("--label-width-mm", "the length of the side"),
    ("--label-height-mm", "the height of the side"),
    ("--machine", "the machine"),
    ("--lens", "the lens"),
    ("--gauged-from", "gauged from"),
    ("--steps", "the number of steps"),
    ("--step-mm", "from step to step"),
    ("--tread-mm", "the length of a step"),
    ("--kerf", "the width of the cut"),
];

fn in_page_words(text: &str) -> String {
    WORDS.iter().fold(text.to_owned(), |text, (flag, words)| text.replace(flag, words))
}

impl From<SpacerError> for Failure {
    fn from(error: SpacerError) -> Self {
        let hint = match &error {
            SpacerError::ShareOutOfRange { least, most, .. } => format!("give a number from {least} to {most}"),
            other => other.hint(),
        };
        Self::request("stack", in_page_words(&error.to_string()), in_page_words(&hint))
    }
}

#[derive(Serialize)]
struct StackPage {
    stacks: Vec<StackView>,
    settings: Vec<SettingView>,
    cautions: Vec<[String; 2]>,
    swelling: &'static str,
}

#[derive(Serialize)]
struct StackView {
    pieces: String,
    total: String,
    off: String,
    slack: &'static str,
    wider: Option<String>,
}

#[derive(Serialize)]
struct SettingView {
    work: String,
    gap: Option<String>,
    stack: Option<String>,
    is_small: bool,
}

/// `POST /api/stack`.
pub(super) async fn stack(State(app): State<Arc<App>>, Json(request): Json<StackRequest>) -> Result<Response, Failure> {
    let body = in_turn(&app, "the stack", move || {
        let answer = answered(&request)?;
        let page = serde_json::to_string(&page(&answer)).map_err(|_| Failure::own_fault("the stack"))?;
        Ok(format!("{{\"spacer\":{},\"page\":{page}}}", spacer_json::answer(&answer, "the page", None)))
    })
    .await?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], body).into_response())
}

fn answered(request: &StackRequest) -> Result<Answer, Failure> {
    let spacer = parse_length_mm(&request.spacer)
        .map_err(|error| Failure::request("stack", format!("the block: {error}"), "write 8.45 or \"0.333 in\""))?;
    let mut wanted = Wanted::typed(Estimate::new(spacer, request.spacer_u_mm))?;
    if let Some(slack) = &request.slack {
        let slack = DepthOfFocus { fraction: slack.fraction, below_mm: slack.below, above_mm: slack.above };
        wanted = wanted.with_slack(slack)?;
    }
    let is_file = request.stock.contains("[[") || request.stock.contains('=');
    let stock = if is_file {
        Stock::from_toml(&request.stock, DEFAULT_THICKNESS_U_MM)?
    } else {
        Stock::from_list(&request.stock.replace(['\n', ';'], ","), DEFAULT_THICKNESS_U_MM)?
    };
    let setting =
        request.sunk_fraction.map_or_else(SettingOptions::default, |sunk_fraction| SettingOptions { sunk_fraction });
    let options = AnswerOptions {
        stack: StackOptions { pieces: request.pieces, ..StackOptions::default() },
        setting,
        thicknesses_mm: USUAL_THICKNESSES_MM.to_vec(),
    };
    Ok(answer(wanted, Some(&stock), options)?)
}

fn page(answer: &Answer) -> StackPage {
    let units = Units::Millimetres;
    let settings = answer.settings.iter().map(|(setting, found)| SettingView {
        work: match setting.work {
            Work::Engrave => "engrave".to_owned(),
            Work::Cut { thickness_mm } => format!("cut {} mm", thickness_mm),
        },
        gap: setting.usable().ok().map(|setting| length(&setting.gap, units)),
        stack: found.as_ref().map(|found| spacer_text::pieces(&found.stack, units)),
        is_small: setting.is_small(),
    });
    // Words of the command line's flags have no place here.
    let on_page = |text: String| text.replace(" with --sunk-fraction", "");
    let cautions = answer.cautions.iter().map(|caution| {
        let (message, advice) = spacer_text::caution_words(caution, units);
        [on_page(message), on_page(advice)]
    });
    StackPage {
        stacks: answer.stacks.iter().map(stack_view).collect(),
        settings: settings.collect(),
        cautions: cautions.collect(),
        swelling: spacer_text::SWELLING,
    }
}

fn stack_view(found: &Found) -> StackView {
    let units = Units::Millimetres;
    let off = found.miss.off;
    let by = format!("{:.2} mm", off.value.abs());
    StackView {
        pieces: spacer_text::pieces(&found.stack, units),
        total: length(&found.stack.total, units),
        off: match off.value {
            off if off.abs() < 0.005 => "as wanted".to_owned(),
            off if off > 0.0 => format!("{by} thicker than wanted"),
            _ => format!("{by} thinner than wanted"),
        },
        slack: match found.miss.slack {
            Some(Slack::Inside) => "inside the height slack",
            Some(Slack::Barely) => "inside the height slack, but by less than its give or take",
            Some(Slack::Outside) => "outside the height slack",
            None => "height slack not known",
        },
        wider: found.miss.wider.map(|wider| match 100.0 * wider {
            percent if percent < 0.5 => "as fine".to_owned(),
            percent => format!("{percent:.0} % wider line"),
        }),
    }
}

/// Fields as typed, by the names of the command's flags with underscores.
type Fields = BTreeMap<String, String>;

/// Most letters of a word on a label.
const MOST_LETTERS: usize = 60;

/// `GET /api/stack/{file}?…`: the artwork that the command draws.
pub(super) async fn artwork(
    State(app): State<Arc<App>>,
    Path(name): Path<String>,
    Query(fields): Query<Fields>,
) -> Result<Response, Failure> {
    in_turn(&app, "the drawing", move || {
        let (file, drawing) = match name.as_str() {
            "label.svg" => ("label.svg", label(&fields)?),
            "step-gauge.svg" => ("step-gauge.svg", step_gauge(&fields)?),
            _ => {
                return Err(Failure::new(
                    StatusCode::NOT_FOUND,
                    "nothing_there",
                    "a stack has no file of this name",
                    "go back to the page and choose from there",
                ));
            }
        };
        Ok(download("image/svg+xml", file, stroke_svg::svg(&drawing)))
    })
    .await
}

fn label(fields: &Fields) -> Result<stroke_svg::Drawing, Failure> {
    let thickness_mm = needed(fields, "measured_mm")?;
    let width_mm = size(fields, "label_width_mm")?.unwrap_or(40.0);
    let height_mm = size(fields, "label_height_mm")?.unwrap_or(thickness_mm);
    let text =
        |name, usual: &str| -> String { word(fields, name).unwrap_or(usual).chars().take(MOST_LETTERS).collect() };
    let date = match word(fields, "when") {
        None => jiff::ZonedDateTime::now().date(),
        Some(when) => when.parse().map_err(|_| wrong("when", "the date is no date", "write it such as 2026-03-01"))?,
    };
    let words = Label {
        thickness_mm,
        machine: text("machine", ""),
        lens: text("lens", ""),
        gauged_from: text("gauged_from", "nozzle tip"),
        date: date.to_string(),
    };
    Ok(spacer_drawings::label(&words, width_mm, height_mm)?)
}

fn step_gauge(fields: &Fields) -> Result<stroke_svg::Drawing, Failure> {
    let u_mm = typed(fields, "spacer_u_mm")?.unwrap_or(0.0);
    let wanted = Wanted::typed(Estimate::new(needed(fields, "spacer_mm")?, u_mm))?;
    let usual = StepGaugeOptions::default();
    let steps = word(fields, "steps").map_or(Ok(usual.steps), |text| {
        text.parse().map_err(|_| wrong("steps", "the number of steps is no whole number", "give one from 3 to 25"))
    })?;
    let options = StepGaugeOptions {
        steps,
        step_mm: typed(fields, "step_mm")?,
        tread_mm: typed(fields, "tread_mm")?.unwrap_or(usual.tread_mm),
        kerf_mm: typed(fields, "kerf_mm")?.unwrap_or(usual.kerf_mm),
    };
    Ok(spacer_drawings::step_gauge(&StepGauge::new(&wanted, &options)?))
}

fn wrong(field: &'static str, error: impl Into<String>, hint: impl Into<String>) -> Failure {
    Failure::about(Told { code: "stack", field: Some(field), error: error.into(), hint: hint.into() })
}

/// As typed; `None` where nothing was.
fn word<'a>(fields: &'a Fields, name: &str) -> Option<&'a str> {
    fields.get(name).map(|text| text.trim()).filter(|text| !text.is_empty())
}

fn called(name: &str) -> String {
    in_page_words(&format!("--{}", name.replace('_', "-")))
}

fn typed(fields: &Fields, name: &'static str) -> Result<Option<f64>, Failure> {
    let Some(text) = word(fields, name) else { return Ok(None) };
    let read = parse_length_mm(text);
    read.map(Some).map_err(|error| wrong(name, format!("{}: {error}", called(name)), "write 8.45 or \"0.333 in\""))
}

/// A length that something can have.
fn size(fields: &Fields, name: &'static str) -> Result<Option<f64>, Failure> {
    match typed(fields, name)? {
        Some(mm) if !(mm > 0.0 && mm <= 1000.0) => Err(wrong(
            name,
            format!("{} is {mm}, and it has to be above 0 and at most 1000 mm", called(name)),
            "give a length in millimetres, such as 40",
        )),
        mm => Ok(mm),
    }
}

fn needed(fields: &Fields, name: &'static str) -> Result<f64, Failure> {
    size(fields, name)?.ok_or_else(|| wrong(name, format!("{} is still missing", called(name)), "fill it in"))
}
