//! One drawn strip of every kind of picture, read and compared with its truth. The wide sample is the bench's.

#[path = "support/strips.rs"]
mod strips;

use narrows::reading::{ReadOptions, read};
use narrows::setup::parse_toml;
use narrows::synth::draw::{CaptureKind, DatumKind, Stratum};
use narrows::synth::said::Said;
use strips::{answerable, photo};

/// A strip drawn from `seed` with its setup. Errors beyond three expanded uncertainties or a third of a Rayleigh range fail.
fn check(capture: CaptureKind, datum: DatumKind, seed: u64) {
    let stratum = Stratum { capture, datum };
    let scene = answerable(stratum, seed);
    let truth = scene.truth();
    let said = Said::draw(&scene, &truth, seed);
    let folder = tempfile::tempdir().expect("a folder");
    for (name, text) in &said.beside {
        std::fs::write(folder.path().join(name), text).expect("the folder takes a file");
    }
    let setup = parse_toml(&said.toml, Some(folder.path())).unwrap_or_else(|why| panic!("{why}\n{}", said.toml));
    let reading = read(&photo(&scene), &setup, &ReadOptions::default()).expect("points lie in the picture");
    let focus = reading.outcome.unwrap_or_else(|refusal| panic!("{}: {refusal:?}", stratum.name()));
    let waist = truth.waist.expect("answerable");
    // The lengths written down are a little wrong; the picture alone says the share of the span.
    let scale = scene.ramp.span_mm() / setup.ramp.span_mm;
    let error_mm = focus.position_mm.value * scale - waist.position_mm;
    let expanded_mm = focus.position_mm.expanded() * scale;
    assert!(error_mm.abs() <= 3.0 * expanded_mm, "{}: off by {error_mm} mm, said ± {expanded_mm}", stratum.name());
    let ranges = error_mm * waist.slope / truth.rayleigh_mm;
    assert!(ranges.abs() < 0.3, "{}: off by {ranges} Rayleigh ranges", stratum.name());
    if let Some(spacer) = focus.spacer_mm {
        let error_mm = spacer.value - waist.spacer_mm;
        assert!(error_mm.abs() <= 3.0 * spacer.expanded(), "{}: {spacer:?}, off by {error_mm}", stratum.name());
    }
}

#[test]
fn scan_with_ends() {
    check(CaptureKind::Scan, DatumKind::Ends, 1);
}

#[test]
fn scan_with_strip() {
    check(CaptureKind::Scan, DatumKind::Strip, 1);
}

#[test]
fn scan_with_points() {
    check(CaptureKind::Scan, DatumKind::Points, 1);
}

#[test]
fn scan_with_marks() {
    check(CaptureKind::Scan, DatumKind::Marks, 3);
}

#[test]
fn photo_with_ends() {
    check(CaptureKind::Photo, DatumKind::Ends, 1);
}

#[test]
fn photo_with_strip() {
    check(CaptureKind::Photo, DatumKind::Strip, 1);
}

#[test]
fn photo_with_points() {
    check(CaptureKind::Photo, DatumKind::Points, 1);
}

#[test]
fn photo_with_marks() {
    check(CaptureKind::Photo, DatumKind::Marks, 2);
}
