//! The decoded pictures, kept in memory so that a line or an end moved by hand is read again at once.

use std::collections::VecDeque;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Instant;

use serde::Serialize;

use super::failure::{Failure, Told};
use super::pairing::random_hex;
use crate::photo::Photo;
use crate::reading::{KeptLines, Reading};
use crate::setup::Setup;

/// Entries remembered, pictures that could not be decoded among them.
const MOST_ENTRIES: usize = 64;
/// Longest name kept, in characters.
const MOST_NAME: usize = 120;

/// A picture and what became of it.
#[derive(Debug, Clone)]
pub(super) struct Picture {
    pub(super) id: String,
    /// As the sender named it: shown, and never used as a path.
    pub(super) name: String,
    /// True where another machine sent it.
    pub(super) from_elsewhere: bool,
    received: Instant,
    /// SHA-256 of the file, in hexadecimal digits.
    pub(super) sha256: Option<String>,
    pub(super) state: PictureState,
    /// The last reading, for the drawings and tables that go with it.
    pub(super) shown: Option<Arc<Shown>>,
}

/// How far a picture has come.
#[derive(Debug, Clone)]
pub(super) enum PictureState {
    Waiting,
    Decoding,
    Ready(Arc<Photo>),
    Failed(Told),
}

/// A reading with what it was read with.
#[derive(Debug)]
pub(super) struct Shown {
    pub(super) reading: Reading,
    pub(super) setup: Setup,
    /// The same as a setup file.
    pub(super) setup_text: String,
    /// True where the line or the ends were given by hand.
    pub(super) by_hand: bool,
    /// The line in pixels, which stays while only lengths or the ramp's ends change.
    pub(super) line: Arc<KeptLines>,
}

/// A picture as the page lists it.
#[derive(Debug, Serialize)]
pub(super) struct PictureView {
    id: String,
    name: String,
    from_elsewhere: bool,
    age_s: u64,
    state: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    error: Option<Told>,
    #[serde(skip_serializing_if = "Option::is_none")]
    width_px: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    height_px: Option<usize>,
    #[serde(skip_serializing_if = "Option::is_none")]
    orientation: Option<u8>,
    #[serde(skip_serializing_if = "Option::is_none")]
    captured_at: Option<String>,
}

/// Pictures in the order of their arrival.
#[derive(Debug)]
pub(super) struct Pictures {
    most_bytes: usize,
    entries: Mutex<VecDeque<Picture>>,
}

impl Pictures {
    pub(super) const fn new(most_bytes: usize) -> Self {
        Self { most_bytes, entries: Mutex::new(VecDeque::new()) }
    }

    fn lock(&self) -> MutexGuard<'_, VecDeque<Picture>> {
        self.entries.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A place for a picture that has arrived, and its id, which nobody can guess.
    pub(super) fn add(&self, name: &str, from_elsewhere: bool) -> String {
        let id = random_hex();
        let name: String = crate::printable::printable(name).chars().take(MOST_NAME).collect();
        let name = if name.trim().is_empty() { "picture".to_owned() } else { name };
        let mut entries = self.lock();
        entries.push_back(Picture {
            id: id.clone(),
            name,
            from_elsewhere,
            received: Instant::now(),
            sha256: None,
            state: PictureState::Waiting,
            shown: None,
        });
        while entries.len() > MOST_ENTRIES {
            entries.pop_front();
        }
        id
    }

    /// Changes a picture's state; false where it was taken away in the meantime.
    pub(super) fn set(&self, id: &str, state: PictureState) -> bool {
        let mut entries = self.lock();
        let Some(picture) = entries.iter_mut().find(|picture| picture.id == id) else { return false };
        picture.state = state;
        self.make_room(&mut entries, id);
        true
    }

    /// Whether the picture has not been taken away.
    pub(super) fn has(&self, id: &str) -> bool {
        self.lock().iter().any(|picture| picture.id == id)
    }

    pub(super) fn set_sha256(&self, id: &str, sha256: String) {
        if let Some(picture) = self.lock().iter_mut().find(|picture| picture.id == id) {
            picture.sha256 = Some(sha256);
        }
    }

