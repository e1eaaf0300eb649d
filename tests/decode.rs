//! Which files become a picture, with which values and facts, and what is said of those that do not.
#![allow(clippy::unwrap_used, reason = "the helpers of these tests may fail as the tests do")]

use std::io::Cursor;
use std::path::Path;

use exif::experimental::Writer as ExifWriter;
use exif::{Field, In, Rational, Tag, Value};
use image::{ExtendedColorType, ImageEncoder};
use jpeg_encoder::{ColorType as JpegColour, Encoder as JpegEncoder, PixelDensity, PixelDensityUnit, SamplingFactor};
use narrows::photo::{DecodeError, DecodeOptions, Encoding, Format, Photo, decode_bytes, decode_file};
use tiff::encoder::{Compression, TiffEncoder, colortype};

fn decode(bytes: &[u8]) -> Result<Photo, DecodeError> {
    let result = decode_bytes(bytes, &DecodeOptions::default());
    if let Err(error) = &result {
        assert!(!error.hint().is_empty() && !error.hint().ends_with('.'), "{error}");
        assert!(!error.to_string().ends_with('.') && !error.to_string().contains('\n'), "{error}");
    }
    result
}

/// Luminance of an sRGB triple by the formula of IEC 61966-2-1, in 1/65535.
fn luminance(r: f64, g: f64, b: f64) -> f64 {
    let light = |v: f64| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) };
    65535.0 * (0.2126 * light(r) + 0.7152 * light(g) + 0.0722 * light(b))
}

/// Light of a sample's red alone, by the same formula.
fn red_8(r: u8) -> f64 {
    luminance_8(r, r, r)
}

fn luminance_8(r: u8, g: u8, b: u8) -> f64 {
    luminance(f64::from(r) / 255.0, f64::from(g) / 255.0, f64::from(b) / 255.0)
}

/// Light of the luma of an sRGB triple, `Y = 0.299 R + 0.587 G + 0.114 B` (ITU-T T.871, clause 7; from memory), as a grey.
fn light_of_luma(pixel: &[u8]) -> f64 {
    let luma = 0.299 * f64::from(pixel[0]) + 0.587 * f64::from(pixel[1]) + 0.114 * f64::from(pixel[2]);
    luminance(luma / 255.0, luma / 255.0, luma / 255.0)
}

#[test]
fn red_light_alone_of_every_format_with_colours() {
    // Blocks of one colour each, so that what JPEG leaves out of a picture's colours does not matter.
    let colours = [[200, 90, 40], [30, 160, 220], [128, 128, 128], [250, 10, 10]];
    let pixels: Vec<u8> = (0..32 * 32).flat_map(|i| colours[i / 512 * 2 + i % 32 / 16]).collect();
    let mut tiff = Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff).unwrap().write_image::<colortype::RGB8>(32, 32, &pixels).unwrap();
    let by_image = |format| {
        let mut bytes = Cursor::new(Vec::new());
        image::RgbImage::from_raw(32, 32, pixels.clone()).unwrap().write_to(&mut bytes, format).unwrap();
        bytes.into_inner()
    };
    let numbers: Vec<u8> = (0..32 * 32).map(|i| (i / 512 * 2 + i % 32 / 16) as u8).collect();
    let (colour, depth) = (png::ColorType::Indexed, png::BitDepth::Eight);
    let palette = Png { colour, depth, width: 32, height: 32, data: &numbers }
        .encode(|info| info.palette = Some(colours.concat().into()));
    let inks: Vec<u8> = pixels.chunks(3).flat_map(|p| [255 - p[0], 255 - p[1], 255 - p[2], 0]).collect();
    let files = [
        (jpeg(JpegColour::Rgb, 32, 32, &pixels, |_| {}), 600.0),
        (jpeg(JpegColour::Rgb, 32, 32, &pixels, |encoder| encoder.set_progressive(true)), 600.0),
        (jpeg(JpegColour::Cmyk, 32, 32, &inks, |_| {}), 600.0),
        (palette, 2.0),
        (by_image(image::ImageFormat::Png), 2.0),
        (tiff.into_inner(), 2.0),
        (by_image(image::ImageFormat::Bmp), 2.0),
        (by_image(image::ImageFormat::WebP), 2.0),
    ];
    for (file, tolerance) in files {
        let red = decode(&file).unwrap().in_red().unwrap();
        for (block, colour) in colours.iter().enumerate() {
            assert_close(red.light()[[8 + 16 * (block / 2), 8 + 16 * (block % 2)]], red_8(colour[0]), tolerance);
        }
    }
    assert!(decode(&grey_png(2, 2, &[0, 1, 2, 3])).unwrap().in_red().is_none());
}

#[test]
fn red_light_of_a_file_that_has_changed_is_not_had() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("picture.png");
    let save = |width| image::RgbImage::new(width, 9).save(&path).unwrap();
    let opened = || decode_file(&path, &DecodeOptions::default()).unwrap();
    save(7);
    assert!(opened().in_red().is_some());
    let earlier = opened();
    save(8);
    assert!(earlier.in_red().is_none());
    let earlier = opened();
    std::fs::remove_file(&path).unwrap();
    assert!(earlier.in_red().is_none());
}

#[track_caller]
fn assert_close(found: u16, wanted: f64, tolerance: f64) {
    assert!((f64::from(found) - wanted).abs() <= tolerance, "found {found}, wanted {wanted}");
}

fn rational(tag: Tag, over: u32, under: u32) -> Field {
    Field { tag, ifd_num: In::PRIMARY, value: Value::Rational(vec![Rational { num: over, denom: under }]) }
}

fn short(tag: Tag, value: u16) -> Field {
    Field { tag, ifd_num: In::PRIMARY, value: Value::Short(vec![value]) }
}

fn ascii(tag: Tag, text: &str) -> Field {
    Field { tag, ifd_num: In::PRIMARY, value: Value::Ascii(vec![text.as_bytes().to_vec()]) }
}

fn exif_block(fields: &[Field]) -> Vec<u8> {
    let mut writer = ExifWriter::new();
    for field in fields {
        writer.push_field(field);
    }
    let mut block = Cursor::new(Vec::new());
    writer.write(&mut block, false).unwrap();
    block.into_inner()
}

fn resolution_fields(x: (u32, u32), y: (u32, u32), unit: Option<u16>) -> Vec<Field> {
    let mut fields = vec![rational(Tag::XResolution, x.0, x.1), rational(Tag::YResolution, y.0, y.1)];
    fields.extend(unit.map(|unit| short(Tag::ResolutionUnit, unit)));
    fields
}

struct Png<'a> {
    colour: png::ColorType,
    depth: png::BitDepth,
    width: u32,
    height: u32,
    data: &'a [u8],
}

impl Png<'_> {
    fn encode(&self, adjust: impl FnOnce(&mut png::Info<'static>)) -> Vec<u8> {
        let mut info = png::Info::with_size(self.width, self.height);
        info.color_type = self.colour;
        info.bit_depth = self.depth;
        adjust(&mut info);
        let mut bytes = Vec::new();
        let mut writer = png::Encoder::with_info(&mut bytes, info).unwrap().write_header().unwrap();
        writer.write_image_data(self.data).unwrap();
        writer.finish().unwrap();
        bytes
    }
}

fn grey_png(width: u32, height: u32, data: &[u8]) -> Vec<u8> {
    Png { colour: png::ColorType::Grayscale, depth: png::BitDepth::Eight, width, height, data }.encode(|_| {})
}

/// Puts a chunk where the given chunk stands, before it or at the end of the picture data.
fn insert_png_chunk(png: &[u8], before: &[u8; 4], kind: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let at = png.windows(4).position(|name| name == before).unwrap() - 4;
    let mut chunk = Vec::new();
    chunk.extend((data.len() as u32).to_be_bytes());
    chunk.extend(kind);
    chunk.extend(data);
    let checksum = crc32(&chunk[4..]);
    chunk.extend(checksum.to_be_bytes());
    [&png[..at], &chunk, &png[at..]].concat()
}

fn crc32(bytes: &[u8]) -> u32 {
    !bytes.iter().fold(!0, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { crc >> 1 ^ 0xedb8_8320 } else { crc >> 1 })
    })
}

fn jpeg(
    colour: JpegColour,
    width: u16,
    height: u16,
    data: &[u8],
    adjust: impl FnOnce(&mut JpegEncoder<&mut Vec<u8>>),
) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = JpegEncoder::new(&mut bytes, 100);
    encoder.set_sampling_factor(SamplingFactor::R_4_4_4);
    adjust(&mut encoder);
    encoder.encode(data, width, height, colour).unwrap();
    bytes
}

