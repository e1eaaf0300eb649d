//! What went wrong with a request, as two sentences: what, and what to do about it.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use crate::photo::DecodeError;
use crate::reading::RequestError;

/// A request that is not served.
#[derive(Debug, Clone)]
pub(super) struct Failure {
    status: StatusCode,
    told: Told,
}

/// The sentences, and a word for programs.
#[derive(Debug, Clone, Serialize)]
pub(super) struct Told {
    pub(super) code: &'static str,
    /// Name of the setup's field it is about.
    pub(super) field: Option<&'static str>,
    pub(super) error: String,
    pub(super) hint: String,
}

#[derive(Serialize)]
struct Body {
    error: Told,
}

impl Failure {
    pub(super) fn new(
        status: StatusCode,
        code: &'static str,
        error: impl Into<String>,
        hint: impl Into<String>,
    ) -> Self {
        Self { status, told: Told { code, field: None, error: error.into(), hint: hint.into() } }
    }

    pub(super) fn request(code: &'static str, error: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, code, error, hint)
    }

    pub(super) fn about(told: Told) -> Self {
        Self { status: StatusCode::BAD_REQUEST, told }
    }

    pub(super) fn busy() -> Self {
        Self::new(
            StatusCode::SERVICE_UNAVAILABLE,
            "busy",
            "too many pictures are waiting at once",
            "wait a moment and try again",
        )
    }

    /// A fault on this side: the request may be right.
    pub(super) fn own_fault(what: &str) -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "own_fault",
            format!("{what} could not be made: a fault of this program, not of yours"),
            "keep the picture and the lengths and report them, so that this can be put right",
        )
    }

    /// Nobody waits for it any more, or its picture was taken away; whoever still hears this did the latter.
    pub(super) fn cancelled() -> Self {
        Self::new(
            StatusCode::CONFLICT,
            "cancelled",
            "the picture was taken away while it was read",
            "choose the picture again",
        )
    }

    pub(super) fn gone() -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            "picture_gone",
            "this picture is no longer in memory",
            "choose the picture again",
        )
    }

    pub(super) const fn status(&self) -> StatusCode {
        self.status
    }

    pub(super) const fn told(&self) -> &Told {
        &self.told
    }
}

impl From<&DecodeError> for Told {
    fn from(error: &DecodeError) -> Self {
        let hint = match error {
            // The program's flag is no help on a page.
            DecodeError::TooManyPixels { .. } => "crop the picture to the strip, or scan it at a lower resolution",
            DecodeError::Text => "choose the picture itself; a file called .png or .jpg can still hold something else",
            other => other.hint(),
        };
        Self { code: "picture_unreadable", field: None, error: error.to_string(), hint: hint.to_owned() }
    }
}

impl From<RequestError> for Failure {
    fn from(error: RequestError) -> Self {
        let (field, message) = match &error {
            RequestError::Stopped => return Self::cancelled(),
            RequestError::PointOutside { .. } => ("points_px", "a point lies outside the picture"),
            RequestError::AreaOutside { .. } => ("area_px", "the area reaches outside the picture"),
        };
        Self::about(Told {
            code: "outside_picture",
            field: Some(field),
            error: message.to_owned(),
            hint: "move it onto the picture".to_owned(),
        })
    }
}

impl IntoResponse for Failure {
    fn into_response(self) -> Response {
        let status = self.status;
        let mut response = (status, Json(Body { error: self.told })).into_response();
        if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert("retry-after", axum::http::HeaderValue::from_static("5"));
        }
        response
    }
}
