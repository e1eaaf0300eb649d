//! `narrows serve`: opens the socket, says where the page is, and stops when asked to.

use std::io::{self, Write};
use std::sync::Arc;

use narrows::logbook::default_path;
use narrows::web::pairing::{Pairing, address, grouped, qr_for_terminal};
use narrows::web::router::router;
use narrows::web::serve::Listeners;
use narrows::web::{App, Limits, Site};
use serde_json::json;
use tokio::runtime::Builder;

use crate::args::serve::ServeArgs;
use crate::exit::{Failure, Status};
use crate::output::to_stdout;

/// Serves until Ctrl-C.
///
/// # Errors
/// A port that cannot be listened on, or a standard output that cannot be written.
pub fn run(args: &ServeArgs) -> Result<Status, Failure> {
    let runtime = Builder::new_multi_thread().enable_all().build().map_err(|error| {
        Failure::broken(format!("the page cannot be started: {error}"), "close other programs and try again")
    })?;
    let status = runtime.block_on(serve(args));
    // Work that nobody waits for any more is not waited for either.
    runtime.shutdown_background();
    status
}

async fn serve(args: &ServeArgs) -> Result<Status, Failure> {
    let listeners = Listeners::bind(args.port, args.lan).await.map_err(|error| port_failure(args.port, &error))?;
    let site = Site::new(listeners.port, listeners.lan.clone());
    // Without a folder for data the page works and keeps nothing.
    let logbook = args.logbook.clone().or_else(|| default_path().ok());
    let limits = Limits { max_megapixels: args.max_megapixels, ..Limits::default() };
    let app = App::new(site, args.lan, limits, logbook);
    to_stdout(&if args.json { as_json(&app) } else { as_text(&app) })?;
    if let Some(pairing) = app.pairing()
        && !args.json
    {
        tokio::spawn(tell_new_codes(Arc::clone(&app), pairing.changes()));
    }
    listeners.serve(router(app), limits.head, stopped()).await;
    Ok(Status::Answered)
}

fn port_failure(port: u16, error: &io::Error) -> Failure {
    let what = format!("port {port} cannot be listened on: {error}");
    match error.kind() {
        io::ErrorKind::AddrInUse => Failure::request(
            what,
            "narrows may run already: look in the browser; or choose another port: narrows serve --port 0",
        ),
        _ => Failure::request(what, "choose another port, such as --port 8471"),
    }
}

/// Ctrl-C, or the system's polite way of ending a program. A second one ends it at once.
async fn stopped() {
    let first = signal().await;
    tokio::spawn(async {
        signal().await;
        std::process::exit(130);
    });
    let _ = writeln!(io::stderr(), "\nfinishing what is under way; once more to stop at once");
    first
}

#[cfg(unix)]
async fn signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut ended) = signal(SignalKind::terminate()) else {
        let _ = tokio::signal::ctrl_c().await;
        return;
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = ended.recv() => {}
    }
}

#[cfg(not(unix))]
async fn signal() {
    let _ = tokio::signal::ctrl_c().await;
}

fn as_json(app: &App) -> String {
    let object = json!({
        "schema": "narrows.serve/1",
        "address": app.site().here(),
        "lan": app.site().elsewhere(),
        "pairing_code": app.pairing().map(Pairing::code),
    });
    format!("{object}\n")
}

fn as_text(app: &App) -> String {
    let here = app.site().here();
    let mut text = format!("the page is at {here}, on this machine\nCtrl-C stops it\n");
    if let Some(pairing) = app.pairing() {
        text.push_str(&how_to_pair(app, &pairing.code()));
    }
    text
}

fn how_to_pair(app: &App, code: &str) -> String {
    let sites = app.site().elsewhere();
    let Some(first) = sites.first() else {
        return "\nno address on a local network was found: connect this machine and start again\n".to_owned();
    };
    let mut text = format!(
        "\nto pair a phone, scan this, or open {first}/pair and type {}\n\n{}\n",
        grouped(code),
        qr_for_terminal(&address(first, code))
    );
    if sites.len() > 1 {
        text.push_str(&format!("this machine has further addresses: {}\n", sites[1..].join(", ")));
    }
    text.push_str(
        "each code pairs one device and lives ten minutes; what a phone sends crosses the local network unencrypted\n",
    );
    text
}

/// A code that was used or guessed at is gone: the next one is shown.
async fn tell_new_codes(app: Arc<App>, mut changes: tokio::sync::watch::Receiver<String>) {
    while changes.changed().await.is_ok() {
        let code = changes.borrow_and_update().clone();
        let _ = to_stdout(&format!("\nthat code is used up or void; the next one:{}", how_to_pair(&app, &code)));
    }
}
