//! What a setup may say, what it may not, and that every way of saying one setup gives one answer.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

use std::path::Path;

use narrows::cautions::CautionCode;
use narrows::estimate::Estimate;
use narrows::height::convert;
use narrows::reading::{ReadOptions, read};
use narrows::setup::{Datum, Field, HeadPlace, Origin, RawSetup, Setup, SetupError, Side, Steepness, parse_toml};
use proptest::prelude::*;

#[path = "support/drawn.rs"]
mod drawn;

fn parse(text: &str) -> Setup {
    parse_toml(text, None).unwrap_or_else(|error| panic!("{error}\n{text}"))
}

/// A file with a good setup; each `[section]` line stands where the table of errors counts on it.
fn file(ramp: &str, head: &str, picture: &str) -> String {
    format!("[ramp]\n{ramp}\n[head]\n{head}\n[picture]\n{picture}\n")
}

const RISE: &str = "travel_mm = 150\nrise_mm = 15";
const LEFT: &str = "low_end = \"left\"";

/// Text of the file, the field it is about, its line, and words that the message holds.
#[rustfmt::skip]
fn errors() -> Vec<(String, Option<Field>, Option<usize>, &'static str)> {
    use Field::*;
    let ramp = |ramp: &str| file(ramp, "", LEFT);
    let head = |head: &str| file(RISE, head, LEFT);
    let heights = |more: &str| ramp(&format!("travel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = 18\n{more}"));
    let picture = |picture: &str| file(RISE, "", picture);
    vec![
        // The file as such.
        ("[ramp]\ntravel_mm = 7 mm\n".into(), None, Some(2), "line 2 is not TOML"),
        ("[ramp]\ntravel_mm = 1\ntravel_mm = 2\n".into(), None, Some(3), "duplicate key"),
        ("[ramps]\n".into(), None, Some(1), "no section [ramps]"),
        ("ramp = 3\n".into(), None, Some(1), "is no section"),
        ("travel_mm = 150\n[ramp]\n".into(), None, Some(1), "\"travel_mm\" (line 1) is no section"),
        (ramp("travel_mm = 150\ntravel = 150"), None, Some(3), "no field travel in [ramp]"),
        (head("rise_mm = 15"), None, Some(5), "no field rise_mm in [head]"),
        // Each value by itself.
        (ramp("travel_mm = 150,5\nrise_mm = 15"), Some(Travel), Some(2), "decimal comma"),
        (ramp("travel_mm = \"15,05 cm\"\nrise_mm = 15"), Some(Travel), Some(2), "decimal comma"),
        (ramp("travel_mm = \"150 feet\"\nrise_mm = 15"), Some(Travel), Some(2), "unit \"feet\""),
        (ramp("travel_mm = \"long\"\nrise_mm = 15"), Some(Travel), Some(2), "not a number"),
        (ramp("travel_mm = true\nrise_mm = 15"), Some(Travel), Some(2), "true or false"),
        (ramp("travel_mm = nan\nrise_mm = 15"), Some(Travel), Some(2), "not a finite number"),
        (ramp("travel_mm = inf\nrise_mm = 15"), Some(Travel), Some(2), "not a finite number"),
        (ramp("travel_mm = 1e999\nrise_mm = 15"), Some(Travel), Some(2), "not a finite number"),
        (ramp("travel_mm = \"nan\"\nrise_mm = 15"), Some(Travel), Some(2), "not a finite number"),
        (ramp("travel_mm = -150\nrise_mm = 15"), Some(Travel), Some(2), "cannot be negative"),
        (ramp("travel_mm = 0\nrise_mm = 15"), Some(Travel), Some(2), "must be more"),
        (ramp("travel_mm = 150\nrise_mm = 0"), Some(Rise), Some(3), "must be more"),
        (ramp("travel_mm = 150\nincline_deg = 95"), Some(Incline), Some(3), "between 0 and 90"),
        (ramp("travel_mm = 150\nincline_deg = \"5.7\""), Some(Incline), Some(3), "is text"),
        (ramp("travel_mm = 150\nrise_mm = 15\nflatness_u_mm = -0.1"), Some(FlatnessU), Some(4), "negative"),
        (ramp("travel_mm = 150\nrise_mm = 15\nmeasured_with = \"eye\""), Some(MeasuredWith), Some(4), "\"caliper\", \"rule\", \"blocks\""),
        (head("gaps_by_block = 1"), Some(GapsByBlock), Some(5), "true or false"),
        (head("gauged_from = 3"), Some(GaugedFrom), Some(5), "text in quotes"),
        (format!("{}[burn]\npasses = 1.5\n", picture(LEFT)), Some(Passes), Some(9), "whole number"),
        (format!("{}[burn]\npasses = 0\n", picture(LEFT)), Some(Passes), Some(9), "must be more"),
        (format!("{}[burn]\nspeed_mm_s = 0\n", picture(LEFT)), Some(Speed), Some(9), "must be more"),
        // The ramp.
        (ramp("rise_mm = 15"), Some(Travel), Some(1), "travel_mm is missing from [ramp] (line 1)"),
        (LEFT.replace("low", "[picture]\nlow"), Some(Travel), None, "travel_mm is missing"),
        (ramp("travel_mm = 150"), None, Some(1), "how steep"),
        (ramp("travel_mm = 150\nlow_height_mm = 3"), Some(HighHeight), Some(1), "low_height_mm (line 3) needs it"),
        (ramp("travel_mm = 150\nhigh_height_mm = 18"), Some(LowHeight), Some(1), "high_height_mm (line 3) needs it"),
        (ramp("travel_mm = 150\nlow_height_mm = 18\nhigh_height_mm = 3"), Some(LowHeight), Some(3), "low end must be the lower"),
        (ramp("travel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = 3"), Some(LowHeight), Some(3), "low end must be the lower"),
        (heights("rise_mm = 15"), Some(Rise), Some(5), "low_height_mm (line 3) and rise_mm (line 5) say one thing in two ways"),
        (ramp("travel_mm = 150\nrise_mm = 15\nincline_deg = 5.7"), Some(Incline), Some(4), "two ways"),
        (ramp("travel_mm = 150\nincline_deg = 5.7\nprop_mm = 20\nprop_at_mm = 200"), Some(Prop), Some(4), "two ways"),
        (ramp("travel_mm = 150\nprop_mm = 20\nprop_at_mm = 200\nramp_file = \"r.toml\""), Some(RampFile), Some(5), "two ways"),
        (ramp("travel_mm = 150\nramp_file = \"r.toml\"\nincline_u_deg = 0.1"), Some(InclineU), Some(4), "two ways"),
        (ramp("travel_mm = 150\nprop_mm = 20"), Some(PropAt), Some(1), "prop_mm (line 3) needs it"),
        (ramp("travel_mm = 150\nprop_at_mm = 200"), Some(Prop), Some(1), "prop_at_mm (line 3) needs it"),
        (ramp("travel_mm = 150\nramp_file = \"r.toml\""), Some(RampFile), Some(3), "does not stand in a folder"),
        (ramp("travel_mm = 150\nrise_mm = 15\nmiddle_height_mm = 9"), Some(LowHeight), Some(1), "middle_height_mm (line 4) needs it"),
        (heights("middle_height_mm = 106"), Some(MiddleHeight), Some(5), "half-way would be 10.5"),
        (ramp("travel_mm = 150\nrise_mm = 15\nstrip_length_mm = 190"), Some(StripWidth), Some(1), "strip_length_mm (line 4) needs it"),
        (ramp("travel_mm = 150\nrise_mm = 15\nstrip_width_mm = 40"), Some(StripLength), Some(1), "strip_width_mm (line 4) needs it"),
        // The strip's edges as datums.
        (file(RISE, "", "datum = \"strip\"\nlow_end = \"left\""), Some(Travel), Some(2), "cannot stand with datum \"strip\""),
        (file("rise_mm = 15", "", "datum = \"strip\"\nlow_end = \"left\""), Some(StripLength), Some(1), "which needs it"),
        (file("strip_length_mm = 100\nrise_mm = 100", "", "datum = \"strip\"\nlow_end = \"left\""), Some(Rise), Some(3), "length of 100 allows"),
        (file("strip_length_mm = 100\nincline_deg = 6", "block_mm = 7\nblock_at_mm = 100", "datum = \"strip\"\nlow_end = \"left\""), Some(BlockAt), Some(6), "beyond the strip's high edge"),
        // The head.
        (head("gap_low_mm = 17\nblock_mm = 7\nblock_at_mm = 75"), Some(Block), Some(6), "two ways"),
        (head("gap_high_mm = 2\nnozzle_height_mm = 20"), Some(LowHeight), Some(1), "nozzle_height_mm (line 6) needs it"),
        (file("travel_mm = 150\nlow_height_mm = 3\nhigh_height_mm = 18", "gap_high_mm = 2\nnozzle_height_mm = 20", LEFT), Some(NozzleHeight), Some(7), "two ways"),
        (head("block_mm = 7"), Some(BlockAt), Some(4), "block_mm (line 5) needs it"),
        (head("block_at_mm = 75"), Some(Block), Some(4), "block_at_mm (line 5) needs it"),
        (head("gap_low_mm = 2\ngap_high_mm = 17"), Some(GapLow), Some(5), "larger over the low end"),
        (head("gap_low_mm = 17\nmiddle_gap_mm = 9.6"), Some(GapHigh), Some(4), "middle_gap_mm (line 6) needs it"),
        (head("gap_low_mm = 17\nmiddle_gap_mm = 19\ngap_high_mm = 2"), Some(MiddleGap), Some(6), "half-way would be 9.5"),
        (file("travel_mm = 150", "gap_low_mm = 17", LEFT), None, Some(1), "how steep"),
        (file("travel_mm = 150", "gap_low_mm = 17\ngaps_by_block = true", LEFT), None, Some(1), "how steep"),
        (file("travel_mm = 150", "block_mm = 7\nblock_at_mm = 75", LEFT), None, Some(1), "how steep"),
        (file("travel_mm = 150", "gap_low_mm = 170\ngap_high_mm = 2\ngaps_by_block = true", LEFT), Some(GapLow), Some(4), "length of 150 allows"),
        // The picture.
        (picture(""), Some(LowEnd), Some(6), "low_end is missing from [picture] (line 6)"),
        (file(RISE, "", "datum = \"ends\""), Some(LowEnd), Some(6), "datum (line 7) is \"ends\""),
        (picture("low_end = \"LEFT\""), Some(LowEnd), Some(7), "\"left\", \"right\", \"top\", \"bottom\""),
        (picture("datum = \"corners\""), Some(Field::Datum), Some(7), "\"ends\", \"strip\", \"marks\", \"points\""),
        (picture("datum = \"marks\""), Some(MarkPitch), Some(6), "mark_pitch_mm is missing"),
        (picture("datum = \"marks\"\nmark_pitch_mm = 7"), Some(MarkPitch), Some(8), "not a whole number"),
        (picture("datum = \"marks\"\nmark_pitch_mm = 30"), Some(MarkPitch), Some(8), "6 to 30"),
        (picture("datum = \"marks\"\nmark_pitch_mm = 4.83871"), Some(MarkPitch), Some(8), "6 to 30"),
        (picture("datum = \"marks\"\nmark_pitch_mm = 5.0021"), Some(MarkPitch), Some(8), "not a whole number"),
        (picture("datum = \"points\""), Some(PointsPx), Some(6), "points_px is missing"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [1, 2]]"), Some(PointsPx), Some(8), "one place twice"),
        (picture("datum = \"points\"\npoints_px = [1, 2, 3, 4]"), Some(PointsPx), Some(8), "a list"),
        (picture("datum = \"points\"\npoints_px = [[1, 2, 3], [4]]"), Some(PointsPx), Some(8), "3 numbers"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [3, nan]]"), Some(PointsPx), Some(8), "not a finite number"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [3, 4]]\npoints_travel_mm = [5, 5]"), Some(PointsTravel), Some(9), "the same travel"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [3, 4]]\npoints_travel_mm = [5]"), Some(PointsTravel), Some(9), "1 numbers"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [3, 4]]\npoints_travel_mm = [-1, 5]"), Some(PointsTravel), Some(9), "negative"),
        (picture("datum = \"points\"\npoints_px = [[1, 2], [3, 4]]\npoints_u_px = -1"), Some(PointsU), Some(9), "negative"),
        (picture("low_end = \"left\"\npoints_px = [[1, 2], [3, 4]]"), Some(PointsPx), Some(8), "only with datum \"points\""),
        (picture("low_end = \"left\"\ndpi = 0"), Some(Dpi), Some(8), "must be more"),
        (picture("low_end = \"left\"\narea_px = [0, 0, 10]"), Some(AreaPx), Some(8), "3 numbers"),
        (picture("low_end = \"left\"\narea_px = [0, 0, 10, -5]"), Some(AreaPx), Some(8), "negative"),
        (picture("low_end = \"left\"\narea_px = [0, 0, 0, 5]"), Some(AreaPx), Some(8), "must be more"),
    ]
}

