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

/// A noisy picture of 4000 × 3000 pixels, as a phone would send it.
fn twelve_megapixels() -> Vec<u8> {
    let mut seed = 1u32;
    let pixels: Vec<u8> = (0..4000 * 3000)
        .map(|_| {
            seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            150 + (seed >> 28) as u8
        })
        .collect();
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, 85).write_image(&pixels, 4000, 3000, ExtendedColorType::L8).unwrap();
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
    let (served, _) = Served::new(&[]);
    let before = served.memory_kib();
    let picture = Arc::new(twelve_megapixels());
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
            // 512 MiB hold 22 pictures of 12 megapixels and two bytes a pixel.
            assert_eq!(list.len(), 22);
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
