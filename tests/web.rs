//! The page as requests see it, without a socket: who is let in, what is answered, and what is refused in sentences.
#![cfg(feature = "web")]
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::ops::ControlFlow;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::http::{Method, StatusCode};
use narrows::photo::{DecodeOptions, decode_bytes};
use narrows::reading::{Given, ReadOptions, RequestError, Stage, read, read_again_watched};
use narrows::report::json;
use narrows::setup::parse_toml;
use narrows::web::Limits;
use serde_json::{Value, json};

use page::{HERE, Page, from_elsewhere};

#[path = "support/page.rs"]
mod page;

const SCAN: &[u8] = include_bytes!("../fixtures/north-scan.jpg");
const SETUP: &str = include_str!("../fixtures/north-scan.toml");

#[tokio::test]
async fn every_answer_forbids_what_the_page_does_not_need() {
    let page = Page::new();
    for path in ["/", "/assets/read.js", "/api", "/no-such-page", "/api/no-such"] {
        let answer = page.get(path).await;
        let policy = answer.headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'") && policy.contains("script-src 'self'"), "{path}");
        assert!(!policy.contains("unsafe") && policy.contains("frame-ancestors 'none'"), "{path}");
        assert_eq!(answer.headers["x-content-type-options"], "nosniff", "{path}");
    }
}

#[tokio::test]
async fn pages_hold_nothing_inline_and_nothing_from_outside() {
    let page = Page::new();
    let mut seen =
        vec![("/".to_owned(), page.get("/").await.text()), ("/pair".to_owned(), page.get("/pair").await.text())];
    // Every file that a page or a script names.
    let mut next = 0;
    while next < seen.len() {
        let text = seen[next].1.clone();
        for (lead, prefix) in [("\"/assets/", "/assets/"), ("\"./", "/assets/")] {
            for rest in text.split(lead).skip(1) {
                let path = format!("{prefix}{}", rest.split('"').next().unwrap());
                if !seen.iter().any(|(known, _)| *known == path) {
                    let answer = page.get(&path).await;
                    assert_eq!(answer.status, StatusCode::OK, "{path}");
                    seen.push((path, answer.text()));
                }
            }
        }
        next += 1;
    }
    assert!(seen.len() > 8, "{:?}", seen.iter().map(|(path, _)| path).collect::<Vec<_>>());
    for (path, text) in &seen {
        let outside = text.matches("http").count() - text.matches("http://www.w3.org/").count();
        assert_eq!(outside, 0, "{path} names an address outside");
        if path.starts_with("/assets/") {
            continue;
        }
        for tag in text.split('<').skip(1).map(|tag| tag.split('>').next().unwrap()) {
            assert!(!tag.starts_with("script") || tag.contains(" src=\"/assets/"), "{path}: {tag}");
            assert!(!tag.starts_with("style") && !tag.contains(" style="), "{path}: {tag}");
            assert!(!tag.contains(" on"), "{path}: {tag}");
        }
    }
}

#[tokio::test]
async fn only_the_pages_own_address_is_served() {
    let page = Page::new();
    // A name made to point here (DNS rebinding), another port, and no name at all.
    for host in ["example.com:8470", "127.0.0.1:80", "127.0.0.1", "192.0.2.7:8470"] {
        let mut request = page.request(Method::GET, "/api", Body::empty());
        request.headers_mut().insert("host", host.parse().unwrap());
        let answer = page.send(request).await;
        assert_eq!((answer.status, answer.code().as_str()), (StatusCode::FORBIDDEN, "wrong_host"), "{host}");
    }
    let mut request = page.request(Method::GET, "/api", Body::empty());
    request.headers_mut().remove("host");
    assert_eq!(page.send(request).await.code(), "wrong_host");
    let request = page.request(Method::GET, "http://example.com/api", Body::empty());
    assert_eq!(page.send(request).await.code(), "wrong_host");
    for host in ["localhost:8470", "LOCALHOST:8470", "[::1]:8470"] {
        let mut request = page.request(Method::GET, "/api", Body::empty());
        request.headers_mut().insert("host", host.parse().unwrap());
        request.headers_mut().remove("origin");
        assert_eq!(page.send(request).await.status, StatusCode::OK, "{host}");
    }
}