#[test]
fn every_error_names_its_field_and_its_line() {
    for (text, field, line, words) in errors() {
        let error = match parse_toml(&text, None) {
            Err(error) => error,
            Ok(setup) => panic!("accepted:\n{text}\n{setup:?}"),
        };
        let message = error.to_string();
        assert!(message.contains(words), "{message:?} does not say {words:?} of\n{text}");
        assert_eq!((error.field(), error.line()), (field, line), "{message}\n{text}");
        if let (Some(field), Some(line)) = (field, line) {
            assert!(message.contains(field.name()), "{message}");
            assert!(message.contains(&format!("line {line}")), "{message}");
        }
        let hint = error.hint();
        assert!(!hint.is_empty() && !hint.contains('\n') && !message.contains('\n'), "{message}\n{hint}");
    }
}

/// Quotes let TOML's names and texts hold any character (found by fuzzing).
#[test]
fn an_error_is_one_line_whatever_the_file_holds() {
    let broken = "\"\\n\\u001b[2J\"";
    for text in [
        format!("{broken} = 1"),
        format!("[{broken}]"),
        format!("[ramp]\n{broken} = 1"),
        format!("[ramp]\nmeasured_with = {broken}"),
        format!("[ramp]\ntravel_mm = {broken}"),
        "[ramp]\ntravel_mm = \"7 m\\nm\"".to_owned(),
        "[ramp]\ntravel_mm = \"7\\n,5\"".to_owned(),
        format!("[ramp]\ntravel_mm = 150\nramp_file = {broken}\n[picture]\nlow_end = \"left\""),
    ] {
        let error = parse_toml(&text, Some(Path::new("."))).unwrap_err();
        let message = format!("{error}{}", error.hint());
        assert!(!message.contains(char::is_control), "{message:?} of\n{text}");
    }
}

