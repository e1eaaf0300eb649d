//! Who may ask, and what every answer forbids the browser.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::sync::Arc;

use axum::body::Body;
use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::App;
use super::failure::Failure;
use super::pairing::is_same;
use super::views;

/// Header of requests that change something.
pub(super) const TOKEN_HEADER: &str = "x-narrows-token";
/// Cookie of a paired machine.
pub(super) const SESSION_COOKIE: &str = "narrows_session";

/// No script, style or picture but the page's own, and nothing inline; pictures the person chose are shown from `blob:`.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; \
                      connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

const ALWAYS: [(&str, &str); 7] = [
    ("content-security-policy", POLICY),
    ("x-content-type-options", "nosniff"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cross-origin-opener-policy", "same-origin"),
    ("permissions-policy", "geolocation=(), microphone=(), payment=(), usb=(), serial=()"),
    ("cache-control", "no-store"),
];

/// The other end of the connection a request came by. The socket's side puts it on every request; without it a
/// request counts as coming from elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Peer(pub SocketAddr);

/// The addresses the page goes by.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Site {
    port: u16,
    /// This machine's addresses on the local network, where it is served there.
    lan: Vec<IpAddr>,
}

impl Site {
    /// A page on this machine alone, or on its addresses in the local network too.
    pub fn new(port: u16, mut lan: Vec<IpAddr>) -> Self {
        lan.sort();
        lan.dedup();
        Self { port, lan }
    }

    /// The page's address on this machine.
    pub fn here(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// The page's addresses on the local network.
    pub fn elsewhere(&self) -> Vec<String> {
        self.lan.iter().map(|address| format!("http://{}", SocketAddr::new(*address, self.port))).collect()
    }

    /// A name that was made to point here (DNS rebinding) is none of the page's own.
    fn knows(&self, host: &str) -> bool {
        self.is_loopback(host)
            || self.lan.iter().any(|ip| host == SocketAddr::new(*ip, self.port).to_string() || self.is_bare(host, *ip))
    }

    fn is_loopback(&self, host: &str) -> bool {
        let port = self.port;
        let names = ["localhost".to_owned(), Ipv4Addr::LOCALHOST.to_string(), format!("[{}]", Ipv6Addr::LOCALHOST)];
        names.iter().any(|name| host == format!("{name}:{port}") || (port == 80 && host == name))
    }

    /// At port 80 browsers leave the port away.
    fn is_bare(&self, host: &str, ip: IpAddr) -> bool {
        self.port == 80 && (host == ip.to_string() || host == format!("[{ip}]"))
    }
}

/// Lets a request pass or answers it, and puts the same headers on whatever goes out.
pub(super) async fn guard(State(app): State<Arc<App>>, request: Request, next: Next) -> Response {
    let is_api = request.uri().path().starts_with("/api");
    let mut response = match check(&app, &request) {
        Ok(()) => next.run(request).await,
        Err(Refused::NotPaired) if !is_api => views::pair_page(&app).into_response(),
        Err(refused) if is_api => Failure::from(refused).into_response(),
        Err(refused) => views::sentence_page(&Failure::from(refused)).into_response(),
    };
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        headers.entry(HeaderName::from_static(name)).or_insert(HeaderValue::from_static(value));
    }
    response
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Refused {
    Host,
    OtherSite,
    NoToken,
    NotPaired,
}

impl From<Refused> for Failure {
    fn from(refused: Refused) -> Self {
        let (code, error, hint) = match refused {
            Refused::Host => (
                "wrong_host",
                "this address is not one of the page's own",
                "open the address that narrows printed when it was started",
            ),
            Refused::OtherSite => {
                ("other_site", "the request came from another site's page", "open the page itself and work there")
            }
            Refused::NoToken => (
                "no_token",
                "the request does not carry the word that the page was given",
                "reload the page; it was loaded before narrows was started anew",
            ),
            Refused::NotPaired => (
                "not_paired",
                "this device is not paired with the machine",
                "scan the code that the machine shows, or type it at /pair",
            ),
        };
        Self::new(StatusCode::FORBIDDEN, code, error, hint)
    }
}

fn check(app: &App, request: &Request<Body>) -> Result<(), Refused> {
    let headers = request.headers();
    let host = headers.get(header::HOST).and_then(|host| host.to_str().ok()).ok_or(Refused::Host)?;
    let host = host.to_ascii_lowercase();
    let named = request.uri().authority().is_none_or(|authority| authority.as_str().eq_ignore_ascii_case(&host));
    if !(named && app.site.knows(&host)) {
        return Err(Refused::Host);
    }
    let is_reading = matches!(*request.method(), Method::GET | Method::HEAD);
    let path = request.uri().path();
    // Old browsers leave these headers out; what they say is believed, their absence decides nothing.
    if let Some(origin) = headers.get(header::ORIGIN)
        && origin.as_bytes() != format!("http://{host}").as_bytes()
    {
        return Err(Refused::OtherSite);
    }
    let site = headers.get("sec-fetch-site").map(HeaderValue::as_bytes);
    let is_visit =
        is_reading && headers.get("sec-fetch-mode").is_some_and(|mode| mode == "navigate") && !path.starts_with("/api");
    if matches!(site, Some(b"cross-site" | b"same-site")) && !is_visit {
        return Err(Refused::OtherSite);
    }
    let is_here = is_from_here(app, request, &host);
    // What is needed to be paired is open to everybody on the network.
    let is_open = path == "/pair" || path == "/api/pair" || path.starts_with("/assets/");
    if !is_here && !is_open && !is_paired(app, headers) {
        return Err(Refused::NotPaired);
    }
    // Pairing carries a secret of its own, and the page that asks for it is shown to strangers.
    if !is_reading && path != "/api/pair" {
        let said = headers.get(TOKEN_HEADER).and_then(|said| said.to_str().ok()).unwrap_or_default();
        if !is_same(said, &app.token) {
            return Err(Refused::NoToken);
        }
    }
    Ok(())
}

/// True for a browser on this machine that uses a loopback address.
fn is_from_here(app: &App, request: &Request<Body>, host: &str) -> bool {
    let is_local = request.extensions().get::<Peer>().is_some_and(|Peer(peer)| peer.ip().to_canonical().is_loopback());
    is_local && app.site.is_loopback(host)
}

fn is_paired(app: &App, headers: &HeaderMap) -> bool {
    let Some(pairing) = &app.pairing else { return false };
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|cookies| cookies.to_str().ok())
        .flat_map(|cookies| cookies.split(';'))
        .filter_map(|cookie| cookie.trim().split_once('='))
        .any(|(name, secret)| name == SESSION_COOKIE && pairing.is_paired(secret))
}

/// True where the request comes from this machine: only there pairing codes are shown.
pub(super) fn is_at_the_machine(peer: Option<Peer>) -> bool {
    peer.is_some_and(|Peer(peer)| peer.ip().to_canonical().is_loopback())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_pages_own_names_are_known() {
        let site = Site::new(8470, vec!["192.0.2.7".parse().unwrap(), "2001:db8::7".parse().unwrap()]);
        for host in ["localhost:8470", "127.0.0.1:8470", "[::1]:8470", "192.0.2.7:8470", "[2001:db8::7]:8470"] {
            assert!(site.knows(host), "{host}");
        }
        for host in
            ["localhost", "127.0.0.1", "127.0.0.1:80", "example.com:8470", "192.0.2.8:8470", "", "localhost:84700"]
        {
            assert!(!site.knows(host), "{host}");
        }
        assert!(Site::new(80, vec![]).knows("localhost"));
    }
}