fn insert_jpeg_segment(jpeg: &[u8], marker: u8, data: &[u8]) -> Vec<u8> {
    let mut segment = vec![0xff, marker];
    segment.extend((data.len() as u16 + 2).to_be_bytes());
    segment.extend(data);
    [&jpeg[..2], &segment, &jpeg[2..]].concat()
}

fn tiff_8(width: u32, height: u32, data: &[u8], adjust: impl FnOnce(&mut Tags<'_, '_>)) -> Vec<u8> {
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes).unwrap();
    let mut image = encoder.new_image::<colortype::Gray8>(width, height).unwrap();
    adjust(image.encoder());
    image.write_data(data).unwrap();
    bytes.into_inner()
}

type Tags<'a, 'b> = tiff::encoder::DirectoryEncoder<'a, &'b mut Cursor<Vec<u8>>, tiff::encoder::TiffKindStandard>;

fn webp(width: u32, height: u32, data: &[u8], colour: ExtendedColorType, exif: Option<Vec<u8>>) -> Vec<u8> {
    let mut bytes = Vec::new();
    let mut encoder = image::codecs::webp::WebPEncoder::new_lossless(&mut bytes);
    if let Some(exif) = exif {
        encoder.set_exif_metadata(exif).unwrap();
    }
    encoder.write_image(data, width, height, colour).unwrap();
    bytes
}

fn bmp(width: u32, height: u32, data: &[u8], colour: ExtendedColorType) -> Vec<u8> {
    let mut bytes = Vec::new();
    image::codecs::bmp::BmpEncoder::new(&mut bytes).encode(data, width, height, colour).unwrap();
    bytes
}

// ---- values ----

#[test]
fn published_values_of_the_srgb_curve() {
    // IEC 61966-2-1:1999, the curve's two branches; decimal values from memory.
    let values = [(0u8, 0.0), (10, 0.003_035), (118, 0.181_16), (128, 0.215_86), (188, 0.502_89), (255, 1.0)];
    let photo = decode(&grey_png(6, 1, &values.map(|(stored, _)| stored))).unwrap();
    for (&found, (_, wanted)) in photo.light().iter().zip(values) {
        assert_close(found, wanted * 65535.0, 1.0);
    }
}

#[test]
fn every_grey_reads_alike_in_one_channel_and_in_three() {
    let ramp: Vec<u8> = (0..=255).collect();
    let triple: Vec<u8> = ramp.iter().flat_map(|&v| [v, v, v]).collect();
    let grey = decode(&grey_png(256, 1, &ramp)).unwrap();
    let colour = decode(&bmp(256, 1, &triple, ExtendedColorType::Rgb8)).unwrap();
    assert_eq!(grey.light(), colour.light());
    for (stored, &found) in grey.light().iter().enumerate() {
        let v = stored as u8;
        assert_close(found, luminance_8(v, v, v), 0.51);
    }
}

#[test]
fn colours_weigh_as_in_rec_709() {
    let data = [255, 0, 0, 0, 255, 0, 0, 0, 255, 200, 100, 50];
    let png = Png { colour: png::ColorType::Rgb, depth: png::BitDepth::Eight, width: 4, height: 1, data: &data };
    for bytes in [
        png.encode(|_| {}),
        bmp(4, 1, &data, ExtendedColorType::Rgb8),
        webp(4, 1, &data, ExtendedColorType::Rgb8, None),
    ] {
        let photo = decode(&bytes).unwrap();
        for (found, wanted) in photo.light().iter().zip(data.chunks(3)) {
            assert_close(*found, luminance_8(wanted[0], wanted[1], wanted[2]), 0.51);
        }
    }
}

#[test]
fn sixteen_bits_are_kept() {
    // Neighbouring 16-bit values near white, which 8 bits could not tell apart.
    let values: Vec<u16> = (0..64).map(|i| 60000 + i).chain([0, 1, 65535]).collect();
    let big: Vec<u8> = values.iter().flat_map(|v| v.to_be_bytes()).collect();
    let count = values.len() as u32;
    let png =
        Png { colour: png::ColorType::Grayscale, depth: png::BitDepth::Sixteen, width: count, height: 1, data: &big };
    let mut tiff = Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff).unwrap().write_image::<colortype::Gray16>(count, 1, &values).unwrap();
    for bytes in [png.encode(|_| {}), tiff.into_inner()] {
        let photo = decode(&bytes).unwrap();
        for (&found, &stored) in photo.light().iter().zip(&values) {
            let v = f64::from(stored) / 65535.0;
            assert_close(found, luminance(v, v, v), 0.51);
        }
        assert!(photo.light().as_slice().unwrap()[..64].windows(2).all(|pair| pair[0] < pair[1]));
    }
}

#[test]
fn sixteen_bit_colour_in_png_and_tiff() {
    let pixels: [u16; 6] = [65535, 30000, 1000, 12345, 54321, 40000];
    let big: Vec<u8> = pixels.iter().flat_map(|v| v.to_be_bytes()).collect();
    let png = Png { colour: png::ColorType::Rgb, depth: png::BitDepth::Sixteen, width: 2, height: 1, data: &big };
    let mut tiff = Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff).unwrap().write_image::<colortype::RGB16>(2, 1, &pixels).unwrap();
    for bytes in [png.encode(|_| {}), tiff.into_inner()] {
        let photo = decode(&bytes).unwrap();
        for (&found, wanted) in photo.light().iter().zip(pixels.chunks(3)) {
            let [r, g, b] = [0, 1, 2].map(|i| f64::from(wanted[i]) / 65535.0);
            assert_close(found, luminance(r, g, b), 1.5);
        }
    }
}

#[test]
fn low_bit_depths_and_palettes() {
    // Two bits: 0, 1, 2, 3 in one byte.
    let two =
        Png { colour: png::ColorType::Grayscale, depth: png::BitDepth::Two, width: 4, height: 1, data: &[0b0001_1011] };
    let photo = decode(&two.encode(|_| {})).unwrap();
    for (&found, grey) in photo.light().iter().zip([0, 85, 170, 255]) {
        assert_close(found, luminance_8(grey, grey, grey), 0.51);
    }
    let palette = [10, 20, 30, 200, 100, 50];
    let indexed =
        Png { colour: png::ColorType::Indexed, depth: png::BitDepth::One, width: 3, height: 1, data: &[0b1010_0000] };
    let photo = decode(&indexed.encode(|info| info.palette = Some(palette.to_vec().into()))).unwrap();
    let (dark, light) = (luminance_8(10, 20, 30), luminance_8(200, 100, 50));
    for (&found, wanted) in photo.light().iter().zip([light, dark, light]) {
        assert_close(found, wanted, 0.51);
    }
}

#[test]
fn transparency_shows_white_paper() {
    // Mixed in linear light: half of black over white is half the light.
    let data = [0, 0, 0, 0, 0, 0, 0, 255, 0, 0, 0, 51];
    let wanted = [65535.0, 0.0, 65535.0 * 0.8];
    let png = Png { colour: png::ColorType::Rgba, depth: png::BitDepth::Eight, width: 3, height: 1, data: &data };
    let mut tiff = Cursor::new(Vec::new());
    TiffEncoder::new(&mut tiff).unwrap().write_image::<colortype::RGBA8>(3, 1, &data).unwrap();
    for bytes in [png.encode(|_| {}), webp(3, 1, &data, ExtendedColorType::Rgba8, None)] {
        let photo = decode(&bytes).unwrap();
        for (&found, wanted) in photo.light().iter().zip(wanted) {
            assert_close(found, wanted, 0.51);
        }
    }
    let wide: Vec<u8> = [0u16, 0, 0, 65535, 0, 13107].iter().flat_map(|v| v.to_be_bytes()).collect();
    let png =
        Png { colour: png::ColorType::GrayscaleAlpha, depth: png::BitDepth::Sixteen, width: 3, height: 1, data: &wide };
    let photo = decode(&png.encode(|_| {})).unwrap();
    assert_eq!(photo.light().as_slice().unwrap(), [65535, 0, 52428]);
    // A palette entry and a grey value declared transparent.
    let indexed =
        Png { colour: png::ColorType::Indexed, depth: png::BitDepth::Eight, width: 2, height: 1, data: &[0, 1] };
    let photo = decode(&indexed.encode(|info| {
        info.palette = Some(vec![0, 0, 0, 0, 0, 0].into());
        info.trns = Some(vec![0].into());
    }))
    .unwrap();
    assert_eq!(photo.light().as_slice().unwrap(), [65535, 0]);
}

