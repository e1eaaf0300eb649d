//! `narrows serve` with real sockets: where it listens, what slow and many clients do to it, and how it stops.
#![cfg(all(feature = "web", feature = "cli", unix))]
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::thread;
use std::time::{Duration, Instant};

use image::codecs::jpeg::JpegEncoder;
use image::codecs::png::{CompressionType, FilterType, PngEncoder};
use image::{ExtendedColorType, ImageEncoder};
use narrows::web::router::router;
use narrows::web::serve::Listeners;
use narrows::web::{App, Limits, Site};
use serde_json::Value;

struct Served {
    child: Child,
    port: u16,
    token: String,
    _folder: tempfile::TempDir,
}

impl Drop for Served {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Served {
    fn new(args: &[&str]) -> (Self, Value) {
        let folder = tempfile::tempdir().unwrap();
        let mut child = Command::new(env!("CARGO_BIN_EXE_narrows"))
            .args(["serve", "--port", "0", "--json", "--logbook"])
            .arg(folder.path().join("logbook.db"))
            .args(args)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut line = String::new();
        BufReader::new(child.stdout.as_mut().unwrap()).read_line(&mut line).unwrap();
        let told: Value = serde_json::from_str(&line).unwrap();
        let port = told["address"].as_str().unwrap().rsplit(':').next().unwrap().parse().unwrap();
        let mut served = Self { child, port, token: String::new(), _folder: folder };
        let (status, about) = served.request("GET", "/api", b"");
        assert_eq!(status, 200);
        served.token = serde_json::from_slice::<Value>(&about).unwrap()["token"].as_str().unwrap().to_owned();
        (served, told)
    }

    fn request(&self, method: &str, path: &str, body: &[u8]) -> (u16, Vec<u8>) {
        request(self.port, &self.token, method, path, body).unwrap()
    }

    fn memory_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with("VmHWM")).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    fn end(&self) {
        assert!(Command::new("kill").args(["-TERM", &self.child.id().to_string()]).status().unwrap().success());
    }
}

fn head(port: u16, token: &str, method: &str, path: &str, length: usize) -> String {
    format!(
        "{method} {path} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\nX-Narrows-Token: {token}\r\n\
         Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n"
    )
}

fn request(port: u16, token: &str, method: &str, path: &str, body: &[u8]) -> std::io::Result<(u16, Vec<u8>)> {
    let mut stream = TcpStream::connect(("127.0.0.1", port))?;
    stream.set_read_timeout(Some(Duration::from_secs(240)))?;
    stream.write_all(head(port, token, method, path, body.len()).as_bytes())?;
    stream.write_all(body)?;
    answer(stream)
}

/// Status and body; chunks are not asked for, since the connection closes behind the answer.
fn answer(mut stream: TcpStream) -> std::io::Result<(u16, Vec<u8>)> {
    let mut bytes = Vec::new();
    stream.read_to_end(&mut bytes)?;
    let end = bytes.windows(4).position(|four| four == b"\r\n\r\n").unwrap_or(bytes.len());
    let head = String::from_utf8_lossy(&bytes[..end]).into_owned();
    let status = head.split(' ').nth(1).and_then(|status| status.parse().ok()).unwrap_or(0);
    Ok((status, bytes.get(end + 4..).unwrap_or_default().to_vec()))
}

/// Noise of 4000 × 3000 pixels, this many bits deep.
fn twelve_megapixels(bits: u32) -> Vec<u8> {
    let mut seed = 1u32;
    let noise = |_| {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> (32 - bits)) as u8
    };
    (0..4000 * 3000).map(noise).collect()
}

/// As a phone would send it.
fn jpeg() -> Vec<u8> {
    let pixels: Vec<u8> = twelve_megapixels(4).into_iter().map(|light| 150 + light).collect();
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 85).write_image(&pixels, 4000, 3000, ExtendedColorType::L8).unwrap();
    bytes
}

/// As large as a file of so many pixels can be: noise that nothing compresses.
fn large_png() -> Vec<u8> {
    let mut bytes = Vec::new();
    PngEncoder::new_with_quality(&mut bytes, CompressionType::Fast, FilterType::NoFilter)
        .write_image(&twelve_megapixels(8), 4000, 3000, ExtendedColorType::L8)
        .unwrap();
    bytes
}

#[test]
fn without_lan_only_loopback_is_bound() {
    let (served, told) = Served::new(&[]);
    assert_eq!(told["lan"], serde_json::json!([]));
    let mut others = if_addrs::get_if_addrs().unwrap();
    others.retain(|interface| !interface.is_loopback() && interface.ip().is_ipv4());
    for other in others {
        assert!(TcpStream::connect((other.ip(), served.port)).is_err(), "{} is open", other.ip());
    }
    // And a port that is taken is told in two lines.
    let taken = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let output = Command::new(env!("CARGO_BIN_EXE_narrows")).args(["serve", "--port", &port]).output().unwrap();
    assert_eq!(output.status.code(), Some(2));
    let told = String::from_utf8(output.stderr).unwrap();
    assert!(told.starts_with("error: port") && told.contains("\nhint: "), "{told}");
}

