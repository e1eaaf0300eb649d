//! What a reading looks like to a person, to a script and to a spreadsheet.

#[path = "support/readings.rs"]
mod readings;

use narrows::cautions::{Caution, CautionCode};
use narrows::estimate::Estimate;
use narrows::refusal::{Refusal, RefusalCode};
use narrows::report::{json, stations_csv, text};
use readings::{Sample, Scene};

fn found() -> Sample {
    Scene { size_px: [620, 160], low_px: [32.0, 82.0], high_px: [587.0, 75.0], ..Scene::landscape() }.build()
}

fn no_ends() -> Sample {
    found().refused(
        RefusalCode::EndsNotFound,
        "the line fades out before its high end instead of stopping there",
        "burn another strip a little slower, or say where two points of the line are with points_px",
    )
}

#[test]
fn json_of_a_focus() {
    let sample = found().caution(CautionCode::NearEnd, "the finest place is 12 mm from the high end");
    insta::assert_snapshot!(json::reading(&sample.reading, "strip.png"));
}

#[test]
fn json_of_a_refusal() {
    insta::assert_snapshot!(json::reading(&no_ends().reading, "strip.png"));
}

#[test]
fn json_of_several_strips() {
    let names = ["a.png", "c.png"].map(str::to_owned);
    let cautions = [Caution::new(CautionCode::SomeLeftOut, "b.png gave no answer")];
    insta::assert_snapshot!(json::combined("strips", &names, &found().reading.outcome, &cautions));
    let refusal = Refusal {
        code: RefusalCode::TooFewPictures,
        message: "1 of 3 pictures has an answer, and 2 are needed".to_owned(),
        advice: "do what the refused pictures ask for, then combine again".to_owned(),
    };
    insta::assert_snapshot!(json::combined("pictures", &names[..1], &Err(refusal), &cautions));
}

/// Keys of the outermost object in the order in which they are written.
fn keys(json: &str) -> Vec<String> {
    let (mut keys, mut depth, mut rest) = (Vec::new(), 0, json);
    while let Some(at) = rest.find(['{', '[', '}', ']', '"']) {
        match rest.as_bytes()[at] {
            b'{' | b'[' => depth += 1,
            b'}' | b']' => depth -= 1,
            _ => {
                let end = at + 1 + rest[at + 1..].find('"').expect("strings are closed");
                if depth == 1 && rest[end + 1..].starts_with(':') {
                    keys.push(rest[at + 1..end].to_owned());
                }
                rest = &rest[end + 1..];
                continue;
            }
        }
        rest = &rest[at + 1..];
    }
    keys
}

#[test]
fn json_keys_stand_in_their_fixed_order_whatever_the_verdict() {
    let order = ["schema", "picture", "verdict", "refusal", "focus", "cautions", "fits", "line", "image"];
    assert_eq!(keys(&json::reading(&found().reading, "a.png")), order);
    assert_eq!(keys(&json::reading(&no_ends().reading, "a.png")), order);
    let no_line = found().refused(RefusalCode::NoLine, "no line", "burn one");
    assert_eq!(keys(&json::reading(&no_line.reading, "a.png")), order);

    let combined = json::combined("strips", &["a.png".to_owned()], &found().reading.outcome, &[]);
    let mut with_combination = order.to_vec();
    with_combination.splice(2..2, ["combine", "combined"]);
    assert_eq!(keys(&combined), with_combination);
}

#[test]
fn json_numbers_have_six_decimals_and_no_odd_forms() {
    let mut sample = found();
    let focus = sample.reading.outcome.as_mut().unwrap();
    focus.position_mm = Estimate::new(1.000_000_500_1, 0.000_000_4);
    focus.height_mm = Some(Estimate::new(-0.000_000_1, 0.1));
    focus.kerf_mm = Some(Estimate::new(f64::NAN, f64::INFINITY));
    focus.spacer_mm = Some(Estimate::new(123_456_789_012_345_680_000.0, 0.000_001));
    let line = json::reading(&sample.reading, "a.png");
    assert!(!line.contains('\n'));
    let start = line.find("\"focus\"").unwrap();
    let end = line.find("\"change_mm\"").unwrap();
    assert_eq!(
        &line[start..end],
        "\"focus\":{\"position_mm\":{\"value\":1.000001,\"standard_uncertainty\":0.0,\"expanded_uncertainty\":0.000001},\
         \"height_mm\":{\"value\":0.0,\"standard_uncertainty\":0.1,\"expanded_uncertainty\":0.2},\
         \"spacer_mm\":{\"value\":123456789012345683968.0,\"standard_uncertainty\":0.000001,\"expanded_uncertainty\":0.000002},"
    );
    assert!(line.contains("\"kerf_mm\":{\"value\":null,\"standard_uncertainty\":null,\"expanded_uncertainty\":null}"));
    serde_json::from_str::<serde_json::Value>(&line).unwrap();
}

#[test]
fn json_carries_any_file_name() {
    let name = "a \"b\"\n\\c\u{7}.png";
    let value: serde_json::Value = serde_json::from_str(&json::reading(&no_ends().reading, name)).unwrap();
    assert_eq!(value["picture"], name);
}

#[test]
fn text_of_a_focus() {
    let sample = found().caution(CautionCode::NearEnd, "the finest place is 12 mm from the high end");
    insta::assert_snapshot!(text::reading(&sample.reading, &sample.setup, "strip.png"));
}

