//! JPEG: baseline and progressive, grey, YCbCr, RGB, CMYK and YCCK, 8 bits a sample.

use zune_jpeg::JpegDecoder;
use zune_jpeg::errors::{DecodeErrors, UnsupportedSchemes};
use zune_jpeg::zune_core::bytestream::ZCursor;
use zune_jpeg::zune_core::colorspace::ColorSpace;
use zune_jpeg::zune_core::options::DecoderOptions;

use super::Resolution;
use super::decode::{DecodeOptions, Decoded, Input, probe_memory};
use super::error::{DecodeError, Encoding, Format};
use super::exif::Facts;
use super::luminance::{Alpha, Colour, Converter, Depth, Layout, Light, Transfer};
use super::orientation::whole;

pub(super) fn decode(input: Input<'_>, options: &DecodeOptions, wanted: Light) -> Result<Decoded, DecodeError> {
    let mut bytes = input.into_bytes()?;
    let length = bytes.len() as u64;
    let header = Header::read(&bytes);
    let Some(frame) = header.frame else {
        return Err(if header.is_cut_off { truncated(length) } else { corrupt(None) });
    };
    frame.check(options)?;
    if frame.least_bytes() > length {
        return Err(truncated(length));
    }
    let Some(scan) = header.scan else {
        return Err(if header.is_cut_off { truncated(length) } else { corrupt(None) });
    };
    if frame.is_misread(scan) {
        return Err(unsupported(Encoding::Unnamed));
    }
    // Within compressed data the byte 0xFF is always escaped, so an end marker is one. Without it the decoder would
    // still deliver a picture, whose missing rows are grey.
    if !bytes[scan.start..].windows(2).any(|pair| pair == [0xff, 0xd9]) {
        return Err(truncated(length));
    }

    let mut facts = header.exif.map(Facts::from_block).unwrap_or_default();
    facts.resolution = Resolution::choose(header.jfif, facts.resolution);
    let (width, height) = (usize::from(frame.width), usize::from(frame.height));
    let adobe = header.adobe;
    // The decoder takes Adobe's "no transform" for CMYK however many components there are. Hiding the marker from it
    // leaves one component as grey and three as they are.
    let is_plain_rgb = frame.components == 3 && adobe.is_some_and(|marker| marker.transform == 0);
    if let Some(marker) = adobe.filter(|marker| frame.components != 4 && marker.transform != 1) {
        bytes.to_mut()[marker.at] = b'-';
    }
    let settings = DecoderOptions::default()
        .set_max_width(usize::from(u16::MAX))
        .set_max_height(usize::from(u16::MAX))
        // Otherwise damaged data become plausible grey blocks.
        .set_strict_mode(true);
    let mut decoder = JpegDecoder::new_with_options(ZCursor::new(&bytes[..]), settings);
    decoder.decode_headers().map_err(|error| sort_error(error, length))?;
    let (output, colour) = match (frame.components, decoder.input_colorspace()) {
        (1, _) => (ColorSpace::Luma, Colour::Grey),
        // Y alone: what the light is made of does not matter here, and Cb and Cr, mostly stored at half the resolution, would blur it.
        (3, Some(ColorSpace::YCbCr)) if wanted == Light::Luminance && frame.gives_luma() && !is_plain_rgb => {
            (ColorSpace::Luma, Colour::Grey)
        }
        (4, Some(ColorSpace::YCCK)) => (ColorSpace::RGB, Colour::Rgb),
        // Adobe programs store full ink as zero and say so with their own marker; plain CMYK is the other way round.
        (4, _) => (ColorSpace::CMYK, Colour::Cmyk { inverted: adobe.is_some() }),
        // Asking for the colours they are taken to have leaves the components as they are.
        _ if is_plain_rgb => (ColorSpace::YCbCr, Colour::Rgb),
        _ => (ColorSpace::RGB, Colour::Rgb),
    };
    decoder.set_options(settings.jpeg_set_out_colorspace(output));
    let layout = Layout { colour, alpha: Alpha::None, depth: Depth::Eight };
    probe_memory(frame.memory(layout.samples_per_pixel()))?;
    let converter = Converter::new(layout, Transfer::Srgb, wanted);
    let plane = whole((width, height), facts.orientation, &converter, move |pixels| {
        // Takes the decoder and its buffers along, which are gone before anything else is allocated.
        let mut decoder = decoder;
        decoder.decode_into(pixels).map_err(|error| sort_error(error, length))
    })?;
    Ok(Decoded::new(plane, facts, frame.components > 1))
}

