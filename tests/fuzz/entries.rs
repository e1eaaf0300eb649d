//! What the fuzzers call, each with nothing but bytes: shared by the targets here and by `tests/fuzz_smoke.rs`.
//!
//! Bytes are taken from the front as numbers until they run out; what is missing is zero. So any bytes are an input, and
//! changing one of them changes one thing.
#![allow(dead_code, clippy::unwrap_used)]

mod import;
mod upload;

use narrows::anchor::marks::{self, MarkSetup};
use narrows::anchor::ticks::Tick;
use narrows::locate::Course;
use narrows::locate::refine::WidthGuide;
use narrows::photo::{DecodeOptions, Photo, decode_bytes};
use narrows::reading::{Given, ReadOptions, read};
use narrows::setup::{Field, RawSetup, parse_length_mm, parse_toml};
use narrows::spacer::{Stock, Wanted};
use narrows::stations::measure::{MeasureOptions, measure};

pub use import::import;
pub use upload::upload;

/// An entry with its name.
pub type Named = (&'static str, fn(&[u8]));

/// Every target by its name.
pub const ALL: [Named; 7] = [
    ("decode", decode),
    ("setup", setup),
    ("marks", place_marks),
    ("stations", measure_stations),
    ("ribbon", read_ribbon),
    ("import", import),
    ("upload", upload),
];

/// A picture file: decodes, or is an error with a hint.
pub fn decode(bytes: &[u8]) {
    match decode_bytes(bytes, &DecodeOptions { max_megapixels: 1.0 }) {
        Ok(photo) => {
            assert!(photo.width() * photo.height() <= 1_000_000 && (1..=8).contains(&photo.orientation));
            if let Some(claim) = photo.resolution {
                assert!(claim.x_dpi > 0.0 && claim.y_dpi > 0.0 && claim.x_dpi.is_finite() && claim.y_dpi.is_finite());
            }
            if let Some(red) = photo.in_red() {
                assert!([red.width(), red.height()] == [photo.width(), photo.height()] && red.in_red().is_none());
            }
        }
        Err(error) => assert!(!error.hint().is_empty() && !error.to_string().is_empty()),
    }
}

/// What people write: a setup file, a flag, a length, a list of stock, a stock file, a reading. What is accepted keeps its promises.
pub fn setup(bytes: &[u8]) {
    let Some((&kind, rest)) = bytes.split_first() else { return };
    let Ok(text) = std::str::from_utf8(rest) else { return };
    match kind % 6 {
        0 => match parse_toml(text, None) {
            Ok(setup) => {
                let ramp = &setup.ramp;
                assert!(ramp.travel_mm > 0.0 && ramp.rise.value > 0.0 && ramp.span_mm.is_finite());
                let span = ramp.travel_mm.hypot(ramp.rise.value);
                assert!((ramp.span_mm - span).abs() <= 1e-9 * span, "{} is not {span}", ramp.span_mm);
            }
            Err(error) => assert!(!error.hint().is_empty() && !error.to_string().contains('\n')),
        },
        1 => {
            let (field, value) = text.split_at(text.char_indices().nth(1).map_or(text.len(), |(at, _)| at));
            let number = field.bytes().map(usize::from).sum::<usize>() % Field::ALL.len();
            let mut raw = RawSetup::default();
            if let Err(error) = raw.set_flag(Field::ALL[number], value) {
                assert!(!error.hint().is_empty() && !error.to_string().is_empty());
            }
        }
        2 => {
            let _ = parse_length_mm(text);
        }
        3 => told(Stock::from_list(text, 0.05).map(|stock| assert!(!stock.pieces().is_empty()))),
        4 => told(Stock::from_toml(text, 0.05).map(|stock| assert!(!stock.pieces().is_empty()))),
        _ => told(Wanted::from_reading(text).map(|wanted| {
            assert!(wanted.spacer.value > 0.0 && wanted.spacer.standard_uncertainty >= 0.0);
        })),
    }
}

fn told(result: Result<(), narrows::spacer::SpacerError>) {
    if let Err(error) = result {
        // A reading carries its own advice, which may be anything.
        let is_own = !matches!(error, narrows::spacer::SpacerError::Refused { .. });
        assert!(!is_own || !error.hint().is_empty());
    }
}

/// Strokes anywhere beside a line anywhere: marks are placed, or refused.
pub fn place_marks(bytes: &[u8]) {
    let mut numbers = Numbers(bytes);
    let photo = numbers.photo(96, 64);
    let course = numbers.course(&photo);
    let last = 6 + numbers.byte() as usize % 25;
    let pitch_mm = numbers.between(0.5, 12.0);
    let is_rising = [None, Some(true), Some(false)][numbers.byte() as usize % 3];
    let setup = MarkSetup { pitch_mm, last, span_mm: pitch_mm * last as f64, is_rising };
    // Half of the inputs begin with a true row of marks, which is then disturbed.
    let mut ticks = Vec::new();
    if numbers.byte() % 2 == 0 {
        let scale = numbers.between(0.5, 4.0);
        for index in 0..=last {
            for is_positive in [false, true] {
                let far = if is_positive && marks::BITS[index % 31] == 0 { 9.0 } else { 12.0 };
                let moved = numbers.between(-2.0, 2.0);
                let along_px = course.start_px + scale * pitch_mm * index as f64 + moved;
                ticks.push(Tick {
                    rounding_px: 0.0,
                    along_px,
                    slant: 0.0,
                    reach_px: [6.0 * scale, far * scale],
                    width_px: numbers.between(0.0, 20.0),
                    is_positive,
                    score: numbers.between(0.0, 20.0),
                });
            }
        }
    }
    while !numbers.0.is_empty() && ticks.len() < 400 {
        let inner = numbers.between(0.0, 60.0);
        ticks.push(Tick {
            rounding_px: 0.0,
            along_px: numbers.between(-50.0, 150.0),
            slant: numbers.between(-0.3, 0.3),
            reach_px: [inner, inner + numbers.between(0.0, 40.0)],
            width_px: numbers.between(0.0, 20.0),
            is_positive: numbers.byte() % 2 == 0,
            score: numbers.between(0.0, 50.0),
        });
    }
    if let Ok(tie) = marks::tie(&photo, &course, &ticks, &setup) {
        assert!(tie.samples.len() >= 2, "a tie of {} samples", tie.samples.len());
        assert!(tie.samples.windows(2).all(|pair| pair[0].along_px < pair[1].along_px), "{:?}", tie.samples);
        for along_px in [course.start_px, course.end_px] {
            assert!(tie.at(along_px).position_mm.is_finite() && tie.mm_per_px(along_px) >= 0.0);
        }
        assert!(tie.marks.iter().all(|mark| mark.index <= last));
    }
}

/// Any light under any course: stations are measured or left out, and never more than asked.
pub fn measure_stations(bytes: &[u8]) {
    let mut numbers = Numbers(bytes);
    let photo = numbers.photo(120, 60);
    let course = numbers.course(&photo);
    let knots = 1 + numbers.byte() as usize % 6;
    let step = (course.end_px - course.start_px) / knots as f64;
    let guide = WidthGuide {
        along_px: (0..knots).map(|knot| course.start_px + step * knot as f64).collect(),
        width_px: (0..knots).map(|_| numbers.between(0.5, 40.0)).collect(),
    };
    let extent = [course.start_px, course.end_px];
    let measured = measure(&photo, &course, &guide, extent, &MeasureOptions::default());
    assert!(measured.stations.len() <= MeasureOptions::default().most);
    assert!(measured.stations.windows(2).all(|pair| pair[0].along_px <= pair[1].along_px));
    for station in measured.stations.iter().filter(|station| station.used) {
        assert!(station.kerf_px.is_finite() && station.kerf_px >= 0.0, "{station:?}");
    }
}

/// Any light with a line given by hand through it, through all stages: an answer or a refusal, in finite numbers.
pub fn read_ribbon(bytes: &[u8]) {
    const SETUP: &str =
        "[ramp]\ntravel_mm = 90\n[head]\ngap_low_mm = 14\ngap_high_mm = 2\n[picture]\nlow_end = \"left\"\n";
    let mut numbers = Numbers(bytes);
    let photo = numbers.photo(200, 90);
    let setup = parse_toml(SETUP, None).unwrap();
    let [w, h] = [photo.width() as f64, photo.height() as f64];
    let line_px =
        [[numbers.between(0.0, w), numbers.between(0.0, h)], [numbers.between(0.0, w), numbers.between(0.0, h)]];
    let is_given = numbers.byte() % 4 != 0;
    let given = Given { line_px: is_given.then_some(line_px), datums_px: is_given.then_some(line_px) };
    let reading = read(&photo, &setup, &ReadOptions { given, ..ReadOptions::default() }).unwrap();
    match &reading.outcome {
        Ok(focus) => {
            let finite = [Some(focus.position_mm), focus.spacer_mm, focus.kerf_mm];
            for estimate in finite.into_iter().flatten() {
                assert!(estimate.value.is_finite() && estimate.standard_uncertainty > 0.0, "{focus:?}");
            }
        }
        Err(refusal) => assert!(!refusal.message.is_empty() && !refusal.advice.is_empty()),
    }
    let told = narrows::report::json::reading(&reading, "ribbon.png");
    let object: serde_json::Value = serde_json::from_str(&told).unwrap();
    assert_eq!(object["schema"], "narrows.reading/1");
    assert!(!narrows::report::text::reading(&reading, &setup, "ribbon.png").contains("NaN"));
}

/// Bytes taken as numbers.
struct Numbers<'a>(&'a [u8]);

