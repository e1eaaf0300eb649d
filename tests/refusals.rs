//! Rendered pictures that hold no answer: none of them may get a number.

#![allow(clippy::unwrap_used, clippy::missing_panics_doc)]

use narrows::reading::{ReadOptions, read};
use narrows::refusal::RefusalCode;
use narrows::synth::Scene;
use narrows::synth::draw::{CaptureKind, DatumKind, Stratum};
use narrows::synth::scene::LineKind;

fn refusal(change: impl Fn(&mut Scene)) -> RefusalCode {
    let stratum = Stratum { capture: CaptureKind::Scan, datum: DatumKind::Ends };
    let mut scene = (0..).map(|seed| Scene::draw(stratum, seed)).find(|s| s.truth().is_answerable()).unwrap();
    scene.clutter.clear();
    change(&mut scene);
    let rendered = scene.render().unwrap();
    let photo = narrows::photo::decode_bytes(&rendered.bytes, &Default::default()).unwrap();
    let setup = format!(
        "[ramp]\ntravel_mm = {}\nrise_mm = {}\n[picture]\ndatum = \"ends\"\nlow_end = \"{}\"\n",
        scene.ramp.travel_mm,
        scene.ramp.rise_mm(),
        rendered.truth.low_end
    );
    let setup = narrows::setup::parse_toml(&setup, None).unwrap();
    let reading = read(&photo, &setup, &ReadOptions::default()).unwrap();
    reading.outcome.expect_err("this picture holds no answer").code
}

#[test]
fn a_strip_without_a_line_gets_no_number() {
    refusal(|scene| scene.line.kind = LineKind::Absent);
}

#[test]
fn a_pen_line_of_constant_width_gets_no_number() {
    let code = refusal(|scene| scene.line.kind = LineKind::Pen { width_mm: 0.5 });
    assert_ne!(code, RefusalCode::NotBracketed, "a pen has no focus beyond an end either");
}

#[test]
fn a_focus_beyond_the_high_end_gets_no_number() {
    refusal(|scene| scene.ramp.focus_height_mm = scene.ramp.high_height_mm + 0.4 * scene.ramp.rise_mm());
}
