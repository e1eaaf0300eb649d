//! A picture for every refusal and every caution.

#[path = "support/strips.rs"]
mod strips;

use narrows::cautions::{Caution, CautionCode};
use narrows::combine::{Combine, Part, combine};
use narrows::doubts;
use narrows::estimate::Estimate;
use narrows::fit::waist::WaistFit;
use narrows::height::convert;
use narrows::photo::{Photo, Resolution};
use narrows::reading::{Focus, Given, ReadOptions, Reading, read};
use narrows::refusal::RefusalCode;
use narrows::setup::parse_toml;
use narrows::synth::marks::MarkRow;
use narrows::synth::scene::{Background, Capture, DatumScene, LineKind, Scene};
use strips::{photo, photographed, plain, reading, reading_with, setup};

/// Two points on the plain line, well inside its ends.
const POINTS: &str = "datum = \"points\"\npoints_px = [[260, 240], [1400, 255]]";
const MARKS: &str = "datum = \"marks\"\nmark_pitch_mm = 5";

/// The plain scene, changed.
fn changed(change: impl FnOnce(&mut Scene)) -> Scene {
    let mut scene = plain();
    change(&mut scene);
    scene
}

/// The plain scene with a row of index marks.
fn marked() -> Scene {
    changed(|scene| {
        let lead = 4.0 * scene.ramp.span_mm() / scene.ramp.travel_mm;
        [scene.line.start_mm, scene.line.stop_mm] = [-lead, scene.ramp.span_mm() + lead];
        scene.strip.sides_mm = [-15.0, 15.0];
        scene.datum = DatumScene::Marks(MarkRow {
            pitch_mm: 5.0,
            last: 10,
            strength: 1.5,
            missing: 0.0,
            faint: 0.0,
            smeared: 0.0,
            false_at_mm: vec![],
        });
    })
}

#[track_caller]
fn assert_refused(reading: &Reading, code: RefusalCode) {
    match &reading.outcome {
        Ok(focus) => panic!("{:?} expected, but there is an answer: {:?}", code, focus.position_mm),
        Err(refusal) => {
            assert_eq!(refusal.code, code, "{}", refusal.message);
            assert!(!refusal.message.is_empty() && !refusal.advice.is_empty(), "{refusal:?}");
        }
    }
    assert!(reading.waist.is_none());
}

fn has(cautions: &[Caution], code: CautionCode) -> bool {
    cautions.iter().any(|caution| caution.code == code)
}

/// A caution stands beside an answer; the plain strip raises none of them.
#[track_caller]
fn assert_cautioned(reading: &Reading, code: CautionCode) {
    assert!(reading.outcome.is_ok(), "{:?}", reading.outcome);
    assert!(has(&reading.cautions, code), "{:?}", reading.cautions);
}

#[test]
fn the_plain_strip_is_read_without_a_caution() {
    for (scene, picture) in [(plain(), "low_end = \"left\""), (marked(), MARKS)] {
        let reading = reading_with(&scene, picture);
        let position = reading.outcome.expect("an answer").position_mm;
        let truth = scene.truth().waist.expect("a waist").position_mm;
        assert!((position.value - truth).abs() < position.expanded(), "{position:?}, truth {truth}");
        assert!(reading.cautions.is_empty(), "{:?}", reading.cautions);
    }
}

// Refusals

#[test]
fn no_line() {
    assert_refused(&reading(&changed(|scene| scene.line.kind = LineKind::Absent)), RefusalCode::NoLine);
}

#[test]
fn several_lines() {
    assert_refused(&reading(&changed(|scene| scene.line.second_at_mm = Some(3.5))), RefusalCode::SeveralLines);
}

#[test]
fn line_broken_by_a_pulsed_beam() {
    let dotted = changed(|scene| scene.line.kind = LineKind::Dotted { pitch_mm: 1.5, duty: 0.5 });
    assert_refused(&reading(&dotted), RefusalCode::LineBroken);
}

