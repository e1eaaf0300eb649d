//! The pages themselves: one frame, filled with files of `assets/`.

use std::sync::Arc;

use axum::Json;
use axum::extract::{Extension, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Response};
use serde::{Deserialize, Serialize};

use super::App;
use super::assets::{DRIFT, FRAME, LOGBOOK, PAIR, PARTS, PLAN, READ, STACK};
use super::failure::Failure;
use super::guard::{Peer, SESSION_COOKIE, is_at_the_machine};
use super::pairing::{address, grouped, qr_svg};

/// Puts a page into the frame. What is put in is the program's own, except sentences, which are escaped.
fn framed(app: Option<&App>, title: &str, main: &str, script: &str) -> Html<String> {
    let token = app.map_or("", App::token);
    // The part that is open is told from the others.
    let link = script.split('.').next().unwrap_or_default().replace("read", "");
    let here = PARTS.replace(&format!("href=\"/{link}\""), &format!("href=\"/{link}\" aria-current=\"page\""));
    let navigation = if app.is_some() { here.as_str() } else { "" };
    let script = match script {
        "" => String::new(),
        name => format!("<script type=\"module\" src=\"/assets/{name}\"></script>"),
    };
    Html(
        FRAME
            .replace("{{title}}", title)
            .replace("{{token}}", token)
            .replace("{{navigation}}", navigation)
            .replace("{{script}}", &script)
            .replace("{{main}}", main),
    )
}

/// `GET /`.
pub(super) async fn read(State(app): State<Arc<App>>) -> Html<String> {
    framed(Some(&app), "Read a strip", READ, "read.js")
}

/// `GET /stack`.
pub(super) async fn stack(State(app): State<Arc<App>>) -> Html<String> {
    framed(Some(&app), "Stack from stock", STACK, "stack.js")
}

/// `GET /logbook`.
pub(super) async fn logbook(State(app): State<Arc<App>>) -> Html<String> {
    framed(Some(&app), "Logbook", LOGBOOK, "logbook.js")
}

/// `GET /drift`.
pub(super) async fn drift(State(app): State<Arc<App>>) -> Html<String> {
    framed(Some(&app), "Drift", DRIFT, "drift.js")
}

/// `GET /plan`.
pub(super) async fn plan(State(app): State<Arc<App>>) -> Html<String> {
    framed(Some(&app), "Plan", PLAN, "plan.js")
}

/// `GET /pair`.
pub(super) async fn pair(State(app): State<Arc<App>>) -> Response {
    pair_page(&app).into_response()
}

/// The page on which a strange device is paired. It carries no token.
pub(super) fn pair_page(_app: &App) -> Response {
    framed(None, "Pair this device", PAIR, "pair.js").into_response()
}

/// An error as a page with its sentences.
pub(super) fn sentence_page(failure: &Failure) -> Response {
    let told = failure.told();
    let main = format!(
        "<h1>{}</h1><p class=\"next\">{}.</p><p><a href=\"/\">Back to the page</a></p>",
        escaped(&capitalised(&told.error)),
        escaped(&capitalised(&told.hint))
    );
    (failure.status(), framed(None, "No answer", &main, "")).into_response()
}

/// Whatever has no page.
pub(super) async fn nothing_here(uri: axum::http::Uri) -> Response {
    let failure = Failure::new(
        StatusCode::NOT_FOUND,
        "no_such_page",
        "there is no such page here",
        "go back to the page and choose from there",
    );
    if uri.path().starts_with("/api") { failure.into_response() } else { sentence_page(&failure) }
}

fn capitalised(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| first.to_uppercase().chain(letters).collect())
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

#[derive(Debug, Serialize)]
pub(super) struct About {
    program: &'static str,
    version: &'static str,
    token: String,
    max_upload_bytes: usize,
    max_megapixels: f64,
    lan: bool,
    at_the_machine: bool,
}

/// `GET /api`: what a program needs to know first.
pub(super) async fn about(State(app): State<Arc<App>>, peer: Option<Extension<Peer>>) -> Json<About> {
    Json(About {
        program: "narrows",
        version: env!("CARGO_PKG_VERSION"),
        token: app.token().to_owned(),
        max_upload_bytes: app.limits.upload_bytes,
        max_megapixels: app.limits.max_megapixels,
        lan: app.pairing.is_some(),
        at_the_machine: is_at_the_machine(peer.map(|Extension(peer)| peer)),
    })
}

#[derive(Debug, Serialize)]
pub(super) struct PairingView {
    code: String,
    addresses: Vec<String>,
}

/// `GET /api/pairing`: the code for the next device, shown at the machine alone.
pub(super) async fn pairing(
    State(app): State<Arc<App>>,
    peer: Option<Extension<Peer>>,
) -> Result<Json<PairingView>, Failure> {
    let code = code(&app, peer)?;
    Ok(Json(PairingView { code: grouped(&code), addresses: app.site().elsewhere() }))
}

/// `GET /api/pairing/qr.svg?…`: the same as a QR code of the first address.
pub(super) async fn pairing_qr(
    State(app): State<Arc<App>>,
    peer: Option<Extension<Peer>>,
) -> Result<Response, Failure> {
    let code = code(&app, peer)?;
    let site = app.site().elsewhere().into_iter().next().unwrap_or_else(|| app.site().here());
    let svg = qr_svg(&address(&site, &code));
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("image/svg+xml"))], svg).into_response())
}

fn code(app: &App, peer: Option<Extension<Peer>>) -> Result<String, Failure> {
    if !is_at_the_machine(peer.map(|Extension(peer)| peer)) {
        return Err(Failure::new(
            StatusCode::FORBIDDEN,
            "not_here",
            "codes are shown at the machine only",
            "look at the screen of the machine that runs narrows",
        ));
    }
    let off = || {
        Failure::new(
            StatusCode::NOT_FOUND,
            "no_lan",
            "this page is open to this machine alone",
            "stop narrows and start it with: narrows serve --lan",
        )
    };
    app.pairing().map(super::pairing::Pairing::code).ok_or_else(off)
}

#[derive(Debug, Deserialize)]
pub(super) struct PairRequest {
    code: String,
}

/// `POST /api/pair`.
pub(super) async fn pair_device(
    State(app): State<Arc<App>>,
    Json(request): Json<PairRequest>,
) -> Result<Response, Failure> {
    let secret = app.pairing().and_then(|pairing| pairing.pair(&request.code));
    let Some(secret) = secret else {
        // Guessing is made slow as well as hopeless.
        tokio::time::sleep(std::time::Duration::from_millis(500)).await;
        return Err(Failure::new(
            StatusCode::FORBIDDEN,
            "wrong_code",
            "this code is not right, or no longer",
            "type the code that the machine shows now; each code pairs one device",
        ));
    };
    let cookie = format!("{SESSION_COOKIE}={secret}; HttpOnly; SameSite=Strict; Path=/; Max-Age=43200");
    let cookie = HeaderValue::from_str(&cookie).map_err(|_| Failure::own_fault("the pairing"))?;
    Ok((StatusCode::NO_CONTENT, [(header::SET_COOKIE, cookie)]).into_response())
}