/// Found by fuzzing: the decoder panicked on what was left over.
#[test]
fn a_palette_of_a_part_of_a_colour_is_damage() {
    let indexed =
        Png { colour: png::ColorType::Indexed, depth: png::BitDepth::Four, width: 2, height: 1, data: &[0x01] };
    for left_over in [1, 2] {
        let found = decode(&indexed.encode(|info| {
            info.palette = Some(vec![7; 6 + left_over].into());
            info.trns = Some(vec![0, 255, 255].into());
        }));
        assert!(matches!(found, Err(DecodeError::Corrupt { format: Format::Png, .. })), "{found:?}");
    }
}

#[test]
fn png_says_how_its_samples_relate_to_light() {
    let wide: Vec<u8> = [0u16, 16384, 32768, 65535].iter().flat_map(|v| v.to_be_bytes()).collect();
    let png =
        Png { colour: png::ColorType::Grayscale, depth: png::BitDepth::Sixteen, width: 4, height: 1, data: &wide };
    let with_gamma = |hundred_thousandths: u32| {
        let bytes = insert_png_chunk(&png.encode(|_| {}), b"IDAT", b"gAMA", &hundred_thousandths.to_be_bytes());
        decode(&bytes).unwrap().light().into_owned().into_raw_vec_and_offset().0
    };
    assert_eq!(with_gamma(100_000), [0, 16384, 32768, 65535]);
    let quarter = 16384.0 / 65535.0;
    assert_close(with_gamma(45_455)[1], luminance(quarter, quarter, quarter), 0.51);
    assert_close(with_gamma(50_000)[1], 65535.0 * quarter * quarter, 0.51);
    // Nonsense is passed over.
    assert_close(with_gamma(0)[1], luminance(quarter, quarter, quarter), 0.51);
    // sRGB goes before gAMA, cICP before both (transfer characteristics 8: linear).
    let both = insert_png_chunk(&png.encode(|_| {}), b"IDAT", b"gAMA", &100_000u32.to_be_bytes());
    let both = insert_png_chunk(&both, b"IDAT", b"sRGB", &[0]);
    assert_close(decode(&both).unwrap().light()[[0, 1]], luminance(quarter, quarter, quarter), 0.51);
    let all = insert_png_chunk(&both, b"IDAT", b"cICP", &[1, 8, 0, 1]);
    assert_eq!(decode(&all).unwrap().light()[[0, 1]], 16384);
}

#[test]
fn jpeg_baseline_progressive_and_grey() {
    let data: Vec<u8> = (0..40 * 24).flat_map(|i| [(i % 40 * 6) as u8, (i / 40 * 10) as u8, 90]).collect();
    let baseline = decode(&jpeg(JpegColour::Rgb, 40, 24, &data, |_| {})).unwrap();
    let progressive = decode(&jpeg(JpegColour::Rgb, 40, 24, &data, |encoder| encoder.set_progressive(true))).unwrap();
    let subsampled =
        decode(&jpeg(JpegColour::Rgb, 40, 24, &data, |encoder| encoder.set_sampling_factor(SamplingFactor::R_4_2_0)))
            .unwrap();
    assert_eq!((baseline.width(), baseline.height()), (40, 24));
    for photo in [baseline, progressive, subsampled] {
        for (&found, wanted) in photo.light().iter().zip(data.chunks(3)) {
            assert_close(found, light_of_luma(wanted), 900.0);
        }
    }
    let grey = decode(&jpeg(JpegColour::Luma, 8, 8, &[77; 64], |_| {})).unwrap();
    assert!(grey.light().iter().all(|&found| (f64::from(found) - luminance_8(77, 77, 77)).abs() < 500.0));
}

/// Colours that change from pixel to pixel are blurred by any sampling but 4:4:4; their luma is not.
#[test]
fn jpeg_colours_are_read_by_their_luma_whatever_their_sampling() {
    let samplings = [
        (SamplingFactor::R_4_4_4, 500.0),
        (SamplingFactor::R_4_2_2, 500.0),
        (SamplingFactor::R_4_2_0, 500.0),
        (SamplingFactor::R_4_1_1, 500.0),
        // Read by its colours.
        (SamplingFactor::R_4_4_0, 2500.0),
    ];
    for (sampling, tolerance) in samplings {
        for (width, height) in [(8, 8), (17, 33), (40, 24), (33, 97), (250, 61)] {
            let pixel = |i: usize| {
                let [x, y] = [i % usize::from(width), i / usize::from(width)];
                let warm = 40 * ((x / 3 + y / 5) % 2) as u8;
                [100 + warm, 60 + (x % 16 * 5) as u8, 90 - warm + (y % 12 * 4) as u8]
            };
            let data: Vec<u8> = (0..usize::from(width) * usize::from(height)).flat_map(pixel).collect();
            for (is_progressive, restart) in [(false, 0), (false, 3), (true, 0)] {
                let bytes = jpeg(JpegColour::Rgb, width, height, &data, |encoder| {
                    encoder.set_sampling_factor(sampling);
                    encoder.set_progressive(is_progressive);
                    encoder.set_restart_interval(restart);
                });
                let photo = decode(&bytes).unwrap();
                assert_eq!((photo.width(), photo.height()), (width.into(), height.into()));
                for (&found, wanted) in photo.light().iter().zip(data.chunks(3)) {
                    let wanted = light_of_luma(wanted);
                    assert!(
                        (f64::from(found) - wanted).abs() < tolerance,
                        "{sampling:?}, {width} × {height}, progressive: {is_progressive}: found {found}, wanted {wanted}"
                    );
                }
            }
        }
    }
}

/// The decoder leaves out rows of such a file unless it is progressive, in silence.
#[test]
fn jpeg_samplings_that_would_be_misread_are_refused() {
    let data = [90; 3 * 40 * 40];
    for sampling in [SamplingFactor::R_4_1_0, SamplingFactor::R_4_4_1] {
        let encoded = |is_progressive: bool| {
            jpeg(JpegColour::Rgb, 40, 40, &data, |encoder| {
                encoder.set_sampling_factor(sampling);
                encoder.set_progressive(is_progressive);
            })
        };
        let refused = decode(&encoded(false)).unwrap_err();
        assert!(matches!(refused, DecodeError::UnsupportedEncoding { .. }), "{refused}");
        assert_close(decode(&encoded(true)).unwrap().light()[[39, 39]], luminance_8(90, 90, 90), 500.0);
    }
    // Baseline, 4:2:0, each component in a scan of its own; by `cjpeg -scans` of libjpeg-turbo.
    let one_by_one = include_bytes!("fuzz/seeds/decode/components-one-by-one.jpg");
    let refused = decode(one_by_one).unwrap_err();
    assert!(matches!(refused, DecodeError::UnsupportedEncoding { .. }), "{refused}");
}

#[test]
fn jpeg_inks_and_plain_rgb() {
    // Cyan 20 %, magenta 40 %, yellow 60 %, black 20 %, zero being no ink, so (204, 153, 102) · 204 / 255.
    let inks: Vec<u8> = [51, 102, 153, 51].repeat(64);
    let wanted = luminance_8(163, 122, 82);
    let adobe = jpeg(JpegColour::Cmyk, 8, 8, &inks, |_| {});
    let ycck = jpeg(JpegColour::CmykAsYcck, 8, 8, &inks, |_| {});
    // Without Adobe's marker the stored numbers are inks themselves; the encoder turns them round, so undo that.
    let turned: Vec<u8> = inks.iter().map(|ink| 255 - ink).collect();
    let marked = jpeg(JpegColour::Cmyk, 8, 8, &turned, |_| {});
    let at = marked.windows(5).position(|name| name == b"Adobe").unwrap();
    let mut plain = marked.clone();
    plain[at..at + 5].copy_from_slice(b"Other");
    for bytes in [adobe, ycck, plain] {
        for &found in decode(&bytes).unwrap().light().iter() {
            assert_close(found, wanted, 600.0);
        }
    }
    // Three components that Adobe's marker calls untransformed are red, green and blue.
    let raw = jpeg(JpegColour::Ycbcr, 8, 8, &[200, 100, 50].repeat(64), |_| {});
    let rgb = insert_jpeg_segment(&raw, 0xee, b"Adobe\0\x64\0\0\0\0\0");
    for &found in decode(&rgb).unwrap().light().iter() {
        assert_close(found, luminance_8(200, 100, 50), 600.0);
    }
    // The same marker on a grey picture says nothing.
    let grey = insert_jpeg_segment(&jpeg(JpegColour::Luma, 8, 8, &[120; 64], |_| {}), 0xee, b"Adobe\0\x64\0\0\0\0\0");
    assert_close(decode(&grey).unwrap().light()[[3, 3]], luminance_8(120, 120, 120), 600.0);
}

