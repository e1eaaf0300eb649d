//! The page: a strip is read in a browser on the shop's own machine, or on a phone beside it.
//!
//! ```text
//! socket ─serve─▶ guard ─▶ router ─▶ upload ─▶ pictures ◀─ reading ─▶ JSON
//!                   ▲                              ▲
//!                pairing                         setups
//! ```
//!
//! [`router::router`] answers requests and opens no socket, so that tests call it directly; [`serve`] opens the socket. Nothing
//! here measures or decides: every number and sentence comes from the library that the command line uses too. No path
//! that a request names is ever opened, and nothing leaves the machine.

mod assets;
mod demo;
mod drifts;
mod failure;
mod guard;
mod logbooks;
pub mod pairing;
mod pictures;
mod plans;
mod readings;
pub mod router;
pub mod serve;
mod setups;
mod stacks;
mod upload;
mod views;
mod words;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use tokio::sync::Semaphore;

use pairing::Pairing;
use pictures::Pictures;

pub use guard::{Peer, Site};

/// What the page may use. Sizes in bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Largest picture file taken.
    pub upload_bytes: usize,
    /// All files that are being received or wait to be decoded, together.
    pub room_bytes: usize,
    /// All decoded pictures kept, together; the newest is kept in any case.
    pub kept_bytes: usize,
    /// Largest picture decoded, in millions of pixels.
    pub max_megapixels: f64,
    /// Pictures decoded, and pictures read, at one time.
    pub at_once: usize,
    /// How long a request may wait for room before it is told to come back.
    pub patience: Duration,
    /// How long a request's head may take to arrive; an idle connection is closed after it too.
    pub head: Duration,
    /// How long a sender may be silent.
    pub silence: Duration,
    /// Slowest sender that is waited for, in bytes per second over the whole file.
    pub least_rate: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self {
            upload_bytes: 128 << 20,
            room_bytes: 256 << 20,
            kept_bytes: 512 << 20,
            max_megapixels: 100.0,
            at_once: 2,
            patience: Duration::from_secs(60),
            head: Duration::from_secs(15),
            silence: Duration::from_secs(10),
            least_rate: 32 << 10,
        }
    }
}

/// Everything the requests share.
#[derive(Debug)]
pub struct App {
    limits: Limits,
    site: Site,
    /// A page of another site cannot read it, and every request that changes something must carry it.
    token: String,
    pairing: Option<Pairing>,
    pictures: Pictures,
    /// Room for files on their way in, in KiB.
    room: Arc<Semaphore>,
    decoders: Arc<Semaphore>,
    readers: Arc<Semaphore>,
    logbook: Option<PathBuf>,
}

impl App {
    /// A page for the given addresses. With `lan` other machines may be paired; without, only this machine is served.
    /// `logbook` is the logbook's file; without one nothing is kept.
    ///
    /// # Panics
    /// Where the system gives no random numbers: without them nothing here would be safe.
    pub fn new(site: Site, lan: bool, limits: Limits, logbook: Option<PathBuf>) -> Arc<Self> {
        Arc::new(Self {
            limits,
            site,
            token: pairing::random_hex(),
            pairing: lan.then(Pairing::new),
            pictures: Pictures::new(limits.kept_bytes),
            room: Arc::new(Semaphore::new(limits.room_bytes >> 10)),
            decoders: Arc::new(Semaphore::new(limits.at_once)),
            readers: Arc::new(Semaphore::new(limits.at_once)),
            logbook,
        })
    }

    /// The pairing of other machines, where it is switched on.
    pub const fn pairing(&self) -> Option<&Pairing> {
        self.pairing.as_ref()
    }

    /// What the page may use.
    pub const fn limits(&self) -> &Limits {
        &self.limits
    }

    /// Where the page is.
    pub const fn site(&self) -> &Site {
        &self.site
    }

    /// The word that requests which change something must carry.
    pub fn token(&self) -> &str {
        &self.token
    }
}
