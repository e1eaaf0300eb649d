//! A ramp test planned: the setup file, the page, the round trip through a burned strip, how sure it is.
#![allow(clippy::unwrap_used)] // a panic in a helper fails the test as one in the test does

#[path = "support/planned.rs"]
mod planned;
#[path = "support/strips.rs"]
mod strips;

use narrows::plan::ramp::Support;
use narrows::plan::{
    Gauge, Note, PlanError, PlanRequest, PlannedDatum, PlannedPicture, PlannedSteepness, plan, setup_file,
};
use narrows::report;
use narrows::report::rounding::Units;
use narrows::setup::{Datum, HeadPlace, Steepness, parse_toml};

/// Takes the # away from a field's line and fills in a value, as a person does.
fn filled(text: &str, values: &[(&str, &str)]) -> String {
    let fill = |line: &str| {
        let wanted = |(field, _): &&(&str, &str)| line.starts_with(&format!("# {field} ="));
        values.iter().find(wanted).map_or(line.to_owned(), |(field, value)| format!("{field} = {value}"))
    };
    text.lines().map(fill).collect::<Vec<_>>().join("\n")
}

fn requests() -> Vec<PlanRequest> {
    let usual = PlanRequest::new(50.8, 7.0);
    vec![
        PlanRequest { name: Some("north \"A\"\n# x".to_owned().replace('\n', " ")), ..usual.clone() },
        PlanRequest { datum: PlannedDatum::Marks, picture: PlannedPicture::Photo { pixels: 4000.0 }, ..usual.clone() },
        PlanRequest { lens_to_nozzle_mm: Some(41.8), measured_with: Gauge::Blocks, ..PlanRequest::new(63.5, 9.5) },
        PlanRequest { spacer_in_use_mm: 5.0, below_nozzle_mm: 1.0, ..usual },
    ]
}

#[test]
fn the_reading_takes_the_setup_file_once_the_blanks_are_filled_in() {
    for request in requests() {
        let plan = plan(&request).unwrap();
        let text = setup_file::text(&request, &plan.ramp, false);
        assert!(parse_toml(&text, None).is_err(), "blanks are blank");
        let gaps = [("gap_low_mm", "13.1"), ("gap_high_mm", "1.3"), ("low_end", "\"right\"")];
        let setup = parse_toml(&filled(&text, &gaps), None).unwrap();
        assert_eq!(setup.ramp.steepness, Steepness::Gaps);
        assert!((setup.ramp.travel_mm - plan.ramp.travel_mm).abs() < 0.05);
        assert_eq!(setup.head.spacer_in_use_mm, Some(request.spacer_in_use_mm));
        assert_eq!(matches!(setup.picture.datum, Datum::Marks { .. }), request.datum == PlannedDatum::Marks);

        // The prop beside the gaps, and a block in place of the gaps.
        let prop = [("prop_mm", "11.1"), ("prop_at_mm", "168.6")];
        let both = filled(&filled(&text, &gaps), &prop);
        assert_eq!(parse_toml(&both, None).unwrap().ramp.steepness, Steepness::Prop);
        let block = [("block_mm", "\"0.27 in\""), ("block_at_mm", "90"), ("low_end", "\"left\"")];
        let by_block = parse_toml(&filled(&filled(&text, &block), &prop), None).unwrap();
        assert!(matches!(by_block.head.place, Some(HeadPlace::Block { tip_assumed: false, .. })));
    }
}

#[test]
fn the_planned_values_describe_one_ramp() {
    for request in requests() {
        let plan = plan(&request).unwrap();
        let text = setup_file::text(&request, &plan.ramp, true);
        let setup = parse_toml(&text, None).unwrap();
        assert!((setup.ramp.rise.value - plan.ramp.rise_mm).abs() <= 0.11, "{text}");
        let Support::Prop { prop_mm, prop_at_mm } = plan.ramp.support else { panic!("no ramp file here") };
        assert!((plan.ramp.travel_mm * prop_mm / prop_at_mm - plan.ramp.rise_mm).abs() < 1e-9);
        // The prop stands under the strip.
        assert!(prop_mm.hypot(prop_at_mm) < request.strip_length_mm);
        // The line lies on the strip.
        let [start, stop] = plan.ramp.line_travel_mm().map(|travel| travel * plan.ramp.span_mm / plan.ramp.travel_mm);
        assert!(plan.ramp.low_margin_mm + start > 0.0 && plan.ramp.low_margin_mm + stop < request.strip_length_mm);
        assert!(plan.ramp.clearance_mm >= 1.0 - 1e-6);
    }
}

