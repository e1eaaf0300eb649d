//! From a file or bytes to a [`Photo`].

use std::borrow::Cow;
use std::fs::File;
use std::io::{self, BufRead, BufReader, Cursor, Read, Seek, SeekFrom};
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::Path;
use std::sync::Arc;

use bytemuck::Zeroable;
use bytemuck::allocation::try_zeroed_slice_box;

use super::error::{DecodeError, Format};
use super::exif::Facts;
use super::luminance::Light;
use super::plane::Plane;
use super::red::Origin;
use super::{Photo, bitmap, jpeg, png, tiff};

/// What limits decoding.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DecodeOptions {
    /// Largest picture accepted, in megapixels (10⁶ pixels), checked from the header before anything large is
    /// allocated. A picture needs one or two bytes a pixel here, and up to eight while it is decoded.
    pub max_megapixels: f64,
}

impl Default for DecodeOptions {
    fn default() -> Self {
        Self { max_megapixels: 200.0 }
    }
}

impl DecodeOptions {
    /// Refuses sizes that hold nothing or too much.
    pub(super) fn check_size(&self, width: u64, height: u64) -> Result<(), DecodeError> {
        if width == 0 || height == 0 {
            return Err(DecodeError::ZeroSized { width, height });
        }
        let megapixels = width as f64 * height as f64 / 1e6;
        // A limit that is no number lets nothing pass.
        if megapixels <= self.max_megapixels {
            Ok(())
        } else {
            Err(DecodeError::TooManyPixels { width, height, megapixels, limit: self.max_megapixels })
        }
    }
}

/// Decodes a picture file: JPEG, PNG, TIFF (first page), BMP, WebP (first frame), and HEIC with the feature `heic`.
/// The format is told from the contents; the file's name plays no part.
///
/// # Errors
///
/// Any [`DecodeError`]; each has a [`hint`](DecodeError::hint).
pub fn decode_file(path: &Path, options: &DecodeOptions) -> Result<Photo, DecodeError> {
    Ok(of_file(path, options, Light::Luminance)?.with_origin(|| Origin::file(path.to_owned(), *options)))
}

/// A picture file's light.
pub(super) fn of_file(path: &Path, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    // Asked before opening: opening a pipe would wait for a writer, and some systems refuse to open a directory.
    let metadata = std::fs::metadata(path).map_err(file_error)?;
    if metadata.is_dir() {
        return Err(DecodeError::IsDirectory);
    }
    if !metadata.is_file() {
        return Err(DecodeError::NotAFile);
    }
    let file = File::open(path).map_err(file_error)?;
    decode(Input::File { reader: BufReader::with_capacity(1 << 17, file), length: metadata.len() }, options, wanted)
}

/// Decodes a picture held in memory, in any of the formats of [`decode_file`]. Of a picture in colours the bytes are kept with it.
///
/// # Errors
///
/// Any [`DecodeError`] that does not concern the file itself.
pub fn decode_bytes(bytes: &[u8], options: &DecodeOptions) -> Result<Photo, DecodeError> {
    Ok(of_bytes(bytes, options, Light::Luminance)?.with_origin(|| Origin::bytes(bytes, *options)))
}

/// The light of a picture held in memory.
pub(super) fn of_bytes(bytes: &[u8], options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    decode(Input::Bytes(Cursor::new(bytes)), options, wanted)
}

/// A picture, and whether its file has colours.
pub(super) struct Decoded {
    pub(super) photo: Photo,
    in_colours: bool,
}

impl Decoded {
    /// The picture with its facts.
    pub(super) fn new(light: impl Into<Plane>, facts: Facts, in_colours: bool) -> Self {
        let photo = Photo {
            plane: light.into(),
            orientation: facts.orientation.tag(),
            resolution: facts.resolution.map(|claim| claim.turned(facts.orientation.is_quarter_turn())),
            from_camera: facts.from_camera,
            captured_at: facts.captured_at,
            origin: None,
        };
        Self { photo, in_colours }
    }

