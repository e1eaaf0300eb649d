//! The drift on the page: verdict, chart, what to check first.

use std::sync::Arc;

use axum::extract::{Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use super::App;
use super::failure::Failure;
use super::logbooks::{Everything, download, everything};
use super::readings::in_turn;
use crate::drift::{Drift, Question, drift};
use crate::logbook::{fitting, lens_in};
use crate::report::drift::{chart, json, page};

#[derive(Debug, Clone, Deserialize)]
pub(super) struct Asked {
    machine: String,
    #[serde(default)]
    lens: String,
    #[serde(default)]
    axis: String,
    /// All readings as one series.
    #[serde(default)]
    all: bool,
}

/// `GET /api/drift?machine=…&lens=…&axis=…&all=…`: the command line's JSON.
pub(super) async fn verdict(State(app): State<Arc<App>>, Query(asked): Query<Asked>) -> Result<Response, Failure> {
    let drift = judged(&app, asked).await?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("application/json"))], json::drift(&drift)).into_response())
}

/// `GET /api/drift/chart.svg?…`.
pub(super) async fn chart_svg(State(app): State<Arc<App>>, Query(asked): Query<Asked>) -> Result<Response, Failure> {
    let drift = judged(&app, asked).await?;
    let svg = in_turn(&app, "the chart", move || Ok(chart::draw_svg(&drift))).await?.ok_or_else(|| {
        Failure::new(StatusCode::NOT_FOUND, "nothing_there", "there is no reading to draw", "keep a first reading")
    })?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml"))], svg).into_response())
}

/// `GET /api/drift/report.html?…`: one file to save, print or send.
pub(super) async fn report(State(app): State<Arc<App>>, Query(asked): Query<Asked>) -> Result<Response, Failure> {
    let drift = judged(&app, asked).await?;
    let html = in_turn(&app, "the report", move || Ok(page::page(&drift))).await?;
    Ok(download("text/html; charset=utf-8", "drift.html", html))
}

async fn judged(app: &App, asked: Asked) -> Result<Drift, Failure> {
    let all = everything(app, asked.machine.clone()).await?;
    in_turn(app, "the verdict", move || Ok(judge(&all, &asked))).await
}

fn judge(all: &Everything, asked: &Asked) -> Drift {
    let said = |text: &str| Some(text.trim().to_owned()).filter(|text| !text.is_empty());
    let mut question = Question {
        machine: all.machine.name.clone(),
        lens: said(&asked.lens),
        axis: said(&asked.axis),
        over_all: asked.all,
        since: None,
        spacer_in_use_mm: None,
    };
    // The lens that is looked at decides which block counts; where none was named the newest reading names it.
    let lens = question
        .lens
        .clone()
        .or_else(|| drift(&all.entries, &[], &question).readings.lens)
        .or_else(|| lens_in(&all.machine, &all.events, jiff::Timestamp::now()));
    let lens = all.lenses.iter().find(|known| Some(&known.name) == lens.as_ref());
    question.spacer_in_use_mm = fitting(&all.machine, lens).spacer_in_use_mm;
    drift(&all.entries, &all.events, &question)
}