/// The same pixels, once from a scanner and once from a camera: what is left of the stated uncertainty without the tie's own is
/// the fit's, a twentieth more in a photograph (docs/uncertainty.md, "A photograph").
#[test]
fn a_photograph_is_stated_a_twentieth_less_sure() {
    let mut scanned = photo(&plain());
    scanned.resolution = Some(Resolution { x_dpi: 600.0, y_dpi: 600.0 });
    let mut photographed = scanned.clone();
    photographed.from_camera = true;
    let setup = setup(&plain(), "", "low_end = \"left\"");
    let of_the_fit = |photo: &Photo| {
        let reading = read(photo, &setup, &ReadOptions::default()).expect("a request");
        assert!(reading.outcome.is_ok(), "{:?}", reading.outcome);
        let (waist, tie) = (reading.waist.expect("a waist"), reading.tie.expect("a tie"));
        let of_the_tie = tie.at(waist.along_px).standard_uncertainty_mm;
        (waist.position_mm.standard_uncertainty.powi(2) - of_the_tie.powi(2)).sqrt()
    };
    let ratio = of_the_fit(&photographed) / of_the_fit(&scanned);
    assert!((ratio - 1.05).abs() < 0.01, "{ratio}");
}

/// The plain strip's picture, its columns moved up and down so that the line, which is 1200 px long, lies so far from its chord.
fn bent(bow_px: f64) -> Photo {
    let photo = photo(&plain());
    let [width, height] = [photo.width(), photo.height()];
    let light = ndarray::Array2::from_shape_fn((height, width), |(row, column)| {
        let along = 2.0 * (column as f64 + 0.5) / width as f64 - 1.0;
        // The line takes up most of the picture's width.
        let place = (row as f64 + bow_px * along * along).clamp(0.0, (height - 1) as f64);
        let [above, share] = [place.floor(), place.fract()];
        let at = |row: f64| f64::from(photo.plane.at([(row as usize).min(height - 1), column]));
        ((1.0 - share) * at(above) + share * at(above + 1.0)) as u16
    });
    photo.with_light(light)
}

#[test]
fn a_line_that_bends_more_than_lens_and_paper_bend_it_is_no_head_s() {
    let setup = setup(&plain(), "", "low_end = \"left\"");
    let reading = |bow_px: f64| read(&bent(bow_px), &setup, &ReadOptions::default()).expect("a request");
    let slightly = reading(5.0);
    assert!(slightly.outcome.is_ok(), "{:?}", slightly.outcome);
    let bow = slightly.course.as_ref().map_or(0.0, narrows::locate::Course::bow);
    assert!((0.002..0.005).contains(&bow), "{bow}");
    let bows = reading(20.0);
    assert_refused(&bows, RefusalCode::NoLine);
    let message = bows.outcome.expect_err("just asserted").message;
    assert!(message.contains("bends by 0.9 %"), "{message}");
}

/// Where the white lid shows through there is no number, whatever the reason given.
#[test]
fn a_line_burnt_through_has_no_number() {
    for above in [6.0, 9.0] {
        let through = changed(|scene| {
            scene.strip.background = Background::White;
            scene.burn.through_above = Some(above);
        });
        assert!(reading(&through).outcome.is_err(), "through above {above}");
    }
}

#[test]
fn not_bracketed_beyond_either_end() {
    for (focus_height_mm, advice) in [(15.0, "lower the head"), (1.0, "raise the head")] {
        let reading = reading_with(
            &changed(|scene| {
                scene.ramp.focus_height_mm = focus_height_mm;
                scene.burn.overdrive = 60.0;
            }),
            POINTS,
        );
        assert_refused(&reading, RefusalCode::NotBracketed);
        let refusal = reading.outcome.expect_err("refused");
        assert!(refusal.advice.contains(advice), "{}", refusal.advice);
    }
}

#[test]
fn too_flat_a_ramp() {
    let flat = changed(|scene| [scene.ramp.low_height_mm, scene.ramp.high_height_mm] = [7.1, 7.7]);
    assert_refused(&reading(&flat), RefusalCode::TooFlat);
}

#[test]
fn too_flat_a_pen_line() {
    let pen = changed(|scene| scene.line.kind = LineKind::Pen { width_mm: 0.4 });
    assert_refused(&reading(&pen), RefusalCode::TooFlat);
}

#[test]
fn too_few_stations() {
    // A millimetre of the line, between two places given by hand: every shorter picture has no line to find.
    let scene = plain();
    let [low, high] = scene.truth().datum_px;
    let at = |share: f64| [0, 1].map(|axis| low[axis] + share * (high[axis] - low[axis]));
    let given = Given { line_px: Some([at(0.44), at(0.46)]), datums_px: Some([low, high]) };
    let options = ReadOptions { given, ..ReadOptions::default() };
    let reading = read(&photo(&scene), &setup(&scene, "", "low_end = \"left\""), &options).expect("a request");
    assert_refused(&reading, RefusalCode::TooFewStations);
}