    /// Remembers where a picture in colours came from.
    fn with_origin(self, origin: impl FnOnce() -> Origin) -> Photo {
        Photo { origin: self.in_colours.then(|| Arc::new(origin())), ..self.photo }
    }
}

fn file_error(source: io::Error) -> DecodeError {
    match source.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => DecodeError::Missing,
        io::ErrorKind::IsADirectory => DecodeError::IsDirectory,
        _ => DecodeError::Unreadable { source },
    }
}

/// Something that can be read in any order.
pub(super) trait Source: BufRead + Seek {}
impl<T: BufRead + Seek> Source for T {}

/// The encoded picture. Files are streamed where the format's decoder can, so that an uncompressed scan is not held
/// in memory twice.
pub(super) enum Input<'a> {
    File { reader: BufReader<File>, length: u64 },
    Bytes(Cursor<&'a [u8]>),
}

impl<'a> Input<'a> {
    /// Length in bytes.
    pub(super) fn length(&self) -> u64 {
        match self {
            Self::File { length, .. } => *length,
            Self::Bytes(bytes) => bytes.get_ref().len() as u64,
        }
    }

    /// A reader that stands at the start.
    pub(super) fn reader(&mut self) -> Result<&mut dyn Source, DecodeError> {
        let reader: &mut dyn Source = match self {
            Self::File { reader, .. } => reader,
            Self::Bytes(bytes) => bytes,
        };
        reader.seek(SeekFrom::Start(0)).map_err(file_error)?;
        Ok(reader)
    }

    /// The whole contents, for the decoders that want them at once.
    pub(super) fn into_bytes(self) -> Result<Cow<'a, [u8]>, DecodeError> {
        match self {
            Self::Bytes(bytes) => Ok(Cow::Borrowed(bytes.into_inner())),
            Self::File { mut reader, length } => {
                let mut bytes = Vec::new();
                let wanted = usize::try_from(length).map_err(|_| DecodeError::OutOfMemory { bytes: length })?;
                bytes.try_reserve_exact(wanted).map_err(|_| DecodeError::OutOfMemory { bytes: length })?;
                reader.seek(SeekFrom::Start(0)).map_err(file_error)?;
                // Bounded, so that a file that is still growing cannot outgrow what was reserved.
                reader.take(length).read_to_end(&mut bytes).map_err(file_error)?;
                Ok(Cow::Owned(bytes))
            }
        }
    }
}

fn decode(mut input: Input<'_>, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    let length = input.length();
    if length == 0 {
        return Err(DecodeError::Empty);
    }
    let mut start = Vec::with_capacity(64);
    input.reader()?.take(64).read_to_end(&mut start).map_err(file_error)?;
    let Some(format) = recognise(&start) else {
        return Err(if is_text(&start) { DecodeError::Text } else { DecodeError::NotAPicture { bytes: length } });
    };
    // The decoders are other people's code fed with whatever arrives; several have panicked on damaged files before
    // (arithmetic overflow, slice bounds). One bad picture must not take the other pictures of a call with it.
    catch_unwind(AssertUnwindSafe(|| match format {
        Format::Jpeg => jpeg::decode(input, options, wanted),
        Format::Png => png::decode(input, options, wanted),
        Format::Tiff => tiff::decode(input, options, wanted),
        Format::Bmp | Format::WebP => bitmap::decode(input, format, options, wanted),
        #[cfg(feature = "heic")]
        Format::Heic => super::heic::decode(input, options, wanted),
        #[cfg(not(feature = "heic"))]
        Format::Heic => Err(DecodeError::HeicNotBuiltIn),
        _ => Err(DecodeError::UnsupportedFormat { format }),
    }))
    .unwrap_or(Err(DecodeError::DecoderPanicked { format }))
}

