//! Pictures that hold no answer get none, and things lying beside a strip do not change its answer.
//!
//! The tests look at some pictures of every kind; `cargo test --test fooled -- --ignored --nocapture` looks at all of them, prints the
//! rates, and writes every picture that got a number into a folder below the system's temporary one.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::Arc;

use narrows::cautions::CautionCode;
use narrows::photo::{DecodeOptions, Photo, decode_bytes};
use narrows::reading::{ReadOptions, Reading, read, read_again};
use narrows::refusal::RefusalCode;
use narrows::setup::parse_toml;
use rayon::prelude::*;

#[path = "support/canvas.rs"]
mod canvas;
#[path = "support/lying_beside.rs"]
mod lying_beside;
#[path = "support/nothing_there.rs"]
mod nothing_there;
#[path = "support/strips.rs"]
mod strips;

use canvas::{Canvas, Dice};
use narrows::synth::material::Material;
use narrows::synth::scene::Background;
use nothing_there::{KIND_COUNT, Nothing, nothing};

/// Travel and rise: a short steep ramp, a usual one, a long one.
const RAMPS: [[f64; 2]; 3] = [[60.0, 18.0], [100.0, 15.0], [150.0, 20.0]];

/// Reads a picture with every datum that makes sense of it; what came of each.
fn with_every_datum(
    photo: &Photo,
    seed: u64,
    low_end: &str,
    points_px: Option<[[f64; 2]; 2]>,
) -> Vec<(&'static str, Reading)> {
    let [travel, rise] = RAMPS[(seed % 3) as usize];
    let gaps = format!("[head]\ngap_low_mm = {}\ngap_high_mm = 2\n[picture]\nlow_end = \"{low_end}\"\n", rise + 2.0);
    let mut setups = vec![
        ("ends", format!("[ramp]\ntravel_mm = {travel}\n{gaps}")),
        (
            "strip",
            format!("[ramp]\nstrip_length_mm = {travel}\nstrip_width_mm = {}\n{gaps}datum = \"strip\"\n", 0.3 * travel),
        ),
        ("marks", format!("[ramp]\ntravel_mm = {travel}\n{gaps}datum = \"marks\"\nmark_pitch_mm = 5\n")),
    ];
    if let Some(points) = points_px {
        setups.push((
            "points",
            format!("[ramp]\ntravel_mm = {travel}\n{gaps}datum = \"points\"\npoints_px = {points:?}\n"),
        ));
    }
    let mut kept = None;
    let mut readings = Vec::new();
    for (datum, text) in setups {
        let setup = parse_toml(&text, None).unwrap_or_else(|why| panic!("{why}\n{text}"));
        let (reading, line) = read_again(photo, &setup, &ReadOptions::default(), kept).unwrap();
        kept = Some(Arc::clone(&line));
        readings.push((datum, reading));
    }
    readings
}

/// Pictures that do get a number when two points on them are given: two bows that face each other can have the outline of a line burned
/// through a focus to within what grain does to one.
const KNOWN: [&str; 2] = ["gap between bowed boards 3", "gap between bowed boards 4"];

/// How many pictures were looked at, and what was said of them.
#[derive(Default)]
struct Tally {
    pictures: usize,
    readings: usize,
    codes: BTreeMap<&'static str, usize>,
    /// Pictures that got a number, in words.
    fooled: Vec<String>,
}