/// Every row of the page's table, and every gap and travel of its drawing, against the setup file's line of that field.
#[test]
fn every_number_on_the_page_is_the_one_in_the_setup_file() {
    for request in requests() {
        let plan = plan(&request).unwrap();
        let page = report::plan::sheet::sheet(&plan, Units::Millimetres);
        let setup = setup_file::text(&request, &plan.ramp, false);
        let in_setup = |field: &str| {
            let line = setup
                .lines()
                .find(|line| line.trim_start_matches("# ").split_once(" =").is_some_and(|(name, _)| name == field));
            line.unwrap_or_else(|| panic!("{field} is in the setup file")).to_owned()
        };
        let number = |line: &str| -> String {
            match line.split_once("planned ") {
                Some((_, planned)) => planned.split(':').next().unwrap().to_owned(),
                None => line.split_once('=').unwrap().1.split('#').next().unwrap().trim().to_owned(),
            }
        };
        let mut rows = 0;
        for row in page.split("<tr>").filter(|row| row.contains("<td><code>")) {
            let field = row.split("<code>").nth(1).unwrap().split("</code>").next().unwrap();
            let planned = row.split("<td>").nth(3).unwrap().split("</td>").next().unwrap();
            if field != "low_end" {
                assert_eq!(number(&in_setup(field)), planned, "{field}");
                rows += 1;
            }
        }
        assert!(rows >= 7, "{rows} rows");
        for (field, told) in [
            ("gap_low_mm", "gap {} mm"),
            ("gap_high_mm", "gap {} mm"),
            ("travel_mm", "head travel {} mm"),
            ("prop_at_mm", "{} mm level, toe to the prop"),
            ("spacer_in_use_mm", "today's block {}"),
        ] {
            let told = told.replace("{}", &number(&in_setup(field)));
            assert!(page.contains(&told), "{field}: {told}");
        }
    }
}

#[test]
fn the_page_carries_the_cautions_and_writes_low_first() {
    let page = report::plan::sheet::sheet(&plan(&PlanRequest::new(50.8, 7.0)).unwrap(), Units::Inches);
    let first_step = page.split("<li>").nth(1).unwrap();
    assert!(first_step.starts_with("Write LOW"));
    for words in ["lid switch", "Key off", "PVC", "sloping strip", "zinc selenide", "never leave", "Local rules"] {
        assert!(page.to_lowercase().contains(&words.to_lowercase()), "{words}");
    }
}

#[test]
fn a_name_in_the_page_is_text_and_nothing_else() {
    let request = PlanRequest { name: Some("(a) & b".to_owned()), ..PlanRequest::new(50.8, 7.0) };
    let page = report::plan::sheet::sheet(&plan(&request).unwrap(), Units::Millimetres);
    assert!(page.contains("(a) &amp; b"));
}

#[test]
fn where_the_nozzle_would_touch_the_plan_says_what_is_left() {
    let request = PlanRequest { spacer_in_use_mm: 4.0, ..PlanRequest::new(50.8, 4.0) };
    let plan = plan(&request).unwrap();
    let note = plan.notes.iter().find(|note| matches!(note, Note::NozzleLimitsHighEnd { .. }));
    let Some(Note::NozzleLimitsHighEnd { beyond_mm, wanted_mm }) = note else { panic!("{:?}", plan.notes) };
    assert!(*beyond_mm < *wanted_mm && *beyond_mm > plan.spot.rayleigh_mm);
    assert!((plan.ramp.gap_high_mm - (4.0 - beyond_mm)).abs() < 1e-9);
    let text = report::plan::text::plan(&plan, Units::Millimetres);
    let said = text.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(said.contains("the most you can have beyond the focus is"), "{said}");
    assert!(said.contains("expect give or take"), "{said}");
}