#[test]
fn fifty_uploads_at_once_stay_within_bounds() {
    // A JPEG's light is kept as one byte a pixel: 512 MiB hold 44 of 12 megapixels.
    fifty_at_once(jpeg(), 44);
}

#[test]
fn fifty_uploads_that_are_too_large_to_be_held_together_stay_within_bounds() {
    let picture = large_png();
    assert!(50 * picture.len() > 2 * Limits::default().room_bytes);
    // Two bytes a pixel.
    fifty_at_once(picture, 22);
}

/// Sends a picture fifty times at once; so many of them are kept.
fn fifty_at_once(picture: Vec<u8>, kept: usize) {
    let (served, _) = Served::new(&[]);
    let before = served.memory_kib();
    let picture = Arc::new(picture);
    let begun = Instant::now();
    let senders: Vec<_> = (0..50)
        .map(|number| {
            let (port, token, picture) = (served.port, served.token.clone(), Arc::clone(&picture));
            thread::spawn(move || {
                request(port, &token, "POST", &format!("/api/pictures?name={number}.jpg"), &picture).unwrap()
            })
        })
        .collect();
    // Somebody else is answered meanwhile.
    let asked = Instant::now();
    assert_eq!(served.request("GET", "/", b"").0, 200);
    let waited = asked.elapsed();
    let statuses: Vec<u16> = senders.into_iter().map(|sender| sender.join().unwrap().0).collect();
    let sent = begun.elapsed();
    assert!(statuses.iter().all(|status| *status == 202), "{statuses:?}");
    loop {
        let (_, list) = served.request("GET", "/api/pictures", b"");
        let list: Value = serde_json::from_slice(&list).unwrap();
        let list = list.as_array().unwrap();
        assert!(list.iter().all(|picture| picture["state"] != "failed"));
        if list.iter().all(|picture| picture["state"] == "ready") {
            assert_eq!(list.len(), kept);
            break;
        }
        thread::sleep(Duration::from_millis(50));
    }
    let peak = served.memory_kib();
    println!(
        "50 uploads of {:.1} MB (12 megapixels) at once: sent in {sent:.1?}, all decoded in {:.1?}, another request answered \
         in {waited:.1?}, peak memory {} MiB (before: {} MiB)",
        picture.len() as f64 / 1e6,
        begun.elapsed(),
        peak >> 10,
        before >> 10
    );
    // Files on their way 256 MiB, kept pictures 512 MiB, two being decoded at eight bytes a pixel, and the allocator's share.
    assert!(peak < 1300 << 10, "{} MiB", peak >> 10);
}

#[test]
fn a_second_upload_does_not_wait_for_the_first() {
    let (served, _) = Served::new(&[]);
    let strip = include_bytes!("../fixtures/north-scan.jpg");
    // One that has stopped half-way, and one that is being decoded.
    let mut first = TcpStream::connect(("127.0.0.1", served.port)).unwrap();
    first
        .write_all(head(served.port, &served.token, "POST", "/api/pictures?name=first", strip.len()).as_bytes())
        .unwrap();
    first.write_all(&strip[..strip.len() / 2]).unwrap();
    assert_eq!(served.request("POST", "/api/pictures?name=large.png", &large_png()).0, 202);
    let begun = Instant::now();
    let (status, answered) = served.request("POST", "/api/pictures?name=second", strip);
    assert_eq!(status, 202);
    let id = serde_json::from_slice::<Value>(&answered).unwrap()["id"].as_str().unwrap().to_owned();
    let state = || {
        let (_, state) = served.request("GET", &format!("/api/pictures/{id}"), b"");
        serde_json::from_slice::<Value>(&state).unwrap()["state"].clone()
    };
    while state() != "ready" {
        assert!(begun.elapsed() < Limits::default().silence / 2, "the second waits for the first");
        thread::sleep(Duration::from_millis(5));
    }
    println!("with one upload stalled and a large one being decoded, another was ready in {:.1?}", begun.elapsed());
    first.write_all(&strip[strip.len() / 2..]).unwrap();
    assert_eq!(answer(first).unwrap().0, 202);
}