#[test]
fn tiff_compressions_give_the_same_picture() {
    let data: Vec<u8> = (0..90 * 37).flat_map(|i| [(i % 90) as u8, (i / 37) as u8, (i % 7 * 30) as u8]).collect();
    let encode = |compression| {
        let mut bytes = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes).unwrap().with_compression(compression);
        let mut image = encoder.new_image::<colortype::RGB8>(90, 37).unwrap();
        image.rows_per_strip(5).unwrap();
        image.write_data(&data).unwrap();
        bytes.into_inner()
    };
    let plain = decode(&encode(Compression::Uncompressed)).unwrap();
    for (&found, wanted) in plain.light().iter().zip(data.chunks(3)) {
        assert_close(found, luminance_8(wanted[0], wanted[1], wanted[2]), 0.51);
    }
    for compression in [Compression::Lzw, Compression::Deflate(Default::default()), Compression::Packbits] {
        assert_eq!(decode(&encode(compression)).unwrap().light(), plain.light());
    }
}

#[test]
fn tiff_cmyk_in_eight_and_sixteen_bits() {
    let mut narrow = Cursor::new(Vec::new());
    TiffEncoder::new(&mut narrow).unwrap().write_image::<colortype::CMYK8>(1, 1, &[51, 102, 153, 51]).unwrap();
    let mut wide = Cursor::new(Vec::new());
    let inks = [51u16, 102, 153, 51].map(|ink| ink * 257);
    TiffEncoder::new(&mut wide).unwrap().write_image::<colortype::CMYK16>(1, 1, &inks).unwrap();
    for bytes in [narrow.into_inner(), wide.into_inner()] {
        assert_close(decode(&bytes).unwrap().light()[[0, 0]], luminance_8(163, 122, 82), 100.0);
    }
}

/// A little-endian TIFF of one page from its tags (tag, type, values) and its pixel data, which stand at byte 8.
fn hand_made_tiff(tags: &[(u16, u16, &[u32])], data: &[u8]) -> Vec<u8> {
    let ifd = (8 + data.len()).next_multiple_of(2) as u32;
    let mut bytes = b"II*\0".to_vec();
    bytes.extend(ifd.to_le_bytes());
    bytes.extend(data);
    bytes.resize(ifd as usize, 0);
    bytes.extend((tags.len() as u16).to_le_bytes());
    let mut behind = ifd as usize + 2 + 12 * tags.len() + 4;
    let mut tail = Vec::new();
    for (tag, kind, values) in tags {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend((values.len() as u32).to_le_bytes());
        let raw: Vec<u8> = values
            .iter()
            .flat_map(
                |value| if *kind == 3 { (*value as u16).to_le_bytes().to_vec() } else { value.to_le_bytes().to_vec() },
            )
            .collect();
        if raw.len() <= 4 {
            let mut field = raw.clone();
            field.resize(4, 0);
            bytes.extend(field);
        } else {
            bytes.extend((behind as u32).to_le_bytes());
            behind += raw.len();
            tail.extend(raw);
        }
    }
    bytes.extend([0; 4]);
    bytes.extend(tail);
    bytes
}

const SHORT: u16 = 3;
const LONG: u16 = 4;

#[test]
fn tiff_planes_tiles_and_packed_bits() {
    // Red plane, green plane, blue plane of 2 × 2 pixels.
    let planes = [255, 0, 0, 200, 0, 255, 0, 100, 0, 0, 255, 50];
    let wanted = [(255, 0, 0), (0, 255, 0), (0, 0, 255), (200, 100, 50)];
    let planar = hand_made_tiff(
        &[
            (256, LONG, &[2]),
            (257, LONG, &[2]),
            (258, SHORT, &[8, 8, 8]),
            (259, SHORT, &[1]),
            (262, SHORT, &[2]),
            (273, LONG, &[8, 12, 16]),
            (277, SHORT, &[3]),
            (278, LONG, &[2]),
            (279, LONG, &[4, 4, 4]),
            (284, SHORT, &[2]),
        ],
        &planes,
    );
    let photo = decode(&planar).unwrap();
    for (&found, (r, g, b)) in photo.light().iter().zip(wanted) {
        assert_close(found, luminance_8(r, g, b), 0.51);
    }
    // 20 × 18 grey in tiles of 16 × 16, the stored value being 10 · row + column where it lies inside.
    let mut tiles = vec![0u8; 4 * 256];
    for row in 0..18usize {
        for column in 0..20usize {
            tiles[(row / 16 * 2 + column / 16) * 256 + row % 16 * 16 + column % 16] = (10 * row + column) as u8;
        }
    }
    let tiled = hand_made_tiff(
        &[
            (256, LONG, &[20]),
            (257, LONG, &[18]),
            (258, SHORT, &[8]),
            (259, SHORT, &[1]),
            (262, SHORT, &[1]),
            (322, LONG, &[16]),
            (323, LONG, &[16]),
            (324, LONG, &[8, 264, 520, 776]),
            (325, LONG, &[256; 4]),
        ],
        &tiles,
    );
    let photo = decode(&tiled).unwrap();
    assert_eq!((photo.width(), photo.height()), (20, 18));
    for ((row, column), &found) in photo.light().indexed_iter() {
        let v = (10 * row + column) as u8;
        assert_close(found, luminance_8(v, v, v), 0.51);
    }
    // One bit, white is zero: 1010 0101 01.
    let fax_like = hand_made_tiff(
        &[
            (256, LONG, &[10]),
            (257, LONG, &[1]),
            (258, SHORT, &[1]),
            (259, SHORT, &[1]),
            (262, SHORT, &[0]),
            (273, LONG, &[8]),
            (277, SHORT, &[1]),
            (278, LONG, &[1]),
            (279, LONG, &[2]),
        ],
        &[0b1010_0101, 0b0100_0000],
    );
    let (black, white) = (0, 65535);
    assert_eq!(
        decode(&fax_like).unwrap().light().as_slice().unwrap(),
        [black, white, black, white, white, black, white, black, white, black]
    );
}

/// The decoder asserts where planes stand in tiles that overhang below the picture (found by fuzzing).
#[test]
fn tiff_planes_in_tiles_that_overhang() {
    // 20 × 18 of three planes in tiles of 16 × 16; each plane is 10 · row + column and its own number.
    let mut tiles = vec![0u8; 3 * 4 * 256];
    for plane in 0..3 {
        for row in 0..18usize {
            for column in 0..20usize {
                let tile = plane * 4 + row / 16 * 2 + column / 16;
                tiles[tile * 256 + row % 16 * 16 + column % 16] = (10 * row + column + plane) as u8;
            }
        }
    }
    let offsets: Vec<u32> = (0..12).map(|tile| 8 + 256 * tile).collect();
    let bytes = hand_made_tiff(
        &[
            (256, LONG, &[20]),
            (257, LONG, &[18]),
            (258, SHORT, &[8, 8, 8]),
            (259, SHORT, &[1]),
            (262, SHORT, &[2]),
            (277, SHORT, &[3]),
            (284, SHORT, &[2]),
            (322, LONG, &[16]),
            (323, LONG, &[16]),
            (324, LONG, &offsets),
            (325, LONG, &[256; 12]),
        ],
        &tiles,
    );
    let photo = decode(&bytes).unwrap();
    assert_eq!(photo.light().dim(), (18, 20));
    for ((row, column), &found) in photo.light().indexed_iter() {
        let value = (10 * row + column) as u8;
        assert_close(found, luminance_8(value, value + 1, value + 2), 0.51);
    }
}

