//! Pairing: a machine on the local network shows once that somebody at this machine handed it a code.

use std::sync::Mutex;
use std::time::{Duration, Instant};

use qrcode::QrCode;
use qrcode::render::{svg, unicode};
use tokio::sync::watch;

/// Letters and digits that are not mistaken for each other.
const ALPHABET: &[u8; 32] = b"ABCDEFGHJKLMNPQRSTUVWXYZ23456789";
/// Characters of a code: 12 of 32 are 60 bits.
const CODE_LENGTH: usize = 12;
const CODE_LIVES: Duration = Duration::from_secs(10 * 60);
/// Wrong tries after which a code is void.
const WRONG_TRIES: u32 = 5;
const SESSION_LIVES: Duration = Duration::from_secs(12 * 60 * 60);
const MOST_SESSIONS: usize = 16;

/// Codes handed out and machines paired.
#[derive(Debug)]
pub struct Pairing {
    code: Mutex<Code>,
    sessions: Mutex<Vec<Session>>,
    current: watch::Sender<String>,
}

#[derive(Debug)]
struct Code {
    text: String,
    made: Instant,
    wrong: u32,
}

#[derive(Debug)]
struct Session {
    secret: String,
    begun: Instant,
}

impl Code {
    fn new() -> Self {
        let mut bytes = [0; CODE_LENGTH];
        fill_random(&mut bytes);
        // 256 is a multiple of 32: every letter is equally likely.
        let text = bytes.iter().map(|byte| char::from(ALPHABET[usize::from(byte % 32)])).collect();
        Self { text, made: Instant::now(), wrong: 0 }
    }
}

impl Pairing {
    pub(super) fn new() -> Self {
        let code = Code::new();
        let (current, _) = watch::channel(code.text.clone());
        Self { code: Mutex::new(code), sessions: Mutex::default(), current }
    }

    /// The code that pairs the next machine; a stale one is replaced first.
    pub fn code(&self) -> String {
        let mut code = lock(&self.code);
        if code.made.elapsed() > CODE_LIVES {
            self.replace(&mut code);
        }
        code.text.clone()
    }

    /// Tells whenever the code changes.
    pub fn changes(&self) -> watch::Receiver<String> {
        self.current.subscribe()
    }

    /// The secret of a new session where the code is right. A code serves once.
    pub(super) fn pair(&self, said: &str) -> Option<String> {
        let said: String = said.chars().filter(char::is_ascii_alphanumeric).map(|c| c.to_ascii_uppercase()).collect();
        let mut code = lock(&self.code);
        let is_fresh = code.made.elapsed() <= CODE_LIVES;
        if !(is_same(&said, &code.text) && is_fresh) {
            code.wrong += 1;
            if code.wrong >= WRONG_TRIES || !is_fresh {
                self.replace(&mut code);
            }
            return None;
        }
        self.replace(&mut code);
        drop(code);
        let secret = random_hex();
        let mut sessions = lock(&self.sessions);
        sessions.retain(|session| session.begun.elapsed() < SESSION_LIVES);
        if sessions.len() >= MOST_SESSIONS {
            sessions.remove(0);
        }
        sessions.push(Session { secret: secret.clone(), begun: Instant::now() });
        Some(secret)
    }

    pub(super) fn is_paired(&self, secret: &str) -> bool {
        lock(&self.sessions)
            .iter()
            .any(|session| session.begun.elapsed() < SESSION_LIVES && is_same(secret, &session.secret))
    }

    fn replace(&self, code: &mut Code) {
        *code = Code::new();
        self.current.send_replace(code.text.clone());
    }
}

/// The code in groups of four, as it is read out.
pub fn grouped(code: &str) -> String {
    code.as_bytes().chunks(4).map(String::from_utf8_lossy).collect::<Vec<_>>().join("-")
}

/// The address that a QR code carries. The code stands behind `#`, which a browser never sends: a preview that fetches
/// the address does not use the code up.
pub fn address(site: &str, code: &str) -> String {
    format!("{site}/pair#{code}")
}

/// A QR code for a terminal, two rows of modules a line. Dark on light whatever the terminal's colours are would need
/// escapes; scanners read both.
pub fn qr_for_terminal(text: &str) -> String {
    QrCode::new(text).map_or_else(
        |_| String::new(),
        |code| {
            code.render::<unicode::Dense1x2>()
                .dark_color(unicode::Dense1x2::Light)
                .light_color(unicode::Dense1x2::Dark)
                .build()
        },
    )
}

/// The same as SVG.
pub(super) fn qr_svg(text: &str) -> String {
    QrCode::new(text)
        .map_or_else(|_| String::new(), |code| code.render::<svg::Color<'_>>().min_dimensions(240, 240).build())
}

/// 128 random bits in hexadecimal digits.
pub(super) fn random_hex() -> String {
    let mut bytes = [0; 16];
    fill_random(&mut bytes);
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

fn fill_random(bytes: &mut [u8]) {
    getrandom::fill(bytes).expect("the system gives random numbers");
}

/// Compares in a time that does not tell how much was right.
pub(super) fn is_same(said: &str, wanted: &str) -> bool {
    let [said, wanted] = [said.as_bytes(), wanted.as_bytes()];
    said.len() == wanted.len() && said.iter().zip(wanted).fold(0, |differ, (a, b)| differ | (a ^ b)) == 0
}

fn lock<T>(mutex: &Mutex<T>) -> std::sync::MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_code_serves_once() {
        let pairing = Pairing::new();
        let code = pairing.code();
        let secret = pairing.pair(&grouped(&code).to_lowercase()).unwrap();
        assert!(pairing.is_paired(&secret));
        assert_eq!(pairing.pair(&code), None);
        assert_ne!(pairing.code(), code);
        assert!(!pairing.is_paired("") && !pairing.is_paired(&code));
    }

    #[test]
    fn five_wrong_tries_void_a_code() {
        let pairing = Pairing::new();
        let code = pairing.code();
        for _ in 0..4 {
            assert_eq!(pairing.pair("AAAA-AAAA-AAAA"), None);
        }
        assert_eq!(pairing.code(), code);
        assert_eq!(pairing.pair("nonsense"), None);
        assert_ne!(pairing.code(), code);
        assert_eq!(pairing.pair(&code), None);
    }

    #[test]
    fn the_oldest_of_many_machines_is_forgotten() {
        let pairing = Pairing::new();
        let secrets: Vec<String> = (0..=MOST_SESSIONS).map(|_| pairing.pair(&pairing.code()).unwrap()).collect();
        assert!(!pairing.is_paired(&secrets[0]));
        assert!(secrets[1..].iter().all(|secret| pairing.is_paired(secret)));
    }

    #[test]
    fn both_qr_codes_are_drawn() {
        let address = address("http://192.0.2.7:8470", "ABCDEFGHJKLM");
        assert!(qr_for_terminal(&address).lines().count() > 10);
        assert!(qr_svg(&address).contains("<svg"));
    }
}
