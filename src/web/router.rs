//! What is answered where.

use std::sync::Arc;

use axum::Router;
use axum::extract::{DefaultBodyLimit, Request};
use axum::http::StatusCode;
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};

use super::failure::Failure;
use super::{App, assets, demo, drifts, guard, logbooks, plans, readings, setups, stacks, upload, views};

/// Largest request but for pictures, in bytes.
const MOST_JSON: usize = 64 << 10;

/// The whole page, without a socket: tests call it directly. Requests carry their [`super::Peer`] as an extension.
pub fn router(app: Arc<App>) -> Router {
    let api = Router::new()
        .route("/", get(views::about))
        .route("/demo", post(demo::demo))
        .route("/pair", post(views::pair_device))
        .route("/pairing", get(views::pairing))
        .route("/pairing/qr.svg", get(views::pairing_qr))
        .route("/setup/check", post(setups::check))
        .route("/setup/fields", post(setups::from_file))
        .route("/pictures/{id}", get(readings::state).delete(readings::remove))
        .route("/pictures/{id}/read", post(readings::read_picture))
        .route("/pictures/{id}/view", get(readings::view))
        .route("/pictures/{id}/keep", post(logbooks::keep))
        .route("/pictures/{id}/{file}", get(readings::result))
        .route("/stack", post(stacks::stack))
        .route("/stack/{file}", get(stacks::artwork))
        .route("/logbook", get(logbooks::list))
        .route("/logbook/export", get(logbooks::export))
        .route("/logbook/events", post(logbooks::event))
        .route("/logbook/machines", post(logbooks::machine))
        .route("/logbook/machines/{name}/fields", get(logbooks::fields))
        .route("/logbook/records/{id}", get(logbooks::record))
        .route("/logbook/records/{id}/overlay.jpg", get(logbooks::overlay_jpeg))
        .route("/logbook/records/{id}/correct", post(logbooks::correct))
        .route("/logbook/records/{id}/withdraw", post(logbooks::withdraw))
        .route("/plan", get(plans::plan_page))
        .route("/plan/{file}", get(plans::file))
        .route("/drift", get(drifts::verdict))
        .route("/drift/chart.svg", get(drifts::chart_svg))
        .route("/drift/report.html", get(drifts::report))
        .layer(DefaultBodyLimit::max(MOST_JSON))
        // Pictures have a limit, room and patience of their own.
        .route("/pictures", get(readings::list).post(upload::upload))
        .method_not_allowed_fallback(wrong_method)
        .layer(middleware::from_fn(in_sentences));
    Router::new()
        .route("/", get(views::read))
        .route("/stack", get(views::stack))
        .route("/logbook", get(views::logbook))
        .route("/drift", get(views::drift))
        .route("/plan", get(views::plan))
        .route("/pair", get(views::pair))
        .route("/demo/strip.jpg", get(demo::picture))
        .route("/assets/{name}", get(assets::asset))
        .nest("/api", api)
        .fallback(views::nothing_here)
        .layer(middleware::from_fn_with_state(Arc::clone(&app), guard::guard))
        .with_state(app)
}

async fn wrong_method() -> Failure {
    Failure::new(
        StatusCode::METHOD_NOT_ALLOWED,
        "wrong_method",
        "this address takes no request of this kind",
        "see docs/page.md for what each address takes",
    )
}

/// The framework answers what it cannot take apart with a bare status and a technical line; here it becomes sentences.
async fn in_sentences(request: Request, next: Next) -> Response {
    let response = next.run(request).await;
    let status = response.status();
    let is_ours = response.headers().get("content-type").is_some_and(|kind| kind == "application/json");
    if is_ours || !(status.is_client_error() || status.is_server_error()) {
        return response;
    }
    let (error, hint) = match status.as_u16() {
        413 => ("the request is too large", "send fewer or shorter fields"),
        415 => ("the request does not say that it is JSON", "send it with Content-Type: application/json"),
        422 => (
            "the request lacks something, or holds something that does not belong there",
            "see docs/page.md for what it takes",
        ),
        _ => ("the request could not be understood", "see docs/page.md for what it takes"),
    };
    // A well-formed request of the wrong shape is a wrong request like any other.
    let status = if status == StatusCode::UNPROCESSABLE_ENTITY { StatusCode::BAD_REQUEST } else { status };
    Failure::new(status, "not_understood", error, hint).into_response()
}