#[test]
fn text_names_the_action_for_every_kind_of_block() {
    let first_line = |in_use_mm: Option<f64>, expanded_mm: f64| {
        let sample = Scene { in_use_mm, expanded_mm, waist_mm: 121.0, ..Scene::landscape() };
        let sample = Scene { size_px: [620, 160], low_px: [32.0, 82.0], high_px: [587.0, 75.0], ..sample }.build();
        let text = text::reading(&sample.reading, &sample.setup, "strip.png");
        text.lines().take(4).collect::<Vec<_>>().join("\n")
    };
    insta::assert_snapshot!(
        [
            first_line(Some(7.0), 1.6),
            first_line(Some(8.0), 1.6),
            first_line(Some(7.5), 1.6),
            first_line(Some(7.2), 6.0),
            first_line(None, 0.6),
        ]
        .join("\n\n")
    );
}

#[test]
fn text_without_a_head_says_what_to_measure() {
    let sample = Scene { head: false, ..Scene::landscape() }.build();
    insta::assert_snapshot!(text::reading(&sample.reading, &sample.setup, "strip.png"));
    let sample = Scene { head: false, heights: false, ..Scene::landscape() }.build();
    let text = text::reading(&sample.reading, &sample.setup, "strip.png");
    assert!(text.starts_with("  the finest place is 112.0 mm from the low end\n  ====="), "{text}");
    assert!(text.contains("gap_low_mm"), "{text}");
}

#[test]
fn text_of_a_refusal() {
    let sample = no_ends();
    insta::assert_snapshot!(text::reading(&sample.reading, &sample.setup, "strip.png"));
}

#[test]
fn text_of_several_strips() {
    let sample = found();
    let names = ["a.png", "c.png"].map(str::to_owned);
    let left_out = ["b.png".to_owned()];
    let cautions = [Caution::new(CautionCode::SomeLeftOut, "b.png gave no answer")];
    let text = text::combined("strips", &names, &left_out, &sample.reading.outcome, &cautions, &sample.setup);
    insta::assert_snapshot!(text);
}

#[test]
fn text_keeps_to_the_columns_and_to_plain_characters() {
    let sample = found().caution(
        CautionCode::LineShaky,
        "the line wanders by 0.31 mm from side to side, about as much as it is wide at its finest place, with a \
         period of 4.0 mm along the strip",
    );
    let name = "holidays/\u{1b}[2Jstrip of the long name that somebody gave it on a Friday afternoon after work.png";
    for text in [
        text::reading(&sample.reading, &sample.setup, name),
        text::reading(&no_ends().reading, &sample.setup, name),
        text::reading_in(narrows::report::rounding::Units::Inches, &sample.reading, &sample.setup, name),
    ] {
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert!(text.chars().all(|c| c == '\n' || !c.is_control()), "{text}");
        assert!(text.lines().all(|line| line.trim_end() == line), "{text}");
    }
}

#[test]
fn text_in_inches_has_no_millimetres() {
    let sample = found();
    let text = text::reading_in(narrows::report::rounding::Units::Inches, &sample.reading, &sample.setup, "a.png");
    assert!(!text.contains(" mm"), "{text}");
    assert!(text.contains("the 0.276 in block"), "{text}");
}

#[test]
fn stations_parse_back() {
    let sample = found();
    let mut bytes = Vec::new();
    stations_csv::write(&sample.reading, &mut bytes).unwrap();
    let mut table = csv::Reader::from_reader(bytes.as_slice());
    let header = table.headers().unwrap().clone();
    let column = |name: &str| header.iter().position(|h| h == name).unwrap_or_else(|| panic!("no column {name}"));
    let records: Vec<_> = table.records().map(Result::unwrap).collect();
    assert_eq!(records.len(), sample.reading.stations.len());
    for (record, station) in records.iter().zip(&sample.reading.stations) {
        let number = |name: &str| record[column(name)].parse::<f64>().unwrap();
        assert!((number("position_mm") - station.position_mm.unwrap()).abs() < 1e-6);
        assert!((number("kerf_mm") - station.kerf_mm.unwrap()).abs() < 1e-6);
        assert!((number("right_edge_y_px") - station.right_edge_px[1]).abs() < 1e-6);
        let scale = station.kerf_mm.unwrap() / station.kerf_px;
        let expected = scale * station.standard_uncertainty_px;
        assert!((number("kerf_standard_uncertainty_mm") - expected).abs() < 1e-6);
        assert_eq!(&record[column("used")], if station.used { "true" } else { "false" });
        assert_eq!(record[column("left_out")].is_empty(), station.used);
    }
    assert_eq!(&records[0][column("left_out")], "near_end");
}

#[test]
fn stations_without_a_tie_leave_millimetres_empty_and_none_at_all_still_have_a_header() {
    let mut bytes = Vec::new();
    stations_csv::write(&no_ends().reading, &mut bytes).unwrap();
    let first = csv::Reader::from_reader(bytes.as_slice()).records().next().unwrap().unwrap();
    assert_eq!((&first[0], &first[1], &first[2]), ("", "", ""));

    let no_line = found().refused(RefusalCode::NoLine, "no line", "burn one");
    let mut bytes = Vec::new();
    stations_csv::write(&no_line.reading, &mut bytes).unwrap();
    let text = String::from_utf8(bytes).unwrap();
    assert_eq!(text.lines().count(), 1);
    assert!(text.starts_with("position_mm,kerf_mm,"));
}
