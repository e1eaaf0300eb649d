//! TIFF: grey, RGB, CMYK and YCbCr in 8 or 16 bits (grey also 1, 2 and 4), palettes of 1 to 8 bits; strips or tiles,
//! interleaved or planar.

use std::io::{self, Read, Seek, SeekFrom};

use tiff::decoder::ifd::Value;
use tiff::decoder::{ChunkType, Decoder, Limits};
use tiff::tags::Tag;
use tiff::{ColorType, TiffError, TiffFormatError, TiffUnsupportedError};

use super::decode::{DecodeOptions, Decoded, Input, Source, zeroed};
use super::error::{DecodeError, Encoding, Format};
use super::exif::{Facts, time_with_offset};
use super::luminance::{Alpha, Colour, Converter, Depth, Layout, Light, Transfer};
use super::orientation::{Canvas, Orientation};
use super::{Resolution, jpeg};

type File<'a> = Decoder<Overlay<'a>>;

/// PhotometricInterpretation of a palette, and of grey with black as zero.
const PALETTE: u16 = 3;
const BLACK_IS_ZERO: u16 = 1;
/// Thumbnails that may stand before the picture itself.
const MOST_THUMBNAILS: usize = 8;
/// Strips are gathered until there are this many rows, so that they are worth converting in parallel.
const BAND_ROWS: usize = 64;

pub(super) fn decode(mut input: Input<'_>, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    let length = input.length();
    let sort = |error| sort_error(error, length);
    let mut limits = Limits::default();
    // Also bounds the lists in the tags, which are allocated before they are read. Pixels go into buffers of our own.
    limits.decoding_buffer_size = 1 << 26;
    // No compressed piece can be longer than the file that holds it.
    limits.intermediate_buffer_size = usize::try_from(length).unwrap_or(usize::MAX);
    let mut file = Decoder::new(Overlay::none(input.reader()?)).map_err(sort)?.with_limits(limits.clone());
    skip_thumbnails(&mut file).map_err(sort)?;
    let palette = palette(&mut file)?;
    if palette.is_some() {
        let page = file.ifd_pointer().map(|pointer| pointer.0);
        let as_grey = page.map(|page| Overlay::as_grey(input.reader()?, page)).transpose()?.flatten();
        let as_grey = as_grey.ok_or(DecodeError::Corrupt { format: Format::Tiff, source: None })?;
        file = Decoder::new(as_grey).map_err(sort)?.with_limits(limits);
        skip_thumbnails(&mut file).map_err(sort)?;
    }
    let (width, height) = file.dimensions().map_err(sort)?;
    options.check_size(width.into(), height.into())?;

    let layout = layout(&mut file, length)?;
    let facts = facts(&mut file);
    let converter = match &palette {
        Some(colours) => Converter::with_palette(layout, colours, wanted),
        None => Converter::new(layout, Transfer::Srgb, wanted),
    };
    let size = (width as usize, height as usize);
    let mut canvas = Canvas::new(size.0, size.1, facts.orientation)?;
    let mut pixels = Pixels { file: &mut file, converter: &converter, canvas: &mut canvas, size, length };
    match pixels.file.get_chunk_type() {
        ChunkType::Strip => pixels.read_strips()?,
        ChunkType::Tile => pixels.read_tiles(options)?,
    }
    Ok(Decoded::new(canvas.finish(), facts, palette.is_some() || layout.colour != Colour::Grey))
}

/// The file, with two bytes of it replaced. The decoder does not deliver the samples of a palette picture, but it does
/// those of a grey one; so the tag that tells them apart is read differently.
struct Overlay<'a> {
    source: &'a mut dyn Source,
    /// Where the two bytes stand, and what they are read as.
    patch: Option<(u64, [u8; 2])>,
    position: u64,
}

impl<'a> Overlay<'a> {
    /// The file as it is; `source` stands at its start.
    fn none(source: &'a mut dyn Source) -> Self {
        Self { source, patch: None, position: 0 }
    }