/// Tells the format from a file's first bytes.
fn recognise(start: &[u8]) -> Option<Format> {
    let brand = (start.get(4..8) == Some(b"ftyp")).then(|| start.get(8..12)).flatten();
    if let Some(brand) = brand {
        return match brand {
            b"heic" | b"heix" | b"heim" | b"heis" | b"hevc" | b"hevx" | b"mif1" | b"msf1" => Some(Format::Heic),
            b"avif" | b"avis" => Some(Format::Avif),
            b"crx " => Some(Format::CameraRaw),
            _ => None,
        };
    }
    let raws: [&[u8]; 6] = [b"IIRO", b"IIRS", b"MMOR", b"IIU\0", b"FUJIFILMCCD-RAW", b"FOVb"];
    if raws.iter().any(|raw| start.starts_with(raw)) || (start.starts_with(b"II*\0") && start.get(8..10) == Some(b"CR"))
    {
        return Some(Format::CameraRaw);
    }
    let signatures: [(&[u8], Format); 15] = [
        (b"\xff\xd8", Format::Jpeg),
        // Without the line-end bytes: a transfer as text spoils those, and such a file is a damaged PNG, not "no picture".
        (b"\x89PNG", Format::Png),
        (b"II*\0", Format::Tiff),
        (b"MM\0*", Format::Tiff),
        (b"II+\0", Format::Tiff),
        (b"MM\0+", Format::Tiff),
        (b"GIF8", Format::Gif),
        (b"%PDF", Format::Pdf),
        (b"8BPS", Format::Photoshop),
        (b"\0\0\0\x0cjP  ", Format::Jpeg2000),
        (b"\xff\x4f\xff\x51", Format::Jpeg2000),
        (b"\0\0\0\x0cJXL ", Format::JpegXl),
        (b"\xff\x0a", Format::JpegXl),
        (b"<svg", Format::Svg),
        (b"BM", Format::Bmp),
    ];
    if start.starts_with(b"RIFF") && start.get(8..12) == Some(b"WEBP") {
        return Some(Format::WebP);
    }
    // "BM" also starts words.
    if start.starts_with(b"BM") && is_text(start) {
        return None;
    }
    signatures
        .iter()
        .find(|(signature, _)| start.starts_with(signature))
        .map(|&(_, format)| format)
        .or_else(|| image::guess_format(start).ok().map(|_| Format::Other))
}

fn is_text(start: &[u8]) -> bool {
    // A multi-byte character may be cut at the end of the excerpt.
    let valid = match std::str::from_utf8(start) {
        Ok(text) => text,
        Err(error) if error.error_len().is_none() => std::str::from_utf8(&start[..error.valid_up_to()]).unwrap_or(""),
        Err(_) => return false,
    };
    !valid.is_empty() && valid.chars().all(|c| !c.is_control() || matches!(c, '\n' | '\r' | '\t' | '\u{c}'))
}

/// A buffer of zeros, or an error where memory does not suffice. The system's own zeros where it has them: large buffers are
/// not written twice.
pub(super) fn zeroed<T: Zeroable>(length: usize) -> Result<Vec<T>, DecodeError> {
    let bytes = (length as u64).saturating_mul(size_of::<T>() as u64);
    // Beyond what an address can tell is beyond memory, too.
    if isize::try_from(bytes).is_err() {
        return Err(DecodeError::OutOfMemory { bytes });
    }
    let buffer = try_zeroed_slice_box(length).map_err(|()| DecodeError::OutOfMemory { bytes })?;
    Ok(buffer.into_vec())
}

/// Asks for memory and gives it back. Some decoders allocate without a way to fail; asking for the same amount just
/// before turns most of what would be an abort into an error.
pub(super) fn probe_memory(bytes: u64) -> Result<(), DecodeError> {
    let out_of_memory = || DecodeError::OutOfMemory { bytes };
    let wanted = usize::try_from(bytes).map_err(|_| out_of_memory())?;
    Vec::<u8>::new().try_reserve_exact(wanted.max(LEAST_PROBE)).map_err(|_| out_of_memory())
}

/// What is asked for at least, more than 32 MiB: of smaller blocks given back glibc learns to keep as much at hand from then on, which a
/// second look at the picture would have to live beside.
const LEAST_PROBE: usize = 33 << 20;
