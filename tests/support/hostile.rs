//! Files that no scanner writes, and small ones of every kind that some do: made here, so that they need no licence.

use std::io::Cursor;

use image::{ExtendedColorType, ImageEncoder};
use jpeg_encoder::{ColorType as JpegColour, Encoder as JpegEncoder};
use tiff::encoder::{Compression, TiffEncoder, colortype};

/// A file's name and contents.
pub type Hostile = (String, Vec<u8>);

const WIDTH: u32 = 180;
const HEIGHT: u32 = 48;

/// A strip with a bar that is finest left of the middle, and some grain, in 8-bit grey.
fn strip() -> Vec<u8> {
    let mut state = 1u32;
    (0..WIDTH * HEIGHT)
        .map(|i| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            let [x, y] = [f64::from(i % WIDTH), f64::from(i / WIDTH)];
            let half = 1.5 + 7.0 * ((x - 80.0) / 100.0).powi(2);
            let inside = (half - (y - 23.5).abs() + 0.5).clamp(0.0, 1.0);
            (200.0 - 150.0 * inside + f64::from(state >> 28)) as u8
        })
        .collect()
}

fn spread(samples: usize) -> Vec<u8> {
    strip().iter().flat_map(|&v| std::iter::repeat_n(v, samples)).collect()
}

/// Small valid files, one of each kind.
pub fn valid() -> Vec<Hostile> {
    let mut files: Vec<Hostile> = Vec::new();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((name.to_owned(), bytes));
    let [w, h] = [WIDTH as u16, HEIGHT as u16];
    for (name, colour, samples, is_progressive) in [
        ("grey.jpg", JpegColour::Luma, 1, false),
        ("colour.jpg", JpegColour::Rgb, 3, false),
        ("progressive.jpg", JpegColour::Rgb, 3, true),
        ("cmyk.jpg", JpegColour::Cmyk, 4, false),
    ] {
        let mut bytes = Vec::new();
        let mut encoder = JpegEncoder::new(&mut bytes, 85);
        encoder.set_progressive(is_progressive);
        encoder.encode(&spread(samples), w, h, colour).unwrap();
        add(name, bytes);
    }
    for (name, colour, depth, data) in [
        ("grey.png", png::ColorType::Grayscale, png::BitDepth::Eight, spread(1)),
        ("alpha.png", png::ColorType::Rgba, png::BitDepth::Eight, spread(4)),
        ("grey-alpha.png", png::ColorType::GrayscaleAlpha, png::BitDepth::Eight, spread(2)),
        ("deep.png", png::ColorType::Rgb, png::BitDepth::Sixteen, spread(6)),
        ("bit.png", png::ColorType::Grayscale, png::BitDepth::One, bits()),
        ("palette.png", png::ColorType::Indexed, png::BitDepth::Eight, spread(1).iter().map(|v| v / 8).collect()),
        ("animated.png", png::ColorType::Grayscale, png::BitDepth::Eight, spread(1)),
    ] {
        let mut bytes = Vec::new();
        let mut encoder = png::Encoder::new(&mut bytes, WIDTH, HEIGHT);
        encoder.set_color(colour);
        encoder.set_depth(depth);
        if name == "palette.png" {
            encoder.set_palette((0..32u8).flat_map(|i| [8 * i; 3]).collect::<Vec<u8>>());
        }
        if name == "animated.png" {
            encoder.set_animated(2, 0).unwrap();
        }
        let mut writer = encoder.write_header().unwrap();
        writer.write_image_data(&data).unwrap();
        if name == "animated.png" {
            writer.write_image_data(&data).unwrap();
        }
        writer.finish().unwrap();
        add(name, bytes);
    }
    for (name, compression) in [
        ("plain.tif", Compression::Uncompressed),
        ("lzw.tif", Compression::Lzw),
        ("deflate.tif", Compression::Deflate(Default::default())),
        ("packbits.tif", Compression::Packbits),
    ] {
        let mut bytes = Cursor::new(Vec::new());
        let mut encoder = TiffEncoder::new(&mut bytes).unwrap().with_compression(compression);
        encoder.write_image::<colortype::RGB8>(WIDTH, HEIGHT, &spread(3)).unwrap();
        add(name, bytes.into_inner());
    }
    let mut deep = Cursor::new(Vec::new());
    let wide: Vec<u16> = strip().iter().map(|&v| u16::from(v) * 257).collect();
    TiffEncoder::new(&mut deep).unwrap().write_image::<colortype::Gray16>(WIDTH, HEIGHT, &wide).unwrap();
    add("deep.tif", deep.into_inner());
    let mut cmyk = Cursor::new(Vec::new());
    TiffEncoder::new(&mut cmyk).unwrap().write_image::<colortype::CMYK8>(WIDTH, HEIGHT, &spread(4)).unwrap();
    add("cmyk.tif", cmyk.into_inner());
    let mut big = Cursor::new(Vec::new());
    TiffEncoder::new_big(&mut big).unwrap().write_image::<colortype::Gray8>(WIDTH, HEIGHT, &strip()).unwrap();
    add("large-form.tif", big.into_inner());
    let numbers: Vec<u8> = strip().iter().map(|v| v / 16).collect();
    let packed: Vec<u8> = numbers.chunks(2).map(|pair| pair[0] << 4 | pair[1]).collect();
    let map: Vec<u32> = (0..3).flat_map(|_| (0..16).map(|i| i * 4096)).collect();
    add("palette.tif", tiff(&basic(4, 3, packed.len(), &[(320, SHORT, map)]), &packed));
    add("bit.tif", tiff(&basic(1, 1, bits().len(), &[]), &bits()));

    let mut bmp = Cursor::new(Vec::new());
    let encoder = image::codecs::bmp::BmpEncoder::new(&mut bmp);
    encoder.write_image(&spread(3), WIDTH, HEIGHT, ExtendedColorType::Rgb8).unwrap();
    add("plain.bmp", bmp.into_inner());
    let mut webp = Vec::new();
    let encoder = image::codecs::webp::WebPEncoder::new_lossless(&mut webp);
    encoder.write_image(&spread(3), WIDTH, HEIGHT, ExtendedColorType::Rgb8).unwrap();
    add("animated.webp", animated_webp(&webp));
    add("lossless.webp", webp);
    files
}