    /// The page at `page` of a palette picture as one of grey. `None` where the directory holds no such tag.
    fn as_grey(source: &'a mut dyn Source, page: u64) -> Result<Option<Self>, DecodeError> {
        let patch = interpretation_at(source, page).map_err(|source| DecodeError::Unreadable { source })?;
        source.seek(SeekFrom::Start(0)).map_err(|source| DecodeError::Unreadable { source })?;
        Ok(patch.map(|(at, is_big_endian)| {
            let bytes = if is_big_endian { BLACK_IS_ZERO.to_be_bytes() } else { BLACK_IS_ZERO.to_le_bytes() };
            Self { source, patch: Some((at, bytes)), position: 0 }
        }))
    }
}

/// Where the value of PhotometricInterpretation stands, and whether the file has the high byte first.
fn interpretation_at(source: &mut dyn Source, page: u64) -> io::Result<Option<(u64, bool)>> {
    let mut start = [0; 4];
    source.seek(SeekFrom::Start(0))?;
    source.read_exact(&mut start)?;
    let is_big_endian = start[0] == b'M';
    let is_large = start.contains(&43);
    let short = |bytes: [u8; 2]| if is_big_endian { u16::from_be_bytes(bytes) } else { u16::from_le_bytes(bytes) };
    source.seek(SeekFrom::Start(page))?;
    // A large file (BigTIFF) counts with eight bytes; more entries than two can tell are none a scanner writes.
    let mut count = [0; 8];
    let counted = if is_large { 8 } else { 2 };
    source.read_exact(&mut count[..counted])?;
    let low = if is_big_endian { [count[counted - 2], count[counted - 1]] } else { [count[0], count[1]] };
    let entry_bytes: u64 = if is_large { 20 } else { 12 };
    for index in 0..u64::from(short(low)) {
        let mut entry = [0; 4];
        let at = page.saturating_add(counted as u64 + index * entry_bytes);
        source.seek(SeekFrom::Start(at))?;
        source.read_exact(&mut entry)?;
        let [tag, kind] = [short([entry[0], entry[1]]), short([entry[2], entry[3]])];
        if tag == Tag::PhotometricInterpretation.to_u16() {
            let value = at + entry_bytes - if is_large { 8 } else { 4 };
            // Two-byte values stand first in their field; a longer one has its low bytes last where the high come first.
            return Ok(match (kind, is_big_endian) {
                (3, _) | (4, false) => Some((value, is_big_endian)),
                (4, true) => Some((value + 2, true)),
                _ => None,
            });
        }
    }
    Ok(None)
}

impl Read for Overlay<'_> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let count = self.source.read(buffer)?;
        if let Some((at, bytes)) = self.patch {
            for (place, byte) in (at..).zip(bytes) {
                let inside = place.checked_sub(self.position).and_then(|offset| usize::try_from(offset).ok());
                if let Some(target) = inside.and_then(|offset| buffer[..count].get_mut(offset)) {
                    *target = byte;
                }
            }
        }
        self.position += count as u64;
        Ok(count)
    }
}

impl Seek for Overlay<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.position = self.source.seek(to)?;
        Ok(self.position)
    }
}

/// Goes to the first page that is not a reduced copy of another (NewSubfileType, bit 0).
fn skip_thumbnails(file: &mut File<'_>) -> Result<(), TiffError> {
    for _ in 0..MOST_THUMBNAILS {
        let kind = file.find_tag_unsigned::<u32>(Tag::NewSubfileType).ok().flatten().unwrap_or(0);
        if kind & 1 == 0 || !file.more_images() {
            break;
        }
        file.next_image()?;
    }
    Ok(())
}

/// The colours of a picture whose samples are numbers of colours (TIFF 6.0, section 5): red, green and blue of each, in
/// 1/65535. `None` where the samples are colours themselves.
fn palette(file: &mut File<'_>) -> Result<Option<Vec<[u16; 3]>>, DecodeError> {
    if file.find_tag_unsigned::<u16>(Tag::PhotometricInterpretation).ok().flatten() != Some(PALETTE) {
        return Ok(None);
    }
    // 16 bits would be 65536 colours, which no scanner writes; several samples have no meaning here.
    let bits = file.find_tag_unsigned_vec::<u16>(Tag::BitsPerSample).ok().flatten().unwrap_or_else(|| vec![1]);
    let &[bits @ (1 | 2 | 4 | 8)] = bits.as_slice() else {
        return Err(DecodeError::UnsupportedEncoding {
            format: Format::Tiff,
            encoding: Encoding::Palette,
            source: None,
        });
    };
    let colours = 1usize << bits;
    let mut map = file.find_tag_unsigned_vec::<u16>(Tag::ColorMap).ok().flatten().unwrap_or_default();
    if map.len() != 3 * colours {
        return Err(DecodeError::Corrupt { format: Format::Tiff, source: None });
    }
    // Some writers put 8-bit values where 16 are asked for; a real map that dark would be a black picture.
    if map.iter().all(|&value| value < 256) {
        map.iter_mut().for_each(|value| *value *= 257);
    }
    Ok(Some((0..colours).map(|i| [map[i], map[colours + i], map[2 * colours + i]]).collect()))
}