#[test]
fn unresolved_by_few_pixels() {
    let coarse = changed(|scene| scene.capture = Capture::Scan { dpi: [150.0; 2], turn_deg: 0.7, margin_mm: 3.0 });
    assert_refused(&reading(&coarse), RefusalCode::Unresolved);
}

#[test]
fn unresolved_by_blur() {
    assert_refused(&reading(&changed(|scene| scene.sensor.blur_px = 3.0)), RefusalCode::Unresolved);
}

#[test]
fn no_scale_where_the_line_is_longer_than_the_resolution_makes_it() {
    assert_refused(&reading_with(&plain(), "low_end = \"left\"\ndpi = 400"), RefusalCode::NoScale);
    assert_refused(&reading_with(&plain(), &format!("{POINTS}\ndpi = 300")), RefusalCode::NoScale);
}

#[test]
fn ends_not_found_where_the_line_is_shorter_than_the_resolution_makes_it() {
    assert_refused(&reading_with(&plain(), "low_end = \"left\"\ndpi = 900"), RefusalCode::EndsNotFound);
}

/// The plain strip photographed, read with a way between the datums so many times as long as it is and with lengths and widths of the strip
/// itself, mm.
fn by_the_strip(stretch: f64, datum: &str, strip_mm: Option<[f64; 2]>) -> Reading {
    let scene = photographed(plain(), [0.0; 2]);
    let mut told = scene.clone();
    told.ramp.travel_mm *= stretch;
    let mut setup = setup(&told, "nozzle_height_mm = 16", datum);
    setup.ramp.strip_length_mm = strip_mm.map(|[length_mm, _]| length_mm);
    setup.ramp.strip_width_mm = strip_mm.map(|[_, width_mm]| width_mm);
    read(&photo(&scene), &setup, &ReadOptions::default()).expect("points lie in the picture")
}

/// A line that has faded before its ends, or a wrong length for it, makes another scale than the strip's own edges do.
#[test]
fn no_answer_where_the_strips_own_edges_contradict_the_length_of_the_line() {
    let scene = plain();
    let strip_mm = [scene.strip.ends_mm, scene.strip.sides_mm].map(|[from, to]| to - from);
    let ends = "low_end = \"left\"";
    let [low, high] = photographed(scene, [0.0; 2]).truth().datum_px;
    let points = format!("datum = \"points\"\npoints_px = [{low:?}, {high:?}]");
    // The rise stays as it is, so that the way along the slope changes by less.
    for (stretch, says) in [(1.25, ["19 % shorter", "20 % shorter"]), (0.8, ["23 % longer", "24 % longer"])] {
        for (datum, code) in [(ends, RefusalCode::EndsNotFound), (&points, RefusalCode::NoScale)] {
            let reading = by_the_strip(stretch, datum, Some(strip_mm));
            assert_refused(&reading, code);
            let message = reading.outcome.unwrap_err().message;
            assert!(says.iter().any(|says| message.contains(says)), "{message}");
            // Where nothing is said of the strip, nobody can know.
            assert!(by_the_strip(stretch, datum, None).outcome.is_ok());
        }
    }
    let [length_mm, width_mm] = strip_mm;
    // Edges whose proportions are not the strip's are something else's, and contradict nothing.
    for told in [strip_mm, [length_mm, 0.7 * width_mm], [0.7 * length_mm, width_mm]] {
        let reading = by_the_strip(1.0, ends, Some(told));
        assert!(reading.outcome.is_ok(), "{told:?}: {:?}", reading.outcome);
    }
}

#[test]
fn ends_not_found_where_the_line_fades() {
    assert_refused(&reading(&changed(|scene| scene.burn.overdrive = 3.0)), RefusalCode::EndsNotFound);
}

#[test]
fn strip_not_found_where_its_edges_are_outside() {
    let long = changed(|scene| scene.strip.ends_mm = [-60.0, scene.ramp.span_mm() + 60.0]);
    let reading = reading_with(&photographed(long, [0.0; 2]), "datum = \"strip\"\nlow_end = \"left\"");
    assert_refused(&reading, RefusalCode::StripNotFound);
}