fn bits() -> Vec<u8> {
    let rows = strip();
    let row = |row: &[u8]| -> Vec<u8> {
        row.chunks(8)
            .map(|eight| eight.iter().enumerate().fold(0, |byte, (i, &v)| byte | u8::from(v > 127) << (7 - i)))
            .collect()
    };
    rows.chunks(WIDTH as usize).flat_map(row).collect()
}

/// Two frames of one picture, in the container's extended form (WebP Container Specification, "Animation").
fn animated_webp(still: &[u8]) -> Vec<u8> {
    let chunk = |name: &[u8; 4], body: &[u8]| {
        let mut chunk = name.to_vec();
        chunk.extend((body.len() as u32).to_le_bytes());
        chunk.extend(body);
        chunk.resize(chunk.len().next_multiple_of(2), 0);
        chunk
    };
    let three = |value: u32| value.to_le_bytes()[..3].to_vec();
    let bitstream = &still[12..];
    let size = [three(WIDTH - 1), three(HEIGHT - 1)].concat();
    let frame = [vec![0; 6], size.clone(), three(100), vec![0], bitstream.to_vec()].concat();
    let mut body = b"WEBP".to_vec();
    body.extend(chunk(b"VP8X", &[vec![2, 0, 0, 0], size].concat()));
    body.extend(chunk(b"ANIM", &[0; 6]));
    body.extend(chunk(b"ANMF", &frame));
    body.extend(chunk(b"ANMF", &frame));
    chunk(b"RIFF", &body)
}

const SHORT: u16 = 3;
const LONG: u16 = 4;
type Tag = (u16, u16, Vec<u32>);

/// Tags of one uncompressed strip of one sample a pixel, and further ones, in order.
fn basic(bits: u32, interpretation: u32, bytes: usize, more: &[Tag]) -> Vec<Tag> {
    let mut tags = vec![
        (256, LONG, vec![WIDTH]),
        (257, LONG, vec![HEIGHT]),
        (258, SHORT, vec![bits]),
        (259, SHORT, vec![1]),
        (262, SHORT, vec![interpretation]),
        (273, LONG, vec![8]),
        (277, SHORT, vec![1]),
        (278, LONG, vec![HEIGHT]),
        (279, LONG, vec![bytes as u32]),
    ];
    tags.extend(more.iter().cloned());
    tags.sort_by_key(|tag| tag.0);
    tags
}