fn layout(file: &mut File<'_>, length: u64) -> Result<Layout, DecodeError> {
    let unsupported = |encoding| DecodeError::UnsupportedEncoding { format: Format::Tiff, encoding, source: None };
    // DNGVersion: a camera's raw file in TIFF's clothes, whose first page is a preview or bare sensor values.
    if file.find_tag(Tag::Unknown(50706)).ok().flatten().is_some() {
        return Err(DecodeError::UnsupportedFormat { format: Format::CameraRaw });
    }
    let kind = file.find_tag_unsigned_vec::<u16>(Tag::SampleFormat).ok().flatten();
    match kind.as_deref().and_then(<[u16]>::first) {
        Some(2 | 5) => return Err(unsupported(Encoding::SignedIntegers)),
        // Whether 1.0 is white, and whether the values are light or sRGB, is nowhere written down.
        Some(3 | 6) => return Err(unsupported(Encoding::FloatingPoint)),
        _ => {}
    }
    let extra = file.find_tag_unsigned_vec::<u16>(Tag::ExtraSamples).ok().flatten();
    let alpha = match extra.as_deref().and_then(<[u16]>::first) {
        Some(1) => Alpha::Premultiplied,
        Some(2) => Alpha::Straight,
        _ => Alpha::Ignored,
    };
    let (colour, alpha, bits) = match file.colortype().map_err(|error| sort_error(error, length))? {
        ColorType::Gray(bits @ (1 | 2 | 4)) => {
            return Ok(Layout { colour: Colour::Grey, alpha: Alpha::None, depth: Depth::Packed(bits) });
        }
        ColorType::Gray(bits) => (Colour::Grey, Alpha::None, bits),
        ColorType::GrayA(bits) | ColorType::Multiband { bit_depth: bits, num_samples: 2 } => {
            (Colour::Grey, alpha, bits)
        }
        ColorType::RGB(bits) => (Colour::Rgb, Alpha::None, bits),
        ColorType::RGBA(bits) => (Colour::Rgb, alpha, bits),
        ColorType::CMYK(bits) => (Colour::Cmyk { inverted: false }, Alpha::None, bits),
        ColorType::CMYKA(bits) => (Colour::Cmyk { inverted: false }, alpha, bits),
        ColorType::YCbCr(8) => (Colour::YCbCr, Alpha::None, 8),
        ColorType::YCbCr(bits) => return Err(unsupported(Encoding::BitDepth(bits))),
        ColorType::Palette(_) => return Err(unsupported(Encoding::Palette)),
        ColorType::Lab(_) => return Err(unsupported(Encoding::Lab)),
        ColorType::Multiband { num_samples, .. } => return Err(unsupported(Encoding::Bands(num_samples))),
        _ => return Err(unsupported(Encoding::Unnamed)),
    };
    let depth = match bits {
        8 => Depth::Eight,
        16 => Depth::SixteenNative,
        other => return Err(unsupported(Encoding::BitDepth(other))),
    };
    Ok(Layout { colour, alpha, depth })
}