#[test]
fn an_unknown_field_names_the_one_meant() {
    let error = parse_toml("[ramp]\ntravel_m = 150\n", None).unwrap_err();
    assert_eq!(error.hint(), "write travel_mm if that was meant, or take the line out");
    let error = parse_toml("[ramp]\ngap_low_mm = 17\n", None).unwrap_err();
    assert_eq!(error.hint(), "move gap_low_mm from [ramp] to [head]");
}

#[test]
fn a_flag_wins_and_is_named_when_it_is_wrong() {
    let mut raw = RawSetup::from_toml(&file(RISE, "", LEFT), None).unwrap();
    raw.set_flag(Field::Rise, "0.5 in").unwrap();
    raw.set_flag(Field::LowEnd, "top").unwrap();
    let setup = raw.check().unwrap();
    assert!((setup.ramp.rise.value - 12.7).abs() < 1e-12);
    assert_eq!(setup.picture.low_end, Some(Side::Top));

    let error = raw.set_flag(Field::Rise, "-5").unwrap_err();
    assert!(error.to_string().starts_with("--rise-mm is -5"), "{error}");
    assert_eq!((error.field(), error.line()), (Some(Field::Rise), None));
    raw.set_flag(Field::Incline, "5.7").unwrap();
    assert_eq!(raw.check().unwrap_err().to_string(), "--rise-mm and --incline-deg say one thing in two ways");
}