/// One tag's values replaced.
fn with(mut tags: Vec<Tag>, tag: u16, values: &[u32]) -> Vec<Tag> {
    tags.iter_mut().filter(|(number, ..)| *number == tag).for_each(|entry| entry.2 = values.to_vec());
    tags
}

/// A little-endian TIFF: pixel data at byte 8, then the directory, then the tags' long values.
fn tiff(tags: &[Tag], data: &[u8]) -> Vec<u8> {
    let directory = (8 + data.len()).next_multiple_of(2) as u32;
    let mut bytes = b"II*\0".to_vec();
    bytes.extend(directory.to_le_bytes());
    bytes.extend(data);
    bytes.resize(directory as usize, 0);
    bytes.extend((tags.len() as u16).to_le_bytes());
    let behind = directory as usize + 2 + 12 * tags.len() + 4;
    let mut tail: Vec<u8> = Vec::new();
    for (tag, kind, values) in tags {
        bytes.extend(tag.to_le_bytes());
        bytes.extend(kind.to_le_bytes());
        bytes.extend((values.len() as u32).to_le_bytes());
        let short = |value: &u32| (*value as u16).to_le_bytes().to_vec();
        let raw: Vec<u8> =
            values.iter().flat_map(|v| if *kind == SHORT { short(v) } else { v.to_le_bytes().to_vec() }).collect();
        if raw.len() <= 4 {
            bytes.extend(&raw);
            bytes.resize(bytes.len() + 4 - raw.len(), 0);
        } else {
            bytes.extend(((behind + tail.len()) as u32).to_le_bytes());
            tail.extend(raw);
        }
    }
    bytes.extend([0; 4]);
    bytes.extend(tail);
    bytes
}

/// Where the directory of [`tiff`] stands, and where its pointer to the next one does.
fn directory_and_next(bytes: &[u8]) -> (u32, usize) {
    let directory = u32::from_le_bytes(bytes[4..8].try_into().unwrap());
    let entries = u16::from_le_bytes(bytes[directory as usize..][..2].try_into().unwrap());
    (directory, directory as usize + 2 + 12 * usize::from(entries))
}

/// Every valid file cut at each kilobyte and near its ends.
pub fn truncated(files: &[Hostile]) -> Vec<Hostile> {
    let cut = |(name, bytes): &Hostile| {
        let near = [1, 2, 4, 8, 12, 20, 33, 64, 100, 200, bytes.len() - 1, bytes.len() - 2, bytes.len() - 12];
        let mut at: Vec<usize> = (1024..bytes.len()).step_by(1024).chain(near).filter(|&at| at < bytes.len()).collect();
        at.sort_unstable();
        at.dedup();
        at.into_iter().map(|at| (format!("cut-{at}-{name}"), bytes[..at].to_vec())).collect::<Vec<_>>()
    };
    files.iter().flat_map(cut).collect()
}

/// Every valid file with bytes changed: each of the first and last ones by itself, and some of those between.
pub fn flipped(files: &[Hostile]) -> Vec<Hostile> {
    let mut flipped = Vec::new();
    for (name, bytes) in files {
        let between = (64..bytes.len().saturating_sub(24)).step_by((bytes.len() / 12).max(1));
        for at in (0..64.min(bytes.len())).step_by(2).chain(between).chain(bytes.len().saturating_sub(24)..bytes.len())
        {
            let mut changed = bytes.clone();
            changed[at] ^= if at % 2 == 0 { 0xff } else { 0x10 };
            flipped.push((format!("flip-{at}-{name}"), changed));
        }
    }
    flipped
}