/// Reads the tags, of which none concerns the pixels' values: a damaged one is left out.
fn facts(file: &mut File<'_>) -> Facts {
    let orientation = file.find_tag_unsigned::<u32>(Tag::Orientation).ok().flatten();
    let unit = file.find_tag_unsigned::<u32>(Tag::ResolutionUnit).ok().flatten();
    let mut density = |tag| file.find_tag(tag).ok().flatten().and_then(number);
    let resolution = match (density(Tag::XResolution), density(Tag::YResolution)) {
        (Some(x), Some(y)) => Resolution::from_tiff(unit, x, y),
        _ => None,
    };
    let names_device =
        [Tag::Make, Tag::Model].iter().any(|&tag| file.find_tag(tag).ok().flatten().is_some_and(is_named));
    let changed_at = file.find_tag(Tag::DateTime).ok().flatten().and_then(text);
    let changed_at = changed_at.and_then(|time| time_with_offset(&time, None));
    let base = Facts {
        orientation: orientation.map_or(Orientation::UPRIGHT, Orientation::from_tag),
        resolution,
        from_camera: names_device,
        captured_at: changed_at,
    };
    exif_facts(file, base.clone()).unwrap_or(base)
}

/// Adds what the EXIF directory of the page says, where it has one.
fn exif_facts(file: &mut File<'_>, mut facts: Facts) -> Option<Facts> {
    let pointer = file.find_tag(Tag::ExifDirectory).ok().flatten()?.into_ifd_pointer().ok()?;
    let directory = file.read_directory(pointer).ok()?;
    let mut tags = file.read_directory_tags(&directory);
    let mut value = |tag| tags.find_tag(Tag::Unknown(tag)).ok().flatten();
    // Tag numbers of Exif 2.3: exposure time, f-number, focal length, lens model, file source.
    let names_exposure =
        [0x829a, 0x829d, 0x920a].iter().any(|&tag| value(tag).and_then(number).is_some_and(|n| n > 0.0));
    let names_lens = value(0xa434).is_some_and(is_named);
    let is_scanner = value(0xa300).is_some_and(|source| matches!(first_byte(source), Some(1 | 2)));
    facts.from_camera = !is_scanner && (facts.from_camera || names_exposure || names_lens);
    // Original and digitised time, each with its offset.
    let taken_at = [(0x9003, 0x9011), (0x9004, 0x9012)].iter().find_map(|&(time, offset)| {
        let offset = value(offset).and_then(text);
        time_with_offset(&value(time).and_then(text)?, offset.as_deref())
    });
    facts.captured_at = taken_at.or(facts.captured_at);
    Some(facts)
}

fn number(value: Value) -> Option<f64> {
    match value {
        Value::Rational(over, under) => (under != 0).then(|| f64::from(over) / f64::from(under)),
        Value::SRational(over, under) => (under != 0).then(|| f64::from(over) / f64::from(under)),
        Value::Float(number) => Some(number.into()),
        Value::Double(number) => Some(number),
        Value::List(list) => list.into_iter().next().and_then(number),
        other => other.into_u32().ok().map(f64::from),
    }
}

fn first_byte(value: Value) -> Option<u8> {
    match value {
        Value::List(list) => list.into_iter().next().and_then(first_byte),
        other => other.into_u8().ok(),
    }
}

fn text(value: Value) -> Option<String> {
    value.into_string().ok().map(|text| text.trim_matches(['\0', ' ']).to_owned())
}

fn is_named(value: Value) -> bool {
    text(value).is_some_and(|name| !name.is_empty())
}

/// One page's pixels on their way to the canvas.
struct Pixels<'a, 'b, 'c> {
    file: &'a mut File<'b>,
    converter: &'c Converter,
    canvas: &'a mut Canvas,
    /// Width and height.
    size: (usize, usize),
    length: u64,
}

