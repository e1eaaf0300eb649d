//! What is kept of a reading.

use std::fs::File;
use std::io;
use std::path::Path;

use sha2::{Digest, Sha256};

use super::entry::{
    Details, Entry, FitFacts, FocusFacts, HeadFacts, LineFacts, Picture, RampFacts, Slack, SootSide, StationFacts,
};
use crate::estimate::Estimate;
use crate::reading::{DepthOfFocus, Fit, Focus, Reading};
use crate::setup::{Ramp, Setup};

/// Digits after the point that the measured places keep; a thousandth of a pixel and a tenth of a micrometre are far
/// finer than anything they hold.
const STATION_DECIMALS: i32 = 4;

/// Everything of an [`Entry`] that reading, setup and picture tell. When, machine, lens, note and what it replaces are
/// the caller's to add; so is the overlay.
pub fn keepsake(reading: &Reading, setup: &Setup, setup_text: String, picture: PictureFile) -> (Entry, Details) {
    let focus = reading.outcome.as_ref().ok();
    let slack_positions = reading.waist.as_ref().and_then(|waist| waist.slack_positions_mm);
    let entry = Entry {
        burn: setup.burn.clone(),
        picture: Picture {
            name: picture.name,
            sha256: picture.sha256,
            width_px: reading.image.width_px,
            height_px: reading.image.height_px,
            orientation: reading.image.orientation,
            mm_per_px: reading.image.mm_per_px,
            area_px: setup.picture.area_px,
        },
        ramp: ramp_facts(&setup.ramp),
        head: head_facts(setup),
        refusal: reading.outcome.as_ref().err().cloned(),
        focus: focus.map_or_else(FocusFacts::default, |focus| focus_facts(focus, slack_positions)),
        line: line_facts(reading),
        cautions: reading.cautions.clone(),
        version: env!("CARGO_PKG_VERSION").to_owned(),
        ..Entry::default()
    };
    let details = Details {
        setup: setup_text,
        fits: reading.fits.iter().filter(|fit| is_finite(fit)).map(fit_facts).collect(),
        stations: stations(reading),
        overlay_jpeg: None,
    };
    (entry, details)
}

/// A picture's file: its name, and its SHA-256 where it could be read again.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct PictureFile {
    /// As named.
    pub name: String,
    /// 64 hexadecimal digits.
    pub sha256: Option<String>,
}

/// SHA-256 (FIPS 180-4) of a file's bytes, as 64 hexadecimal digits.
///
/// # Errors
/// A file that cannot be read.
pub fn sha256_of_file(path: &Path) -> io::Result<String> {
    let mut hasher = Sha256::new();
    io::copy(&mut File::open(path)?, &mut Writer(&mut hasher))?;
    Ok(hasher.finalize().iter().map(|byte| format!("{byte:02x}")).collect())
}

struct Writer<'a>(&'a mut Sha256);

impl io::Write for Writer<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Long side of the kept overlay, in pixels, and its JPEG quality: enough to see where the line was found, small enough
/// for thousands.
#[cfg(feature = "charts")]
const OVERLAY_LONG_SIDE_PX: u32 = 900;
#[cfg(feature = "charts")]
const OVERLAY_QUALITY: u8 = 60;

/// A small JPEG of an overlay.
///
/// # Errors
/// The encoder's, for a picture without pixels.
#[cfg(feature = "charts")]
pub fn small_jpeg(overlay: &image::RgbImage) -> image::ImageResult<Vec<u8>> {
    use image::imageops::{FilterType, resize};
    let long_side = overlay.width().max(overlay.height());
    let mut bytes = Vec::new();
    let encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, OVERLAY_QUALITY);
    if long_side <= OVERLAY_LONG_SIDE_PX {
        overlay.write_with_encoder(encoder)?;
    } else {
        let side = |px: u32| ((u64::from(px) * u64::from(OVERLAY_LONG_SIDE_PX) / u64::from(long_side)) as u32).max(1);
        resize(overlay, side(overlay.width()), side(overlay.height()), FilterType::Triangle)
            .write_with_encoder(encoder)?;
    }
    Ok(bytes)
}

/// The facts of an incline.
pub(super) fn ramp_facts(ramp: &Ramp) -> RampFacts {
    RampFacts { travel_mm: ramp.travel_mm, span_mm: ramp.span_mm, rise_mm: ramp.rise }
}

/// The facts of a head.
pub(super) fn head_facts(setup: &Setup) -> HeadFacts {
    HeadFacts {
        spacer_in_use_mm: setup.head.spacer_in_use_mm,
        lens_to_nozzle_mm: setup.head.lens_to_nozzle.map(|offset| offset.value),
        nominal_focal_length_mm: setup.head.nominal_focal_length_mm,
        gauged_from: setup.head.gauged_from.clone(),
    }
}

