//! The red light of a picture in colours, decoded when it is first asked for.

use std::path::PathBuf;
use std::sync::{Arc, OnceLock};

use super::decode::{self, DecodeOptions, Decoded};
use super::luminance::Light;
use super::{DecodeError, Photo};

/// Where a picture in colours came from, so that it can be decoded once more.
#[derive(Debug)]
pub(super) struct Origin {
    kept: Kept,
    options: DecodeOptions,
    red: OnceLock<Option<Arc<Photo>>>,
}

/// What of it is kept.
#[derive(Debug)]
enum Kept {
    Path(PathBuf),
    Bytes(Arc<[u8]>),
}

impl Origin {
    pub(super) fn file(path: PathBuf, options: DecodeOptions) -> Self {
        Self { kept: Kept::Path(path), options, red: OnceLock::new() }
    }

    pub(super) fn bytes(bytes: &[u8], options: DecodeOptions) -> Self {
        Self { kept: Kept::Bytes(bytes.into()), options, red: OnceLock::new() }
    }

    /// The red light, of a picture of this size: a file may have changed since.
    pub(super) fn red(&self, [width, height]: [usize; 2]) -> Option<Arc<Photo>> {
        let red = self.red.get_or_init(|| self.decode().ok().map(|decoded| Arc::new(decoded.photo)));
        red.clone().filter(|red| [red.width(), red.height()] == [width, height])
    }

    fn decode(&self) -> Result<Decoded, DecodeError> {
        match &self.kept {
            Kept::Path(path) => decode::of_file(path, &self.options, Light::Red),
            Kept::Bytes(bytes) => decode::of_bytes(bytes, &self.options, Light::Red),
        }
    }

    /// Bytes of memory that it holds.
    pub(super) fn held_bytes(&self) -> usize {
        let file = match &self.kept {
            Kept::Path(_) => 0,
            Kept::Bytes(bytes) => bytes.len(),
        };
        file + self.red.get().and_then(Option::as_ref).map_or(0, |red| red.held_bytes())
    }
}