#[test]
fn errors_name_the_field_and_the_limit() {
    let usual = PlanRequest::new(50.8, 7.0);
    let told = |request: PlanRequest| {
        let error = plan(&request).unwrap_err();
        format!("{error} | {}", error.hint())
    };
    let mut long_wave = usual.clone();
    long_wave.optics.wavelength_mm = 10.6;
    let told_of_wave = told(long_wave);
    assert!(told_of_wave.contains("wavelength_mm is 10.6") && told_of_wave.contains("10.6 um"), "{told_of_wave}");
    let nothing_left = told(PlanRequest { spacer_in_use_mm: 1.5, ..usual.clone() });
    assert!(nothing_left.contains("spacer_in_use_mm") && nothing_left.contains("0.4 mm"), "{nothing_left}");
    let short = told(PlanRequest { strip_length_mm: 60.0, search_mm: 8.0, spacer_in_use_mm: 14.0, ..usual.clone() });
    assert!(short.contains("strip_length_mm is 60"), "{short}");
    let narrow = told(PlanRequest { datum: PlannedDatum::Marks, strip_width_mm: 20.0, ..usual.clone() });
    assert!(narrow.contains("strip_width_mm is 20 mm, and must be 28"), "{narrow}");
    let nan = told(PlanRequest { search_mm: f64::NAN, ..usual.clone() });
    assert!(nan.contains("search_mm"), "{nan}");
    let prop = PlannedSteepness::Prop { thickness_mm: Some(60.0) };
    let thick = told(PlanRequest { steepness: prop, ..usual });
    assert!(thick.contains("prop_mm is 60.0 mm"), "{thick}");
}

#[test]
fn a_strip_named_for_its_length_is_long_enough() {
    let short = PlanRequest { strip_length_mm: 60.0, search_mm: 8.0, ..PlanRequest::new(50.8, 14.0) };
    let Err(PlanError::StripTooShort { needed_mm, .. }) = plan(&short) else { panic!("too short") };
    assert!(plan(&PlanRequest { strip_length_mm: needed_mm + 1.0, ..short }).is_ok());
}

/// Plan, burn the artwork, scan, read with the plan's own setup file: the focus is found as surely as planned.
#[test]
fn a_planned_strip_is_read_within_the_planned_accuracy() {
    let marks =
        PlanRequest { datum: PlannedDatum::Marks, strip_width_mm: 30.0, strip_length_mm: 100.0, ..planned::small() };
    for (request, focus_at) in [(planned::small(), 7.0), (planned::small(), 5.6), (marks, 8.1)] {
        let plan = plan(&request).unwrap();
        let scene = planned::scene(&plan, focus_at, 3);
        let truth = scene.truth().waist.unwrap();
        let reading = planned::reading(&plan, &scene);
        let focus = reading.outcome.unwrap_or_else(|refusal| panic!("{refusal:?}"));
        let found = focus.spacer_mm.unwrap();
        let expected = plan.accuracy.worst.spacer_mm;
        let error = found.value - truth.spacer_mm;
        assert!(error.abs() <= expected.expanded(), "off by {error}, planned {expected:?}");
        let ratio = found.standard_uncertainty / expected.standard_uncertainty;
        assert!((0.5..2.0).contains(&ratio), "the reading says {found:?}, the plan {expected:?}");
    }
}

/// Root mean square error of the height at the finest place over some strips that differ in nothing but their grain, against
/// what the plan expects of the picture. `cargo bench --bench plan` does the same with many more.
#[test]
fn the_expected_accuracy_is_that_of_rendered_strips() {
    let plan = plan(&planned::small()).unwrap();
    let errors: Vec<f64> = (0..16)
        .map(|seed| {
            let scene = planned::scene(&plan, 7.0, 100 + seed);
            let truth = scene.truth().waist.unwrap();
            let focus = planned::reading(&plan, &scene).outcome.unwrap();
            (focus.position_mm.value - truth.position_mm) * truth.slope
        })
        .collect();
    let rms = (errors.iter().map(|error| error * error).sum::<f64>() / errors.len() as f64).sqrt();
    let expected = plan.accuracy.in_use.picture_height_u_mm(&plan.ramp);
    assert!((1.0 / 1.5..1.5).contains(&(rms / expected)), "spread {rms} mm, planned {expected} mm: {errors:.3?}");
}

struct Ran {
    status: i32,
    stdout: String,
    stderr: String,
}

fn narrows(folder: &std::path::Path, args: &[&str]) -> Ran {
    let ran =
        std::process::Command::new(env!("CARGO_BIN_EXE_narrows")).current_dir(folder).args(args).output().unwrap();
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    Ran { status: ran.status.code().unwrap(), stdout: text(ran.stdout), stderr: text(ran.stderr) }
}