impl Numbers<'_> {
    fn byte(&mut self) -> u8 {
        let Some((&byte, rest)) = self.0.split_first() else { return 0 };
        self.0 = rest;
        byte
    }

    fn between(&mut self, least: f64, most: f64) -> f64 {
        let whole = u16::from_le_bytes([self.byte(), self.byte()]);
        least + (most - least) * f64::from(whole) / 65535.0
    }

    /// A picture of at most this size: flat, noise from the bytes, or with a bar whose width changes, disturbed by the bytes.
    fn photo(&mut self, most_width: usize, most_height: usize) -> Photo {
        let width = 1 + usize::from(self.byte()) * (most_width - 1) / 255;
        let height = 1 + usize::from(self.byte()) * (most_height - 1) / 255;
        let kind = self.byte();
        let [light, dark] = [u16::from(self.byte()) * 257, u16::from(self.byte()) * 257];
        let [narrow, wide] = [self.between(0.3, 8.0), self.between(0.3, 30.0)];
        let seed = u64::from(self.byte()) | u64::from(self.byte()) << 8;
        let mut state = seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
        let mut noise = move || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            (state >> 48) as u16
        };
        let mut plane = ndarray::Array2::from_elem((height, width), light);
        for ((row, column), value) in plane.indexed_iter_mut() {
            if kind & 1 != 0 {
                let away = (column as f64 + 0.5) / width as f64 * 2.0 - 1.0;
                let half = 0.5 * (narrow + (wide - narrow) * away * away);
                let inside = (half - (row as f64 + 0.5 - height as f64 / 2.0).abs() + 0.5).clamp(0.0, 1.0);
                *value = (f64::from(light) + inside * (f64::from(dark) - f64::from(light))) as u16;
            }
            if kind & 2 != 0 {
                *value = value.saturating_add(noise() / 64);
            }
            if kind & 4 != 0 {
                *value = noise();
            }
        }
        if kind & 8 != 0 {
            // Single pixels by hand.
            for _ in 0..self.byte() {
                let place = (usize::from(self.byte()) * height / 256, usize::from(self.byte()) * width / 256);
                plane[place] = u16::from(self.byte()) * 257;
            }
        }
        let mut photo = Photo::from_light(plane);
        photo.from_camera = kind & 64 != 0;
        photo
    }

    fn course(&mut self, photo: &Photo) -> Course {
        let [w, h] = [photo.width() as f64, photo.height() as f64];
        let kind = self.byte();
        let angle = if kind & 1 == 0 { 0.0 } else { self.between(-std::f64::consts::PI, std::f64::consts::PI) };
        let origin_px =
            if kind & 2 == 0 { [0.0, h / 2.0] } else { [self.between(-9.0, w + 9.0), self.between(-9.0, h + 9.0)] };
        let start_px = if kind & 4 == 0 { 0.0 } else { self.between(-20.0, w) };
        let end_px = start_px + if kind & 8 == 0 { w } else { self.between(0.0, 1.5 * w) };
        let knots = 1 + usize::from(self.byte()) % 12;
        Course {
            origin_px,
            direction: [angle.cos(), angle.sin()],
            start_px,
            end_px,
            step_px: ((end_px - start_px) / knots as f64).max(0.5),
            offsets_px: (0..=knots).map(|_| if kind & 16 == 0 { 0.0 } else { self.between(-6.0, 6.0) }).collect(),
            is_dark: kind & 32 == 0,
        }
    }
}
