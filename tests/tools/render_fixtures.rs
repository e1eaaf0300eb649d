//! Renders the demo pictures and their setups: `cargo run --example render_fixtures --features synth -- fixtures`.
//!
//! The shop and its two machines are invented. Every strip is drawn like the strips of the bench and then set in
//! the scene by hand, so that the pictures stay small and each shows one thing.

use std::path::Path;

use narrows::synth::Scene;
use narrows::synth::beam::Beam;
use narrows::synth::draw::{CaptureKind, DatumKind, Stratum};
use narrows::synth::marks::MarkRow;
use narrows::synth::material::Material;
use narrows::synth::scene::{
    Background, Burn, Capture, DatumScene, Format, LineKind, LineScene, Output, RampScene, Sensor, StripScene,
};
use narrows::synth::sweep::StrokeEnd;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let folder = std::env::args().nth(1).ok_or("a folder is missing")?;
    let folder = Path::new(&folder);
    std::fs::create_dir_all(folder)?;
    for (name, scene, setup) in [north_scan(), north_photo(), south_scan(), south_off_the_end()] {
        let rendered = scene.render()?;
        let path = folder.join(format!("{name}.{}", rendered.extension));
        std::fs::write(&path, &rendered.bytes)?;
        std::fs::write(folder.join(format!("{name}.toml")), setup)?;
        println!("{}: {} kB", path.display(), rendered.bytes.len() / 1000);
        match &rendered.truth.waist {
            Some(waist) => println!("  position {:.2} mm, spacer {:.2} mm", waist.position_mm, waist.spacer_mm),
            None => println!("  no answer: {:?}", rendered.truth.unanswerable),
        }
        println!("  low end {}", rendered.truth.low_end);
    }
    Ok(())
}