#[test]
fn flags_hold_lists_and_claims() {
    let mut raw = RawSetup::from_toml(&file(RISE, "", "datum = \"points\""), None).unwrap();
    raw.set_flag(Field::PointsPx, "10.5, 20, 300,21").unwrap();
    raw.set_flag(Field::PointsTravel, "5,0.1 m").unwrap();
    raw.set_flag(Field::Air, "true").unwrap();
    let setup = raw.check().unwrap();
    let points = Datum::Points { points_px: [[10.5, 20.0], [300.0, 21.0]], travel_mm: [5.0, 100.0], u_px: 0.5 };
    assert_eq!(setup.picture.datum, points);
    assert_eq!(setup.burn.air, Some(true));
    for (field, text) in [(Field::PointsPx, "1,2,3"), (Field::Air, "perhaps"), (Field::Passes, "1.5")] {
        assert!(raw.set_flag(field, text).is_err(), "{field} took {text}");
    }
}

#[test]
fn points_of_the_file_give_way_to_a_datum_by_flag() {
    let points = "datum = \"points\"\nlow_end = \"left\"\npoints_px = [[1, 2], [3, 4]]";
    let mut raw = RawSetup::from_toml(&file(RISE, "", points), None).unwrap();
    raw.set_flag(Field::Datum, "ends").unwrap();
    assert_eq!(raw.check().unwrap().picture.datum, Datum::Ends);
    raw.set_flag(Field::PointsPx, "1,2,3,4").unwrap();
    let error = raw.check().unwrap_err();
    assert!(matches!(error, SetupError::PointsUnused { points, .. } if points.origin == Origin::Flag), "{error}");
}