/// Directories of a TIFF that loop, nest or promise what is not there; tags that contradict one another.
pub fn directories() -> Vec<Hostile> {
    let data = strip();
    let plain = basic(8, 1, data.len(), &[]);
    let mut files: Vec<Hostile> = Vec::new();
    let mut add = |name: &str, bytes: Vec<u8>| files.push((format!("{name}.tif"), bytes));
    let mut looping = tiff(&plain, &data);
    let (directory, next) = directory_and_next(&looping);
    looping[next..next + 4].copy_from_slice(&directory.to_le_bytes());
    add("next-is-itself", looping);
    let mut thumbnails = tiff(&basic(8, 1, data.len(), &[(254, LONG, vec![1])]), &data);
    let (directory, next) = directory_and_next(&thumbnails);
    thumbnails[next..next + 4].copy_from_slice(&directory.to_le_bytes());
    add("thumbnail-for-ever", thumbnails);
    let at = directory_and_next(&tiff(&basic(8, 1, data.len(), &[(330, LONG, vec![8])]), &data)).0;
    add("own-child", tiff(&basic(8, 1, data.len(), &[(330, LONG, vec![at])]), &data));
    let at = directory_and_next(&tiff(&basic(8, 1, data.len(), &[(34665, LONG, vec![8])]), &data)).0;
    add("own-exif", tiff(&basic(8, 1, data.len(), &[(34665, LONG, vec![at])]), &data));
    add("exif-far-away", tiff(&basic(8, 1, data.len(), &[(34665, LONG, vec![u32::MAX])]), &data));
    let mut far = tiff(&plain, &data);
    far[4..8].copy_from_slice(&u32::MAX.to_le_bytes());
    add("directory-far-away", far);
    let mut many = tiff(&plain, &data);
    let (directory, _) = directory_and_next(&many);
    many[directory as usize..][..2].copy_from_slice(&[0xff, 0xff]);
    add("entries-without-end", many);
    for (index, (tag, ..)) in plain.iter().enumerate() {
        let mut claiming = tiff(&plain, &data);
        let (directory, _) = directory_and_next(&claiming);
        claiming[directory as usize + 2 + 12 * index + 4..][..4].copy_from_slice(&[0xff, 0xff, 0xff, 0x7f]);
        add(&format!("count-{tag}"), claiming);
        add(&format!("without-{tag}"), tiff(&[&plain[..index], &plain[index + 1..]].concat(), &data));
        add(&format!("largest-{tag}"), tiff(&with(plain.clone(), *tag, &[u32::MAX]), &data));
        add(&format!("zero-{tag}"), tiff(&with(plain.clone(), *tag, &[0]), &data));
        add(&format!("twice-{tag}"), tiff(&with(plain.clone(), *tag, &[1; 9]), &data));
    }
    let strips = with(with(plain.clone(), 278, &[1]), 273, &[8; 3]);
    add("too-few-strips", tiff(&strips, &data));
    let tiles = |w: u32, h: u32| {
        let tiles = [(322, LONG, vec![w]), (323, LONG, vec![h]), (324, LONG, vec![8]), (325, LONG, vec![256])];
        basic(8, 1, data.len(), &tiles)
    };
    for (w, h) in [(0, 0), (16, 0), (1, 1), (16, 16), (65536, 65536), (u32::MAX, 1), (u32::MAX, u32::MAX)] {
        add(&format!("tiles-{w}-{h}"), tiff(&tiles(w, h), &data));
    }
    for compression in [2, 3, 4, 5, 6, 7, 8, 32773, 34712, 50000, 65535] {
        add(&format!("compression-{compression}"), tiff(&with(plain.clone(), 259, &[compression]), &data));
    }
    for interpretation in [0, 2, 3, 4, 5, 6, 8, 9, 10, 32803, 65535] {
        add(&format!("interpretation-{interpretation}"), tiff(&with(plain.clone(), 262, &[interpretation]), &data));
    }
    for bits in [3, 5, 7, 12, 16, 17, 24, 32, 64, 255, 65535] {
        add(&format!("bits-{bits}"), tiff(&with(plain.clone(), 258, &[bits]), &data));
    }
    for (name, values) in [("none", 0), ("short", 47), ("long", 49), ("endless", 70_000)] {
        let map = (320, SHORT, vec![9; values]);
        add(&format!("colours-{name}"), tiff(&basic(4, 3, data.len(), &[map]), &data));
    }
    files
}