type Demo = (&'static str, Scene, String);

/// Machine north: a 50.8 mm lens over birch ply. Line from end to end, on the scanner with black paper behind.
fn north_scan() -> Demo {
    let ramp = ramp(90.0, 1.0, 13.0, 6.4, 15.0);
    let scene = Scene {
        strip: strip(Material::BirchPly, [-8.0, ramp.span_mm() + 9.0], [-9.0, 9.0], Background::Black),
        capture: Capture::Scan { dpi: [600.0; 2], turn_deg: 0.6, margin_mm: 3.0 },
        output: Output { format: Format::Jpeg(92), dpi_tag: Some(600.0), ..output() },
        ..base(11, ramp, 18.0, DatumKind::Ends, CaptureKind::Scan)
    };
    let setup = "\
# Machine north, birch ply, line from end to end. Gaps measured with gauge blocks, head over each end.
[ramp]
travel_mm = 90
measured_with = \"rule\"
[head]
gap_low_mm = 14.0
gap_high_mm = 2.0
gap_u_mm = 0.1
spacer_in_use_mm = 8.0
gauged_from = \"nozzle tip\"
[burn]
material = \"birch ply 3 mm\"
power = \"20 %\"
speed_mm_s = 20
air = true
[picture]
datum = \"ends\"
low_end = \"left\"
dpi = 600
";
    ("north-scan", scene, setup.into())
}

/// Machine north again, with index marks, photographed on the bench at a slight angle.
fn north_photo() -> Demo {
    let ramp = ramp(75.0, 1.0, 13.0, 7.1, 15.0);
    let reach = 4.0 * ramp.span_mm() / ramp.travel_mm;
    let span = ramp.span_mm();
    let mut scene = base(23, ramp, 22.0, DatumKind::Marks, CaptureKind::Photo);
    scene.line.start_mm = -reach;
    scene.line.stop_mm = span + reach;
    scene.datum = DatumScene::Marks(MarkRow {
        pitch_mm: 5.0,
        last: 15,
        strength: 2.0,
        missing: 0.0,
        faint: 0.0,
        smeared: 0.0,
        false_at_mm: vec![],
    });
    scene.strip = strip(
        Material::PaperBoard,
        [-reach - 5.0, span + reach + 5.0],
        [-16.0, 16.0],
        Background::Bench(Material::OakPlanks),
    );
    scene.strip.shadow_mm = 1.5;
    scene.strip.shadow_depth = 0.4;
    scene.capture = Capture::Photo {
        size_px: [3200, 1500],
        focal_px: 2600.0,
        distance_mm: 2600.0 * 104.0 / 3200.0,
        aim_mm: [0.5 * span, 0.5],
        turn_deg: 181.5,
        tilt_deg: [4.0, -3.0],
        distortion: 0.002,
    };
    scene.sensor = Sensor { blur_px: 0.8, gradient: [0.06, -0.04], vignette: 0.1, exposure: 0.85, ..scene.sensor };
    scene.output = Output { format: Format::Jpeg(90), dpi_tag: Some(72.0), has_camera_tags: true, ..output() };
    let setup = "\
# Machine north, white board, index marks every 5 mm of travel, photographed with a phone.
[ramp]
travel_mm = 75
measured_with = \"rule\"
[head]
gap_low_mm = 14.0
gap_high_mm = 2.0
gap_u_mm = 0.1
spacer_in_use_mm = 8.0
[burn]
material = \"white board\"
power = \"20 %\"
speed_mm_s = 20
air = true
[picture]
datum = \"marks\"
mark_pitch_mm = 5
";
    ("north-photo", scene, setup.into())
}

/// Machine south: a 63.5 mm lens over MDF; gaps belong to the strip's two short edges.
fn south_scan() -> Demo {
    let ramp = ramp(100.0, 2.0, 20.0, 12.5, 23.5);
    let span = ramp.span_mm();
    let mut scene = base(37, ramp, 25.0, DatumKind::Strip, CaptureKind::Scan);
    scene.beam.lens_mm = 63.5;
    scene.line.start_mm = 6.0;
    scene.line.stop_mm = span - 6.0;
    scene.strip = strip(Material::Mdf, [0.0, span], [-10.0, 10.0], Background::White);
    scene.capture = Capture::Scan { dpi: [600.0; 2], turn_deg: -0.4, margin_mm: 4.0 };
    scene.output = Output { format: Format::Jpeg(92), dpi_tag: Some(600.0), ..output() };
    let setup = format!(
        "\
# Machine south, MDF, gaps measured over the strip's two short edges.
[ramp]
strip_length_mm = {span:.1}
strip_width_mm = 20
measured_with = \"caliper\"
[head]
gap_low_mm = 21.5
gap_high_mm = 3.5
spacer_in_use_mm = 11.0
lens_to_nozzle_mm = 52.0
nominal_focal_length_mm = 63.5
[burn]
material = \"MDF 3 mm\"
power = \"25 %\"
speed_mm_s = 20
air = true
[picture]
datum = \"strip\"
low_end = \"left\"
"
    );
    ("south-scan", scene, setup)
}

/// Machine south with the head set too low: the line is still getting finer where it stops.
fn south_off_the_end() -> Demo {
    let ramp = ramp(100.0, 2.0, 20.0, 1.0, 23.5);
    let span = ramp.span_mm();
    let mut scene = base(41, ramp, 40.0, DatumKind::Strip, CaptureKind::Scan);
    scene.beam.lens_mm = 63.5;
    scene.line.start_mm = 4.0;
    scene.line.stop_mm = span - 4.0;
    scene.strip = strip(Material::Mdf, [0.0, span], [-10.0, 10.0], Background::White);
    scene.capture = Capture::Scan { dpi: [600.0; 2], turn_deg: 0.3, margin_mm: 3.0 };
    scene.output = Output { format: Format::Jpeg(92), dpi_tag: Some(600.0), ..output() };
    let setup = format!(
        "\
# Machine south, the head set too low: the finest place is past the low end, so this one is refused.
[ramp]
strip_length_mm = {span:.1}
strip_width_mm = 20
measured_with = \"caliper\"
[head]
gap_low_mm = 21.5
gap_high_mm = 3.5
spacer_in_use_mm = 11.0
[burn]
material = \"MDF 3 mm\"
power = \"25 %\"
speed_mm_s = 20
air = true
[picture]
datum = \"strip\"
low_end = \"left\"
"
    );
    ("south-off-the-end", scene, setup)
}

fn ramp(travel_mm: f64, low: f64, high: f64, focus: f64, nozzle: f64) -> RampScene {
    RampScene {
        travel_mm,
        low_height_mm: low,
        high_height_mm: high,
        bow_mm: 0.03,
        focus_height_mm: focus,
        nozzle_height_mm: nozzle,
    }
}

/// What the strips have in common.
fn base(seed: u64, ramp: RampScene, overdrive: f64, datum: DatumKind, capture: CaptureKind) -> Scene {
    let drawn = Scene::draw(Stratum { capture, datum }, seed);
    let stop_mm = ramp.span_mm();
    Scene {
        seed,
        beam: Beam {
            lens_mm: 50.8,
            beam_radius_mm: 3.5,
            quality: 1.3,
            wavelength_mm: 0.0106,
            aberration: 0.1,
            skew: 0.02,
        },
        ramp,
        burn: Burn {
            overdrive,
            heat_spread_mm: 0.015,
            kerf_wander: 0.02,
            edge_wander: 0.012,
            wander_length_mm: 1.2,
            raggedness_mm: 0.004,
            edge_softness_mm: 0.008,
            brown_depth: 0.25,
            brown_width_mm: 0.15,
            soot_depth: 0.12,
            soot_width_mm: 0.9,
            soot_shift_mm: 0.3,
            through_above: None,
        },
        line: LineScene {
            kind: LineKind::Burned,
            start_mm: 0.0,
            stop_mm,
            ends: [StrokeEnd::default(); 2],
            wobble_mm: 0.01,
            periodic: None,
            second_at_mm: None,
        },
        clutter: vec![],
        sensor: Sensor {
            blur_px: 0.6,
            read_noise: 0.003,
            shot_noise: 0.006,
            exposure: 0.95,
            gradient: [0.0; 2],
            vignette: 0.0,
            sharpening: 0.0,
            sharpening_px: 1.0,
        },
        ..drawn
    }
}

fn strip(material: Material, ends_mm: [f64; 2], sides_mm: [f64; 2], background: Background) -> StripScene {
    StripScene {
        material,
        picture: None,
        grain_deg: 2.0,
        skew_deg: 0.1,
        ends_mm,
        sides_mm,
        background,
        shadow_mm: 0.5,
        shadow_depth: 0.3,
    }
}

fn output() -> Output {
    Output {
        format: Format::Png,
        is_deep: false,
        is_grey: false,
        dpi_tag: None,
        orientation: 1,
        has_camera_tags: false,
    }
}