impl Pixels<'_, '_, '_> {
    fn read_strips(&mut self) -> Result<(), DecodeError> {
        let (width, height) = self.size;
        let rows_per_strip = (self.file.chunk_dimensions().1 as usize).clamp(1, height);
        let strips = height.div_ceil(rows_per_strip);
        let layout = self.converter.layout();
        let row_bytes = layout.row_bytes(width);
        let (planes, sample_bytes) = (self.planes(), layout.row_bytes(1) / layout.samples_per_pixel());
        // Planar strips come one plane after the other, so each is converted by itself.
        let gathered = if planes > 1 { 1 } else { (BAND_ROWS / rows_per_strip).clamp(1, strips) };
        let mut band = zeroed::<u8>(row_bytes * (rows_per_strip * gathered).min(height))?;
        for start in (0..strips).step_by(gathered) {
            let first = start * rows_per_strip;
            let rows = (gathered * rows_per_strip).min(height - first);
            for strip in start..strips.min(start + gathered) {
                let offset = (strip - start) * rows_per_strip * row_bytes;
                let bytes = rows_per_strip.min(height - strip * rows_per_strip) * row_bytes;
                self.read_unit(strip, strips, &mut band[offset..offset + bytes])?;
            }
            let converter = self.converter;
            if planes > 1 {
                self.canvas.put_rows(first, rows, |i, row| {
                    converter.row(&interleave(&band[..rows * row_bytes], planes, sample_bytes, rows, i), row);
                });
            } else {
                self.canvas.put_rows(first, rows, |i, row| converter.row(&band[i * row_bytes..][..row_bytes], row));
            }
        }
        Ok(())
    }

    fn read_tiles(&mut self, options: &DecodeOptions) -> Result<(), DecodeError> {
        let (width, height) = self.size;
        let (tile_width, tile_height) = self.file.chunk_dimensions();
        // A tile may overhang the picture, but a gigantic one would cost what the picture was just refused for.
        if options.check_size(tile_width.into(), tile_height.into()).is_err() {
            return Err(DecodeError::Corrupt { format: Format::Tiff, source: None });
        }
        let (tile_width, tile_height) = (tile_width as usize, tile_height as usize);
        let layout = self.converter.layout();
        let (planes, sample_bytes) = (self.planes(), layout.row_bytes(1) / layout.samples_per_pixel());
        let across = width.div_ceil(tile_width);
        let mut tile = zeroed::<u8>(layout.row_bytes(tile_width.min(width)) * tile_height.min(height))?;
        let mut band = zeroed::<u16>(width * tile_height.min(height))?;
        for (down, first) in (0..height).step_by(tile_height).enumerate() {
            let rows = tile_height.min(height - first);
            for (right, left) in (0..width).step_by(tile_width).enumerate() {
                let columns = tile_width.min(width - left);
                let row_bytes = layout.row_bytes(columns);
                let bytes = &mut tile[..row_bytes * rows];
                self.read_unit(down * across + right, across * height.div_ceil(tile_height), bytes)?;
                for (i, row) in band.chunks_exact_mut(width).take(rows).enumerate() {
                    let row = &mut row[left..left + columns];
                    if planes > 1 {
                        self.converter.row(&interleave(bytes, planes, sample_bytes, rows, i), row);
                    } else {
                        self.converter.row(&bytes[i * row_bytes..][..row_bytes], row);
                    }
                }
            }
            self.canvas.put_rows(first, rows, |i, row| row.copy_from_slice(&band[i * width..][..width]));
        }
        Ok(())
    }

    /// Number of separately stored planes; 1 where the samples of a pixel stand together.
    fn planes(&mut self) -> usize {
        match self.file.find_tag_unsigned::<u16>(Tag::PlanarConfiguration) {
            Ok(Some(2)) => self.converter.layout().samples_per_pixel(),
            _ => 1,
        }
    }

    /// Reads one of as many strips or tiles, all of its planes one after the other, into a buffer of exactly its size.
    fn read_unit(&mut self, index: usize, units: usize, buffer: &mut [u8]) -> Result<(), DecodeError> {
        let plane_bytes = buffer.len() / self.planes();
        for (plane, buffer) in buffer.chunks_exact_mut(plane_bytes).enumerate() {
            self.read_plane(plane * units + index, plane > 0, buffer)?;
        }
        Ok(())
    }

    /// Reads one strip or tile of one plane, `follows` where another plane stands before it.
    fn read_plane(&mut self, index: usize, follows: bool, buffer: &mut [u8]) -> Result<(), DecodeError> {
        let length = self.length;
        let corrupt = || DecodeError::Corrupt { format: Format::Tiff, source: None };
        let index = u32::try_from(index).map_err(|_| corrupt())?;
        let sort = |error| sort_error(error, length);
        self.check_jpeg(index)?;
        let bytes = self.file.image_chunk_buffer_layout(index).map_err(sort)?.complete_len;
        if follows && bytes > buffer.len() {
            // What overhangs below the picture the decoder leaves out of the first plane only; of the others it wants the
            // whole tile, and asserts that it gets it where it reads all planes at once.
            let mut whole = zeroed::<u8>(bytes)?;
            self.file.read_chunk_bytes(index, &mut whole).map_err(sort)?;
            buffer.copy_from_slice(&whole[..buffer.len()]);
            return Ok(());
        }
        // The decoder asserts this; a file whose tags contradict one another must not get that far.
        if bytes != buffer.len() {
            return Err(corrupt());
        }
        self.file.read_chunk_bytes(index, buffer).map_err(sort)
    }

    /// A JPEG inside a TIFF has a size of its own, and its decoder would allocate for that one unasked.
    fn check_jpeg(&mut self, index: u32) -> Result<(), DecodeError> {
        const MODERN_JPEG: u16 = 7;
        let corrupt = DecodeError::Corrupt { format: Format::Tiff, source: None };
        if self.file.find_tag_unsigned::<u16>(Tag::Compression).ok().flatten() != Some(MODERN_JPEG) {
            return Ok(());
        }
        let offsets = match self.file.get_chunk_type() {
            ChunkType::Strip => Tag::StripOffsets,
            ChunkType::Tile => Tag::TileOffsets,
        };
        let offsets =
            self.file.find_tag_unsigned_vec::<u64>(offsets).map_err(|error| sort_error(error, self.length))?;
        let Some(&offset) = offsets.as_ref().and_then(|offsets| offsets.get(index as usize)) else {
            return Err(corrupt);
        };
        let mut start = Vec::new();
        let reader = self.file.inner();
        reader
            .seek(SeekFrom::Start(offset))
            .and_then(|_| reader.take(1 << 16).read_to_end(&mut start))
            .map_err(|source| DecodeError::Unreadable { source })?;
        let (width, height) = self.file.chunk_dimensions();
        match jpeg::Header::read(&start).frame {
            // Sizes rounded up to whole blocks are in use.
            Some(frame) if u32::from(frame.width) <= width + 16 && u32::from(frame.height) <= height + 16 => {
                super::decode::probe_memory(frame.memory(usize::from(frame.components)))
            }
            _ => Err(corrupt),
        }
    }
}