/// Sizes that a header claims and nothing stands behind.
pub fn claiming() -> Vec<Hostile> {
    let mut files: Vec<Hostile> = Vec::new();
    let sizes: [(u32, u32); 12] = [
        (0, 0),
        (0, 10),
        (10, 0),
        (60_000, 60_000),
        (u32::MAX, u32::MAX),
        (u32::MAX, 1),
        (1, u32::MAX),
        (0x8000_0000, 2),
        (14_142, 14_142), // just below the limit of 200 megapixels
        (200_000_000, 1),
        (1, 200_000_000),
        (65_500, 3_000),
    ];
    for (w, h) in sizes {
        for (kind, colour, depth, interlaced) in [
            ("grey", 0, 8, 0),
            ("deep-alpha", 6, 16, 0),
            ("interlaced", 6, 16, 1),
            ("bit", 0, 1, 0),
            ("palette", 3, 8, 1),
        ] {
            files.push((format!("claim-{w}-{h}-{kind}.png"), png_claim(w, h, [depth, colour, 0, 0, interlaced])));
        }
        for samples in [1u32, 4] {
            let tags = with(with(basic(8, 1, 4, &[]), 256, &[w]), 257, &[h]);
            let tags = with(with(tags, 277, &[samples]), 278, &[h]);
            files.push((format!("claim-{w}-{h}-{samples}.tif"), tiff(&tags, &[0; 8])));
        }
        if (w, h) == (1, u32::MAX) {
            // A BMP's height is signed, and minus one is one row from the top: a valid picture.
            continue;
        }
        let mut bmp = b"BM\x46\0\0\0\0\0\0\0\x36\0\0\0\x28\0\0\0".to_vec();
        bmp.extend(w.to_le_bytes());
        bmp.extend(h.to_le_bytes());
        bmp.extend([1, 0, 24, 0]);
        bmp.resize(70, 0);
        files.push((format!("claim-{w}-{h}.bmp"), bmp));
    }
    for (w, h) in
        [(0u16, 0u16), (0, 8), (8, 0), (65_535, 65_535), (14_142, 14_142), (65_535, 3_000), (65_535, 1), (64, 64)]
    {
        for (kind, marker) in [("baseline", 0xc0), ("progressive", 0xc2), ("lossless", 0xc3), ("arithmetic", 0xc9)] {
            for components in [1u8, 3, 4] {
                files.push((format!("claim-{w}-{h}-{kind}-{components}.jpg"), jpeg_claim(w, h, marker, components)));
            }
        }
    }
    for (w, h) in [(0x3fffu32, 0x3fffu32), (0x3fff, 12_000), (0x3fff, 2)] {
        let mut body = b"WEBPVP8L\x10\0\0\0\x2f".to_vec();
        body.extend((w | h << 14).to_le_bytes());
        body.resize(body.len() + 11, 0);
        files.push((format!("claim-{w}-{h}.webp"), riff(&body)));
        let mut canvas = b"WEBPVP8X\x0a\0\0\0\0\0\0\0".to_vec();
        canvas.extend(&[0xff, 0xff, 0xff, 0xff, 0xff, 0xff]);
        files.push((format!("claim-canvas-{w}-{h}.webp"), riff(&canvas)));
    }
    files
}

fn riff(body: &[u8]) -> Vec<u8> {
    [b"RIFF".as_slice(), &(body.len() as u32).to_le_bytes(), body].concat()
}

fn png_claim(w: u32, h: u32, rest: [u8; 5]) -> Vec<u8> {
    let mut bytes = b"\x89PNG\r\n\x1a\n".to_vec();
    bytes.extend(png_chunk(b"IHDR", &[&w.to_be_bytes()[..], &h.to_be_bytes(), &rest].concat()));
    bytes.extend(png_chunk(b"PLTE", &[0; 6]));
    // A zlib stream that ends before its first row does.
    bytes.extend(png_chunk(b"IDAT", &[0x78, 0x9c, 0x63, 0x00, 0x00]));
    bytes.extend(png_chunk(b"IEND", &[]));
    bytes
}

fn png_chunk(name: &[u8; 4], body: &[u8]) -> Vec<u8> {
    let named = [name.as_slice(), body].concat();
    // CRC-32 of the PNG specification, annex D, bit by bit.
    let crc = !named.iter().fold(u32::MAX, |crc, &byte| {
        (0..8).fold(crc ^ u32::from(byte), |crc, _| if crc & 1 == 1 { 0xedb8_8320 ^ crc >> 1 } else { crc >> 1 })
    });
    [&(body.len() as u32).to_be_bytes()[..], &named, &crc.to_be_bytes()].concat()
}