#[tokio::test]
async fn no_other_site_can_write_or_read() {
    let page = Page::new();
    let tampered: [(&str, &str, &str); 6] = [
        ("origin", "http://evil.example", "other_site"),
        ("origin", "null", "other_site"),
        ("origin", "http://127.0.0.1:9999", "other_site"),
        ("sec-fetch-site", "cross-site", "other_site"),
        ("sec-fetch-site", "same-site", "other_site"),
        ("x-narrows-token", "0123456789abcdef0123456789abcdef", "no_token"),
    ];
    for (header, value, code) in tampered {
        for (method, path) in
            [(Method::POST, "/api/demo"), (Method::POST, "/api/pictures"), (Method::DELETE, "/api/pictures/x")]
        {
            let mut request = page.request(method, path, Body::empty());
            request.headers_mut().insert(header, value.parse().unwrap());
            let answer = page.send(request).await;
            assert_eq!((answer.status, answer.code().as_str()), (StatusCode::FORBIDDEN, code), "{header}: {value}");
        }
    }
    // What a form of another site can send: no header of its own choosing.
    let mut request = page.request(Method::POST, "/api/demo", Body::empty());
    for header in ["origin", "x-narrows-token"] {
        request.headers_mut().remove(header);
    }
    assert_eq!(page.send(request).await.code(), "no_token");
    // A picture or script that another site embeds; and a link there that is followed.
    let mut request = page.request(Method::GET, "/demo/strip.jpg", Body::empty());
    request.headers_mut().insert("sec-fetch-site", "cross-site".parse().unwrap());
    assert_eq!(page.send(request).await.status, StatusCode::FORBIDDEN);
    let mut request = page.request(Method::GET, "/", Body::empty());
    request.headers_mut().remove("origin");
    request.headers_mut().insert("sec-fetch-site", "cross-site".parse().unwrap());
    request.headers_mut().insert("sec-fetch-mode", "navigate".parse().unwrap());
    assert_eq!(page.send(request).await.status, StatusCode::OK);
    assert_eq!(page.get("/api/pictures").await.json(), json!([]));
}

#[tokio::test]
async fn the_demo_answers_what_the_library_answers() {
    let page = Page::new();
    let (id, fields) = page.demo().await;
    let answer = page.post(&format!("/api/pictures/{id}/read"), json!({ "fields": fields })).await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text());
    let setup = parse_toml(SETUP, None).unwrap();
    let photo = decode_bytes(SCAN, &DecodeOptions::default()).unwrap();
    let wanted = read(&photo, &setup, &ReadOptions::default()).unwrap();
    let wanted = json::reading(&wanted, "demo strip of machine north");
    assert!(answer.text().starts_with(&format!("{{\"reading\":{wanted},")), "{}", answer.text());
    let told = answer.json();
    assert_eq!(told["page"]["told"][0]["kind"], "action");
    assert!(told["page"]["stations"].as_array().unwrap().len() > 100);
    for file in ["overlay.png", "chart.svg", "stations.csv"] {
        let file = page.get(&format!("/api/pictures/{id}/{file}")).await;
        assert_eq!(file.status, StatusCode::OK);
        assert!(file.headers["content-disposition"].to_str().unwrap().starts_with("attachment"));
    }
    assert_eq!(page.get(&format!("/api/pictures/{id}/setup.toml")).await.code(), "nothing_there");
}