#[test]
fn a_ramp_file_counts_from_the_setup_and_carries_its_own_uncertainty() {
    let folder = tempfile::tempdir().unwrap();
    let kept = folder.path().join("north.toml");
    let text = file("travel_mm = 150\nramp_file = \"north.toml\"", "", LEFT);
    let parse_here = || parse_toml(&text, Some(folder.path()));

    let error = parse_here().unwrap_err();
    assert!(matches!(error, SetupError::RampFileUnreadable { .. }), "{error}");
    assert_eq!((error.field(), error.line()), (Some(Field::RampFile), Some(3)));

    std::fs::write(&kept, "incline_deg = 5.71\nincline_u_deg = 0.02\n").unwrap();
    let setup = parse_here().unwrap();
    assert_eq!(setup.ramp.steepness, Steepness::RampFile);
    let angle = 5.71f64.to_radians();
    assert!((setup.ramp.rise.value - 150.0 * angle.tan()).abs() < 1e-9);
    let u = 150.0 * 0.02f64.to_radians() / angle.cos().powi(2);
    assert!((setup.ramp.rise.standard_uncertainty - u).abs() < 1e-12);

    for (bad, words) in [
        ("incline_u_deg = 0.1\n", "incline_deg is missing from the ramp file"),
        ("incline_deg = 5.7\nname = \"north\"\n", "no field name in a ramp file (line 2)"),
        ("incline_deg = 120\n", "incline_deg (line 1) is 120°"),
        ("incline_deg = 5,7\n", "decimal comma"),
    ] {
        std::fs::write(&kept, bad).unwrap();
        let message = parse_here().unwrap_err().to_string();
        assert!(message.contains(words) && message.contains("north.toml"), "{message}");
    }
}

#[test]
fn stated_uncertainties_follow_what_was_measured_with() {
    let gaps = |more: &str| parse(&file("travel_mm = 150", &format!("gap_low_mm = 17\ngap_high_mm = 2\n{more}"), LEFT));
    let rise_u = |setup: &Setup| setup.ramp.rise.standard_uncertainty;
    assert!((rise_u(&gaps("")) - 0.3 * 2f64.sqrt()).abs() < 1e-12, "a rule where nothing is said");
    assert!((rise_u(&gaps("gap_u_mm = 0.1")) - 0.1 * 2f64.sqrt()).abs() < 1e-12);

    let ramp = |more: &str| parse(&file(&format!("travel_mm = 150\n{more}"), "", LEFT)).ramp;
    let blocks = ramp("low_height_mm = 3\nhigh_height_mm = 18\nmeasured_with = \"blocks\"");
    assert!((blocks.rise.standard_uncertainty - 0.05 * 2f64.sqrt()).abs() < 1e-12);
    let caliper = ramp("rise_mm = 15\nmeasured_with = \"caliper\"");
    assert_eq!(caliper.rise, Estimate::new(15.0, 0.1));
    let by_hand = ramp("rise_mm = 15\nmeasured_with = \"caliper\"\nheight_u_mm = 0.02");
    assert_eq!(by_hand.rise, Estimate::new(15.0, 0.02));
    let angle = ramp("incline_deg = 5.7");
    let u = 150.0 * 0.1f64.to_radians() / 5.7f64.to_radians().cos().powi(2);
    assert!((angle.rise.standard_uncertainty - u).abs() < 1e-12);
    let prop = ramp("prop_mm = 20\nprop_at_mm = 200\nheight_u_mm = 0.1");
    assert!((prop.rise.value - 15.0).abs() < 1e-12);
    let u = 15.0 * (0.1f64 / 20.0).hypot(0.3 / 200.0);
    assert!((prop.rise.standard_uncertainty - u).abs() < 1e-12);
    assert_eq!(prop.flatness_u_mm, 0.1);
}