    /// Lets the oldest decoded pictures go until the rest fits; never the one named.
    fn make_room(&self, entries: &mut VecDeque<Picture>, newest: &str) {
        let bytes = |picture: &Picture| match &picture.state {
            PictureState::Ready(photo) => photo.held_bytes(),
            _ => 0,
        };
        let mut total: usize = entries.iter().map(bytes).sum();
        while total > self.most_bytes {
            let Some(oldest) = entries.iter().position(|picture| bytes(picture) > 0 && picture.id != newest) else {
                break;
            };
            total -= entries.remove(oldest).as_ref().map_or(0, bytes);
        }
    }

    pub(super) fn show(&self, id: &str, shown: Arc<Shown>) {
        if let Some(picture) = self.lock().iter_mut().find(|picture| picture.id == id) {
            picture.shown = Some(shown);
        }
    }

    pub(super) fn get(&self, id: &str) -> Result<Picture, Failure> {
        self.lock().iter().find(|picture| picture.id == id).cloned().ok_or_else(Failure::gone)
    }

    /// The decoded picture, with its name.
    pub(super) fn photo(&self, id: &str) -> Result<(Arc<Photo>, String), Failure> {
        let picture = self.get(id)?;
        match picture.state {
            PictureState::Ready(photo) => Ok((photo, picture.name)),
            PictureState::Failed(told) => Err(Failure::about(told)),
            PictureState::Waiting | PictureState::Decoding => Err(Failure::new(
                axum::http::StatusCode::CONFLICT,
                "not_ready",
                "the picture is still being opened",
                "ask again when its state is ready",
            )),
        }
    }

    pub(super) fn remove(&self, id: &str) -> Result<(), Failure> {
        let mut entries = self.lock();
        let before = entries.len();
        entries.retain(|picture| picture.id != id);
        if entries.len() < before { Ok(()) } else { Err(Failure::gone()) }
    }

    /// The newest first.
    pub(super) fn list(&self) -> Vec<PictureView> {
        self.lock().iter().rev().map(PictureView::from).collect()
    }
}

impl From<&Picture> for PictureView {
    fn from(picture: &Picture) -> Self {
        let photo = match &picture.state {
            PictureState::Ready(photo) => Some(photo),
            _ => None,
        };
        Self {
            id: picture.id.clone(),
            name: picture.name.clone(),
            from_elsewhere: picture.from_elsewhere,
            age_s: picture.received.elapsed().as_secs(),
            state: match &picture.state {
                PictureState::Waiting => "waiting",
                PictureState::Decoding => "decoding",
                PictureState::Ready(_) => "ready",
                PictureState::Failed(_) => "failed",
            },
            error: match &picture.state {
                PictureState::Failed(told) => Some(told.clone()),
                _ => None,
            },
            width_px: photo.map(|photo| photo.width()),
            height_px: photo.map(|photo| photo.height()),
            orientation: photo.map(|photo| photo.orientation),
            captured_at: photo.and_then(|photo| photo.captured_at.clone()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ndarray::Array2;

    fn photo(side: usize) -> PictureState {
        PictureState::Ready(Arc::new(Photo::from_light(Array2::zeros((side, side)))))
    }

    #[test]
    fn the_oldest_pictures_make_room_and_the_newest_stays() {
        // Two pictures of 100 × 100 pixels of two bytes fit, three do not.
        let pictures = Pictures::new(45_000);
        let ids: Vec<String> = ["a", "b", "c"].map(|name| pictures.add(name, false)).into();
        for id in &ids {
            assert!(pictures.set(id, photo(100)));
        }
        assert!(pictures.photo(&ids[0]).is_err());
        assert!(pictures.photo(&ids[1]).is_ok() && pictures.photo(&ids[2]).is_ok());
        let large = pictures.add("large", false);
        assert!(pictures.set(&large, photo(400)));
        assert!(pictures.photo(&large).is_ok());
        assert_eq!(pictures.list().len(), 1);
    }

    #[test]
    fn a_picture_taken_away_takes_no_state() {
        let pictures = Pictures::new(1000);
        let id = pictures.add("a", false);
        pictures.remove(&id).unwrap();
        assert!(!pictures.set(&id, photo(10)));
        assert!(pictures.remove(&id).is_err());
    }

    #[test]
    fn names_are_shown_and_harmless() {
        let pictures = Pictures::new(1000);
        let id = pictures.add(&format!("../\u{1b}[2J{}", "x".repeat(500)), false);
        let name = pictures.get(&id).unwrap().name;
        assert!(name.chars().count() == MOST_NAME && !name.contains('\u{1b}'));
    }
}
