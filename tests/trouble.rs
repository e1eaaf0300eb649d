//! Every kind of trouble burned into a rendered strip, read from its picture, kept beside strips of a sound machine, and
//! recognised.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use jiff::Timestamp;
use narrows::drift::findings::FindingCode;
use narrows::drift::{Code, Drift, Question, drift};
use narrows::logbook::{Entry, PictureFile, When, keepsake};
use narrows::reading::{ReadOptions, read};
use narrows::synth::Scene;
use narrows::synth::scene::DatumScene;

#[path = "support/strips.rs"]
mod strips;

/// A strip as this shop burns it: cut to length, the line a little shorter than the strip.
fn sound(seed: u64) -> Scene {
    let mut scene = strips::plain();
    scene.seed = seed;
    let span = scene.ramp.span_mm();
    scene.datum = DatumScene::Strip;
    scene.strip.ends_mm = [0.0, span];
    scene.line.start_mm = 2.5;
    scene.line.stop_mm = span - 2.5;
    scene.line.wobble_mm = 0.004;
    scene
}

/// Its reading, as the logbook keeps it.
fn kept(scene: &Scene, number: i64) -> Entry {
    let setup = strips::setup(
        scene,
        "nozzle_height_mm = 16\nspacer_in_use_mm = 8.6\n[burn]\nmaterial = \"card\"\npower = \"20 %\"\nspeed_mm_s = 20\nrun_along = \"x\"",
        "datum = \"strip\"\nlow_end = \"left\"",
    );
    let reading = read(&strips::photo(scene), &setup, &ReadOptions::default()).unwrap();
    assert!(reading.outcome.is_ok(), "strip {number}: {:?}", reading.outcome);
    let (entry, _) = keepsake(&reading, &setup, String::new(), PictureFile::default());
    let at = Timestamp::from_second(1_740_000_000 + number * 30 * 86_400).unwrap();
    Entry { id: number, when: When::from(at), machine: "north".to_owned(), ..entry }
}

/// Five sound strips and then this one.
fn after_sound_ones(scene: &Scene) -> Drift {
    let mut entries: Vec<Entry> = (1..=5).map(|number| kept(&sound(100 + number as u64), number)).collect();
    entries.push(kept(scene, 6));
    drift(&entries, &[], &Question { machine: "north".to_owned(), ..Question::default() })
}

#[track_caller]
fn assert_found(seen: &Drift, expected: &[FindingCode]) {
    let codes: Vec<FindingCode> = seen.findings.iter().map(|finding| finding.code).collect();
    let newest = seen.readings.points.last().unwrap();
    let first = &seen.readings.points[0];
    assert_eq!(codes, expected, "{:#?}\nfirst {first:#?}\nnewest {newest:#?}", seen.findings);
}

#[test]
fn a_sound_machine_gives_nothing_to_check() {
    let seen = after_sound_ones(&sound(200));
    assert_found(&seen, &[]);
    assert_eq!(seen.verdict.code(), Code::Steady);
}

#[test]
fn a_lens_that_slipped_moves_the_focus() {
    let mut scene = sound(201);
    scene.ramp.focus_height_mm -= 1.0;
    let seen = after_sound_ones(&scene);
    assert_found(&seen, &[FindingCode::FocusMoved]);
    assert_eq!(seen.verdict.code(), Code::Moved);
    // A focus one millimetre lower needs a block one millimetre thicker.
    let narrows::drift::Verdict::Moved(moved) = &seen.verdict else { unreachable!() };
    assert!((moved.change.value - 1.0).abs() < 0.15, "{}", moved.change.value);
}

#[test]
fn a_dirty_mirror_weakens_the_burn() {
    let mut scene = sound(202);
    scene.burn.overdrive *= 0.3;
    assert_found(&after_sound_ones(&scene), &[FindingCode::BurnWeaker]);
}

#[test]
fn a_clouded_lens_widens_the_spot() {
    let mut scene = sound(203);
    scene.beam.quality *= 1.5;
    // The same power over a wider spot.
    scene.burn.overdrive /= 1.5;
    assert_found(&after_sound_ones(&scene), &[FindingCode::SpotWider]);
}

#[test]
fn a_loose_pulley_shakes_the_line_with_its_period() {
    let mut scene = sound(204);
    scene.line.periodic = Some([0.06, 5.0 * scene.ramp.span_mm() / scene.ramp.travel_mm]);
    let seen = after_sound_ones(&scene);
    assert_found(&seen, &[FindingCode::LineShaky]);
    let period = seen.findings[0].evidence.iter().find(|evidence| evidence.quantity == "period_mm").unwrap().now;
    assert!((period - 5.0).abs() < 0.1, "{period}");
}

#[test]
fn a_beam_off_the_lens_makes_the_sides_unequal() {
    let mut scene = sound(205);
    scene.beam.skew = 0.3;
    let seen = after_sound_ones(&scene);
    let codes: Vec<FindingCode> = seen.findings.iter().map(|finding| finding.code).collect();
    let newest = seen.readings.points.last().unwrap();
    assert!(codes.contains(&FindingCode::SidesUnequal), "{:#?}\n{:#?}", seen.findings, newest.line);
}

#[test]
fn air_from_one_side_leaves_soot_on_the_other() {
    let mut scene = sound(206);
    scene.burn.soot_depth = 0.5;
    scene.burn.soot_width_mm = 0.8;
    scene.burn.soot_shift_mm = 1.2;
    let seen = after_sound_ones(&scene);
    assert_found(&seen, &[FindingCode::SidesUnequal]);
    assert!(seen.findings[0].message.contains("left"), "{}", seen.findings[0].message);
}

#[test]
fn another_power_is_not_compared() {
    let mut entries: Vec<Entry> = (1..=2).map(|number| kept(&sound(100 + number as u64), number)).collect();
    entries[1].burn.power = Some("35 %".to_owned());
    let seen = drift(&entries, &[], &Question { machine: "north".to_owned(), ..Question::default() });
    assert_found(&seen, &[FindingCode::NotComparable]);
    assert!(seen.findings[0].message.contains("35 %"), "{}", seen.findings[0].message);
}