/// Start, frame header, one scan of nothing.
fn jpeg_claim(w: u16, h: u16, marker: u8, components: u8) -> Vec<u8> {
    let mut bytes = vec![0xff, 0xd8, 0xff, marker];
    bytes.extend((8 + 3 * u16::from(components)).to_be_bytes());
    bytes.push(8);
    bytes.extend(h.to_be_bytes());
    bytes.extend(w.to_be_bytes());
    bytes.push(components);
    (1..=components).for_each(|id| bytes.extend([id, 0x11, 0]));
    bytes.extend([0xff, 0xda]);
    bytes.extend((6 + 2 * u16::from(components)).to_be_bytes());
    bytes.push(components);
    (1..=components).for_each(|id| bytes.extend([id, 0]));
    bytes.extend([0, 63, 0, 0, 0, 0xff, 0xd9]);
    bytes
}

/// Odd shapes that are valid, wrong densities, other formats, and what is no picture at all.
pub fn odd() -> Vec<Hostile> {
    let mut files: Vec<Hostile> = Vec::new();
    for (w, h) in [(1, 1), (1, 4000), (4000, 1), (2, 2), (3, 300), (65_536, 1), (7, 7)] {
        let data = vec![128u8; (w * h) as usize];
        let mut png = Vec::new();
        image::codecs::png::PngEncoder::new(&mut png).write_image(&data, w, h, ExtendedColorType::L8).unwrap();
        files.push((format!("shape-{w}-{h}.png"), png));
        let mut tif = Cursor::new(Vec::new());
        TiffEncoder::new(&mut tif).unwrap().write_image::<colortype::Gray8>(w, h, &data).unwrap();
        files.push((format!("shape-{w}-{h}.tif"), tif.into_inner()));
        if let (Ok(w), Ok(h)) = (u16::try_from(w), u16::try_from(h)) {
            let mut jpg = Vec::new();
            JpegEncoder::new(&mut jpg, 80).encode(&data, w, h, JpegColour::Luma).unwrap();
            files.push((format!("shape-{w}-{h}.jpg"), jpg));
        }
    }
    // pHYs before the pixels: none, absurd, and contradicting.
    let (_, png) = valid().into_iter().find(|(name, _)| name == "grey.png").unwrap();
    for (x, y, unit) in [(0, 0, 1), (u32::MAX, u32::MAX, 1), (1, 1, 1), (0, 23_622, 1), (23_622, 1, 1), (5, 5, 255)] {
        let density = png_chunk(b"pHYs", &[&u32::to_be_bytes(x)[..], &u32::to_be_bytes(y), &[unit]].concat());
        let mut bytes = png[..33].to_vec();
        bytes.extend(density);
        bytes.extend(&png[33..]);
        files.push((format!("density-{x}-{y}-{unit}.png"), bytes));
    }
    let (_, jpg) = valid().into_iter().find(|(name, _)| name == "grey.jpg").unwrap();
    for (name, exif) in [
        ("none", &b""[..]),
        ("cut", b"MM\0*\0\0\0"),
        ("loop", b"MM\0*\0\0\0\x08\0\x01\x87\x69\0\x04\0\0\0\x01\0\0\0\x08\0\0\0\x08"),
        ("over-zero", b"MM\0*\0\0\0\x08\0\x01\x01\x1a\0\x05\0\0\0\x01\0\0\0\x1a\0\0\0\0\0\0\0\0\0\0\0\0"),
        ("orientation-9", b"MM\0*\0\0\0\x08\0\x01\x01\x12\0\x03\0\0\0\x01\0\x09\0\0\0\0\0\0"),
    ] {
        let block = [b"Exif\0\0".as_slice(), exif].concat();
        let mut bytes = vec![0xff, 0xd8, 0xff, 0xe1];
        bytes.extend((block.len() as u16 + 2).to_be_bytes());
        bytes.extend(block);
        bytes.extend(&jpg[2..]);
        files.push((format!("exif-{name}.jpg"), bytes));
    }
    let mut add = |name: &str, bytes: &[u8]| files.push((name.to_owned(), bytes.to_vec()));
    add("animated.gif", b"GIF89a\x02\0\x02\0\x80\0\0\0\0\0\xff\xff\xff,\0\0\0\0\x02\0\x02\0\0\x02\x02\x84Q\0;");
    add("empty.png", b"");
    add("text.png", b"This is no picture.\n");
    add("zeros.jpg", &[0; 5000]);
    add("ones.tif", &[0xff; 5000]);
    add("page.pdf", b"%PDF-1.7\n");
    add("two-pictures.jpg", &[jpg.clone(), jpg].concat());
    files
}