#[test]
fn marks_not_found_where_there_are_none() {
    assert_refused(&reading_with(&plain(), MARKS), RefusalCode::MarksNotFound);
}

/// Marks 0 to 4 are all ones: they tell neither the place nor the way. With `low_end` they may.
#[test]
fn marks_ambiguous_where_only_the_first_five_show() {
    let mut scene = marked();
    scene.ramp.focus_height_mm = 4.6;
    scene.capture = Capture::Photo {
        size_px: [700, 760],
        focal_px: 2600.0,
        distance_mm: 95.0,
        aim_mm: [10.0, 0.0],
        turn_deg: 0.5,
        tilt_deg: [0.0; 2],
        distortion: 0.0,
    };
    assert_refused(&reading_with(&scene, MARKS), RefusalCode::MarksAmbiguous);
}

#[test]
fn low_end_unknown_where_it_lies_across_the_line() {
    assert_refused(&reading_with(&plain(), "low_end = \"top\""), RefusalCode::LowEndUnknown);
}

#[test]
fn low_end_unknown_where_it_contradicts_the_marks() {
    let reading = reading_with(&marked(), &format!("{MARKS}\nlow_end = \"right\""));
    assert_refused(&reading, RefusalCode::LowEndUnknown);
}

#[test]
fn too_few_pictures_and_some_left_out() {
    let [good, blank] = [plain(), changed(|scene| scene.line.kind = LineKind::Absent)].map(|scene| reading(&scene));
    let setup = setup(&plain(), "nozzle_height_mm = 16", "low_end = \"left\"");
    let part = |name, reading| Part { name, reading: Some(reading) };
    let few = combine(Combine::Strips, &[part("good", &good), part("blank", &blank)], &setup);
    assert_eq!(few.outcome.expect_err("one is not enough").code, RefusalCode::TooFewPictures);
    assert!(has(&few.cautions, CautionCode::SomeLeftOut), "{:?}", few.cautions);
    let again = reading(&changed(|scene| scene.seed = 12));
    let both = combine(Combine::Strips, &[part("good", &good), part("again", &again)], &setup);
    assert!(both.outcome.is_ok() && both.cautions.is_empty(), "{both:?}");
    let moved = reading(&changed(|scene| scene.ramp.focus_height_mm += 2.0));
    let apart = combine(Combine::Strips, &[part("good", &good), part("moved", &moved)], &setup);
    assert!(has(&apart.cautions, CautionCode::StripsDisagree), "{:?}", apart.cautions);
}

// Cautions that a picture raises

#[test]
fn perspective_where_the_strips_edges_are_outside() {
    let wide = changed(|scene| {
        scene.strip.sides_mm = [-40.0, 40.0];
        scene.strip.ends_mm = [-60.0, scene.ramp.span_mm() + 60.0];
    });
    assert_cautioned(&reading(&photographed(wide, [0.0; 2])), CautionCode::Perspective);
}

#[test]
fn blurred() {
    assert_cautioned(&reading(&changed(|scene| scene.sensor.blur_px = 2.2)), CautionCode::Blurred);
}

#[test]
fn one_sided() {
    for skew in [-0.2, 0.2] {
        assert_cautioned(&reading(&changed(|scene| scene.beam.skew = skew)), CautionCode::OneSided);
    }
}

#[test]
fn near_end() {
    let near = changed(|scene| {
        scene.ramp.focus_height_mm = 3.5;
        scene.burn.overdrive = 60.0;
    });
    assert_cautioned(&reading_with(&near, POINTS), CautionCode::NearEnd);
}

#[test]
fn resolution_disbelieved() {
    let tagged = changed(|scene| scene.output.dpi_tag = Some(300.0));
    assert_cautioned(&reading(&tagged), CautionCode::ResolutionDisbelieved);
    // The true one is believed.
    let true_tag = reading(&changed(|scene| scene.output.dpi_tag = Some(600.0)));
    assert!(true_tag.outcome.is_ok() && true_tag.cautions.is_empty(), "{:?}", true_tag.cautions);
}

#[test]
fn line_shaky_with_its_period() {
    let shaky = reading(&changed(|scene| scene.line.periodic = Some([0.15, 8.0])));
    assert_cautioned(&shaky, CautionCode::LineShaky);
    let period = shaky.line.and_then(|line| line.period_mm).expect("a period");
    assert!((period - 8.0).abs() < 0.5, "{period}");
}