#[test]
fn tiff_palettes_of_every_depth() {
    // Colour i is (i, 2 i, 3 i) in steps of the depth, 16-bit values as TIFF 6.0, section 5 (ColorMap) asks for.
    for (bits, packed, indices) in [
        (1, vec![0b0100_0000], vec![0usize, 1, 0, 0]),
        (2, vec![0b00_01_10_11], vec![0, 1, 2, 3]),
        (4, vec![0x0f, 0x73], vec![0, 15, 7, 3]),
        (8, vec![0, 255, 100, 7], vec![0, 255, 100, 7]),
    ] {
        let colours = 1u32 << bits;
        let step = 21845 / colours;
        let map = |by: u32| (0..colours).map(move |i| by * i * step);
        let map: Vec<u32> = map(1).chain(map(2)).chain(map(3)).collect();
        let tags: [(u16, u16, &[u32]); 9] = [
            (256, LONG, &[4]),
            (257, LONG, &[1]),
            (258, SHORT, &[bits]),
            (259, SHORT, &[1]),
            (262, SHORT, &[3]),
            (273, LONG, &[8]),
            (278, LONG, &[1]),
            (279, LONG, &[packed.len() as u32]),
            (320, SHORT, &map),
        ];
        let photo = decode(&hand_made_tiff(&tags, &packed)).unwrap();
        for (&found, index) in photo.light().iter().zip(indices) {
            let level = |by: usize| (by * index * step as usize) as f64 / 65535.0;
            assert_close(found, luminance(level(1), level(2), level(3)), 0.51);
        }
    }
}

#[test]
fn a_tiff_palette_of_eight_bit_values_is_taken_for_what_it_is() {
    let map: Vec<u32> = [0u32, 200, 0, 100, 0, 50].to_vec();
    let tags: [(u16, u16, &[u32]); 8] = [
        (256, LONG, &[2]),
        (257, LONG, &[1]),
        (258, SHORT, &[1]),
        (259, SHORT, &[1]),
        (262, LONG, &[3]),
        (273, LONG, &[8]),
        (279, LONG, &[1]),
        (320, SHORT, &map),
    ];
    let photo = decode(&hand_made_tiff(&tags, &[0b0100_0000])).unwrap();
    assert_close(photo.light()[(0, 0)], 0.0, 0.5);
    assert_close(photo.light()[(0, 1)], luminance_8(200, 100, 50), 0.51);
}

#[test]
fn tiff_reads_the_first_page_that_is_no_thumbnail() {
    let mut bytes = Cursor::new(Vec::new());
    let mut encoder = TiffEncoder::new(&mut bytes).unwrap();
    for (size, kind, grey) in [(2, 1u32, 10u8), (4, 0, 128), (5, 0, 255)] {
        let mut image = encoder.new_image::<colortype::Gray8>(size, size).unwrap();
        image.encoder().write_tag(tiff::tags::Tag::NewSubfileType, kind).unwrap();
        image.write_data(&vec![grey; (size * size) as usize]).unwrap();
    }
    let photo = decode(&bytes.into_inner()).unwrap();
    assert_eq!((photo.width(), photo.height()), (4, 4));
    assert_close(photo.light()[[0, 0]], luminance_8(128, 128, 128), 0.51);
}

#[test]
fn an_animated_webp_gives_its_first_frame() {
    let frame = |grey: u8| {
        let still = webp(2, 2, &[grey; 12], ExtendedColorType::Rgb8, None);
        // Behind the file header: the bare VP8L chunk.
        let mut data = vec![0; 6];
        data.extend([1, 0, 0, 1, 0, 0, 100, 0, 0, 0]);
        data.extend(&still[12..]);
        riff_chunk(b"ANMF", &data)
    };
    let mut body = b"WEBP".to_vec();
    body.extend(riff_chunk(b"VP8X", &[0b10, 0, 0, 0, 1, 0, 0, 1, 0, 0]));
    body.extend(riff_chunk(b"ANIM", &[0; 6]));
    body.extend(frame(200));
    body.extend(frame(20));
    let photo = decode(&riff_chunk(b"RIFF", &body)).unwrap();
    // One grey level of tolerance: the decoder blends the frame with what lies beneath.
    for &found in photo.light().iter() {
        assert_close(found, luminance_8(200, 200, 200), 450.0);
    }
}

fn riff_chunk(name: &[u8; 4], data: &[u8]) -> Vec<u8> {
    let mut chunk = name.to_vec();
    chunk.extend((data.len() as u32).to_le_bytes());
    chunk.extend(data);
    if data.len() % 2 == 1 {
        chunk.push(0);
    }
    chunk
}

#[test]
fn interlaced_png_reads_like_a_plain_one() {
    // Adam7 for 2 × 2: pass 1 holds (0,0), pass 6 (0,1), pass 7 row 1 (PNG, clause on interlacing).
    let mut raw = Vec::new();
    for row in [&[10u8][..], &[20], &[30, 40]] {
        raw.push(0);
        raw.extend(row);
    }
    // A stored (uncompressed) deflate block in a zlib frame.
    let mut zlib = vec![0x78, 0x01, 0x01];
    zlib.extend((raw.len() as u16).to_le_bytes());
    zlib.extend((!(raw.len() as u16)).to_le_bytes());
    zlib.extend(&raw);
    let (a, b) =
        raw.iter().fold((1u32, 0u32), |(a, b), &v| ((a + u32::from(v)) % 65521, (a + b + u32::from(v)) % 65521));
    zlib.extend((b << 16 | a).to_be_bytes());
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    for (kind, data) in [(b"IHDR", vec![0, 0, 0, 2, 0, 0, 0, 2, 8, 0, 0, 0, 1]), (b"IDAT", zlib), (b"IEND", vec![])] {
        let mut chunk = kind.to_vec();
        chunk.extend(data);
        bytes.extend((chunk.len() as u32 - 4).to_be_bytes());
        bytes.extend(&chunk);
        bytes.extend(crc32(&chunk).to_be_bytes());
    }
    assert_eq!(decode(&bytes).unwrap().light(), decode(&grey_png(2, 2, &[10, 20, 30, 40])).unwrap().light());
}

// ---- orientation ----

/// Pixels 1 to 9, stored row by row, as they must show. Exif 2.3 (CIPA DC-008), tag Orientation: where row 0 and
/// column 0 of the stored data lie in the scene; 6 and 8 as published in worked form, the others from that definition.
const UPRIGHT: [[u8; 9]; 8] = [
    [1, 2, 3, 4, 5, 6, 7, 8, 9],
    [3, 2, 1, 6, 5, 4, 9, 8, 7],
    [9, 8, 7, 6, 5, 4, 3, 2, 1],
    [7, 8, 9, 4, 5, 6, 1, 2, 3],
    [1, 4, 7, 2, 5, 8, 3, 6, 9],
    [7, 4, 1, 8, 5, 2, 9, 6, 3],
    [9, 6, 3, 8, 5, 2, 7, 4, 1],
    [3, 6, 9, 2, 5, 8, 1, 4, 7],
];

#[test]
fn every_orientation_in_every_container() {
    let stored: Vec<u8> = (1..=9).map(|v| v * 25).collect();
    let triple: Vec<u8> = stored.iter().flat_map(|&v| [v, v, v]).collect();
    // JPEG in blocks of 16, so that neighbours do not blur into one another.
    let blocks: Vec<u8> = (0..48 * 48).map(|i| stored[i / 48 / 16 * 3 + i % 48 / 16]).collect();
    for (tag, shown) in (1u16..=8).zip(UPRIGHT) {
        let block = exif_block(&[short(Tag::Orientation, tag)]);
        let png = grey_png(3, 3, &stored);
        let files = [
            insert_png_chunk(&png, b"IDAT", b"eXIf", &block),
            insert_png_chunk(&png, b"IEND", b"eXIf", &block),
            webp(3, 3, &triple, ExtendedColorType::Rgb8, Some(block.clone())),
            tiff_8(3, 3, &stored, |tags| tags.write_tag(tiff::tags::Tag::Orientation, tag).unwrap()),
        ];
        for bytes in files {
            let photo = decode(&bytes).unwrap();
            assert_eq!(photo.orientation, tag as u8);
            for (&found, number) in photo.light().iter().zip(shown) {
                assert_close(found, luminance_8(number * 25, number * 25, number * 25), 0.51);
            }
        }
        let photo = decode(&jpeg(JpegColour::Luma, 48, 48, &blocks, |e| e.add_exif_metadata(&block).unwrap())).unwrap();
        assert_eq!(photo.orientation, tag as u8);
        for (i, number) in shown.into_iter().enumerate() {
            let found = photo.light()[[i / 3 * 16 + 8, i % 3 * 16 + 8]];
            assert_close(found, luminance_8(number * 25, number * 25, number * 25), 1500.0);
        }
    }
}

