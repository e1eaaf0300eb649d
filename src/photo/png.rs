//! PNG: all colour types and depths, interlaced or not.

use std::io;

use png::{BitDepth, ColorType, Decoder, DecodingError, Info, Reader, Transformations, Unit};

use super::Resolution;
use super::decode::{DecodeOptions, Decoded, Input, Source, zeroed};
use super::error::{DecodeError, Format};
use super::exif::Facts;
use super::luminance::{Alpha, Colour, Converter, Depth, Layout, Light, Transfer};
use super::orientation::{Canvas, Orientation};

/// Rows are decoded into a band of about this many bytes, then converted together.
const BAND_BYTES: usize = 1 << 20;

pub(super) fn decode(mut input: Input<'_>, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    let length = input.length();
    let sort = |error| sort_error(error, length);
    check_header(input.reader()?, options, length)?;
    let mut settings = png::DecodeOptions::default();
    // A measurement must not rest on rows that fail their own checksum.
    settings.set_ignore_adler32(false);
    settings.set_ignore_text_chunk(true);
    settings.set_ignore_iccp_chunk(true);
    let mut decoder = Decoder::new_with_options(input.reader()?, settings);
    decoder.set_transformations(Transformations::EXPAND);
    let mut reader = decoder.read_info().map_err(sort)?;

    let (width, height) = (reader.info().width as usize, reader.info().height as usize);
    check_length(reader.info(), length)?;
    // A palette is whole colours of three bytes (PNG, 11.2.3), which the decoder takes for granted.
    if reader.info().palette.as_ref().is_some_and(|palette| palette.len() % 3 != 0) {
        return Err(DecodeError::Corrupt { format: Format::Png, source: None });
    }
    let mut facts = facts(reader.info());
    let converter = Converter::new(layout(reader.output_color_type()), transfer(reader.info()), wanted);
    let mut canvas = Canvas::new(width, height, facts.orientation)?;
    read_pixels(&mut reader, &converter, &mut canvas, (width, height)).map_err(|error| match error {
        RowError::Decoder(error) => sort(error),
        RowError::Memory(error) => error,
    })?;
    let mut luminance = canvas.finish();

    // EXIF may also stand behind the pixels. What is missing or damaged there costs no pixel, so it is no error.
    let had_exif = reader.info().exif_metadata.is_some();
    if !had_exif && reader.finish().is_ok() && reader.info().exif_metadata.is_some() {
        facts = self::facts(reader.info());
        if facts.orientation != Orientation::UPRIGHT {
            let mut turned = Canvas::new(width, height, facts.orientation)?;
            let stored = luminance.as_slice().expect("the canvas delivers rows in order");
            turned.put_rows(0, height, |i, row| row.copy_from_slice(&stored[i * width..][..width]));
            luminance = turned.finish();
        }
    }
    Ok(Decoded::new(luminance, facts, converter.layout().colour != Colour::Grey))
}

/// Checks signature and size from the first 24 bytes, which the standard fixes, before the decoder sees the file.
fn check_header(reader: &mut dyn Source, options: &DecodeOptions, length: u64) -> Result<(), DecodeError> {
    let mut start = [0; 24];
    reader.read_exact(&mut start).map_err(|_| DecodeError::Truncated { format: Format::Png, bytes: length })?;
    if !start.starts_with(b"\x89PNG\r\n\x1a\n") || &start[12..16] != b"IHDR" {
        return Err(DecodeError::Corrupt { format: Format::Png, source: None });
    }
    let field = |at: usize| u32::from_be_bytes([start[at], start[at + 1], start[at + 2], start[at + 3]]);
    options.check_size(field(16).into(), field(20).into())
}

/// Deflate makes at most 258 bytes of two bits (RFC 1951, 3.2.5), a factor of 1032, so a file that claims more is cut off
/// or lies; either is found here before memory is asked for.
fn check_length(info: &Info<'_>, length: u64) -> Result<(), DecodeError> {
    const MOST_EXPANSION: u64 = 1032;
    let stored_bits = u64::from(info.width) * info.bits_per_pixel() as u64;
    let stored = stored_bits.div_ceil(8) * u64::from(info.height);
    if stored > length.saturating_mul(MOST_EXPANSION) {
        return Err(DecodeError::Truncated { format: Format::Png, bytes: length });
    }
    Ok(())
}