/// No small picture was found that raises these two and still gives a number: here the judgement alone is asked.
#[test]
fn line_weak_and_fits_disagree() {
    let reading = reading(&plain());
    let line = reading.line.expect("a line");
    let fit = WaistFit {
        beam_radius_mm: 0.06,
        position: Estimate::new(23.0, 0.1),
        kerf_mm: Estimate::new(0.2, 0.002),
        slack: None,
        lengths_mm: [5.0; 2],
        asymmetry: 0.0,
        disagreement: 1.0,
        range_mm: [1.0, 50.0],
    };
    assert_eq!(doubts::of_the_fit(&fit, &line, 4.7), []);
    let pale = narrows::stations::LineQuality { contrast: 0.2, ..line.clone() };
    let weak = doubts::of_the_fit(&fit, &pale, 4.7);
    assert!(weak.len() == 1 && has(&weak, CautionCode::LineWeak), "{weak:?}");
    let apart = WaistFit { disagreement: 4.0, ..fit };
    let disagreeing = doubts::of_the_fit(&apart, &line, 4.7);
    assert!(disagreeing.len() == 1 && has(&disagreeing, CautionCode::FitsDisagree), "{disagreeing:?}");
}

// Cautions of the setup

/// Position converted with a setup given by its `[ramp]` and `[head]` lines; the travel is 150 mm.
fn converted(position_mm: f64, ramp: &str, head: &str) -> (Focus, Vec<Caution>) {
    let text = format!(
        "[ramp]\ntravel_mm = 150\nmeasured_with = \"blocks\"\n{ramp}\n[head]\n{head}\n[picture]\nlow_end = \"left\"\n"
    );
    let setup = parse_toml(&text, None).unwrap_or_else(|why| panic!("{why}\n{text}"));
    convert(Estimate::new(position_mm, 0.2), None, None, 0.05, &setup)
}

const HEIGHTS: &str = "low_height_mm = 3\nhigh_height_mm = 18";

#[track_caller]
fn only(cautions: &[Caution], code: CautionCode) {
    assert!(cautions.len() == 1 && has(cautions, code), "{cautions:?}");
}

#[test]
fn a_plain_setup_raises_nothing() {
    let (focus, cautions) = converted(75.0, HEIGHTS, "nozzle_height_mm = 20");
    assert!(focus.spacer_mm.is_some() && cautions.is_empty(), "{cautions:?}");
}

#[test]
fn rim_contact() {
    let block = "block_mm = 7\nblock_at_mm = 75";
    only(&converted(75.0, HEIGHTS, block).1, CautionCode::RimContact);
    assert_eq!(converted(75.0, HEIGHTS, &format!("{block}\ntip_diameter_mm = 8")).1, []);
}

#[test]
fn rises_differ() {
    only(&converted(75.0, HEIGHTS, "gap_low_mm = 17\ngap_high_mm = 4").1, CautionCode::RisesDiffer);
    assert_eq!(converted(75.0, HEIGHTS, "gap_low_mm = 17\ngap_high_mm = 2").1, []);
}

#[test]
fn strip_bows() {
    let bowed = format!("{HEIGHTS}\nmiddle_height_mm = 11.5");
    only(&converted(75.0, &bowed, "nozzle_height_mm = 20").1, CautionCode::StripBows);
}

#[test]
fn ends_swapped() {
    // At 45 mm the spacer is 12.5 mm, at the mirrored place 6.5 mm.
    let head = |in_use: f64| format!("nozzle_height_mm = 20\nspacer_in_use_mm = {in_use}");
    only(&converted(45.0, HEIGHTS, &head(6.5)).1, CautionCode::EndsSwapped);
    assert_eq!(converted(45.0, HEIGHTS, &head(12.5)).1, []);
}

#[test]
fn focal_length_differs() {
    let head = |lens: f64| format!("nozzle_height_mm = 20\nlens_to_nozzle_mm = 41.8\nnominal_focal_length_mm = {lens}");
    only(&converted(75.0, HEIGHTS, &head(63.5)).1, CautionCode::FocalLengthDiffers);
    assert_eq!(converted(75.0, HEIGHTS, &head(50.8)).1, []);
}

#[test]
fn spacer_small() {
    only(&converted(142.0, HEIGHTS, "nozzle_height_mm = 19").1, CautionCode::SpacerSmall);
}
