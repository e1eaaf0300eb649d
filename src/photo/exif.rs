//! What the EXIF block says about how a picture was taken.

use exif::{Exif, In, Reader, Tag, Value};

use super::Resolution;
use super::orientation::Orientation;

/// The facts a photo keeps; the default is what a file without EXIF says.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Facts {
    pub(super) orientation: Orientation,
    pub(super) resolution: Option<Resolution>,
    pub(super) from_camera: bool,
    pub(super) captured_at: Option<String>,
}

impl Default for Facts {
    fn default() -> Self {
        Self { orientation: Orientation::UPRIGHT, resolution: None, from_camera: false, captured_at: None }
    }
}

impl Facts {
    /// Reads a bare EXIF block (a small TIFF structure). A damaged block yields what can still be read of it:
    /// it says nothing about the pixels, so it is no reason to refuse them.
    pub(super) fn from_block(block: &[u8]) -> Self {
        // Some writers keep JPEG's introduction in front of the block in WebP and PNG too.
        let block = block.strip_prefix(b"Exif\0\0").unwrap_or(block);
        Reader::new()
            .continue_on_error(true)
            .read_raw(block.to_vec())
            .or_else(|error| error.distill_partial_result(|_| ()))
            .map(|exif| Self::from_exif(&exif))
            .unwrap_or_default()
    }

    fn from_exif(exif: &Exif) -> Self {
        let value = |tag| exif.get_field(tag, In::PRIMARY).map(|field| &field.value);
        let whole = |tag| value(tag).and_then(number).filter(|number| *number >= 0.0).map(|number| number as u32);
        let text = |tag| match value(tag) {
            Some(Value::Ascii(lines)) => {
                lines.first().map(|line| String::from_utf8_lossy(line).trim_matches(['\0', ' ']).to_owned())
            }
            _ => None,
        };
        let resolution = match (value(Tag::XResolution).and_then(number), value(Tag::YResolution).and_then(number)) {
            (Some(x), Some(y)) => Resolution::from_tiff(whole(Tag::ResolutionUnit), x, y),
            _ => None,
        };
        // Exif 2.3, FileSource: 1 and 2 are scanners, which name themselves as makers too but see without perspective.
        let is_scanner =
            matches!(value(Tag::FileSource), Some(Value::Undefined(bytes, _)) if matches!(bytes.first(), Some(1 | 2)));
        let names_device =
            [Tag::Make, Tag::Model, Tag::LensModel].iter().any(|&tag| text(tag).is_some_and(|name| !name.is_empty()));
        let names_exposure = [Tag::ExposureTime, Tag::FNumber, Tag::FocalLength]
            .iter()
            .any(|&tag| value(tag).and_then(number).is_some_and(|number| number > 0.0));
        let captured_at = [
            (Tag::DateTimeOriginal, Tag::OffsetTimeOriginal),
            (Tag::DateTimeDigitized, Tag::OffsetTimeDigitized),
            (Tag::DateTime, Tag::OffsetTime),
        ]
        .iter()
        .find_map(|&(time, offset)| time_with_offset(&text(time)?, text(offset).as_deref()));
        Self {
            orientation: whole(Tag::Orientation).map_or(Orientation::UPRIGHT, Orientation::from_tag),
            resolution,
            from_camera: !is_scanner && (names_device || names_exposure),
            captured_at,
        }
    }
}

/// The first number of a value; `None` for a rational with a zero denominator.
fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Rational(list) => list.first().filter(|ratio| ratio.denom != 0).map(|ratio| ratio.to_f64()),
        Value::SRational(list) => list.first().filter(|ratio| ratio.denom != 0).map(|ratio| ratio.to_f64()),
        Value::Float(list) => list.first().copied().map(f64::from),
        Value::Double(list) => list.first().copied(),
        // Not what the standard asks for, but some writers use signed integers throughout.
        Value::SByte(list) => list.first().copied().map(f64::from),
        Value::SShort(list) => list.first().copied().map(f64::from),
        Value::SLong(list) => list.first().copied().map(f64::from),
        _ => value.get_uint(0).map(f64::from),
    }
}

/// `YYYY:MM:DD HH:MM:SS` with the offset from UTC appended where there is one; `None` for the blanks and zeros that
/// stand for an unknown time.
pub(super) fn time_with_offset(time: &str, offset: Option<&str>) -> Option<String> {
    let fits = |text: &str, pattern: &str| {
        text.len() == pattern.len()
            && text.bytes().zip(pattern.bytes()).all(|(byte, wanted)| match wanted {
                b'0' => byte.is_ascii_digit(),
                b'+' => matches!(byte, b'+' | b'-'),
                _ => byte == wanted,
            })
    };
    if !fits(time, "0000:00:00 00:00:00") || time.starts_with("0000") {
        return None;
    }
    Some(match offset {
        Some(offset) if fits(offset, "+00:00") => format!("{time}{offset}"),
        _ => time.to_owned(),
    })
}