#[test]
fn zero_heights_and_gaps_are_lengths_too() {
    let setup = parse(&file("travel_mm = 150\nlow_height_mm = 0\nhigh_height_mm = 15", "nozzle_height_mm = 20", LEFT));
    assert_eq!(setup.ramp.heights.unwrap()[0].value, 0.0);
    assert!(matches!(setup.head.place, Some(HeadPlace::NozzleHeight(nozzle)) if nozzle.value == 20.0));
}

#[test]
fn marks_within_the_tolerance_are_counted() {
    for (pitch, last) in [("5", 30), ("25", 6), ("\"0.5 cm\"", 30), ("5.0016", 30), ("4.9984", 30), ("10", 15)] {
        let setup = parse(&file(RISE, "", &format!("datum = \"marks\"\nmark_pitch_mm = {pitch}")));
        assert!(matches!(setup.picture.datum, Datum::Marks { last: found, .. } if found == last), "{pitch}");
    }
}

#[test]
fn low_end_may_be_left_out_where_the_datum_tells() {
    assert_eq!(parse(&file(RISE, "", "datum = \"marks\"\nmark_pitch_mm = 5")).picture.low_end, None);
    assert_eq!(parse(&file(RISE, "", "datum = \"points\"\npoints_px = [[1, 2], [3, 4]]")).picture.low_end, None);
}

