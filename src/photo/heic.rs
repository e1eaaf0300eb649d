//! HEIC through the system's libheif.

use libheif_rs::{
    ColorSpace, HeifContext, HeifError, HeifErrorCode, HeifErrorSubCode, ImageHandle, LibHeif, RgbChroma,
};

use super::decode::{DecodeOptions, Decoded, Input, probe_memory};
use super::error::{DecodeError, Encoding, Format};
use super::exif::Facts;
use super::luminance::{Alpha, Colour, Converter, Depth, Layout, Light, Transfer};
use super::orientation::{Canvas, Orientation};

pub(super) fn decode(input: Input<'_>, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    let bytes = input.into_bytes()?;
    let length = bytes.len() as u64;
    let sort = |error| sort_error(error, length);
    let library = LibHeif::new_checked().map_err(sort)?;
    let context = HeifContext::read_from_bytes(&bytes).map_err(sort)?;
    let handle = context.primary_image_handle().map_err(sort)?;
    options.check_size(handle.width().into(), handle.height().into())?;
    // The library rotates and mirrors as the container says, and the EXIF tag only repeats that: not to be applied twice.
    let facts = Facts { orientation: Orientation::UPRIGHT, ..facts(&handle) };
    let (chroma, alpha) = match (handle.has_alpha_channel(), handle.is_premultiplied_alpha()) {
        (false, _) => (RgbChroma::Rgb, Alpha::None),
        (true, false) => (RgbChroma::Rgba, Alpha::Straight),
        (true, true) => (RgbChroma::Rgba, Alpha::Premultiplied),
    };
    // YCbCr planes of up to two bytes a sample beside the RGB they become.
    probe_memory(u64::from(handle.width()) * u64::from(handle.height()) * 10)?;
    let image = library.decode(&handle, ColorSpace::Rgb(chroma), None).map_err(sort)?;
    let planes = image.planes();
    let damaged = || DecodeError::Corrupt { format: Format::Heic, source: None };
    let pixels = planes.interleaved.as_ref().filter(|plane| plane.storage_bits_per_pixel <= 32).ok_or_else(damaged)?;
    // Checked again: the decoded size may differ from what the header said.
    options.check_size(pixels.width.into(), pixels.height.into())?;
    let (width, height) = (pixels.width as usize, pixels.height as usize);
    let layout = Layout { colour: Colour::Rgb, alpha, depth: Depth::Eight };
    let row_bytes = layout.row_bytes(width);
    if pixels.stride < row_bytes || pixels.data.len() < pixels.stride * (height - 1) + row_bytes {
        return Err(damaged());
    }
    let converter = Converter::new(layout, Transfer::Srgb, wanted);
    let mut canvas = Canvas::new(width, height, facts.orientation)?;
    let (data, stride) = (pixels.data, pixels.stride);
    canvas.put_rows(0, height, |i, row| converter.row(&data[i * stride..][..row_bytes], row));
    Ok(Decoded::new(canvas.finish(), facts, true))
}

fn facts(handle: &ImageHandle) -> Facts {
    let mut ids = [0];
    if handle.metadata_block_ids(&mut ids, b"Exif") == 0 {
        return Facts::default();
    }
    let Ok(block) = handle.metadata(ids[0]) else { return Facts::default() };
    // The block starts with the distance from there to the TIFF header (ISO/IEC 23008-12, annex A; from memory).
    let Some((&distance, rest)) = block.split_first_chunk::<4>() else { return Facts::default() };
    rest.get(u32::from_be_bytes(distance) as usize..).map(Facts::from_block).unwrap_or_default()
}

fn sort_error(error: HeifError, length: u64) -> DecodeError {
    match (error.code, error.sub_code) {
        (_, HeifErrorSubCode::EndOfData) => DecodeError::Truncated { format: Format::Heic, bytes: length },
        (HeifErrorCode::UnsupportedFeature | HeifErrorCode::UnsupportedFileType, _) => {
            DecodeError::UnsupportedEncoding {
                format: Format::Heic,
                encoding: Encoding::Unnamed,
                source: Some(error.into()),
            }
        }
        _ => DecodeError::Corrupt { format: Format::Heic, source: Some(error.into()) },
    }
}
