//! From linear light to the bytes of a file: noise, the sRGB curve, sharpening, container.

use image::{DynamicImage, ImageEncoder};
use rayon::prelude::*;

use super::noise::{cheap_normal, mix};
use super::render::{Plate, blur, tints};
use super::scene::{Format, Output, Scene};

/// sRGB from linear light, both 0 to 1 (IEC 61966-2-1).
fn encoded(linear: f64) -> f64 {
    if linear <= 0.003_130_8 { 12.92 * linear } else { 1.055 * linear.powf(1.0 / 2.4) - 0.055 }
}

/// Adds noise, encodes, sharpens and rounds: the upright picture.
pub(super) fn develop(scene: &Scene, plate: Plate) -> DynamicImage {
    const STEPS: usize = 8192;
    let sensor = &scene.sensor;
    let Plate { size_px, light, strip_share } = plate;
    let [width, height] = size_px;
    let curve: Vec<f32> = (0..=STEPS + 1).map(|index| encoded(index as f64 / STEPS as f64) as f32).collect();
    let curve = |value: f32| {
        let place = value.clamp(0.0, 1.0) * STEPS as f32;
        let index = place as usize;
        curve[index] + (place - index as f32) * (curve[index + 1] - curve[index])
    };
    let channels = if scene.output.is_grey { 1 } else { 3 };
    let [strip_tint, ground_tint] = tints(scene);
    let reference = scene.strip.material.reflectance() * sensor.exposure as f32;
    let [read, shot] = [sensor.read_noise as f32, sensor.shot_noise as f32];
    let mut values = vec![0.0_f32; width * height * channels];
    values.par_chunks_mut(width * channels).enumerate().for_each(|(row, cells)| {
        for (column, cell) in cells.chunks_exact_mut(channels).enumerate() {
            let index = row * width + column;
            let luminance = light[index];
            let bits = mix(scene.seed ^ 0x6e01 ^ (index as u64) << 3);
            let noise = [bits as u32, (bits >> 32) as u32].map(cheap_normal);
            let spread = (read * read + shot * shot * luminance.max(0.0)).sqrt();
            if channels == 1 {
                cell[0] = curve(luminance + spread * noise[0]);
                continue;
            }
            // Char is grey, wood is not: colour fades with the light. Two thirds of the noise are common to the channels.
            let share = f32::from(strip_share[index]) / 255.0;
            let strength = share * (luminance / (0.35 * reference)).clamp(0.0, 1.0);
            let third = cheap_normal(mix(bits) as u32);
            let own = [noise[1], third, -(noise[1] + third) * 0.7];
            for (channel, value) in cell.iter_mut().enumerate() {
                let tint = 1.0 + strength * (strip_tint[channel] - 1.0) + (1.0 - share) * (ground_tint[channel] - 1.0);
                *value = curve(luminance * tint + spread * (0.9 * noise[0] + 0.7 * own[channel]));
            }
        }
    });
    if sensor.sharpening > 0.0 {
        sharpen(&mut values, size_px, channels, sensor.sharpening as f32, sensor.sharpening_px);
    }
    let [columns, rows] = [width as u32, height as u32];
    let built = if scene.output.is_deep && !matches!(scene.output.format, Format::Jpeg(_)) {
        let samples: Vec<u16> = values.par_iter().map(|value| (value.clamp(0.0, 1.0) * 65535.0 + 0.5) as u16).collect();
        if channels == 1 {
            image::ImageBuffer::from_raw(columns, rows, samples).map(DynamicImage::ImageLuma16)
        } else {
            image::ImageBuffer::from_raw(columns, rows, samples).map(DynamicImage::ImageRgb16)
        }
    } else {
        let samples: Vec<u8> = values.par_iter().map(|value| (value.clamp(0.0, 1.0) * 255.0 + 0.5) as u8).collect();
        if channels == 1 {
            image::ImageBuffer::from_raw(columns, rows, samples).map(DynamicImage::ImageLuma8)
        } else {
            image::ImageBuffer::from_raw(columns, rows, samples).map(DynamicImage::ImageRgb8)
        }
    };
    built.expect("as many samples as the size asks for")
}

/// Unsharp masking of encoded values by the luma's detail.
fn sharpen(values: &mut [f32], size_px: [usize; 2], channels: usize, amount: f32, sigma: f64) {
    let luma: Vec<f32> = values
        .par_chunks_exact(channels)
        .map(|cell| if channels == 1 { cell[0] } else { 0.3 * cell[0] + 0.59 * cell[1] + 0.11 * cell[2] })
        .collect();
    let mut smooth = luma.clone();
    blur(&mut smooth, size_px, sigma);
    values.par_chunks_exact_mut(channels).zip(luma.par_iter().zip(&smooth)).for_each(|(cell, (luma, smooth))| {
        cell.iter_mut().for_each(|value| *value += amount * (luma - smooth));
    });
}