const fn truncated(bytes: u64) -> DecodeError {
    DecodeError::Truncated { format: Format::Jpeg, bytes }
}

fn corrupt(source: Option<DecodeErrors>) -> DecodeError {
    DecodeError::Corrupt { format: Format::Jpeg, source: source.map(Into::into) }
}

const fn unsupported(encoding: Encoding) -> DecodeError {
    DecodeError::UnsupportedEncoding { format: Format::Jpeg, encoding, source: None }
}

fn sort_error(error: DecodeErrors, length: u64) -> DecodeError {
    match error {
        DecodeErrors::ExhaustedData | DecodeErrors::IoErrors(_) => truncated(length),
        DecodeErrors::Unsupported(UnsupportedSchemes::LosslessHuffman) => unsupported(Encoding::JpegLossless),
        DecodeErrors::Unsupported(_) => unsupported(Encoding::JpegArithmetic),
        other => corrupt(Some(other)),
    }
}

/// The frame header (SOF).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Frame {
    marker: u8,
    precision: u8,
    pub(super) width: u16,
    pub(super) height: u16,
    pub(super) components: u8,
    /// Sampling factors along and down of the first component, and the largest of the others.
    factors: [[u8; 2]; 2],
}

impl Frame {
    fn check(self, options: &DecodeOptions) -> Result<(), DecodeError> {
        options.check_size(self.width.into(), self.height.into())?;
        match self.marker {
            0xc0..=0xc2 => {}
            0xc3 | 0xc7 | 0xcb | 0xcf => return Err(unsupported(Encoding::JpegLossless)),
            0xc9 | 0xca | 0xcd | 0xce => return Err(unsupported(Encoding::JpegArithmetic)),
            _ => return Err(unsupported(Encoding::Unnamed)),
        }
        if self.precision != 8 {
            return Err(unsupported(Encoding::JpegPrecision(self.precision)));
        }
        if !matches!(self.components, 1 | 3 | 4) {
            return Err(unsupported(Encoding::JpegComponents(self.components)));
        }
        Ok(())
    }

    /// True where the decoder leaves out rows, in silence: of baseline files in samplings hardly in use, and where the rows of
    /// components that come one after the other are not as many.
    fn is_misread(self, scan: Scan) -> bool {
        let is_rare = |[along, down]: &[u8; 2]| *down > 2 || (*along > 2 && *down > 1);
        let is_one_by_one = scan.components < self.components && self.factors.iter().any(|[_, down]| *down > 1);
        self.marker != 0xc2 && self.components > 1 && (is_one_by_one || self.factors.iter().any(is_rare))
    }

    /// True where the decoder gives Y by itself: in the samplings in use, but for one of a picture turned by a quarter, of which it
    /// gives it wrong in progressive files.
    const fn gives_luma(self) -> bool {
        matches!(self.factors, [[1, 1] | [2, 1] | [2, 2] | [4, 1], [1, 1]])
    }

    /// Fewest bytes of any file of this size: each block of 8 × 8 of the component with the most samples takes one bit
    /// or more (ITU-T T.81, F.1.2: a code for its first coefficient).
    fn least_bytes(self) -> u64 {
        u64::from(self.width.div_ceil(8)) * u64::from(self.height.div_ceil(8)) / 8
    }

