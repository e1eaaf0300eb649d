//! BMP and WebP, whose decoders deliver whole pictures of one byte a sample.

use std::io;

use image::codecs::bmp::BmpDecoder;
use image::codecs::webp::WebPDecoder;
use image::{ColorType, ImageDecoder, ImageError};

use super::decode::{DecodeOptions, Decoded, Input, Source, probe_memory};
use super::error::{DecodeError, Encoding, Format};
use super::exif::Facts;
use super::luminance::{Alpha, Colour, Converter, Depth, Layout, Light, Transfer};
use super::orientation::whole;

pub(super) fn decode(
    mut input: Input<'_>,
    format: Format,
    options: &DecodeOptions,
    wanted: Light,
) -> Result<Decoded, DecodeError> {
    let length = input.length();
    let sort = |error| sort_error(error, format, length);
    check_header(input.reader()?, format, length)?;
    if format == Format::Bmp {
        let decoder = BmpDecoder::new(input.reader()?).map_err(sort)?;
        return read(decoder, format, options, length, wanted);
    }
    // Of an animation the decoder delivers the first frame.
    let decoder = WebPDecoder::new(input.reader()?).map_err(sort)?;
    read(decoder, format, options, length, wanted)
}

/// Finds out what the decoders do not say: a picture without pixels, and a file shorter than it claims, of which the
/// EXIF block behind the pixels (and with it the orientation) would be missed in silence.
fn check_header(reader: &mut dyn Source, format: Format, length: u64) -> Result<(), DecodeError> {
    let mut start = [0; 26];
    if reader.read_exact(&mut start).is_err() {
        return Err(DecodeError::Truncated { format, bytes: length });
    }
    let field = |at: usize| u32::from_le_bytes([start[at], start[at + 1], start[at + 2], start[at + 3]]);
    match format {
        Format::Bmp if field(14) >= 40 && (field(18) == 0 || field(22) == 0) => {
            Err(DecodeError::ZeroSized { width: field(18).into(), height: field(22).into() })
        }
        Format::WebP if u64::from(field(4)) + 8 > length => Err(DecodeError::Truncated { format, bytes: length }),
        _ => Ok(()),
    }
}

fn read(
    mut decoder: impl ImageDecoder,
    format: Format,
    options: &DecodeOptions,
    length: u64,
    wanted: Light,
) -> Result<Decoded, DecodeError> {
    let (width, height) = decoder.dimensions();
    options.check_size(width.into(), height.into())?;
    let (colour, alpha) = match decoder.color_type() {
        ColorType::L8 => (Colour::Grey, Alpha::None),
        ColorType::La8 => (Colour::Grey, Alpha::Straight),
        ColorType::Rgb8 => (Colour::Rgb, Alpha::None),
        ColorType::Rgba8 => (Colour::Rgb, Alpha::Straight),
        other => {
            let bits = other.bits_per_pixel() / u16::from(other.channel_count()).max(1);
            let encoding = Encoding::BitDepth(bits as u8);
            return Err(DecodeError::UnsupportedEncoding { format, encoding, source: None });
        }
    };
    // A damaged EXIF block is no reason to refuse the pixels.
    let facts = decoder.exif_metadata().ok().flatten().map(|block| Facts::from_block(&block)).unwrap_or_default();
    let (width, height) = (width as usize, height as usize);
    let layout = Layout { colour, alpha, depth: Depth::Eight };
    let row_bytes = layout.row_bytes(width);
    // A run-length coded BMP makes at most 255 pixels of two bytes. (Its jumps could leave out more, of a blank picture.)
    if format == Format::Bmp && (width * height) as u64 > length.saturating_mul(128) {
        return Err(DecodeError::Truncated { format, bytes: length });
    }
    // WebP's decoder keeps its own planes beside: at most four bytes a pixel.
    probe_memory((row_bytes + 4 * width) as u64 * height as u64)?;
    let converter = Converter::new(layout, Transfer::Srgb, wanted);
    let plane = whole((width, height), facts.orientation, &converter, |pixels| {
        decoder.read_image(pixels).map_err(|error| sort_error(error, format, length))
    })?;
    Ok(Decoded::new(plane, facts, layout.colour != Colour::Grey))
}

fn sort_error(error: ImageError, format: Format, length: u64) -> DecodeError {
    match error {
        ImageError::IoError(source) if source.kind() == io::ErrorKind::UnexpectedEof => {
            DecodeError::Truncated { format, bytes: length }
        }
        ImageError::IoError(source) => DecodeError::Unreadable { source },
        ImageError::Unsupported(source) => {
            DecodeError::UnsupportedEncoding { format, encoding: Encoding::Unnamed, source: Some(source.into()) }
        }
        other => DecodeError::Corrupt { format, source: Some(other.into()) },
    }
}