/// Why a file could not be written.
#[derive(Debug, thiserror::Error)]
pub enum EncodeError {
    /// JPEG.
    #[error("the JPEG could not be written")]
    Jpeg(#[from] image::ImageError),
    /// PNG.
    #[error("the PNG could not be written")]
    Png(#[from] png::EncodingError),
    /// TIFF.
    #[error("the TIFF could not be written")]
    Tiff(#[from] tiff::TiffError),
}

/// The file's bytes.
///
/// # Errors
///
/// Where a container refuses the picture (a JPEG of more than 65535 px).
pub fn encode(image: &DynamicImage, output: &Output) -> Result<Vec<u8>, EncodeError> {
    match output.format {
        Format::Jpeg(quality) => jpeg(image, output, quality),
        Format::Png => png(image, output),
        Format::Tiff => tiff(image, output),
    }
}

fn jpeg(image: &DynamicImage, output: &Output, quality: u8) -> Result<Vec<u8>, EncodeError> {
    let stored = stored(image, output.orientation);
    let mut bytes = vec![];
    let mut encoder = image::codecs::jpeg::JpegEncoder::new_with_quality(&mut bytes, quality);
    if let Some(dpi) = output.dpi_tag {
        encoder.set_pixel_density(image::codecs::jpeg::PixelDensity::dpi(dpi.round() as u16));
    }
    if output.orientation != 1 || output.has_camera_tags {
        let blob = exif(output.orientation, output.has_camera_tags);
        encoder.set_exif_metadata(blob).map_err(image::ImageError::Unsupported)?;
    }
    stored.write_with_encoder(encoder)?;
    Ok(bytes)
}

/// The pixels as stored, so that a viewer that obeys the tag sees them upright (EXIF 2.3, tag 0x0112).
fn stored(image: &DynamicImage, orientation: u8) -> DynamicImage {
    match orientation {
        2 => image.fliph(),
        3 => image.rotate180(),
        4 => image.flipv(),
        5 => image.rotate90().fliph(),
        6 => image.rotate270(),
        7 => image.rotate270().fliph(),
        8 => image.rotate90(),
        _ => image.clone(),
    }
}

/// A small EXIF block: orientation and, where asked, exposure time and focal length. Big-endian TIFF structure.
fn exif(orientation: u8, has_camera_tags: bool) -> Vec<u8> {
    let mut block = b"MM\0\x2a\0\0\0\x08".to_vec();
    let entry = |block: &mut Vec<u8>, tag: u16, kind: u16, value: [u8; 4]| {
        block.extend(tag.to_be_bytes());
        block.extend(kind.to_be_bytes());
        block.extend(1_u32.to_be_bytes());
        block.extend(value);
    };
    let entries = 1 + u16::from(has_camera_tags);
    block.extend(entries.to_be_bytes());
    entry(&mut block, 0x0112, 3, [0, orientation, 0, 0]);
    let sub = 8 + 2 + 12 * u32::from(entries) + 4;
    if has_camera_tags {
        entry(&mut block, 0x8769, 4, sub.to_be_bytes());
    }
    block.extend(0_u32.to_be_bytes());
    if has_camera_tags {
        let data = sub + 2 + 24 + 4;
        block.extend(2_u16.to_be_bytes());
        entry(&mut block, 0x829a, 5, data.to_be_bytes());
        entry(&mut block, 0x920a, 5, (data + 8).to_be_bytes());
        block.extend(0_u32.to_be_bytes());
        for value in [1_u32, 120, 43, 10] {
            block.extend(value.to_be_bytes());
        }
    }
    block
}

fn png(image: &DynamicImage, output: &Output) -> Result<Vec<u8>, EncodeError> {
    let mut bytes = vec![];
    let mut encoder = png::Encoder::new(&mut bytes, image.width(), image.height());
    let is_deep = matches!(image, DynamicImage::ImageLuma16(_) | DynamicImage::ImageRgb16(_));
    encoder.set_color(if output.is_grey { png::ColorType::Grayscale } else { png::ColorType::Rgb });
    encoder.set_depth(if is_deep { png::BitDepth::Sixteen } else { png::BitDepth::Eight });
    encoder.set_compression(png::Compression::Fast);
    encoder.set_pixel_dims(output.dpi_tag.map(|dpi| {
        let per_metre = (dpi / 0.0254).round() as u32;
        png::PixelDimensions { xppu: per_metre, yppu: per_metre, unit: png::Unit::Meter }
    }));
    let mut writer = encoder.write_header()?;
    if is_deep {
        // PNG stores the high byte first.
        let samples: Vec<u8> = match image {
            DynamicImage::ImageLuma16(buffer) => buffer.iter().flat_map(|sample| sample.to_be_bytes()).collect(),
            DynamicImage::ImageRgb16(buffer) => buffer.iter().flat_map(|sample| sample.to_be_bytes()).collect(),
            _ => unreachable!("checked above"),
        };
        writer.write_image_data(&samples)?;
    } else {
        writer.write_image_data(image.as_bytes())?;
    }
    writer.finish()?;
    Ok(bytes)
}

fn tiff(image: &DynamicImage, output: &Output) -> Result<Vec<u8>, EncodeError> {
    use tiff::encoder::colortype::{ColorType, Gray8, Gray16, RGB8, RGB16};
    use tiff::encoder::{Compression, DeflateLevel, Rational, TiffEncoder, TiffValue};
    fn write<C: ColorType>(image: &DynamicImage, output: &Output, samples: &[C::Inner]) -> Result<Vec<u8>, EncodeError>
    where
        [C::Inner]: TiffValue,
    {
        let mut bytes = std::io::Cursor::new(vec![]);
        let mut file = TiffEncoder::new(&mut bytes)?.with_compression(Compression::Deflate(DeflateLevel::Fast));
        let mut directory = file.new_image::<C>(image.width(), image.height())?;
        if let Some(dpi) = output.dpi_tag {
            directory.resolution(tiff::tags::ResolutionUnit::Inch, Rational { n: dpi.round() as u32, d: 1 });
        }
        directory.write_data(samples)?;
        Ok(bytes.into_inner())
    }
    match image {
        DynamicImage::ImageLuma8(buffer) => write::<Gray8>(image, output, buffer),
        DynamicImage::ImageLuma16(buffer) => write::<Gray16>(image, output, buffer),
        DynamicImage::ImageRgb16(buffer) => write::<RGB16>(image, output, buffer),
        other => write::<RGB8>(image, output, &other.to_rgb8()),
    }
}