impl Tally {
    fn add(&mut self, name: &str, readings: &[(&'static str, Reading)], file: &[u8]) {
        self.pictures += 1;
        let mut numbers = Vec::new();
        for (datum, reading) in readings {
            self.readings += 1;
            match &reading.outcome {
                Err(refusal) => *self.codes.entry(refusal.code.as_str()).or_default() += 1,
                Ok(focus) => {
                    let cautions: Vec<CautionCode> = reading.cautions.iter().map(|caution| caution.code).collect();
                    numbers.push(format!(
                        "{datum}: {:.2} ± {:.2} mm {cautions:?}",
                        focus.position_mm.value,
                        focus.position_mm.expanded()
                    ));
                }
            }
        }
        if !numbers.is_empty() {
            let folder = std::env::temp_dir().join("narrows-fooled");
            std::fs::create_dir_all(&folder).unwrap();
            let path = folder.join(format!("{}.png", name.replace([' ', '/'], "-").replace('\'', "")));
            std::fs::write(&path, file).unwrap();
            self.fooled.push(format!("{name}: {} ({})", numbers.join("; "), path.display()));
        }
    }

    /// Pictures that got a number, but for the known ones with points.
    fn unexpected(&self) -> Vec<&String> {
        let is_known = |line: &str| KNOWN.iter().any(|known| line.starts_with(&format!("{known}: points: ")));
        self.fooled.iter().filter(|line| !is_known(line)).collect()
    }

    fn print(&self, title: &str) {
        println!(
            "{title}: {} pictures, {} readings; {} pictures got a number; refused with {:?}",
            self.pictures,
            self.readings,
            self.fooled.len(),
            self.codes
        );
        self.fooled.iter().for_each(|line| println!("  {line}"));
    }
}

fn look(pictures: impl IntoParallelIterator<Item = (usize, u64)>) -> Tally {
    let looked: Vec<(Nothing, Vec<(&'static str, Reading)>)> = pictures
        .into_par_iter()
        .map(|(kind, seed)| {
            let picture = nothing(kind, seed);
            let photo = decode_bytes(&picture.file, &DecodeOptions::default()).unwrap();
            let points = picture.with_points.then_some(picture.points_px);
            let readings = with_every_datum(&photo, seed, picture.low_end, points);
            (picture, readings)
        })
        .collect();
    let mut tally = Tally::default();
    for (picture, readings) in &looked {
        tally.add(&format!("{} {}", picture.kind, picture.seed), readings, &picture.file);
    }
    tally
}

#[test]
fn what_holds_no_answer_gets_none() {
    let pictures: Vec<(usize, u64)> = (0..KIND_COUNT).flat_map(|kind| (0..3).map(move |seed| (kind, seed))).collect();
    let tally = look(pictures);
    tally.print("no answer");
    assert!(tally.unexpected().is_empty(), "{:#?}", tally.unexpected());
}

#[test]
#[ignore = "takes minutes; prints rates"]
fn every_picture_that_holds_no_answer() {
    let seeds = std::env::var("NARROWS_SEEDS").ok().and_then(|text| text.parse().ok()).unwrap_or(10);
    let pictures: Vec<(usize, u64)> =
        (0..KIND_COUNT).flat_map(|kind| (0..seeds).map(move |seed| (kind, seed))).collect();
    let tally = look(pictures);
    tally.print("no answer");
    assert!(tally.unexpected().is_empty(), "{:#?}", tally.unexpected());
}

/// A good strip with each thing beside it, read with the line's ends and with the strip's edges; what was not answered rightly.
fn with_things_beside(cases: &[(usize, u64)]) -> (usize, Vec<String>) {
    let wrong: Vec<Vec<String>> = cases
        .par_iter()
        .map(|(thing, seed)| {
            let mut scene = strips::plain();
            scene.seed = 40 + seed;
            let span = scene.ramp.span_mm();
            // The strip is cut to the span, and the line ends before its edges.
            scene.strip.ends_mm = [0.0, span];
            scene.line.start_mm = 2.5;
            scene.line.stop_mm = span - 2.5;
            let truth_mm = scene.truth().waist.unwrap().position_mm;
            let (name, file) = lying_beside::beside(&scene, *thing, *seed);
            let photo = decode_bytes(&file, &DecodeOptions::default()).unwrap();
            // Counted from the line's start where its ends are the datums.
            let strip = strips::setup(&scene, "nozzle_height_mm = 16", "datum = \"strip\"\nlow_end = \"left\"");
            let mut by_ends = scene.clone();
            by_ends.ramp.travel_mm *= (span - 5.0) / span;
            let ends = strips::setup(&by_ends, "nozzle_height_mm = 16", "low_end = \"left\"");
            [("strip", strip, truth_mm), ("ends", ends, truth_mm - 2.5)]
                .into_iter()
                .filter_map(|(datum, setup, truth_mm)| {
                    let said = match read(&photo, &setup, &ReadOptions::default()).unwrap().outcome {
                        Ok(focus) => {
                            let error = focus.position_mm.value - truth_mm;
                            // Three standard uncertainties, and what the shorter ramp's rounding of the span adds.
                            if error.abs() < 3.0 * focus.position_mm.standard_uncertainty + 0.05 {
                                return None;
                            }
                            format!("off by {error:.2} mm, {:?}", focus.position_mm)
                        }
                        Err(refusal) => refusal.code.as_str().to_owned(),
                    };
                    Some(format!("{name} {seed}, {datum}: {said}"))
                })
                .collect()
        })
        .collect();
    (2 * cases.len(), wrong.into_iter().flatten().collect())
}

#[test]
fn a_thing_beside_a_good_strip_changes_nothing() {
    // A dark lane between two toothpicks that narrows and widens as the line does, in one of more pictures.
    let toothpicks = lying_beside::named("toothpicks");
    let cases: Vec<(usize, u64)> =
        (0..lying_beside::THING_COUNT).map(|thing| (thing, 0)).chain([(toothpicks, 5)]).collect();
    let (readings, wrong) = with_things_beside(&cases);
    println!("things beside a strip: {} of {readings} answered rightly", readings - wrong.len());
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
#[ignore = "takes minutes; prints rates"]
fn every_thing_beside_a_good_strip() {
    let cases: Vec<(usize, u64)> =
        (0..lying_beside::THING_COUNT).flat_map(|thing| (0..6).map(move |seed| (thing, seed))).collect();
    let (readings, wrong) = with_things_beside(&cases);
    println!("things beside a strip: {} of {readings} answered rightly", readings - wrong.len());
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// One picture above another, both as wide as the first.
fn stacked(upper: &Photo, lower: &Photo) -> Photo {
    let size = (upper.height() + lower.height(), upper.width());
    let luminance = ndarray::Array2::from_shape_fn(size, |(y, x)| match y.checked_sub(upper.height()) {
        None => upper.plane.at([y, x]),
        Some(y) => lower.plane.at([y, x.min(lower.width() - 1)]),
    });
    upper.with_light(luminance)
}

/// Two strips, each with its line: neither is the strip as long as nothing says which, and two points on a line do.
#[test]
fn two_points_say_which_of_two_strips_is_meant() {
    let scene = strips::plain();
    let [upper, mut other] = [scene.clone(), scene.clone()];
    other.seed += 1;
    other.burn.overdrive = 30.0;
    let [upper, lower] = [upper, other].map(|scene| strips::photo(&scene));
    let both = stacked(&upper, &lower);
    let ends = strips::setup(&scene, "nozzle_height_mm = 16", "low_end = \"left\"");
    let alone = read(&upper, &ends, &ReadOptions::default()).unwrap();
    assert_eq!(
        read(&both, &ends, &ReadOptions::default()).unwrap().outcome.unwrap_err().code,
        RefusalCode::SeveralLines
    );
    let tie = alone.tie.as_ref().unwrap();
    let points = format!("datum = \"points\"\npoints_px = [{:?}, {:?}]", tie.low_px, tie.high_px);
    let points = strips::setup(&scene, "nozzle_height_mm = 16", &points);
    let by_points = read(&both, &points, &ReadOptions::default()).unwrap().outcome.unwrap();
    let [a, b] = [alone.outcome.unwrap(), by_points].map(|focus| focus.position_mm);
    assert!((a.value - b.value).abs() < 0.5 * a.standard_uncertainty, "{a:?} {b:?}");
}

/// On a dark mat with a grid of light lines, as many and as long as the picture takes, some of them getting finer towards the strip that
/// hides their middle.
#[test]
fn the_lines_of_a_mat_are_no_rivals() {
    let scene = strips::plain();
    let strip = strips::photo(&scene);
    let setup = strips::setup(&scene, "nozzle_height_mm = 16", "low_end = \"left\"\ndpi = 600");
    let alone = read(&strip, &setup, &ReadOptions::default()).unwrap().outcome.unwrap().position_mm;
    let [width, height] = [strip.width() + 1400, strip.height() + 1400];
    let luminance = ndarray::Array2::from_shape_fn((height, width), |(y, x)| {
        let of_strip =
            y.checked_sub(700).zip(x.checked_sub(700)).filter(|(y, x)| *y < strip.height() && *x < strip.width());
        // The scan's black lid is cut off: the strip alone lies on the mat.
        let is_inside =
            |[y, x]: [usize; 2]| (90..strip.height() - 90).contains(&y) && (150..strip.width() - 150).contains(&x);
        let finer = 4.0 + 8.0 * ((y as f64 / height as f64 - 0.5) / 0.5).powi(2);
        let is_line = (y % 110) < 8 || ((x % 130) as f64) < finer;
        match of_strip.map(|(y, x)| ([y, x], strip.plane.at([y, x]))) {
            Some((place, light)) if is_inside(place) || light > 8_000 => light,
            _ if is_line => 40_000,
            _ => 3_000,
        }
    });
    let mat = strip.with_light(luminance);
    let on_the_mat = read(&mat, &setup, &ReadOptions::default()).unwrap().outcome.unwrap().position_mm;
    assert!((alone.value - on_the_mat.value).abs() < alone.standard_uncertainty, "{alone:?} {on_the_mat:?}");
}

/// A pale label between the line and the strip's edge leaves a stretch of strip that looks like a short wide line.
#[test]
fn a_label_beside_the_line_changes_nothing() {
    let mut scene = strips::plain();
    scene.strip.material = Material::Walnut;
    scene.strip.background = Background::White;
    let truth = scene.truth();
    let strip = Canvas::of(&image::load_from_memory(&scene.render().unwrap().bytes).unwrap());
    let [width, _] = strip.size();
    let line_y = truth.datum_px[0][1];
    let edge_y = truth.outline_px.map(|place| place[1]).into_iter().fold(f64::INFINITY, f64::min);
    for rim in [14.0, 22.0, 30.0] {
        let mut canvas = Canvas::new(strip.width, strip.height, 0.0);
        canvas.light.copy_from_slice(&strip.light);
        // Round corners make the stretch narrow and widen.
        let [left, top, right, bottom] = [0.4 * width, edge_y + rim, 0.75 * width, line_y - 60.0];
        const ROUND: f64 = 40.0;
        canvas.paint(0.85, 1.0, |x, y| {
            let [dx, dy] = [(left - x).max(x - right), (top - y).max(y - bottom)].map(|d| d + ROUND);
            dx.max(0.0).hypot(dy.max(0.0)) + dx.max(dy).min(0.0) - ROUND
        });
        let photo = decode_bytes(&canvas.developed(&mut Dice::new(7), 0.3, 0.002), &DecodeOptions::default()).unwrap();
        let setup = strips::setup(&scene, "nozzle_height_mm = 16", "low_end = \"left\"");
        let focus = read(&photo, &setup, &ReadOptions::default()).unwrap().outcome.unwrap();
        let error = focus.position_mm.value - truth.waist.as_ref().unwrap().position_mm;
        assert!(error.abs() < 3.0 * focus.position_mm.standard_uncertainty, "rim {rim}: off by {error} mm");
    }
}

/// A second line as long and strong as the first is no less of a line where grain spoils its widths.
#[test]
fn a_second_line_spoilt_by_grain_is_still_a_second_line() {
    let wander = Dice::new(5).wander(14.0);
    let width = |x: f64| 5.0 * (1.0 + ((x - 760.0) / 130.0).powi(2)).sqrt();
    let mut canvas = Canvas::new(1600, 420, 0.55);
    canvas.ribbon(0.03, [100.0, 1500.0], |_| 160.0, width);
    canvas.ribbon(0.03, [100.0, 1500.0], |_| 270.0, |x| width(x) * (0.22 * wander(x)).exp());
    let photo = decode_bytes(&canvas.developed(&mut Dice::new(3), 0.5, 0.004), &DecodeOptions::default()).unwrap();
    for (datum, reading) in with_every_datum(&photo, 1, "left", None) {
        let code = reading.outcome.expect_err("no number").code.as_str();
        assert_eq!(code, "several_lines", "{datum}");
    }
}

/// Nor where it lies so close that both are one run of the reduced picture; both as fine as they come.
#[test]
fn a_second_line_close_beside_is_still_a_second_line() {
    for apart in [36.0, 48.0] {
        let width = |x: f64| 7.0 * (1.0 + ((x - 2100.0) / 900.0).powi(2)).sqrt();
        let mut canvas = Canvas::new(4000, 900, 0.55);
        canvas.ribbon(0.03, [350.0, 3700.0], |_| 430.0, width);
        canvas.ribbon(0.03, [350.0, 3700.0], |_| 430.0 + apart, width);
        let photo = decode_bytes(&canvas.developed(&mut Dice::new(3), 0.7, 0.004), &DecodeOptions::default()).unwrap();
        for (datum, reading) in with_every_datum(&photo, 1, "left", None) {
            let code = reading.outcome.expect_err("no number").code.as_str();
            assert_eq!(code, "several_lines", "{datum}, {apart} px apart");
        }
    }
}

/// Index marks whose halves end square, and are wide far from the focus, are told by their lengths as those with round ends are.
#[test]
fn marks_with_square_ends_are_placed() {
    const PX_PER_MM: f64 = 14.0;
    // Beside each other in the picture: mark 0 on the left, the left half of every mark above the line.
    let bits = "111110001101110101000010010";
    let [left, line_y, finest_mm] = [90.0, 260.0, 62.0];
    for square in [true, false] {
        let mut canvas = Canvas::new(1600, 520, 0.55);
        let width = |mm: f64| PX_PER_MM * 0.25 * (1.0 + ((mm - finest_mm) / 9.0).powi(2)).sqrt();
        canvas.ribbon(
            0.03,
            [left - 4.0 * PX_PER_MM, left + 104.0 * PX_PER_MM],
            |_| line_y,
            |x| width((x - left) / PX_PER_MM),
        );
        for (index, bit) in bits.chars().take(21).enumerate() {
            let mm = 5.0 * index as f64;
            let x = left + mm * PX_PER_MM;
            let outer = if bit == '1' { 12.0 } else { 9.0 };
            for (sign, outer) in [(-1.0, 12.0), (1.0, outer)] {
                let [near, far] = [6.0, outer].map(|mm| line_y + sign * mm * PX_PER_MM);
                let half = 0.5 * width(mm).min(24.0);
                if square {
                    canvas.rectangle(0.03, [x - half, near.min(far), x + half, near.max(far)]);
                } else {
                    canvas.stroke(0.03, [x, near], [x, far], 2.0 * half);
                }
            }
        }
        let photo = decode_bytes(&canvas.developed(&mut Dice::new(3), 0.5, 0.004), &DecodeOptions::default()).unwrap();
        let setup = "[ramp]\ntravel_mm = 100\nrise_mm = 15\n[head]\ngap_high_mm = 2\n\
                     [picture]\ndatum = \"marks\"\nmark_pitch_mm = 5\n";
        let setup = parse_toml(setup, None).unwrap();
        let focus = read(&photo, &setup, &ReadOptions::default()).unwrap().outcome.unwrap();
        let surface = setup.ramp.surface_from_travel(finest_mm);
        let error = focus.position_mm.value - surface;
        assert!(error.abs() < 0.3, "square {square}: off by {error} mm");
    }
}

/// Photographs from a folder, with all datums and either low end: none of them may be a ramp test.
#[test]
#[ignore = "needs a folder of photographs without a ramp test in NARROWS_PHOTOGRAPHS"]
fn photographs() {
    let folder = PathBuf::from(std::env::var_os("NARROWS_PHOTOGRAPHS").expect("NARROWS_PHOTOGRAPHS names a folder"));
    let mut folders = vec![folder];
    let mut files = Vec::new();
    while let Some(folder) = folders.pop() {
        for entry in std::fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { folders.push(path) } else { files.push(path) }
        }
    }
    files.sort();
    let looked: Vec<_> = files
        .par_iter()
        .filter_map(|path| {
            let bytes = std::fs::read(path).unwrap();
            let photo = decode_bytes(&bytes, &DecodeOptions::default()).ok()?;
            let [w, h] = [photo.width() as f64, photo.height() as f64];
            let mut readings = with_every_datum(&photo, 1, "left", Some([[0.1 * w, 0.5 * h], [0.9 * w, 0.5 * h]]));
            readings.extend(with_every_datum(&photo, 2, "top", Some([[0.5 * w, 0.1 * h], [0.5 * w, 0.9 * h]])));
            Some((path.file_name().unwrap().to_string_lossy().into_owned(), readings, bytes))
        })
        .collect();
    let mut tally = Tally::default();
    for (name, readings, bytes) in &looked {
        tally.add(name, readings, bytes);
    }
    tally.print("photographs");
    assert!(tally.pictures > 0 && tally.fooled.is_empty(), "{:#?}", tally.fooled);
}
