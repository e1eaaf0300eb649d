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
fn text_never_asks_for_a_block_that_cannot_be() {
    let mut sample = found();
    for gap_mm in [-1.2, 0.02] {
        sample.reading.outcome.as_mut().unwrap().spacer_mm = Some(Estimate::new(gap_mm, 0.12));
        let text = text::reading(&sample.reading, &sample.setup, "strip.png");
        assert!(text.starts_with("  no block fits: the focus is not below the nozzle tip\n"), "{text}");
        assert!(text.contains("do next: check the gaps or the block"), "{text}");
    }
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

/// A text of an SVG: left end, middle height, width as the bundled font sets it, and what it says.
#[cfg(feature = "charts")]
#[derive(Debug)]
struct Text {
    x: f64,
    y: f64,
    wide: f64,
    em: f64,
    words: String,
}

#[cfg(feature = "charts")]
fn svg_texts(svg: &str) -> Vec<Text> {
    use ab_glyph::{Font, FontRef, ScaleFont};
    let font = FontRef::try_from_slice(include_bytes!("../src/report/fonts/DejaVuSans-Subset.ttf")).expect("a font");
    svg.split("<text ")
        .skip(1)
        .filter(|element| !element.contains("rotate("))
        .map(|element| {
            let attribute = |name: &str| {
                let from = element.find(&format!("{name}=\"")).expect(name) + name.len() + 2;
                element[from..].split('"').next().expect(name)
            };
            let number = |name: &str| attribute(name).parse::<f64>().expect(name);
            let words =
                element[element.find('>').unwrap_or(0) + 1..].split("</text>").next().unwrap_or_default().trim();
            let em = number("font-size");
            let per_em = f64::from(font.height_unscaled() / font.units_per_em().expect("the font states its em"));
            let scaled = font.as_scaled((em * per_em) as f32);
            let wide = words.chars().map(|c| f64::from(scaled.h_advance(scaled.glyph_id(c)))).sum();
            let share = match attribute("text-anchor") {
                "start" => 0.0,
                "middle" => 0.5,
                _ => 1.0,
            };
            Text { x: number("x") - share * wide, y: number("y"), wide, em, words: words.to_owned() }
        })
        .collect()
}

#[cfg(feature = "charts")]
#[test]
fn chart_labels_stay_on_the_sheet_and_off_each_other() {
    use narrows::report::chart;
    for (name, sample) in readings::scenes() {
        let Some(svg) = chart::draw_svg(&sample.reading, &sample.setup) else {
            assert_eq!(name, "no_line");
            continue;
        };
        let texts = svg_texts(&svg);
        assert!(texts.len() > 20, "{name} has {} texts", texts.len());
        for (index, a) in texts.iter().enumerate() {
            let [width, height] = chart::SHEET.map(f64::from);
            assert!(a.x >= 0.0 && a.x + a.wide <= width, "{name}: {a:?}");
            assert!(a.y - a.em / 2.0 >= 0.0 && a.y + a.em / 2.0 <= height, "{name}: {a:?}");
            for b in &texts[index + 1..] {
                let beside = a.x + a.wide <= b.x || b.x + b.wide <= a.x;
                assert!(beside || (a.y - b.y).abs() >= 0.5 * (a.em + b.em), "{name}: {a:?} lies on {b:?}");
            }
        }
    }
}

#[cfg(feature = "charts")]
#[test]
fn chart_draws_the_finest_place_at_its_height() {
    let sample = Scene::landscape().build();
    let svg = narrows::report::chart::draw_svg(&sample.reading, &sample.setup).expect("there are stations");
    let texts = svg_texts(&svg);
    let title = texts.iter().find(|t| t.words.starts_with("height of the strip"));
    let below = title.expect("the axis has a title").y;
    let ticks: Vec<[f64; 2]> = texts
        .iter()
        .filter(|t| (20.0..50.0).contains(&(below - t.y)))
        .filter_map(|t| Some([t.x + t.wide / 2.0, t.words.parse().ok()?]))
        .collect();
    let [first, last] = [ticks[0], *ticks.last().expect("there are ticks")];
    let height = sample.reading.outcome.as_ref().unwrap().height_mm.expect("heights were given").value;
    let x = first[0] + (height - first[1]) / (last[1] - first[1]) * (last[0] - first[0]);
    let is_there = (-2..=2).any(|shift| {
        let x = x.round() as i64 + shift;
        svg.lines().any(|l| {
            l.starts_with("<polyline") && l.contains("stroke-width=\"3\"") && l.matches(&format!("{x},")).count() == 2
        })
    });
    assert!(is_there, "no line at {x}");
}

#[cfg(feature = "charts")]
#[test]
fn chart_tells_fits_apart_without_colour_and_names_why_places_were_left_out() {
    let sample = Scene::landscape().build();
    let svg = narrows::report::chart::draw_svg(&sample.reading, &sample.setup).expect("there are stations");
    let words: Vec<String> = svg_texts(&svg).into_iter().map(|t| t.words).collect();
    for expected in [
        "plain curve near the finest place",
        "beam shape along the line",
        "beam shape, each side on its own (not used)",
        "height slack: line at most 5 % wider",
        "3 left out: too close to an end",
        "4 left out: disturbed (knot, mark, glare)",
        "finest place: 112.0 mm, give or take 1.6 mm, along the strip",
    ] {
        assert!(words.iter().any(|w| w == expected), "no {expected:?} in {words:?}");
    }
}

#[cfg(feature = "charts")]
#[test]
fn chart_as_a_picture_is_the_same_every_time_and_not_empty() {
    let sample = Scene::landscape().build();
    let draw = || narrows::report::chart::draw_png(&sample.reading, &sample.setup).expect("there are stations");
    let picture = draw();
    assert_eq!(picture.dimensions(), (1600, 1000));
    let dark = picture.pixels().filter(|p| p.0.iter().all(|&c| c < 80)).count();
    assert!((4_000..200_000).contains(&dark), "{dark} dark pixels");
    assert_eq!(picture, draw());

    let mut no_stations = sample;
    no_stations.reading.stations.clear();
    assert!(narrows::report::chart::draw_png(&no_stations.reading, &no_stations.setup).is_none());
    assert!(narrows::report::chart::draw_svg(&no_stations.reading, &no_stations.setup).is_none());
}

#[cfg(feature = "charts")]
#[test]
fn overlay_labels_stay_on_the_drawing_and_off_each_other() {
    for (name, sample) in readings::scenes() {
        let overlay = narrows::report::overlay::compose(&sample.photo, &sample.reading);
        let [width, height] = [overlay.picture.width(), overlay.picture.height()].map(f64::from);
        for (index, a) in overlay.labels.iter().enumerate() {
            let [left, top, right, bottom] = a.area_px;
            assert!(
                left >= 0.0 && top >= 0.0 && right <= width && bottom <= height,
                "{name}: {a:?} in {width}×{height}"
            );
            for b in &overlay.labels[index + 1..] {
                let is_apart = right <= b.area_px[0]
                    || b.area_px[2] <= left
                    || bottom <= b.area_px[1] + 1.0
                    || b.area_px[3] <= top + 1.0;
                assert!(is_apart, "{name}: {a:?} lies on {b:?}");
            }
        }
        let count = |text: &str| overlay.labels.iter().filter(|l| l.text == text).count();
        // Once on the photograph, once on the line pulled straight.
        let is_found = sample.reading.waist.is_some();
        assert_eq!(count("finest place"), if is_found { 2 } else { 0 }, "{name}");
        let is_tied = sample.reading.tie.is_some();
        assert_eq!(count("HIGH"), if is_tied { 2 } else { 0 }, "{name}");
        assert_eq!(overlay.labels[0].text.starts_with("No answer: "), sample.reading.outcome.is_err(), "{name}");
        assert!(width.max(height) < 3200.0 && width.min(height) > 500.0, "{name}: {width}×{height}");
    }
}

#[cfg(feature = "charts")]
#[test]
fn overlay_points_at_the_finest_place_and_nowhere_else() {
    let sample = Scene::landscape().build();
    let overlay = narrows::report::overlay::compose(&sample.photo, &sample.reading);
    let [left, top, right, bottom] = overlay.photograph_px;
    let scale = (right - left) / sample.photo.width() as f64;
    let waist = sample.reading.waist.as_ref().expect("there is an answer").place_px;
    let purple: Vec<[f64; 2]> = overlay
        .picture
        .enumerate_pixels()
        .filter(|(_, _, p)| p.0[0] > 90 && p.0[1] < 40 && (60..130).contains(&p.0[2]))
        .map(|(x, y, _)| [f64::from(x), f64::from(y)])
        .filter(|[x, y]| (left..right).contains(x) && (top..bottom).contains(y))
        .map(|[x, y]| [(x - left) / scale - waist[0], (y - top) / scale - waist[1]])
        .collect();
    assert!(purple.len() > 100);
    assert!(purple.iter().all(|[x, y]| x.abs() < 60.0 && y.abs() < 120.0));
    let mean = purple.iter().map(|p| p[0]).sum::<f64>() / purple.len() as f64;
    assert!(mean.abs() < 2.0, "the arrows stand {mean} px beside the finest place");
    assert!(purple.iter().all(|[x, y]| x.hypot(*y) > 8.0), "the line itself is left free");
}

#[cfg(feature = "charts")]
#[test]
fn overlay_shows_the_photograph_in_its_own_light() {
    let sample = found();
    let overlay = narrows::report::overlay::compose(&sample.photo, &sample.reading);
    let [left, top, right, _] = overlay.photograph_px;
    let scale = (right - left) / sample.photo.width() as f64;
    assert!((scale - 2.0).abs() < 1e-9, "a picture of 620 px is doubled, not {scale}");
    for [column, row] in [[1_usize, 1_usize], [300, 2], [618, 158]] {
        let linear = f64::from(sample.photo.plane.at([row, column])) / 65535.0;
        let expected = 255.0 * (1.055 * linear.powf(1.0 / 2.4) - 0.055);
        let [x, y] = [left + (column as f64 + 0.5) * scale, top + (row as f64 + 0.5) * scale];
        let shown = f64::from(overlay.picture.get_pixel(x as u32, y as u32).0[0]);
        assert!((shown - expected).abs() < 1.0, "{shown} and not {expected} at {column}, {row}");
    }
}

#[cfg(feature = "charts")]
#[test]
fn overlay_of_places_that_are_no_numbers_still_shows_the_rest() {
    let draw = |sample: &Sample| narrows::report::overlay::draw(&sample.photo, &sample.reading);
    let mut sample = found();
    let before = draw(&sample);
    let mut bare = found();
    bare.reading.tie.as_mut().unwrap().samples.clear();
    assert_eq!(draw(&bare).width(), before.width());
    let station = &mut sample.reading.stations[40];
    station.left_edge_px = [f64::NAN; 2];
    station.right_edge_px = [f64::INFINITY, 0.0];
    station.kerf_px = f64::NAN;
    let after = draw(&sample);
    assert_eq!(before.dimensions(), after.dimensions());
    let changed = before.pixels().zip(after.pixels()).filter(|(a, b)| a != b).count();
    assert!(changed > 0 && changed < before.len() / 3 / 50, "{changed} pixels changed");
}
