//! The page without a socket, for tests: requests in, answers out.

use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::body::{Body, Bytes};
use axum::http::{HeaderMap, Method, Request, StatusCode};
use http_body_util::BodyExt;
use narrows::web::router::router;
use narrows::web::{App, Limits, Peer, Site};
use serde_json::{Value, json};
use tower::ServiceExt;

/// The page on this machine.
pub const HERE: &str = "127.0.0.1:8470";
/// The page on the local network.
#[allow(dead_code)]
pub const ELSEWHERE: &str = "192.0.2.7:8470";

/// The page.
pub struct Page {
    pub app: Arc<App>,
    pub router: Router,
}

/// What came back.
pub struct Answer {
    pub status: StatusCode,
    #[allow(dead_code)]
    pub headers: HeaderMap,
    pub body: Bytes,
}

#[allow(dead_code)]
impl Answer {
    pub fn json(&self) -> Value {
        serde_json::from_slice(&self.body).unwrap_or_else(|_| panic!("no JSON: {}", self.text()))
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    pub fn code(&self) -> String {
        self.json()["error"]["code"].as_str().unwrap_or_default().to_owned()
    }
}

#[allow(dead_code)]
impl Page {
    pub fn new() -> Self {
        Self::with(false, Limits::default())
    }

    pub fn with(lan: bool, limits: Limits) -> Self {
        Self::keeping(lan, limits, None)
    }

    pub fn keeping(lan: bool, limits: Limits, logbook: Option<std::path::PathBuf>) -> Self {
        let addresses = if lan { vec!["192.0.2.7".parse().unwrap()] } else { vec![] };
        let app = App::new(Site::new(8470, addresses), lan, limits, logbook);
        Self { router: router(Arc::clone(&app)), app }
    }

    pub async fn send(&self, request: Request<Body>) -> Answer {
        let response = self.router.clone().oneshot(request).await.unwrap();
        let (parts, body) = response.into_parts();
        Answer { status: parts.status, headers: parts.headers, body: body.collect().await.unwrap().to_bytes() }
    }

    /// A request of the page itself, on this machine.
    pub fn request(&self, method: Method, path: &str, body: impl Into<Body>) -> Request<Body> {
        let mut request = Request::builder()
            .method(method)
            .uri(path)
            .header("host", HERE)
            .header("origin", format!("http://{HERE}"))
            .header("x-narrows-token", self.app.token())
            .header("content-type", "application/json")
            .body(body.into())
            .unwrap();
        request.extensions_mut().insert(Peer("127.0.0.1:50000".parse().unwrap()));
        request
    }

    pub async fn get(&self, path: &str) -> Answer {
        self.send(self.request(Method::GET, path, Body::empty())).await
    }

    pub async fn post(&self, path: &str, body: Value) -> Answer {
        self.send(self.request(Method::POST, path, body.to_string())).await
    }

    pub async fn upload(&self, bytes: &'static [u8]) -> Answer {
        let mut request = self.request(Method::POST, "/api/pictures?name=strip.jpg", bytes);
        request.headers_mut().insert("content-length", bytes.len().into());
        self.send(request).await
    }

    /// The picture's last state.
    pub async fn settled(&self, id: &str) -> Value {
        for _ in 0..6000 {
            let state = self.get(&format!("/api/pictures/{id}")).await.json();
            if state["state"] == "ready" || state["state"] == "failed" {
                return state;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("the picture never settled");
    }

    /// The demo strip's id and fields.
    pub async fn demo(&self) -> (String, Value) {
        let demo = self.post("/api/demo", json!({})).await.json();
        let id = demo["id"].as_str().unwrap().to_owned();
        assert_eq!(self.settled(&id).await["state"], "ready");
        (id, demo["fields"].clone())
    }
}

/// A stranger's request from the local network.
#[allow(dead_code)]
pub fn from_elsewhere(method: Method, path: &str, cookie: Option<&str>, body: &str) -> Request<Body> {
    let mut request = Request::builder()
        .method(method)
        .uri(path)
        .header("host", ELSEWHERE)
        .header("content-type", "application/json")
        .body(Body::from(body.to_owned()))
        .unwrap();
    if let Some(cookie) = cookie {
        request.headers_mut().insert("cookie", cookie.parse().unwrap());
    }
    request.extensions_mut().insert(Peer("192.0.2.99:50000".parse().unwrap()));
    request
}