#[tokio::test]
async fn what_is_moved_by_hand_reads_as_if_it_had_been_given_at_first() {
    let page = Page::new();
    let (id, fields) = page.demo().await;
    let setup = parse_toml(SETUP, None).unwrap();
    let photo = decode_bytes(SCAN, &DecodeOptions::default()).unwrap();
    let found = read(&photo, &setup, &ReadOptions::default()).unwrap();
    let course = found.course.unwrap();
    let tie = found.tie.unwrap();
    let line = [course.place(course.start_px + 40.0, 0.0), course.place(course.end_px - 40.0, 0.0)];
    let datums = [tie.low_px, [tie.high_px[0] - 30.0, tie.high_px[1]]];
    let cases = [(Some(line), None), (Some(line), Some(datums)), (None, Some(datums)), (None, None)];
    let mut places = Vec::new();
    // One after the other on one picture, so that what is kept from the reading before could do harm.
    for (line_px, datums_px) in cases {
        let body = json!({ "fields": fields, "line_px": line_px, "datums_px": datums_px });
        let answer = page.post(&format!("/api/pictures/{id}/read"), body).await;
        let options = ReadOptions { given: Given { line_px, datums_px }, ..ReadOptions::default() };
        let wanted = json::reading(&read(&photo, &setup, &options).unwrap(), "demo strip of machine north");
        assert!(answer.text().starts_with(&format!("{{\"reading\":{wanted},")), "{line_px:?} {datums_px:?}");
        places.push(answer.json()["reading"]["focus"]["position_mm"]["value"].as_f64().unwrap());
    }
    assert!((places[2] - places[3]).abs() > 0.05, "the datum's move changes the place: {places:?}");
    let mut fields = fields;
    fields["area_px"] = json!("0,0,400,590");
    let answer = page.post(&format!("/api/pictures/{id}/read"), json!({ "fields": fields })).await.json();
    assert_eq!(answer["reading"]["verdict"], "refused");
    let told = answer["page"]["told"].as_array().unwrap();
    assert!(told.iter().any(|part| part["lead"] == "no answer: "), "{told:?}");
}

#[test]
fn a_reading_stops_after_the_stage_where_it_is_told_to() {
    let setup = parse_toml(SETUP, None).unwrap();
    let photo = decode_bytes(SCAN, &DecodeOptions::default()).unwrap();
    let options = ReadOptions::default();
    let stages = [Stage::Find, Stage::Measure, Stage::Tie, Stage::Fit, Stage::Convert];
    for last in stages {
        let mut over = Vec::new();
        let stopped = read_again_watched(&photo, &setup, &options, None, &mut |stage| {
            over.push(stage);
            if stage == last { ControlFlow::Break(()) } else { ControlFlow::Continue(()) }
        });
        assert_eq!(stopped.err(), Some(RequestError::Stopped));
        assert!(stages.starts_with(&over) && over.last() == Some(&last), "{over:?}");
    }
}

#[tokio::test]
async fn a_picture_that_is_taken_away_is_read_no_further() {
    let page = Page::new();
    let mut outcomes = Vec::new();
    // The picture is taken away at many moments of the reading: at most of them a later stage is still to come.
    for delay in 1..=40 {
        let (id, fields) = page.demo().await;
        let picture = format!("/api/pictures/{id}");
        let path = format!("{picture}/read");
        let take_away = async {
            tokio::time::sleep(Duration::from_millis(delay)).await;
            page.send(page.request(Method::DELETE, &picture, Body::empty())).await
        };
        let (read, gone) = tokio::join!(page.post(&path, json!({ "fields": fields })), take_away);
        assert_eq!(gone.status, StatusCode::NO_CONTENT);
        match read.status {
            StatusCode::OK => outcomes.push("read".to_owned()),
            _ => outcomes.push(read.code()),
        }
        if outcomes.last().is_some_and(|code| code == "cancelled") {
            return;
        }
    }
    panic!("no reading stopped: {outcomes:?}");
}

