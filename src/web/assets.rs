//! The files of `assets/`, built into the program: nothing is fetched from anywhere.

use axum::extract::Path;
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse, Response};

use super::failure::Failure;

pub(super) const FRAME: &str = include_str!("assets/frame.html");
pub(super) const PARTS: &str = include_str!("assets/parts.html");
pub(super) const READ: &str = include_str!("assets/read.html");
pub(super) const STACK: &str = include_str!("assets/stack.html");
pub(super) const LOGBOOK: &str = include_str!("assets/logbook.html");
pub(super) const DRIFT: &str = include_str!("assets/drift.html");
pub(super) const PLAN: &str = include_str!("assets/plan.html");
pub(super) const PAIR: &str = include_str!("assets/pair.html");

macro_rules! files {
    ($($name:literal: $kind:literal),+ $(,)?) => {
        const FILES: &[(&str, &str, &str)] = &[$(($name, $kind, include_str!(concat!("assets/", $name))),)+];
    };
}

files! {
    "page.css": "text/css; charset=utf-8",
    "icon.svg": "image/svg+xml",
    "ask.js": "text/javascript; charset=utf-8",
    "build.js": "text/javascript; charset=utf-8",
    "chart.js": "text/javascript; charset=utf-8",
    "drift.js": "text/javascript; charset=utf-8",
    "keep.js": "text/javascript; charset=utf-8",
    "logbook.js": "text/javascript; charset=utf-8",
    "stack.js": "text/javascript; charset=utf-8",
    "form.js": "text/javascript; charset=utf-8",
    "pair.js": "text/javascript; charset=utf-8",
    "phone.js": "text/javascript; charset=utf-8",
    "photograph.js": "text/javascript; charset=utf-8",
    "plan.js": "text/javascript; charset=utf-8",
    "read.js": "text/javascript; charset=utf-8",
    "side.js": "text/javascript; charset=utf-8",
}

/// `GET /assets/{name}`: one of the files above; no file of the disk is opened.
pub(super) async fn asset(Path(name): Path<String>) -> Result<Response, Failure> {
    let found = FILES.iter().find(|(file, ..)| *file == name);
    let (_, kind, text) = found.ok_or_else(|| {
        Failure::new(axum::http::StatusCode::NOT_FOUND, "no_such_page", "there is no such file here", "reload the page")
    })?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static(kind))], *text).into_response())
}
