//! Why a file gave no picture.

use std::error::Error;
use std::fmt;
use std::io;

use thiserror::Error;

/// File formats told apart by their first bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[allow(missing_docs)]
pub enum Format {
    Jpeg,
    Png,
    Tiff,
    Bmp,
    WebP,
    Heic,
    Avif,
    Gif,
    Jpeg2000,
    JpegXl,
    Pdf,
    Photoshop,
    CameraRaw,
    Svg,
    Other,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Jpeg => "JPEG",
            Self::Png => "PNG",
            Self::Tiff => "TIFF",
            Self::Bmp => "BMP",
            Self::WebP => "WebP",
            Self::Heic => "HEIC",
            Self::Avif => "AVIF",
            Self::Gif => "GIF",
            Self::Jpeg2000 => "JPEG 2000",
            Self::JpegXl => "JPEG XL",
            Self::Pdf => "PDF",
            Self::Photoshop => "Photoshop",
            Self::CameraRaw => "camera raw",
            Self::Svg => "SVG",
            Self::Other => "rarely used picture",
        })
    }
}

/// A way of storing pixels that is known but not read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[allow(missing_docs)]
pub enum Encoding {
    /// JPEG with this many bits a sample.
    JpegPrecision(u8),
    JpegArithmetic,
    JpegLossless,
    /// JPEG with this many colour components.
    JpegComponents(u8),
    FloatingPoint,
    SignedIntegers,
    /// This many bits a sample.
    BitDepth(u8),
    Palette,
    Lab,
    /// This many samples a pixel, of unknown meaning.
    Bands(u16),
    /// TIFF compression tag with this value.
    TiffCompression(u16),
    /// Anything else the decoder names in the error's source.
    Unnamed,
}

impl fmt::Display for Encoding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::JpegPrecision(bits) => write!(f, "{bits} bits a sample"),
            Self::JpegArithmetic => f.write_str("arithmetic coding"),
            Self::JpegLossless => f.write_str("lossless JPEG coding"),
            Self::JpegComponents(count) => write!(f, "{count} colour components"),
            Self::FloatingPoint => f.write_str("floating-point samples"),
            Self::SignedIntegers => f.write_str("signed samples"),
            Self::BitDepth(bits) => write!(f, "{bits} bits a sample"),
            Self::Palette => f.write_str("a colour palette"),
            Self::Lab => f.write_str("CIE L*a*b* colour"),
            Self::Bands(count) => write!(f, "{count} bands of unknown meaning"),
            Self::TiffCompression(2 | 3) => f.write_str("fax compression"),
            Self::TiffCompression(tag) => write!(f, "compression method {tag}"),
            Self::Unnamed => f.write_str("a feature outside the common ones"),
        }
    }
}

/// A decoder's own account of what was wrong.
pub type Cause = Box<dyn Error + Send + Sync>;

/// Why a file gave no picture. The texts name no file: the caller knows it and puts its name first.
#[derive(Debug, Error)]
#[allow(missing_docs)]
pub enum DecodeError {
    #[error("there is no such file")]
    Missing,
    #[error("this is a directory, not a picture")]
    IsDirectory,
    #[error("this is a device or a pipe, not a picture file")]
    NotAFile,
    #[error("the file cannot be read")]
    Unreadable {
        #[source]
        source: io::Error,
    },
    #[error("the file is empty")]
    Empty,
    #[error("the file holds text, not a picture")]
    Text,
    #[error("the file does not start like any picture ({bytes} bytes)")]
    NotAPicture { bytes: u64 },
    #[error("the file is in {format} format, which is not read")]
    UnsupportedFormat { format: Format },
    #[error("the file is in HEIC format, which this build does not read")]
    HeicNotBuiltIn,
    #[error("this {format} file uses {encoding}, which is not read")]
    UnsupportedEncoding {
        format: Format,
        encoding: Encoding,
        #[source]
        source: Option<Cause>,
    },
    #[error("the {format} file ends after {bytes} bytes, before the picture does")]
    Truncated { format: Format, bytes: u64 },
    #[error("the {format} file is damaged")]
    Corrupt {
        format: Format,
        #[source]
        source: Option<Cause>,
    },
    #[error("the decoder broke down on this damaged {format} file")]
    DecoderPanicked { format: Format },
    #[error("the picture says it is {width} × {height} pixels, {megapixels:.1} megapixels; the limit is {limit}")]
    TooManyPixels { width: u64, height: u64, megapixels: f64, limit: f64 },
    #[error("the picture says it is {width} × {height} pixels, so it holds nothing")]
    ZeroSized { width: u64, height: u64 },
    #[error("the picture needs {bytes} bytes of memory at once, more than there is")]
    OutOfMemory { bytes: u64 },
}

impl DecodeError {
    /// What to do next: one imperative sentence for the person at the bench.
    pub fn hint(&self) -> &'static str {
        match self {
            Self::Missing => "check the name and the folder, or drag the picture into the terminal window",
            Self::IsDirectory => "name the picture inside the directory",
            Self::NotAFile => "save the picture as a file first and name that",
            Self::Unreadable { .. } => "copy the file somewhere you may read, or close the program that holds it",
            Self::Empty => "copy the picture from the scanner or phone again; this copy did not arrive",
            Self::Text => "name the picture itself; a file called .png or .jpg can still hold something else",
            Self::NotAPicture { .. } => "open the file in a picture viewer, and save it as PNG or JPEG if it shows",
            Self::UnsupportedFormat { format: Format::CameraRaw } => {
                "export the picture from the camera's own program as JPEG or 16-bit TIFF"
            }
            Self::UnsupportedFormat { format: Format::Pdf } => "scan again and choose PNG, TIFF or JPEG instead of PDF",
            Self::UnsupportedFormat { .. } => "open the picture in a viewer and save it as PNG, keeping its size",
            Self::HeicNotBuiltIn => {
                "send the picture from the phone as JPEG (on an iPhone: Settings, Camera, Formats, Most Compatible), \
                 or build narrows with the feature heic"
            }
            Self::UnsupportedEncoding { format: Format::Tiff, .. } => {
                "save the scan as an 8-bit or 16-bit grey or RGB TIFF, uncompressed or LZW, or as PNG"
            }
            Self::UnsupportedEncoding { .. } => "open the picture in a viewer and save it as 8-bit or 16-bit PNG",
            Self::Truncated { .. } => "copy the original picture from the scanner or phone again; this copy is cut off",
            Self::Corrupt { .. } | Self::DecoderPanicked { .. } => {
                "copy the original picture again, or scan or photograph the strip anew"
            }
            Self::TooManyPixels { .. } => {
                "crop the picture to the strip, or raise --max-megapixels if the size is real"
            }
            Self::ZeroSized { .. } => "scan or photograph the strip again; this file holds no pixels",
            Self::OutOfMemory { .. } => "crop the picture to the strip, or close other programs and try again",
        }
    }
}