#[tokio::test]
async fn bad_requests_are_told_in_sentences() {
    let page = Page::new();
    let (id, fields) = page.demo().await;
    let read = format!("/api/pictures/{id}/read");
    let with = |name: &str, value: &str| {
        let mut fields = fields.clone();
        fields[name] = json!(value);
        json!({ "fields": fields })
    };
    let cases: Vec<(Value, &str)> = vec![
        (with("travel_mm", "-3"), "setup"),
        (with("travel_mm", "NaN"), "setup"),
        (with("travel_mm", "9,5"), "setup"),
        (with("travel_mm", ""), "setup"),
        (with("rise_mm", "12 ft"), "setup"),
        (with("incline_deg", "99"), "setup"),
        (with("gap_high_mm", "15"), "setup"),
        (with("ramp_file", "/etc/passwd"), "setup"),
        (with("datum", "nonsense"), "setup"),
        (with("material", &"x".repeat(300)), "setup"),
        (with("colour", "blue"), "setup"),
        (with("area_px", "0,0,99999,10"), "outside_picture"),
        (json!({ "fields": fields, "line_px": [[0.0, 0.0], [99999.0, 10.0]] }), "outside_picture"),
        (json!({ "fields": fields, "line_px": [[-1.0, 0.0], [100.0, 10.0]] }), "outside_picture"),
        (json!({ "fields": fields, "datums_px": [[10.0, 10.0], [12.0, 10.0]] }), "too_close"),
        (json!({ "fields": fields, "line_px": [[1.0, 2.0]] }), "not_understood"),
        (json!({ "fields": fields, "path": "/etc/passwd" }), "not_understood"),
        (json!({ "fields": [] }), "not_understood"),
        (json!({}), "not_understood"),
    ];
    for (body, code) in cases {
        let answer = page.post(&read, body.clone()).await;
        assert_eq!(
            (answer.status, answer.code().as_str()),
            (StatusCode::BAD_REQUEST, code),
            "{body}: {}",
            answer.text()
        );
        for part in ["error", "hint"] {
            let sentence = answer.json()["error"][part].as_str().unwrap().to_owned();
            assert!(
                sentence.contains(' ') && !sentence.contains("--") && !sentence.contains('\n'),
                "{body}: {sentence}"
            );
        }
    }
    let broken = page.send(page.request(Method::POST, &read, "{\"fields\":")).await;
    assert_eq!((broken.status, broken.code().as_str()), (StatusCode::BAD_REQUEST, "not_understood"));
    let long = page.post(&read, json!({ "fields": { "material": "x".repeat(100_000) } })).await;
    assert_eq!((long.status, long.code().as_str()), (StatusCode::PAYLOAD_TOO_LARGE, "not_understood"));
    let mut plain = page.request(Method::POST, &read, "travel_mm=90");
    plain.headers_mut().insert("content-type", "text/plain".parse().unwrap());
    assert_eq!(page.send(plain).await.status, StatusCode::UNSUPPORTED_MEDIA_TYPE);
    assert_eq!(page.send(page.request(Method::PUT, &read, "{}")).await.code(), "wrong_method");
    for path in ["/api/pictures/none/read", "/api/pictures/..%2f..%2fetc%2fpasswd/read"] {
        let answer = page.post(path, json!({ "fields": fields })).await;
        assert_eq!((answer.status, answer.code().as_str()), (StatusCode::NOT_FOUND, "picture_gone"), "{path}");
    }
    for path in ["/assets/..%2f..%2fCargo.toml", "/assets/%2fetc%2fpasswd"] {
        assert_eq!(page.get(path).await.status, StatusCode::NOT_FOUND, "{path}");
    }
    for query in ["x=99999", "x=-1", "w=abc"] {
        assert_eq!(
            page.get(&format!("/api/pictures/{id}/view?{query}")).await.status,
            StatusCode::BAD_REQUEST,
            "{query}"
        );
    }
}

#[tokio::test]
async fn the_ramp_form_hears_at_once_what_is_missing_and_what_cannot_be() {
    let page = Page::new();
    let check = async |fields: Value| page.post("/api/setup/check", json!({ "fields": fields })).await.json();
    let empty = check(json!({})).await;
    assert_eq!((&empty["state"], &empty["problem"]["field"]), (&json!("incomplete"), &json!("travel_mm")));
    let half = check(json!({ "travel_mm": "90", "gap_low_mm": "14", "low_end": "left" })).await;
    assert_eq!(half["state"], "incomplete");
    let whole = check(json!({ "travel_mm": "9 cm", "gap_low_mm": "14", "gap_high_mm": "2", "low_end": "left" })).await;
    assert_eq!(whole["state"], "complete");
    assert!((whole["side"]["rise_mm"].as_f64().unwrap() - 12.0).abs() < 1e-9);
    let swapped = check(json!({ "travel_mm": "90", "gap_low_mm": "2", "gap_high_mm": "14", "low_end": "left" })).await;
    assert_eq!((&swapped["state"], swapped["side"].is_null()), (&json!("impossible"), true));
    let text = "[ramp]\ntravel_mm = 90\n[picture]\npoints_px = [[1, 2], [3, 4.5]]\n";
    let fields = page.post("/api/setup/fields", json!({ "text": text })).await.json();
    assert_eq!(fields["fields"], json!({ "travel_mm": "90", "points_px": "1,2,3,4.5" }));
    let bad = page.post("/api/setup/fields", json!({ "text": "[ramp]\ntravel = 90\n" })).await;
    assert!(bad.json()["error"]["error"].as_str().unwrap().contains("line 2"), "{}", bad.text());
}