/// Row `i` of a unit whose planes stand one after the other, with the samples of a pixel brought together.
fn interleave(unit: &[u8], planes: usize, sample_bytes: usize, rows: usize, i: usize) -> Vec<u8> {
    let plane_bytes = unit.len() / planes;
    let row_bytes = plane_bytes / rows;
    let mut row = vec![0; row_bytes * planes];
    for plane in 0..planes {
        let samples = unit[plane * plane_bytes + i * row_bytes..][..row_bytes].chunks_exact(sample_bytes);
        for (pixel, sample) in row.chunks_exact_mut(planes * sample_bytes).zip(samples) {
            pixel[plane * sample_bytes..][..sample_bytes].copy_from_slice(sample);
        }
    }
    row
}

fn sort_error(error: TiffError, length: u64) -> DecodeError {
    let unsupported = |encoding, error: TiffError| DecodeError::UnsupportedEncoding {
        format: Format::Tiff,
        encoding,
        source: Some(error.into()),
    };
    match error {
        TiffError::IoError(source) if source.kind() == io::ErrorKind::UnexpectedEof => {
            DecodeError::Truncated { format: Format::Tiff, bytes: length }
        }
        // What the decompressors find wrong arrives as an error of reading, too.
        TiffError::IoError(source)
            if matches!(
                source.kind(),
                io::ErrorKind::InvalidData | io::ErrorKind::InvalidInput | io::ErrorKind::Other
            ) =>
        {
            DecodeError::Corrupt { format: Format::Tiff, source: Some(source.into()) }
        }
        TiffError::IoError(source) => DecodeError::Unreadable { source },
        TiffError::FormatError(TiffFormatError::InvalidDimensions(width, height)) => {
            DecodeError::ZeroSized { width: width.into(), height: height.into() }
        }
        TiffError::UnsupportedError(TiffUnsupportedError::UnsupportedCompressionMethod(method)) => {
            unsupported(Encoding::TiffCompression(method.to_u16()), error)
        }
        TiffError::UnsupportedError(_) => unsupported(Encoding::Unnamed, error),
        other => DecodeError::Corrupt { format: Format::Tiff, source: Some(other.into()) },
    }
}