#[test]
fn an_undefined_orientation_is_upright() {
    for tag in [0, 9, 65535] {
        let block = exif_block(&[short(Tag::Orientation, tag)]);
        let photo = decode(&insert_png_chunk(&grey_png(2, 1, &[0, 255]), b"IDAT", b"eXIf", &block)).unwrap();
        assert_eq!((photo.orientation, photo.light()[[0, 0]]), (1, 0));
    }
}

#[test]
fn width_and_height_change_places_with_a_quarter_turn() {
    let data: Vec<u8> = (0..200u32 * 3).map(|i| (i % 251) as u8).collect();
    for tag in 1u16..=8 {
        let photo =
            decode(&tiff_8(200, 3, &data, |tags| tags.write_tag(tiff::tags::Tag::Orientation, tag).unwrap())).unwrap();
        let wanted = if tag < 5 { (200, 3) } else { (3, 200) };
        assert_eq!((photo.width(), photo.height()), wanted);
    }
}

// ---- resolution ----

#[track_caller]
fn assert_resolution(bytes: &[u8], wanted: Option<(f64, f64)>) {
    let found = decode(bytes).unwrap().resolution;
    match (found, wanted) {
        (Some(found), Some((x, y))) => {
            assert!((found.x_dpi - x).abs() < 0.01 && (found.y_dpi - y).abs() < 0.01, "{found:?}");
        }
        (None, None) => {}
        _ => panic!("found {found:?}, wanted {wanted:?}"),
    }
}

fn jpeg_with(density: (u16, u16), unit: PixelDensityUnit, exif: Option<&[Field]>) -> Vec<u8> {
    jpeg(JpegColour::Luma, 8, 8, &[100; 64], |encoder| {
        encoder.set_density(PixelDensity { density, unit });
        if let Some(fields) = exif {
            encoder.add_exif_metadata(&exif_block(fields)).unwrap();
        }
    })
}

#[test]
fn resolution_from_jfif() {
    // JFIF 1.02, APP0: units 1 are inches, 2 centimetres, 0 a ratio.
    assert_resolution(&jpeg_with((300, 600), PixelDensityUnit::Inches, None), Some((300.0, 600.0)));
    assert_resolution(&jpeg_with((118, 236), PixelDensityUnit::Centimeters, None), Some((299.72, 599.44)));
    assert_resolution(&jpeg_with((1, 1), PixelDensityUnit::PixelAspectRatio, None), None);
    assert_resolution(&jpeg_with((0, 0), PixelDensityUnit::Inches, None), None);
}

#[test]
fn resolution_from_exif() {
    // Exif 2.3, 4.6.4: unit 2 is the inch and the default, 3 the centimetre.
    let png = grey_png(2, 2, &[0; 4]);
    let with = |x, y, unit| insert_png_chunk(&png, b"IDAT", b"eXIf", &exif_block(&resolution_fields(x, y, unit)));
    assert_resolution(&with((600, 1), (1200, 2), Some(2)), Some((600.0, 600.0)));
    assert_resolution(&with((600, 1), (300, 1), None), Some((600.0, 300.0)));
    assert_resolution(&with((200, 1), (200, 1), Some(3)), Some((508.0, 508.0)));
    assert_resolution(&with((600, 1), (600, 1), Some(1)), None);
    assert_resolution(&with((600, 0), (600, 1), Some(2)), None);
    assert_resolution(&with((0, 1), (0, 1), Some(2)), None);
}

#[test]
fn resolution_from_png() {
    // 300, 600 and 1200 dpi as stored: 11811, 23622, 47244 pixels a metre; the inch is 0.0254 m exactly.
    let with = |x: u32, y: u32, unit: u8| {
        let data = [&x.to_be_bytes()[..], &y.to_be_bytes(), &[unit]].concat();
        insert_png_chunk(&grey_png(2, 2, &[0; 4]), b"IDAT", b"pHYs", &data)
    };
    assert_resolution(&with(11811, 23622, 1), Some((300.0, 600.0)));
    assert_resolution(&with(47244, 47244, 1), Some((1200.0, 1200.0)));
    assert_resolution(&with(4, 1, 0), None);
    assert_resolution(&with(0, 0, 1), None);
    assert_resolution(&grey_png(2, 2, &[0; 4]), None);
}

#[test]
fn resolution_from_tiff() {
    // TIFF 6.0, pp. 18 and 19: unit 1 none, 2 inch (the default), 3 centimetre.
    use tiff::encoder::Rational as R;
    use tiff::tags::Tag as T;
    let with = |x: (u32, u32), unit: Option<u16>| {
        tiff_8(1, 1, &[0], |tags| {
            tags.write_tag(T::XResolution, R { n: x.0, d: x.1 }).unwrap();
            tags.write_tag(T::YResolution, R { n: 600, d: 1 }).unwrap();
            tags.write_tag(T::ResolutionUnit, unit.unwrap_or(2)).unwrap();
        })
    };
    assert_resolution(&with((300, 1), Some(2)), Some((300.0, 600.0)));
    assert_resolution(&with((200, 1), Some(3)), Some((508.0, 1524.0)));
    assert_resolution(&with((200, 1), Some(1)), None);
    assert_resolution(&with((200, 0), Some(2)), None);
    let bare = hand_made_tiff(
        &[
            (256, LONG, &[1]),
            (257, LONG, &[1]),
            (258, SHORT, &[8]),
            (262, SHORT, &[1]),
            (273, LONG, &[8]),
            (279, LONG, &[1]),
            (282, 5, &[400, 1]),
            (283, 5, &[400, 1]),
        ],
        &[7],
    );
    // hand_made_tiff counts a rational as two values; one is meant.
    let mut bare = bare;
    for tag in [282u16, 283] {
        let at =
            bare.windows(4).rposition(|entry| entry == [tag.to_le_bytes()[0], tag.to_le_bytes()[1], 5, 0]).unwrap();
        bare[at + 4] = 1;
    }
    assert_resolution(&bare, Some((400.0, 400.0)));
}

#[test]
fn a_resolution_that_is_no_filler_wins_and_else_the_container() {
    let exif = |dpi| resolution_fields((dpi, 1), (dpi, 1), Some(2));
    assert_resolution(&jpeg_with((72, 72), PixelDensityUnit::Inches, Some(&exif(600))), Some((600.0, 600.0)));
    assert_resolution(&jpeg_with((600, 600), PixelDensityUnit::Inches, Some(&exif(72))), Some((600.0, 600.0)));
    assert_resolution(&jpeg_with((300, 300), PixelDensityUnit::Inches, Some(&exif(600))), Some((300.0, 300.0)));
    assert_resolution(&jpeg_with((96, 96), PixelDensityUnit::Inches, Some(&exif(72))), Some((96.0, 96.0)));
    assert_resolution(&jpeg_with((1, 1), PixelDensityUnit::PixelAspectRatio, Some(&exif(600))), Some((600.0, 600.0)));
}

#[test]
fn resolution_turns_with_the_picture() {
    for tag in 1u16..=8 {
        let mut fields = resolution_fields((300, 1), (600, 1), Some(2));
        fields.push(short(Tag::Orientation, tag));
        let bytes = insert_png_chunk(&grey_png(2, 2, &[0; 4]), b"IDAT", b"eXIf", &exif_block(&fields));
        assert_resolution(&bytes, Some(if tag < 5 { (300.0, 600.0) } else { (600.0, 300.0) }));
    }
}

// ---- camera and time ----

#[test]
fn a_camera_names_itself_its_lens_or_its_exposure() {
    let from_camera = |fields: &[Field]| {
        let bytes = insert_png_chunk(&grey_png(1, 1, &[0]), b"IDAT", b"eXIf", &exif_block(fields));
        decode(&bytes).unwrap().from_camera
    };
    for fields in [
        ascii(Tag::Make, "Maker"),
        ascii(Tag::Model, "Model 1"),
        ascii(Tag::LensModel, "50 mm"),
        rational(Tag::ExposureTime, 1, 60),
        rational(Tag::FocalLength, 43, 10),
        rational(Tag::FNumber, 18, 10),
    ] {
        assert!(from_camera(&[fields]));
    }
    assert!(!from_camera(&[ascii(Tag::Software, "an editor")]));
    assert!(!from_camera(&[ascii(Tag::Make, "  ")]));
    assert!(!from_camera(&[rational(Tag::ExposureTime, 0, 0)]));
    // FileSource 2: a flat-bed scanner, which sees without perspective.
    let source = Field { tag: Tag::FileSource, ifd_num: In::PRIMARY, value: Value::Undefined(vec![2], 0) };
    assert!(!from_camera(&[ascii(Tag::Make, "Maker"), source]));
    assert!(!decode(&grey_png(1, 1, &[0])).unwrap().from_camera);
}