#[tokio::test]
async fn uploads_are_bounded_and_bad_ones_fail_in_sentences() {
    let page = Page::with(false, Limits { upload_bytes: 1 << 20, max_megapixels: 10.0, ..Limits::default() });
    let mut request = page.request(Method::POST, "/api/pictures?name=x", "abc");
    request.headers_mut().insert("content-length", (2usize << 20).into());
    assert_eq!(page.send(request).await.status, StatusCode::PAYLOAD_TOO_LARGE);
    let request = page.request(Method::POST, "/api/pictures?name=x", Body::from_stream(Silent));
    assert_eq!(page.send(request).await.status, StatusCode::LENGTH_REQUIRED);
    // A header that claims 60000 × 60000 pixels.
    let mut huge = Vec::from(*b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\xea\x60\0\0\xea\x60\x08\0\0\0\0");
    huge.extend_from_slice(&crc32(&huge[12..29]).to_be_bytes());
    let huge: &'static [u8] = huge.leak();
    let cases: [(&'static [u8], &str); 5] = [
        (b"", "empty"),
        (b"travel_mm = 90", "text"),
        (b"\xff\xd8\xff\xe0\0\x10JFIF\0", "JPEG"),
        (huge, "limit"),
        (&SCAN[..20_000], "JPEG"),
    ];
    for (bytes, told) in cases {
        let answer = page.upload(bytes).await;
        assert_eq!(answer.status, StatusCode::ACCEPTED, "{told}");
        let id = answer.json()["id"].as_str().unwrap().to_owned();
        let state = page.settled(&id).await;
        let sentence = state["error"]["error"].as_str().unwrap_or_else(|| panic!("{told}: {state}"));
        assert!(sentence.contains(told) && !state["error"]["hint"].as_str().unwrap().contains("--"), "{told}: {state}");
        let read = page.post(&format!("/api/pictures/{id}/read"), json!({ "fields": { "travel_mm": "90" } })).await;
        assert_eq!(read.status, StatusCode::BAD_REQUEST);
    }
}

/// CRC-32 as PNG wants it (W3C PNG, annex D), bit by bit.
fn crc32(bytes: &[u8]) -> u32 {
    let step = |crc: u32| if crc & 1 == 1 { 0xedb8_8320 ^ (crc >> 1) } else { crc >> 1 };
    !bytes.iter().fold(!0u32, |crc, byte| (0..8).fold(crc ^ u32::from(*byte), |crc, _| step(crc)))
}

/// A sender that never sends.
struct Silent;

impl futures_core::Stream for Silent {
    type Item = Result<Bytes, std::io::Error>;

    fn poll_next(
        self: std::pin::Pin<&mut Self>,
        _: &mut std::task::Context<'_>,
    ) -> std::task::Poll<Option<Self::Item>> {
        std::task::Poll::Pending
    }
}

#[tokio::test]
async fn a_silent_sender_is_cut_off_and_gives_its_room_back() {
    let limits = Limits {
        room_bytes: 64 << 10,
        silence: Duration::from_millis(150),
        patience: Duration::from_millis(400),
        ..Limits::default()
    };
    let page = Page::with(false, limits);
    let silent = || {
        let mut request = page.request(Method::POST, "/api/pictures?name=x", Body::from_stream(Silent));
        request.headers_mut().insert("content-length", (60usize << 10).into());
        page.send(request)
    };
    // The second waits for the first one's room, and the third for the second one's.
    let (first, second, third) = tokio::join!(silent(), silent(), silent());
    for answer in [first, second, third] {
        assert_eq!((answer.status, answer.code().as_str()), (StatusCode::REQUEST_TIMEOUT, "cut_off"));
    }
    // Room that never comes free is waited for only so long.
    let patient = Limits { silence: Duration::from_secs(5), ..limits };
    let page = Page::with(false, patient);
    let silent = || {
        let mut request = page.request(Method::POST, "/api/pictures?name=x", Body::from_stream(Silent));
        request.headers_mut().insert("content-length", (60usize << 10).into());
        page.send(request)
    };
    tokio::select! {
        _ = silent() => panic!("the first is still silent"),
        answer = async { tokio::time::sleep(Duration::from_millis(50)).await; silent().await } => {
            assert_eq!((answer.status, answer.code().as_str()), (StatusCode::SERVICE_UNAVAILABLE, "busy"));
            assert!(answer.headers.contains_key("retry-after"));
        }
    }
}

#[tokio::test]
async fn a_picture_taken_away_is_gone() {
    let page = Page::new();
    let id = page.upload(SCAN).await.json()["id"].as_str().unwrap().to_owned();
    let path = format!("/api/pictures/{id}");
    assert_eq!(page.send(page.request(Method::DELETE, &path, Body::empty())).await.status, StatusCode::NO_CONTENT);
    assert_eq!(page.get(&path).await.code(), "picture_gone");
    assert_eq!(page.send(page.request(Method::DELETE, &path, Body::empty())).await.status, StatusCode::NOT_FOUND);
}

#[tokio::test]
async fn the_network_is_let_in_by_a_code_that_serves_once() {
    let page = Page::with(true, Limits::default());
    let stranger = async |method, path: &str, cookie: Option<&str>, body: &str| {
        page.send(from_elsewhere(method, path, cookie, body)).await
    };
    // A stranger sees how to pair and nothing else.
    for path in ["/", "/pair", "/logbook"] {
        let answer = stranger(Method::GET, path, None, "").await;
        assert!(answer.text().contains("Pair this device") && !answer.text().contains(page.app.token()), "{path}");
    }
    for path in ["/api", "/api/pictures", "/api/pairing", "/api/pairing/qr.svg", "/demo/strip.jpg"] {
        let answer = stranger(Method::GET, path, None, "").await;
        assert!(
            !answer.text().contains(page.app.token()) && !answer.text().contains(&page.app.pairing().unwrap().code()),
            "{path}"
        );
        assert!(path == "/demo/strip.jpg" || answer.code() == "not_paired", "{path}: {}", answer.text());
    }
    assert_eq!(stranger(Method::POST, "/api/demo", Some("narrows_session=0123"), "{}").await.code(), "not_paired");
    // A stranger that claims to be this machine is still a stranger.
    let mut liar = from_elsewhere(Method::GET, "/api", None, "");
    liar.headers_mut().insert("host", HERE.parse().unwrap());
    assert_eq!(page.send(liar).await.code(), "not_paired");
    // The machine shows the code; the stranger types it.
    let code = page.get("/api/pairing").await.json()["code"].as_str().unwrap().to_owned();
    assert!(page.get("/api/pairing/qr.svg").await.text().contains("<svg"));
    let wrong = stranger(Method::POST, "/api/pair", None, "{\"code\":\"AAAA-AAAA-AAAA\"}").await;
    assert_eq!((wrong.status, wrong.code().as_str()), (StatusCode::FORBIDDEN, "wrong_code"));
    let pair = json!({ "code": code }).to_string();
    let paired = stranger(Method::POST, "/api/pair", None, &pair).await;
    assert_eq!(paired.status, StatusCode::NO_CONTENT);
    let cookie = paired.headers["set-cookie"].to_str().unwrap().to_owned();
    assert!(cookie.contains("HttpOnly") && cookie.contains("SameSite=Strict"));
    let cookie = cookie.split(';').next().unwrap().to_owned();
    assert_eq!(stranger(Method::POST, "/api/pair", None, &pair).await.code(), "wrong_code");
    let inside = stranger(Method::GET, "/api", Some(&cookie), "").await;
    assert_eq!(inside.json()["at_the_machine"], false);
    // Paired is not enough to write: the page's word is needed as well. And codes are shown at the machine alone.
    assert_eq!(stranger(Method::POST, "/api/demo", Some(&cookie), "{}").await.code(), "no_token");
    let mut demo = from_elsewhere(Method::POST, "/api/demo", Some(&cookie), "{}");
    demo.headers_mut().insert("x-narrows-token", page.app.token().parse().unwrap());
    assert_eq!(page.send(demo).await.status, StatusCode::OK);
    assert_eq!(stranger(Method::GET, "/api/pairing", Some(&cookie), "").await.code(), "not_here");
}

#[tokio::test]
async fn without_lan_nobody_is_paired() {
    let page = Page::new();
    let mut request = from_elsewhere(Method::POST, "/api/pair", None, "{\"code\":\"\"}");
    request.headers_mut().insert("host", HERE.parse().unwrap());
    assert_eq!(page.send(request).await.code(), "wrong_code");
    assert_eq!(page.get("/api/pairing").await.code(), "no_lan");
}
