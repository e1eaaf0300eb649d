//! The stack from the shop's stock, and the settings for its work.

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::App;
use super::failure::Failure;
use super::readings::in_turn;
use crate::estimate::Estimate;
use crate::reading::DepthOfFocus;
use crate::report::rounding::{Units, length};
use crate::report::{spacer_json, spacer_text};
use crate::setup::parse_length_mm;
use crate::spacer::{
    Answer, AnswerOptions, DEFAULT_THICKNESS_U_MM, Found, SettingOptions, Slack, SpacerError, StackOptions, Stock,
    USUAL_THICKNESSES_MM, Wanted, Work, answer,
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

impl From<SpacerError> for Failure {
    fn from(error: SpacerError) -> Self {
        let on_page = |text: String| {
            text.replace("--spacer-mm", "the block")
                .replace("--stock", "the stock")
                .replace("--pieces", "the number of pieces")
                .replace("--sunk-fraction", "the sunk share")
        };
        Self::request("stack", on_page(error.to_string()), on_page(error.hint().to_string()))
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
        wider: found.miss.wider.map(|wider| format!("{:.0} % wider line", 100.0 * wider)),
    }
}