#[test]
fn fifty_silent_senders_are_cut_off_or_told_to_come_back() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let listeners = runtime.block_on(Listeners::bind(0, false)).unwrap();
    let port = listeners.port;
    // Two files fill the room, as two of the largest do by default; the times are a fiftieth of the usual ones.
    let limits = Limits {
        upload_bytes: 128 << 10,
        room_bytes: 256 << 10,
        silence: Duration::from_millis(200),
        patience: Duration::from_millis(1200),
        ..Limits::default()
    };
    let app = App::new(Site::new(port, vec![]), false, limits, None);
    let token = app.token().to_owned();
    runtime.spawn(listeners.serve(router(app), limits.head, std::future::pending()));
    let begun = Instant::now();
    let silent: Vec<_> = (0..50)
        .map(|_| {
            let token = token.clone();
            thread::spawn(move || {
                let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
                stream.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
                let head = head(port, &token, "POST", "/api/pictures?name=x", 128 << 10);
                stream.write_all(head.as_bytes()).unwrap();
                let mut told = String::new();
                stream.read_to_string(&mut told).unwrap();
                told
            })
        })
        .collect();
    let told: Vec<String> = silent.into_iter().map(|sender| sender.join().unwrap()).collect();
    let all = begun.elapsed();
    let count = |status: &str| told.iter().filter(|told| told.starts_with(&format!("HTTP/1.1 {status}"))).count();
    let [cut_off, refused] = [count("408"), count("503")];
    println!("of 50 silent senders {cut_off} were cut off and {refused} told to come back, all within {all:.1?}");
    assert_eq!(cut_off + refused, 50, "{told:?}");
    assert!(cut_off >= 2 && refused >= 2, "{cut_off} cut off, {refused} refused");
    assert!(all < Duration::from_secs(10), "{all:?}");
    let comes_back = |told: &&String| told.to_lowercase().contains("retry-after: 5") && told.contains("try again");
    assert_eq!(told.iter().filter(comes_back).count(), refused);
    // Their room is free again.
    let strip = include_bytes!("../fixtures/north-scan.jpg");
    let (status, _) = request(port, &token, "POST", "/api/pictures?name=x", &strip[..100_000]).unwrap();
    assert_eq!(status, 202);
}

/// Tells when it is dropped.
struct Dropped(std::sync::mpsc::Sender<Duration>, Instant);

impl Drop for Dropped {
    fn drop(&mut self) {
        let _ = self.0.send(self.1.elapsed());
    }
}

#[test]
fn a_request_ends_when_its_connection_is_closed() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let listeners = runtime.block_on(Listeners::bind(0, false)).unwrap();
    let port = listeners.port;
    let (told, ended) = std::sync::mpsc::channel();
    let slow = move || {
        let dropped = Dropped(told.clone(), Instant::now());
        async move {
            tokio::time::sleep(Duration::from_secs(20)).await;
            drop(dropped);
        }
    };
    let router = axum::Router::new().route("/", axum::routing::get(slow));
    runtime.spawn(listeners.serve(router, Duration::from_secs(15), std::future::pending()));
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.write_all(head(port, "", "GET", "/", 0).as_bytes()).unwrap();
    thread::sleep(Duration::from_millis(200));
    drop(stream);
    let after = ended.recv_timeout(Duration::from_secs(10)).unwrap();
    assert!(after < Duration::from_secs(5), "{after:?}");
}

#[test]
fn slow_clients_are_cut_off_and_requests_under_way_are_finished() {
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    let listeners = runtime.block_on(Listeners::bind(0, false)).unwrap();
    let port = listeners.port;
    let limits = Limits { head: Duration::from_millis(400), silence: Duration::from_millis(400), ..Limits::default() };
    let app = App::new(Site::new(port, vec![]), false, limits, None);
    let token = app.token().to_owned();
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let server = runtime.spawn(listeners.serve(router(app), limits.head, async {
        let _ = stopped.await;
    }));
    let closed_within = |first: &str| {
        let begun = Instant::now();
        let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(10))).unwrap();
        stream.write_all(first.as_bytes()).unwrap();
        let mut rest = Vec::new();
        stream.read_to_end(&mut rest).unwrap();
        (begun.elapsed(), String::from_utf8_lossy(&rest).into_owned())
    };
    // A head that never ends, and a file that never comes.
    let (after, _) = closed_within("GET / HTTP/1.1\r\nHost: ");
    assert!(after < Duration::from_secs(5), "{after:?}");
    let (after, told) = closed_within(&head(port, &token, "POST", "/api/pictures?name=x", 1000));
    assert!(
        after < Duration::from_secs(5) && told.contains("408") && told.contains("stopped arriving"),
        "{after:?} {told}"
    );
    println!("a silent sender was cut off after {after:.1?} with 0.4 s of patience");

    // The server is told to stop while a file is on its way: that one is taken, a new one is not.
    let body = include_bytes!("../fixtures/north-scan.jpg");
    let mut under_way = TcpStream::connect(("127.0.0.1", port)).unwrap();
    under_way.write_all(head(port, &token, "POST", "/api/pictures?name=x", body.len()).as_bytes()).unwrap();
    under_way.write_all(&body[..1000]).unwrap();
    thread::sleep(Duration::from_millis(100));
    stop.send(()).unwrap();
    thread::sleep(Duration::from_millis(100));
    assert!(TcpStream::connect(("127.0.0.1", port)).is_err());
    under_way.write_all(&body[1000..]).unwrap();
    assert_eq!(answer(under_way).unwrap().0, 202);
    runtime.block_on(async { tokio::time::timeout(Duration::from_secs(5), server).await }).unwrap().unwrap();
}

#[test]
fn a_polite_end_exits_cleanly() {
    let (mut served, _) = Served::new(&[]);
    assert_eq!(served.request("POST", "/api/demo", b"{}").0, 200);
    served.end();
    let begun = Instant::now();
    let status = served.child.wait().unwrap();
    assert_eq!(status.code(), Some(0));
    assert!(begun.elapsed() < Duration::from_secs(20));
}
