//! A planned strip as it would come out of the machine: the artwork burned, the lengths exactly as planned.

use narrows::plan::artwork::artwork;
use narrows::plan::{Plan, PlanRequest, PlannedDatum, PlannedPicture, setup_file};
use narrows::reading::{ReadOptions, Reading, read};
use narrows::setup::{Setup, parse_toml};
use narrows::synth::beam::Beam;
use narrows::synth::marks::MarkRow;
use narrows::synth::scene::{Burn, Capture, DatumScene, LineScene, RampScene, Scene, StripScene};

use crate::strips;

/// A plan's strip with the focus at a block of `spacer_mm`: the strokes of the artwork, burned as strongly as planned.
pub fn scene(plan: &Plan, spacer_mm: f64, seed: u64) -> Scene {
    let (request, ramp) = (&plan.request, &plan.ramp);
    let drawn = artwork(plan).expect("plain letters");
    let per_travel = ramp.span_mm / ramp.travel_mm;
    // The page's x is head travel, counted from the strip's low edge.
    let datum_x = ramp.low_margin_mm / per_travel;
    let [start_mm, stop_mm] = [0, 1].map(|end| (drawn.line.strokes[0].points[end][0] - datum_x) * per_travel);
    let mark_x: Vec<f64> = drawn.marks.strokes.iter().step_by(2).map(|stroke| stroke.points[0][0]).collect();
    let plain = strips::plain();
    let nozzle_height_mm = ramp.low_height_mm + ramp.gap_low_mm;
    let optics = &request.optics;
    let mut beam = Beam {
        lens_mm: optics.focal_length_mm,
        beam_radius_mm: 0.5 * optics.beam_diameter_mm,
        quality: optics.beam_quality,
        wavelength_mm: optics.wavelength_mm,
        aberration: 0.0,
        skew: 0.0,
    };
    // A ray at the beam's edge that crosses the axis so far before the paraxial focus spreads over the planned width there.
    let longitudinal_mm = plan.spot.aberration_mm * optics.focal_length_mm / optics.beam_diameter_mm;
    beam.aberration = longitudinal_mm / beam.paraxial_rayleigh_mm();
    let PlannedPicture::Scan { dpi } = request.picture else { panic!("these strips are scanned") };
    Scene {
        seed,
        beam,
        ramp: RampScene {
            travel_mm: ramp.travel_mm,
            low_height_mm: ramp.low_height_mm,
            high_height_mm: ramp.high_height_mm,
            bow_mm: 0.0,
            focus_height_mm: nozzle_height_mm - spacer_mm,
            nozzle_height_mm,
        },
        burn: Burn {
            overdrive: plan.burn.overdrive,
            kerf_wander: request.grain,
            edge_wander: 0.0,
            wander_length_mm: request.grain_length_mm,
            ..plain.burn
        },
        line: LineScene { start_mm, stop_mm, ..plain.line },
        strip: StripScene {
            ends_mm: [-ramp.low_margin_mm, request.strip_length_mm - ramp.low_margin_mm],
            sides_mm: [-0.5 * request.strip_width_mm, 0.5 * request.strip_width_mm],
            ..plain.strip
        },
        datum: match request.datum {
            PlannedDatum::Ends => DatumScene::Ends,
            PlannedDatum::Marks => DatumScene::Marks(MarkRow {
                pitch_mm: mark_x[1] - mark_x[0],
                last: mark_x.len() - 1,
                strength: 1.5,
                missing: 0.0,
                faint: 0.0,
                smeared: 0.0,
                false_at_mm: vec![],
            }),
        },
        capture: Capture::Scan { dpi: [dpi; 2], turn_deg: 0.4, margin_mm: 3.0 },
        ..plain
    }
}

/// A request that renders quickly: a short narrow strip.
pub fn small() -> PlanRequest {
    PlanRequest { strip_length_mm: 90.0, strip_width_mm: 14.0, search_mm: 2.0, ..PlanRequest::new(50.8, 7.0) }
}

/// The plan's own setup file with its blanks filled in as planned.
pub fn setup(plan: &Plan) -> Setup {
    let text = setup_file::text(&plan.request, &plan.ramp, true);
    parse_toml(&text, None).unwrap_or_else(|why| panic!("{why}\n{text}"))
}

/// Rendered and read.
pub fn reading(plan: &Plan, scene: &Scene) -> Reading {
    read(&strips::photo(scene), &setup(plan), &ReadOptions::default()).expect("the whole picture is looked at")
}
