//! The page's way in for pictures: any name, any announced length, a body in any pieces, whole or broken off.

use std::cell::RefCell;
use std::pin::Pin;
use std::sync::Arc;
use std::task::{Context, Poll};
use std::time::{Duration, Instant};

use axum::Router;
use axum::body::{Body, Bytes};
use axum::http::{Method, Request, StatusCode};
use http_body_util::BodyExt;
use narrows::web::router::router;
use narrows::web::{App, Limits, Peer, Site};
use serde_json::Value;
use tokio::runtime::Runtime;
use tower::ServiceExt;

const HERE: &str = "127.0.0.1:8470";

/// How long a picture may take until it is there or told as broken, and what of one look at it counts for that: a fuzzer that is stopped
/// and goes on has not waited.
const LONGEST_WAIT: Duration = Duration::from_secs(20);
const LONGEST_TURN: Duration = Duration::from_millis(200);

/// What a sender sends, piece by piece; an error is a connection that breaks.
struct Pieces(std::vec::IntoIter<Result<Bytes, std::io::Error>>);

impl futures_core::Stream for Pieces {
    type Item = Result<Bytes, std::io::Error>;

    fn poll_next(mut self: Pin<&mut Self>, _: &mut Context<'_>) -> Poll<Option<Self::Item>> {
        Poll::Ready(self.0.next())
    }
}

/// An upload as the bytes describe it: taken and decoded, or refused in a sentence with a hint.
pub fn upload(bytes: &[u8]) {
    let Some((head, rest)) = bytes.split_first_chunk::<6>() else { return };
    let [kind, announced_low, announced_high, piece, broken_at, name_length] = *head;
    let (name, file) = rest.split_at(usize::from(name_length).min(rest.len()));
    let announced = match kind & 3 {
        0 | 1 => Some(file.len().to_string()),
        2 => Some(u16::from_le_bytes([announced_low, announced_high]).to_string()),
        // Whatever a header may hold.
        _ => String::from_utf8(file.iter().take(24).copied().collect()).ok(),
    };
    let is_broken = kind & 4 != 0;
    let mut pieces: Vec<Result<Bytes, std::io::Error>> =
        file.chunks(1 + usize::from(piece) * 16).map(|piece| Ok(Bytes::copy_from_slice(piece))).collect();
    if is_broken {
        pieces.truncate(usize::from(broken_at));
        pieces.push(Err(std::io::ErrorKind::ConnectionReset.into()));
    }
    // As a browser writes it, or as it comes.
    let name: String = match kind & 8 {
        0 => name.iter().map(|byte| format!("%{byte:02X}")).collect(),
        _ => String::from_utf8_lossy(name).into_owned(),
    };
    let is_honest = !is_broken && announced.as_deref() == Some(file.len().to_string().as_str());

    let page = PAGE.take().unwrap_or_else(Page::new);
    let request = Request::builder()
        .method(Method::POST)
        .uri(format!("/api/pictures?name={name}"))
        .header("host", HERE)
        .header("origin", format!("http://{HERE}"))
        .header("x-narrows-token", page.app.token());
    let request = announced.into_iter().fold(request, |request, length| request.header("content-length", length));
    let Ok(mut request) = request.body(Body::from_stream(Pieces(pieces.into_iter()))) else {
        PAGE.set(Some(page));
        return;
    };
    request.extensions_mut().insert(Peer("127.0.0.1:50000".parse().unwrap()));
    page.runtime.block_on(async {
        let (status, answer) = send(&page.router, request).await;
        if status != StatusCode::ACCEPTED {
            assert!(status.is_client_error() || status == StatusCode::SERVICE_UNAVAILABLE, "{status}: {answer}");
            told(&answer["error"]);
            return;
        }
        assert!(is_honest && file.len() <= page.app.limits().upload_bytes, "taken: {answer}");
        let id = answer["id"].as_str().unwrap().to_owned();
        let state = page.settled(&id).await;
        if state["state"] == "failed" {
            told(&state["error"]);
        }
        let view = page.ask(Method::GET, &format!("/api/pictures/{id}/view")).await;
        assert_eq!(view.0.is_success(), state["state"] == "ready", "{state}");
        let (status, list) = page.ask(Method::GET, "/api/pictures").await;
        assert!(status.is_success() && list.to_string().contains(&id), "{list}");
        let (status, _) = page.ask(Method::DELETE, &format!("/api/pictures/{id}")).await;
        assert!(status.is_success(), "{status}");
    });
    // Nothing is left of it, in the list or of the room it took: the next one finds what this one found.
    let (status, list) = page.runtime.block_on(page.ask(Method::GET, "/api/pictures"));
    assert!(status.is_success() && !list.to_string().contains("\"id\""), "{list}");
    PAGE.set(Some(page));
}

thread_local! {
    static PAGE: RefCell<Option<Page>> = const { RefCell::new(None) };
}

/// The page without a logbook. Making one takes far longer than refusing a picture, so that it is kept from upload to upload.
struct Page {
    app: Arc<App>,
    router: Router,
    runtime: Runtime,
}

impl Page {
    fn new() -> Self {
        let limits = Limits {
            upload_bytes: 48 << 10,
            room_bytes: 64 << 10,
            kept_bytes: 8 << 20,
            // What decoding does with larger ones is the business of `decode`.
            max_megapixels: 0.05,
            ..Limits::default()
        };
        let app = App::new(Site::new(8470, vec![]), false, limits, None);
        let router = router(Arc::clone(&app));
        let runtime = tokio::runtime::Builder::new_current_thread().enable_time().build().unwrap();
        Self { app, router, runtime }
    }

    async fn ask(&self, method: Method, path: &str) -> (StatusCode, Value) {
        let request = Request::builder().method(method).uri(path).header("host", HERE);
        let request = request.header("origin", format!("http://{HERE}")).header("x-narrows-token", self.app.token());
        let mut request = request.body(Body::empty()).unwrap();
        request.extensions_mut().insert(Peer("127.0.0.1:50000".parse().unwrap()));
        send(&self.router, request).await
    }

    async fn settled(&self, id: &str) -> Value {
        let mut waited = Duration::ZERO;
        let mut asked = Instant::now();
        while waited < LONGEST_WAIT {
            let (_, state) = self.ask(Method::GET, &format!("/api/pictures/{id}")).await;
            if state["state"] == "ready" || state["state"] == "failed" {
                return state;
            }
            // A timer would sleep a whole millisecond; decoding takes far less for most inputs.
            tokio::task::yield_now().await;
            std::thread::yield_now();
            waited += asked.elapsed().min(LONGEST_TURN);
            asked = Instant::now();
        }
        panic!("the picture never settled");
    }
}

fn told(error: &Value) {
    for part in ["code", "error", "hint"] {
        assert!(error[part].as_str().is_some_and(|text| !text.is_empty()), "no {part} in {error}");
    }
}

async fn send(router: &Router, request: Request<Body>) -> (StatusCode, Value) {
    let response = router.clone().oneshot(request).await.unwrap();
    let status = response.status();
    let body = response.into_body().collect().await.unwrap().to_bytes();
    (status, serde_json::from_slice(&body).unwrap_or_default())
}