/// One bench, said in every way INTERFACE knows; the spacer at the fraction `t` of each.
fn spacers(travel: f64, rise: f64, gap_low: f64, t: f64, tip: f64) -> Vec<(&'static str, f64)> {
    let span = travel.hypot(rise);
    let (sin, cos) = (rise / span, travel / span);
    let gap_high = gap_low - rise;
    let beta = 0.4;
    let block_for = |gap: f64| (gap - tip / 2.0 * rise / travel) * cos;
    let [block, block_low, block_high] = [gap_low - rise * beta, gap_low, gap_high].map(block_for);
    let block_at = travel * beta;
    let nozzle = 5.0 + gap_low;
    let angle = sin.asin().to_degrees();
    let [low, high] = [5.0, 5.0 + rise];
    let heights = format!("low_height_mm = {low}\nhigh_height_mm = {high}");
    let prop = format!("prop_mm = {}\nprop_at_mm = 200", 200.0 * rise / travel);
    let gaps = format!("gap_low_mm = {gap_low}\ngap_high_mm = {gap_high}");
    let by_block =
        format!("gap_low_mm = {block_low}\ngap_high_mm = {block_high}\ntip_diameter_mm = {tip}\ngaps_by_block = true");
    let block = format!("block_mm = {block}\nblock_at_mm = {block_at}\ntip_diameter_mm = {tip}");
    let middle_height = f64::midpoint(low, high);
    let middle_gap = f64::midpoint(gap_low, gap_high);
    let ways = [
        ("heights, nozzle", heights.clone(), format!("nozzle_height_mm = {nozzle}")),
        (
            "heights and middle, nozzle",
            format!("{heights}\nmiddle_height_mm = {middle_height}"),
            format!("nozzle_height_mm = {nozzle}"),
        ),
        ("heights, low gap", heights.clone(), format!("gap_low_mm = {gap_low}")),
        ("heights, high gap", heights.clone(), format!("gap_high_mm = {gap_high}")),
        ("heights, both gaps", heights.clone(), gaps.clone()),
        ("heights, block", heights, block.clone()),
        ("rise, low gap", format!("rise_mm = {rise}"), format!("gap_low_mm = {gap_low}")),
        ("angle, high gap", format!("incline_deg = {angle}"), format!("gap_high_mm = {gap_high}")),
        ("angle, block", format!("incline_deg = {angle}"), block.clone()),
        ("prop, block", prop.clone(), block),
        (
            "prop, low gap by block",
            prop,
            format!("gap_low_mm = {block_low}\ntip_diameter_mm = {tip}\ngaps_by_block = true"),
        ),
        ("both gaps", String::new(), gaps.clone()),
        ("both gaps and middle", String::new(), format!("{gaps}\nmiddle_gap_mm = {middle_gap}")),
        ("both gaps by block", String::new(), by_block.clone()),
        ("angle, both gaps by block", format!("incline_deg = {angle}"), by_block),
    ];
    let mut spacers = Vec::new();
    for (name, ramp, head) in ways {
        for (datum, base) in [("ends", format!("travel_mm = {travel}")), ("strip", format!("strip_length_mm = {span}"))]
        {
            let picture = format!("datum = \"{datum}\"\n{LEFT}");
            let setup = parse(&file(&format!("{base}\n{ramp}"), &head, &picture));
            assert!((setup.ramp.travel_mm - travel).abs() < 1e-6 && (setup.ramp.span_mm - span).abs() < 1e-6, "{name}");
            let (focus, cautions) = convert(Estimate::new(t * span, 0.1), None, None, 0.05, &setup);
            assert!(!cautions.iter().any(|c| c.code == CautionCode::RisesDiffer || c.code == CautionCode::StripBows));
            spacers.push((name, focus.spacer_mm.unwrap().value));
        }
    }
    spacers
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(64) })]

    #[test]
    fn all_ways_of_saying_one_setup_give_one_spacer(
        travel in 60.0..300.0f64, slope in 0.04..0.35f64, over in 2.0..12.0f64, t in 0.0..1.0f64, tip in 0.0..8.0f64,
    ) {
        let rise = travel * slope;
        let gap_low = rise + over;
        for (name, spacer) in spacers(travel, rise, gap_low, t, tip) {
            prop_assert!((spacer - (gap_low - rise * t)).abs() < 1e-6, "{}: {}", name, spacer);
        }
    }

    #[test]
    fn no_text_panics(text in "(\\[(ramp|head|burn|picture)\\]\n|[a-z_]{1,12} ?= ?[-\"'0-9.,a-z\\[\\]]{0,8}\n){0,8}") {
        if let Err(error) = parse_toml(&text, None) {
            prop_assert!(!error.to_string().is_empty() && !error.hint().is_empty());
        }
    }
}

#[test]
fn exchanging_low_and_high_end_gives_the_mirrored_position() {
    let photo = drawn::photo();
    let rise = 8.0;
    let travel = (drawn::SPAN_MM * drawn::SPAN_MM - rise * rise).sqrt();
    let position = |side: &str| {
        let ramp = format!("travel_mm = {travel}\nrise_mm = {rise}");
        let setup = parse(&file(&ramp, "", &format!("low_end = \"{side}\"")));
        let reading = read(&photo, &setup, &ReadOptions::default()).unwrap();
        reading.outcome.unwrap_or_else(|refusal| panic!("{refusal:?}")).position_mm
    };
    let [left, right] = ["left", "right"].map(position);
    assert!((left.value - drawn::WAIST_MM).abs() < 3.0 * left.standard_uncertainty.max(0.1), "{left:?}");
    assert!((left.value + right.value - drawn::SPAN_MM).abs() < 0.1 * left.standard_uncertainty, "{left:?} {right:?}");
}

#[test]
fn a_setup_in_a_folder_finds_no_ramp_file_elsewhere() {
    let text = file("travel_mm = 150\nramp_file = \"nowhere.toml\"", "", LEFT);
    let error = parse_toml(&text, Some(Path::new("no-such-folder"))).unwrap_err();
    assert!(error.to_string().contains("no-such-folder"), "{error}");
}