enum RowError {
    Decoder(DecodingError),
    Memory(DecodeError),
}

fn read_pixels(
    reader: &mut Reader<&mut dyn Source>,
    converter: &Converter,
    canvas: &mut Canvas,
    (width, height): (usize, usize),
) -> Result<(), RowError> {
    let row_bytes = converter.layout().row_bytes(width);
    if reader.info().interlaced {
        // The passes visit every row up to seven times, so the whole picture is needed before luminance is.
        let mut pixels = zeroed::<u8>(row_bytes * height).map_err(RowError::Memory)?;
        reader.next_frame(&mut pixels).map_err(RowError::Decoder)?;
        canvas.put_rows(0, height, |i, row| converter.row(&pixels[i * row_bytes..][..row_bytes], row));
        return Ok(());
    }
    let band_rows = (BAND_BYTES / row_bytes).clamp(8, 256).min(height);
    let mut band = zeroed::<u8>(row_bytes * band_rows).map_err(RowError::Memory)?;
    for first in (0..height).step_by(band_rows) {
        let rows = band_rows.min(height - first);
        for row in band.chunks_exact_mut(row_bytes).take(rows) {
            reader.read_row(row).map_err(RowError::Decoder)?;
        }
        canvas.put_rows(first, rows, |i, row| converter.row(&band[i * row_bytes..][..row_bytes], row));
    }
    Ok(())
}

fn layout((colour, depth): (ColorType, BitDepth)) -> Layout {
    let (colour, alpha) = match colour {
        ColorType::Grayscale => (Colour::Grey, Alpha::None),
        ColorType::GrayscaleAlpha => (Colour::Grey, Alpha::Straight),
        ColorType::Rgba => (Colour::Rgb, Alpha::Straight),
        // The decoder has turned palettes into colours.
        ColorType::Rgb | ColorType::Indexed => (Colour::Rgb, Alpha::None),
    };
    let depth = if depth == BitDepth::Sixteen { Depth::SixteenBig } else { Depth::Eight };
    Layout { colour, alpha, depth }
}

fn facts(info: &Info<'_>) -> Facts {
    let mut facts = info.exif_metadata.as_deref().map(Facts::from_block).unwrap_or_default();
    let own = info.pixel_dims.and_then(|dims| Resolution::from_png(dims.unit == Unit::Meter, dims.xppu, dims.yppu));
    facts.resolution = Resolution::choose(own, facts.resolution);
    facts
}

/// In the order of precedence the PNG standard gives its chunks; colour profiles are not evaluated.
fn transfer(info: &Info<'_>) -> Transfer {
    // ITU-T H.273: transfer characteristics 8 is linear.
    if let Some(points) = info.coding_independent_code_points {
        return if points.transfer_function == 8 { Transfer::Linear } else { Transfer::Srgb };
    }
    if info.srgb.is_some() {
        return Transfer::Srgb;
    }
    match info.gama_chunk.map(|gamma| f64::from(gamma.into_value())) {
        // 0.45455 is what writers of sRGB pictures put there, the sRGB curve having no single exponent.
        Some(gamma) if (gamma - 0.45455).abs() < 0.001 => Transfer::Srgb,
        Some(gamma) if (gamma - 1.0).abs() < 0.001 => Transfer::Linear,
        // Outside these no device works; the field is then taken for damaged.
        Some(gamma) if (0.2..=3.0).contains(&gamma) => Transfer::Power(1.0 / gamma),
        _ => Transfer::Srgb,
    }
}

fn sort_error(error: DecodingError, length: u64) -> DecodeError {
    match error {
        DecodingError::IoError(source) if source.kind() == io::ErrorKind::UnexpectedEof => {
            DecodeError::Truncated { format: Format::Png, bytes: length }
        }
        DecodingError::IoError(source) => DecodeError::Unreadable { source },
        DecodingError::LimitsExceeded => DecodeError::Corrupt { format: Format::Png, source: None },
        other => DecodeError::Corrupt { format: Format::Png, source: Some(other.into()) },
    }
}