#[test]
fn capture_time_in_order_of_trust() {
    let captured_at = |fields: &[Field]| {
        let bytes = insert_png_chunk(&grey_png(1, 1, &[0]), b"IDAT", b"eXIf", &exif_block(fields));
        decode(&bytes).unwrap().captured_at
    };
    let changed = ascii(Tag::DateTime, "2026:03:01 08:00:00");
    let digitised = ascii(Tag::DateTimeDigitized, "2026:02:01 08:00:00");
    let taken = ascii(Tag::DateTimeOriginal, "2026:01:01 08:00:00");
    let offset = ascii(Tag::OffsetTimeOriginal, "+02:00");
    assert_eq!(captured_at(std::slice::from_ref(&changed)).as_deref(), Some("2026:03:01 08:00:00"));
    assert_eq!(captured_at(&[changed.clone(), digitised.clone()]).as_deref(), Some("2026:02:01 08:00:00"));
    assert_eq!(captured_at(&[changed, digitised, taken.clone()]).as_deref(), Some("2026:01:01 08:00:00"));
    assert_eq!(captured_at(&[taken, offset]).as_deref(), Some("2026:01:01 08:00:00+02:00"));
    assert_eq!(captured_at(&[ascii(Tag::DateTimeOriginal, "    :  :     :  :  ")]), None);
    assert_eq!(captured_at(&[ascii(Tag::DateTimeOriginal, "0000:00:00 00:00:00")]), None);
}

#[test]
fn tiff_tags_name_camera_and_time() {
    use tiff::tags::Tag as T;
    let photo = decode(&tiff_8(1, 1, &[0], |tags| {
        tags.write_tag(T::Make, "Maker").unwrap();
        tags.write_tag(T::DateTime, "2026:03:01 08:00:00").unwrap();
    }))
    .unwrap();
    assert!(photo.from_camera);
    assert_eq!(photo.captured_at.as_deref(), Some("2026:03:01 08:00:00"));
}

// ---- errors ----

#[test]
fn files_that_are_not_there_or_not_files() {
    let folder = tempfile::tempdir().unwrap();
    let read = |path: &Path| decode_file(path, &DecodeOptions::default());
    assert!(matches!(read(&folder.path().join("none.png")), Err(DecodeError::Missing)));
    assert!(matches!(read(folder.path()), Err(DecodeError::IsDirectory)));
    let path = folder.path().join("picture.png");
    std::fs::write(&path, b"").unwrap();
    assert!(matches!(read(&path), Err(DecodeError::Empty)));
    assert!(matches!(read(&path.join("below-a-file.png")), Err(DecodeError::Missing)));
    std::fs::write(&path, "Dear all,\nthe strip is on the bench.\n").unwrap();
    assert!(matches!(read(&path), Err(DecodeError::Text)));
    // The name plays no part: a JPEG called .png is a JPEG.
    std::fs::write(&path, jpeg(JpegColour::Luma, 8, 8, &[50; 64], |_| {})).unwrap();
    assert_eq!(read(&path).unwrap().width(), 8);
    #[cfg(target_os = "linux")]
    assert!(matches!(read(Path::new("/dev/null")), Err(DecodeError::NotAFile)));
}

#[test]
fn a_file_and_its_bytes_read_alike() {
    let folder = tempfile::tempdir().unwrap();
    let data: Vec<u8> = (0..64u8).collect();
    for bytes in [grey_png(8, 8, &data), tiff_8(8, 8, &data, |_| {}), jpeg(JpegColour::Luma, 8, 8, &data, |_| {})] {
        let path = folder.path().join("picture");
        std::fs::write(&path, &bytes).unwrap();
        let from_file = decode_file(&path, &DecodeOptions::default()).unwrap();
        assert_eq!(from_file.light(), decode(&bytes).unwrap().light());
    }
}

#[test]
fn formats_that_are_not_read() {
    let cases: [(&[u8], Format); 9] = [
        (b"GIF89a\x01\0\x01\0", Format::Gif),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3", Format::Pdf),
        (b"8BPS\0\x01\0\0", Format::Photoshop),
        (b"\0\0\0\x1cftypavif\0\0\0\0", Format::Avif),
        (b"\0\0\0\x18ftypcrx \0\0\0\0", Format::CameraRaw),
        (b"II*\0\x10\0\0\0CR\x02\0", Format::CameraRaw),
        (b"\xff\x0a\x00\x00", Format::JpegXl),
        (b"\0\0\0\x0cjP  \r\n\x87\n", Format::Jpeg2000),
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", Format::Svg),
    ];
    for (bytes, wanted) in cases {
        assert!(
            matches!(decode(bytes), Err(DecodeError::UnsupportedFormat { format }) if format == wanted),
            "{wanted}"
        );
    }
    assert!(matches!(decode(b"\x01\x02\x03\x04"), Err(DecodeError::NotAPicture { bytes: 4 })));
    assert!(matches!(decode(b"BMW is a maker of cars"), Err(DecodeError::Text)));
}