/// The facts of an answer.
pub(super) fn focus_facts(focus: &Focus, slack_positions_mm: Option<[f64; 2]>) -> FocusFacts {
    FocusFacts {
        position_mm: finite(Some(focus.position_mm)),
        height_mm: finite(focus.height_mm),
        spacer_mm: finite(focus.spacer_mm),
        change_mm: finite(focus.change_mm),
        focal_distance_mm: finite(focus.focal_distance_mm),
        kerf_mm: finite(focus.kerf_mm),
        slack: focus.depth_of_focus_mm.map(|DepthOfFocus { fraction, below_mm, above_mm }| Slack {
            fraction,
            below_mm,
            above_mm,
            positions_mm: slack_positions_mm,
        }),
    }
}

fn finite(estimate: Option<Estimate>) -> Option<Estimate> {
    estimate.filter(|estimate| estimate.value.is_finite() && estimate.standard_uncertainty.is_finite())
}

fn line_facts(reading: &Reading) -> Option<LineFacts> {
    let line = reading.line.as_ref()?;
    let visible = reading.course.as_ref().zip(reading.tie.as_ref()).map(|(course, tie)| {
        let [a, b] = [course.start_px, course.end_px].map(|along| tie.at(along).position_mm);
        [a.min(b), a.max(b)]
    });
    let parameter = |name: &str| {
        reading.fits.iter().find_map(|fit| fit.parameters.get(name).copied()).filter(|value| value.is_finite())
    };
    Some(LineFacts {
        visible_mm: visible,
        contrast: line.contrast,
        straightness_mm: line.straightness_mm,
        raggedness_mm: line.raggedness_mm,
        period_mm: line.period_mm,
        soot_side: line.soot_side.map(|side| if side == "left" { SootSide::Left } else { SootSide::Right }),
        is_dark: line.is_dark,
        blur_px: line.blur_px,
        straightness_px: line.straightness_px,
        raggedness_px: line.raggedness_px,
        sides_mm: parameter("length_low_mm").zip(parameter("length_high_mm")).map(Into::into),
        overdrive: parameter("overdrive"),
    })
}

fn is_finite(fit: &Fit) -> bool {
    let numbers = [fit.position_mm.value, fit.position_mm.standard_uncertainty, fit.relative_rms, fit.weight];
    numbers.iter().chain(&fit.range_mm).chain(fit.parameters.values()).all(|number| number.is_finite())
}

fn fit_facts(fit: &Fit) -> FitFacts {
    FitFacts {
        model: fit.model.as_str().to_owned(),
        position_mm: fit.position_mm,
        used: fit.used,
        weight: fit.weight,
        stations: fit.stations,
        range_mm: fit.range_mm,
        relative_rms: fit.relative_rms,
        parameters: fit.parameters.iter().map(|(name, value)| ((*name).to_owned(), *value)).collect(),
    }
}

/// Places whose profile could not be fitted have no numbers to keep.
fn stations(reading: &Reading) -> Vec<StationFacts> {
    let rounded = |value: f64| (value * 10_f64.powi(STATION_DECIMALS)).round() / 10_f64.powi(STATION_DECIMALS);
    let all = reading.stations.iter().map(|station| StationFacts {
        position_mm: station.position_mm.map(rounded),
        kerf_mm: station.kerf_mm.map(rounded),
        along_px: rounded(station.along_px),
        kerf_px: rounded(station.kerf_px),
        kerf_u_px: rounded(station.standard_uncertainty_px),
        contrast: rounded(station.contrast),
        used: station.used,
    });
    all.filter(|station| {
        let numbers = [station.along_px, station.kerf_px, station.kerf_u_px, station.contrast];
        let lengths = [station.position_mm, station.kerf_mm].into_iter().flatten();
        numbers.into_iter().chain(lengths).all(f64::is_finite)
    })
    .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// FIPS 180-4's example "abc", published with the standard by NIST (Secure Hash Standard examples, SHA-256).
    #[test]
    fn the_digest_is_the_published_one() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "abc").unwrap();
        assert_eq!(
            sha256_of_file(file.path()).unwrap(),
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        );
    }

    #[cfg(feature = "charts")]
    #[test]
    fn a_kept_overlay_is_small_and_opens() {
        let large = image::RgbImage::from_fn(2400, 800, |x, y| image::Rgb([(x % 251) as u8, (y % 241) as u8, 90]));
        let small = image::load_from_memory(&small_jpeg(&large).unwrap()).unwrap();
        assert_eq!((small.width(), small.height()), (900, 300));
        let tiny = small_jpeg(&image::RgbImage::new(3, 2000)).unwrap();
        assert_eq!(image::load_from_memory(&tiny).unwrap().width(), 1);
    }
}
