//! What must not change the answer, and what must change it in a known way.

#[path = "support/strips.rs"]
mod strips;

use narrows::estimate::Estimate;
use narrows::photo::Photo;
use narrows::reading::{Focus, ReadOptions, Reading, read};
use narrows::report::json;
use narrows::setup::Setup;
use ndarray::{Array2, Axis};
use strips::{photo, photographed, plain, setup};

fn setup_for(low_end: &str) -> Setup {
    setup(&plain(), "nozzle_height_mm = 16", &format!("low_end = \"{low_end}\""))
}

fn reading(photo: &Photo, low_end: &str) -> Reading {
    read(photo, &setup_for(low_end), &ReadOptions::default()).expect("a plain request")
}

fn focus(photo: &Photo, low_end: &str) -> Focus {
    reading(photo, low_end).outcome.unwrap_or_else(|refusal| panic!("{low_end}: {refusal:?}"))
}

/// The same picture with other pixels.
fn with(photo: &Photo, luminance: Array2<u16>) -> Photo {
    photo.with_light(luminance)
}

/// A quarter turn clockwise.
fn turned(photo: &Photo) -> Photo {
    let mut turned = photo.light().t().to_owned();
    turned.invert_axis(Axis(1));
    with(photo, turned.as_standard_layout().to_owned())
}

fn mirrored(photo: &Photo) -> Photo {
    let mut mirrored = photo.light().into_owned();
    mirrored.invert_axis(Axis(1));
    with(photo, mirrored.as_standard_layout().to_owned())
}

#[track_caller]
fn assert_same(name: &str, value: Estimate, expected: f64, share: f64) {
    let apart = (value.value - expected).abs();
    assert!(apart < share * value.standard_uncertainty, "{name}: {value:?}, expected {expected}");
}

/// A scan and a photograph of the same strip.
fn pictures() -> [Photo; 2] {
    [photo(&plain()), photo(&photographed(plain(), [2.0, 4.0]))]
}

#[test]
fn quarter_turns() {
    for photo in pictures() {
        let upright = focus(&photo, "left");
        let mut picture = photo;
        for low_end in ["top", "right", "bottom"] {
            picture = turned(&picture);
            let focus = focus(&picture, low_end);
            assert_same(low_end, focus.position_mm, upright.position_mm.value, 0.1);
            let [kerf, expected] = [&focus, &upright].map(|focus| focus.kerf_mm.expect("a scale"));
            assert_same(low_end, kerf, expected.value, 0.5);
        }
    }
}

#[test]
fn low_and_high_end_exchanged() {
    let span_mm = setup_for("left").ramp.span_mm;
    for photo in pictures() {
        let position_mm = focus(&photo, "left").position_mm.value;
        assert_same("other end", focus(&photo, "right").position_mm, span_mm - position_mm, 0.1);
        assert_same("mirrored", focus(&mirrored(&photo), "left").position_mm, span_mm - position_mm, 0.1);
        assert_same("both", focus(&mirrored(&photo), "right").position_mm, position_mm, 0.1);
    }
}

#[test]
fn dimmer_pictures() {
    let photo = photo(&plain());
    let expected = focus(&photo, "left");
    for share in [0.75, 0.4] {
        let dimmed = with(&photo, photo.light().mapv(|light| (f64::from(light) * share).round() as u16));
        let focus = focus(&dimmed, "left");
        assert_same("position", focus.position_mm, expected.position_mm.value, 0.1);
        let kerfs = [&focus, &expected].map(|focus| focus.kerf_mm.expect("a scale").value);
        assert!((kerfs[0] / kerfs[1] - 1.0).abs() < 0.01, "{kerfs:?}");
    }
}

/// Every pixel four times, and every four pixels one: millimetres stay.
#[test]
fn larger_and_smaller_pictures() {
    let mut fine = plain();
    fine.capture = narrows::synth::scene::Capture::Scan { dpi: [1000.0; 2], turn_deg: 0.7, margin_mm: 3.0 };
    let fine = photo(&fine);
    let expected = focus(&fine, "left");
    let [height, width] = [fine.height(), fine.width()];
    let doubled = with(&fine, Array2::from_shape_fn((2 * height, 2 * width), |(y, x)| fine.plane.at([y / 2, x / 2])));
    let halved = with(
        &fine,
        Array2::from_shape_fn((height / 2, width / 2), |(y, x)| {
            let sum: u32 = [[0, 0], [0, 1], [1, 0], [1, 1]]
                .iter()
                .map(|[dy, dx]| u32::from(fine.plane.at([2 * y + dy, 2 * x + dx])))
                .sum();
            (sum / 4) as u16
        }),
    );
    for (name, photo) in [("doubled", doubled), ("halved", halved)] {
        let focus = focus(&photo, "left");
        // Other pixels: half of them say less.
        assert_same(name, focus.position_mm, expected.position_mm.value, 0.7);
        let kerfs = [&focus, &expected].map(|focus| focus.kerf_mm.expect("a scale").value);
        assert!((kerfs[0] / kerfs[1] - 1.0).abs() < 0.04, "{name}: {kerfs:?}");
    }
}

#[test]
fn any_number_of_threads_gives_the_same_bytes() {
    let photo = photo(&plain());
    let [one, two] = [1, 2].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().expect("a pool");
        pool.install(|| json::reading(&reading(&photo, "left"), "strip.png"))
    });
    assert!(one.contains("\"verdict\":\"found\""), "{one}");
    assert_eq!(one, two);
}