#[cfg(not(feature = "heic"))]
#[test]
fn heic_without_the_feature_says_how_to_get_a_jpeg() {
    let error = decode(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic").unwrap_err();
    assert!(matches!(error, DecodeError::HeicNotBuiltIn));
    assert!(error.hint().contains("JPEG") && error.hint().contains("heic"));
}

#[cfg(feature = "heic")]
#[test]
fn a_heic_header_alone_is_an_error() {
    assert!(decode(b"\0\0\0\x18ftypheic\0\0\0\0mif1heic").is_err());
}

fn png_header(width: u32, height: u32) -> Vec<u8> {
    let mut chunk = b"IHDR".to_vec();
    chunk.extend(width.to_be_bytes());
    chunk.extend(height.to_be_bytes());
    chunk.extend([8, 2, 0, 0, 0]);
    let mut bytes = b"\x89PNG\r\n\x1a\n\0\0\0\x0d".to_vec();
    bytes.extend(&chunk);
    bytes.extend(crc32(&chunk).to_be_bytes());
    bytes
}

fn jpeg_header(precision: u8, marker: u8, width: u16, height: u16, components: u8) -> Vec<u8> {
    let mut frame = vec![precision];
    frame.extend(height.to_be_bytes());
    frame.extend(width.to_be_bytes());
    frame.push(components);
    for component in 1..=components {
        frame.extend([component, 0x11, 0]);
    }
    insert_jpeg_segment(&[0xff, 0xd8], marker, &frame)
}

fn bmp_header(width: i32, height: i32) -> Vec<u8> {
    let mut bytes = b"BM\0\0\0\0\0\0\0\0\x36\0\0\0\x28\0\0\0".to_vec();
    bytes.extend(width.to_le_bytes());
    bytes.extend(height.to_le_bytes());
    bytes.extend([1, 0, 24, 0]);
    bytes.extend([0; 24]);
    bytes
}

fn tiff_header(width: u32, height: u32) -> Vec<u8> {
    hand_made_tiff(
        &[
            (256, LONG, &[width]),
            (257, LONG, &[height]),
            (258, SHORT, &[8]),
            (262, SHORT, &[1]),
            (273, LONG, &[8]),
            (279, LONG, &[1]),
        ],
        &[0],
    )
}

#[test]
fn gigantic_headers_are_refused_before_anything_is_allocated() {
    // 3.6 gigapixels would be 7 GB of luminance and 10 GB of colour: an attempt would show as an error of memory.
    let files = [
        png_header(60000, 60000),
        jpeg_header(8, 0xc0, 60000, 60000, 3),
        tiff_header(60000, 60000),
        bmp_header(60000, 60000),
    ];
    for bytes in files {
        match decode(&bytes) {
            Err(DecodeError::TooManyPixels { width: 60000, height: 60000, megapixels, limit }) => {
                assert_eq!((megapixels, limit), (3600.0, 200.0));
            }
            other => panic!("{other:?}"),
        }
    }
}

#[test]
fn the_limit_is_the_callers() {
    let png = grey_png(100, 100, &[0; 10_000]);
    let with = |max_megapixels| decode_bytes(&png, &DecodeOptions { max_megapixels });
    assert!(with(0.01).is_ok());
    assert!(matches!(with(0.0099), Err(DecodeError::TooManyPixels { width: 100, height: 100, .. })));
    assert!(matches!(with(f64::NAN), Err(DecodeError::TooManyPixels { .. })));
}

#[test]
fn more_pixels_than_memory_is_an_error_and_no_abort() {
    // 4 · 10⁹ × 4 · 10⁹ pixels: allowed here, but no machine holds them.
    let options = DecodeOptions { max_megapixels: f64::INFINITY };
    let result = decode_bytes(&insert_png_data(&png_header(u32::MAX / 2, u32::MAX / 2)), &options);
    assert!(matches!(result, Err(DecodeError::OutOfMemory { .. } | DecodeError::Corrupt { .. })), "{result:?}");
    let result = decode_bytes(&tiff_header(2_000_000_000, 2_000_000_000), &options);
    assert!(matches!(result, Err(DecodeError::OutOfMemory { .. } | DecodeError::Corrupt { .. })), "{result:?}");
}

fn insert_png_data(header: &[u8]) -> Vec<u8> {
    [header, b"\0\0\0\0IDAT\x35\xaf\x06\x1e"].concat()
}

#[test]
fn zero_sized_pictures() {
    for bytes in [png_header(0, 5), jpeg_header(8, 0xc0, 0, 5, 3), tiff_header(0, 5), bmp_header(0, 5)] {
        let result = decode(&bytes);
        assert!(matches!(result, Err(DecodeError::ZeroSized { width: 0, height: 5 })), "{result:?}");
    }
}

#[test]
fn encodings_that_are_not_read() {
    let encoding = |bytes: &[u8]| match decode(bytes) {
        Err(DecodeError::UnsupportedEncoding { encoding, .. }) => encoding,
        other => panic!("{other:?}"),
    };
    assert_eq!(encoding(&jpeg_header(12, 0xc1, 8, 8, 3)), Encoding::JpegPrecision(12));
    assert_eq!(encoding(&jpeg_header(8, 0xc3, 8, 8, 3)), Encoding::JpegLossless);
    assert_eq!(encoding(&jpeg_header(8, 0xc9, 8, 8, 3)), Encoding::JpegArithmetic);
    assert_eq!(encoding(&jpeg_header(8, 0xc0, 8, 8, 2)), Encoding::JpegComponents(2));
    let mut float = Cursor::new(Vec::new());
    TiffEncoder::new(&mut float).unwrap().write_image::<colortype::Gray32Float>(1, 1, &[0.5]).unwrap();
    assert_eq!(encoding(&float.into_inner()), Encoding::FloatingPoint);
    let mut wide = Cursor::new(Vec::new());
    TiffEncoder::new(&mut wide).unwrap().write_image::<colortype::Gray32>(1, 1, &[5]).unwrap();
    assert_eq!(encoding(&wide.into_inner()), Encoding::BitDepth(32));
    let with = |photometric, compression| {
        hand_made_tiff(
            &[
                (256, LONG, &[1]),
                (257, LONG, &[1]),
                (258, SHORT, &[8]),
                (259, SHORT, &[compression]),
                (262, SHORT, &[photometric]),
                (273, LONG, &[8]),
                (279, LONG, &[1]),
            ],
            &[0],
        )
    };
    // A palette of 16 bits would have 65536 colours.
    let wide_palette = hand_made_tiff(
        &[
            (256, LONG, &[1]),
            (257, LONG, &[1]),
            (258, SHORT, &[16]),
            (259, SHORT, &[1]),
            (262, SHORT, &[3]),
            (273, LONG, &[8]),
            (279, LONG, &[2]),
        ],
        &[0, 0],
    );
    assert_eq!(encoding(&wide_palette), Encoding::Palette);
    // One without its colours.
    assert!(matches!(decode(&with(3, 1)), Err(DecodeError::Corrupt { format: Format::Tiff, .. })));
    // Group 3 fax.
    assert_eq!(encoding(&with(1, 3)), Encoding::TiffCompression(3));
}

#[test]
fn a_camera_raw_file_in_tiff_form() {
    let bytes = hand_made_tiff(
        &[
            (256, LONG, &[1]),
            (257, LONG, &[1]),
            (258, SHORT, &[8]),
            (262, SHORT, &[1]),
            (273, LONG, &[8]),
            (279, LONG, &[1]),
            // DNGVersion
            (50706, 1, &[0x0000_0401]),
        ],
        &[0],
    );
    assert!(matches!(decode(&bytes), Err(DecodeError::UnsupportedFormat { format: Format::CameraRaw })));
}

#[test]
fn looping_directories_are_damage() {
    // The page's next directory is itself.
    let mut bytes = tiff_header(1, 1);
    let ifd = u32::from_le_bytes(bytes[4..8].try_into().unwrap()) as usize;
    let next = ifd + 2 + 6 * 12;
    bytes[next..next + 4].copy_from_slice(&(ifd as u32).to_le_bytes());
    assert!(matches!(decode(&bytes), Err(DecodeError::Corrupt { format: Format::Tiff, .. })));
}

#[test]
fn damaged_pictures_say_so() {
    let mut spoiled = grey_png(8, 8, &[0; 64]);
    // As a transfer in text mode spoils it.
    spoiled[4] = b'\n';
    assert!(matches!(decode(&spoiled), Err(DecodeError::Corrupt { format: Format::Png, .. })));
    let mut flipped = grey_png(8, 8, &(0..64).collect::<Vec<u8>>());
    let at = flipped.windows(4).position(|name| name == b"IDAT").unwrap() + 10;
    flipped[at] ^= 0x40;
    assert!(matches!(decode(&flipped), Err(DecodeError::Corrupt { format: Format::Png, .. })));
}

fn small_pictures() -> Vec<(&'static str, Vec<u8>)> {
    let grey: Vec<u8> = (0..32 * 24).map(|i| (i * 7 % 256) as u8).collect();
    let rgb: Vec<u8> = (0..32 * 24 * 3).map(|i| (i * 7 % 256) as u8).collect();
    let lzw = {
        let mut bytes = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes).unwrap().with_compression(Compression::Lzw);
        encoder.write_image::<colortype::RGB8>(32, 24, &rgb).unwrap();
        bytes.into_inner()
    };
    let block = exif_block(&[short(Tag::Orientation, 6), rational(Tag::XResolution, 600, 1)]);
    vec![
        ("png", insert_png_chunk(&grey_png(32, 24, &grey), b"IDAT", b"eXIf", &block)),
        ("jpeg", jpeg(JpegColour::Rgb, 32, 24, &rgb, |encoder| encoder.add_exif_metadata(&block).unwrap())),
        ("progressive", jpeg(JpegColour::Rgb, 32, 24, &rgb, |encoder| encoder.set_progressive(true))),
        ("cmyk", jpeg(JpegColour::Cmyk, 16, 16, &rgb[..1024], |_| {})),
        ("tiff", tiff_8(32, 24, &grey, |tags| tags.write_tag(tiff::tags::Tag::Orientation, 6u16).unwrap())),
        ("lzw", lzw),
        ("bmp", bmp(32, 24, &rgb, ExtendedColorType::Rgb8)),
        ("webp", webp(32, 24, &rgb, ExtendedColorType::Rgb8, Some(block))),
    ]
}

#[test]
fn a_cut_picture_is_an_error_wherever_it_is_cut() {
    for (name, bytes) in small_pictures() {
        let whole = decode(&bytes).unwrap_or_else(|error| panic!("{name}: {error}"));
        for length in (1..bytes.len()).step_by(3) {
            match decode(&bytes[..length]) {
                Err(DecodeError::DecoderPanicked { .. }) => panic!("{name} panicked at {length}"),
                Err(_) => {}
                // Where only what follows the pixels is missing, the picture must be whole.
                Ok(photo) => assert_eq!(photo.light(), whole.light(), "{name} cut at {length}"),
            }
        }
        let half = decode(&bytes[..bytes.len() / 2]).unwrap_err();
        if name != "tiff" && name != "lzw" {
            assert!(matches!(half, DecodeError::Truncated { .. }), "{name}: {half:?}");
        }
    }
}

#[test]
fn flipped_bytes_never_panic() {
    for (name, bytes) in small_pictures() {
        for at in 0..bytes.len() {
            for mask in [0x01, 0x80, 0xff] {
                let mut damaged = bytes.clone();
                damaged[at] ^= mask;
                let result = decode_bytes(&damaged, &DecodeOptions { max_megapixels: 1.0 });
                assert!(!matches!(result, Err(DecodeError::DecoderPanicked { .. })), "{name} byte {at} mask {mask}");
            }
        }
    }
}