const USUAL: [&str; 5] = ["plan", "--nominal-focal-length-mm", "2 in", "--spacer-in-use-mm", "0.276 in"];

#[test]
fn the_program_takes_inches_and_prints_one_line_of_json() {
    let folder = tempfile::tempdir().unwrap();
    let ran = narrows(folder.path(), &[&USUAL[..], &["--json"]].concat());
    assert_eq!((ran.status, ran.stdout.lines().count()), (0, 1), "{}", ran.stderr);
    let json: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert_eq!(json["schema"], "narrows.plan/1");
    assert_eq!(json["request"]["optics"]["focal_length_mm"], 50.8);
    assert!((json["request"]["spacer_in_use_mm"].as_f64().unwrap() - 7.0104).abs() < 1e-9);
    let inches = narrows(folder.path(), &[&USUAL[..], &["--units", "in"]].concat());
    assert!(inches.stdout.contains("0.276 in") && !inches.stdout.contains(" mm"), "{}", inches.stdout);
}

#[test]
fn a_setup_file_that_may_hold_measured_values_is_not_replaced() {
    let folder = tempfile::tempdir().unwrap();
    let args = [&USUAL[..], &["--setup", "bench.toml", "--sheet", "bench.html"]].concat();
    assert_eq!(narrows(folder.path(), &args).status, 0);
    let path = folder.path().join("bench.toml");
    std::fs::write(&path, "measured").unwrap();
    std::fs::remove_file(folder.path().join("bench.html")).unwrap();
    let ran = narrows(folder.path(), &args);
    assert_eq!(ran.status, 2);
    assert!(ran.stderr.starts_with("error: bench.toml") && ran.stderr.contains("\nhint: "), "{}", ran.stderr);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), "measured");
    assert!(!folder.path().join("bench.html").exists(), "nothing was written");
}

#[test]
fn a_measured_ramp_is_planned_for_and_named_in_the_setup() {
    let folder = tempfile::tempdir().unwrap();
    let drawn = narrows(folder.path(), &[&USUAL[..], &["--ramp", "ramp", "--kerf", "200 um"]].concat());
    assert_eq!(drawn.status, 0, "{}", drawn.stderr);
    let ramp_file = folder.path().join("ramp/ramp.toml");
    let measured =
        filled(&std::fs::read_to_string(&ramp_file).unwrap(), &[("incline_deg", "3.9"), ("incline_u_deg", "0.05")]);
    std::fs::write(&ramp_file, measured).unwrap();
    let planned = [&USUAL[..], &["--ramp-file", "ramp/ramp.toml", "--setup", "bench.toml", "--json"]].concat();
    let ran = narrows(folder.path(), &planned);
    assert_eq!(ran.status, 0, "{}", ran.stderr);
    let json: serde_json::Value = serde_json::from_str(&ran.stdout).unwrap();
    assert!((json["ramp"]["incline_deg"].as_f64().unwrap() - 3.9).abs() < 1e-6);
    let text = std::fs::read_to_string(folder.path().join("bench.toml")).unwrap();
    let values = [("gap_low_mm", "13"), ("gap_high_mm", "1.4"), ("low_end", "\"left\"")];
    let setup = parse_toml(&filled(&text, &values), Some(folder.path())).unwrap();
    assert_eq!(setup.ramp.steepness, Steepness::RampFile);
}

#[test]
fn a_request_that_cannot_be_served_is_one_error_and_one_hint() {
    let folder = tempfile::tempdir().unwrap();
    for (extra, said) in [
        (&["--wavelength", "10.6"][..], "wavelength_mm is 10.6 mm"),
        (&["--search-mm", "2,5"], "decimal comma"),
        (&["--ramp-file", "nowhere.toml"], "nowhere.toml"),
        (&["--ramp", "r", "--sheet-thickness-mm", "19"], "sheet_thickness_mm is 19 mm"),
    ] {
        let ran = narrows(folder.path(), &[&USUAL[..], extra].concat());
        assert_eq!((ran.status, ran.stdout.as_str()), (2, ""), "{extra:?}");
        assert!(ran.stderr.contains(said), "{}", ran.stderr);
        assert_eq!(ran.stderr.lines().count(), 2, "{}", ran.stderr);
        assert!(std::fs::read_dir(folder.path()).unwrap().next().is_none(), "nothing was written");
    }
}
