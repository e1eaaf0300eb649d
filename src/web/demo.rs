//! The demo strip that comes with the program: an invented shop's machine "north".

use std::sync::Arc;

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::App;
use super::failure::Failure;
use super::setups::{Fields, fields_of};
use super::upload::add_own;

const PICTURE: &[u8] = include_bytes!("../../fixtures/north-scan.jpg");
const SETUP: &str = include_str!("../../fixtures/north-scan.toml");

#[derive(Debug, Serialize)]
pub(super) struct Demo {
    id: String,
    name: &'static str,
    picture: &'static str,
    fields: Fields,
}

/// `POST /api/demo`: puts the demo strip among the pictures and gives the lengths that belong to it.
pub(super) async fn demo(State(app): State<Arc<App>>) -> Result<Json<Demo>, Failure> {
    let fields = fields_of(SETUP)?;
    let name = "demo strip of machine north";
    Ok(Json(Demo { id: add_own(&app, name, PICTURE), name, picture: "/demo/strip.jpg", fields }))
}

/// `GET /demo/strip.jpg`.
pub(super) async fn picture() -> Response {
    ([(header::CONTENT_TYPE, HeaderValue::from_static("image/jpeg"))], PICTURE).into_response()
}