    /// Bytes needed at once: so many samples of each pixel, and for progressive files two bytes a coefficient (more than that
    /// only where a component is padded).
    pub(super) fn memory(self, samples: usize) -> u64 {
        let pixels = u64::from(self.width.next_multiple_of(16)) * u64::from(self.height.next_multiple_of(16));
        let coefficients = if self.marker == 0xc2 { 2 * u64::from(self.components) } else { 0 };
        pixels * (samples as u64 + coefficients) + (1 << 20)
    }
}

/// Adobe's marker (APP14): where its name stands, and how the components were transformed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Adobe {
    at: usize,
    /// 0 none, 1 YCbCr, 2 YCCK.
    transform: u8,
}

/// The first scan's header (SOS).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Scan {
    /// Where its compressed data begin.
    start: usize,
    components: u8,
}

/// What the segments before the first scan say. Read here because the decoder keeps neither the JFIF density nor
/// whether Adobe's marker was there.
#[derive(Debug, Default)]
pub(super) struct Header<'a> {
    pub(super) frame: Option<Frame>,
    jfif: Option<Resolution>,
    adobe: Option<Adobe>,
    exif: Option<&'a [u8]>,
    scan: Option<Scan>,
    /// True where the bytes end within the segments.
    is_cut_off: bool,
}

impl<'a> Header<'a> {
    pub(super) fn read(bytes: &'a [u8]) -> Self {
        let mut header = Self::default();
        let mut at = 2;
        loop {
            let Some(&[first, marker]) = bytes.get(at..at + 2) else {
                header.is_cut_off = true;
                return header;
            };
            // Fill bytes may stand before a marker, and stray ones between segments are passed over.
            if first != 0xff || matches!(marker, 0x00 | 0xff) {
                at += 1;
                continue;
            }
            at += 2;
            match marker {
                // Markers without a segment: restart markers, start of image, TEM.
                0x01 | 0xd0..=0xd8 => continue,
                0xd9 => return header,
                _ => {}
            }
            let Some(&[high, low]) = bytes.get(at..at + 2) else {
                header.is_cut_off = true;
                return header;
            };
            let end = at + usize::from(u16::from_be_bytes([high, low])).max(2);
            let Some(segment) = bytes.get(at + 2..end) else {
                header.is_cut_off = true;
                return header;
            };
            at = end;
            match (marker, segment) {
                (
                    0xc0..=0xc3 | 0xc5..=0xc7 | 0xc9..=0xcb | 0xcd..=0xcf,
                    &[precision, h1, h0, w1, w0, components, ref each @ ..],
                ) => {
                    // Of each component: its number, its two sampling factors in one byte, its table.
                    let factors = each.chunks_exact(3).map(|component| [component[1] >> 4, component[1] & 15]);
                    let most = |a: [u8; 2], b: [u8; 2]| [a[0].max(b[0]), a[1].max(b[1])];
                    let factors = [factors.clone().next().unwrap_or_default(), factors.skip(1).fold([0; 2], most)];
                    header.frame.get_or_insert(Frame {
                        marker,
                        precision,
                        width: u16::from_be_bytes([w1, w0]),
                        height: u16::from_be_bytes([h1, h0]),
                        components,
                        factors,
                    });
                }
                (0xe0, &[b'J', b'F', b'I', b'F', 0, _, _, unit, x1, x0, y1, y0, ..]) => {
                    header.jfif =
                        Resolution::from_jfif(unit, u16::from_be_bytes([x1, x0]), u16::from_be_bytes([y1, y0]));
                }
                (0xe1, segment) if header.exif.is_none() => header.exif = segment.strip_prefix(b"Exif\0\0"),
                (0xee, &[b'A', b'd', b'o', b'b', b'e', _, _, _, _, _, _, transform, ..]) => {
                    header.adobe = Some(Adobe { at: end - segment.len(), transform });
                }
                (0xda, segment) => {
                    header.scan = Some(Scan { start: at, components: segment.first().copied().unwrap_or_default() });
                    return header;
                }
                _ => {}
            }
        }
    }
}
