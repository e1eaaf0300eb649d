//! Small rendered strips for tests: one plain scan, to be changed, and the way from a scene to a reading.

use std::sync::Arc;

use narrows::photo::{DecodeOptions, Photo, decode_bytes};
use narrows::reading::{ReadOptions, Reading, read};
use narrows::setup::{Setup, parse_toml};
use narrows::synth::beam::Beam;
use narrows::synth::draw::Stratum;
use narrows::synth::material::{Material, Picture};
use narrows::synth::scene::{
    Background, Burn, Capture, DatumScene, Format, LineKind, LineScene, Output, RampScene, Scene, Sensor, StripScene,
};
use narrows::synth::sweep::StrokeEnd;

/// A short strip of even card with one plain line from end to end, scanned at 600 dpi with the low end on the left.
#[allow(dead_code)]
pub fn plain() -> Scene {
    let ramp = RampScene {
        travel_mm: 50.0,
        low_height_mm: 2.0,
        high_height_mm: 14.0,
        bow_mm: 0.0,
        focus_height_mm: 7.4,
        nozzle_height_mm: 16.0,
    };
    let span = ramp.span_mm();
    // A surface of one tone.
    let even = Picture { width: 4, relative: vec![1.0; 16], mm_per_px: 1.0 };
    Scene {
        seed: 11,
        beam: Beam {
            lens_mm: 50.8,
            beam_radius_mm: 3.0,
            quality: 1.3,
            wavelength_mm: 0.0106,
            aberration: 0.0,
            skew: 0.0,
        },
        burn: Burn {
            overdrive: 20.0,
            heat_spread_mm: 0.015,
            kerf_wander: 0.02,
            edge_wander: 0.01,
            wander_length_mm: 1.5,
            raggedness_mm: 0.004,
            edge_softness_mm: 0.015,
            brown_depth: 0.1,
            brown_width_mm: 0.1,
            soot_depth: 0.0,
            soot_width_mm: 1.0,
            soot_shift_mm: 0.0,
            through_above: None,
        },
        line: LineScene {
            kind: LineKind::Burned,
            start_mm: 0.0,
            stop_mm: span,
            ends: [StrokeEnd::default(); 2],
            wobble_mm: 0.0,
            periodic: None,
            second_at_mm: None,
        },
        strip: StripScene {
            material: Material::PaperBoard,
            picture: Some(Arc::new(even)),
            grain_deg: 0.0,
            skew_deg: 0.0,
            ends_mm: [-6.0, span + 6.0],
            sides_mm: [-8.0, 8.0],
            background: Background::Black,
            shadow_mm: 0.0,
            shadow_depth: 0.0,
        },
        datum: DatumScene::Ends,
        clutter: vec![],
        capture: Capture::Scan { dpi: [600.0; 2], turn_deg: 0.7, margin_mm: 3.0 },
        sensor: Sensor {
            blur_px: 0.6,
            read_noise: 0.003,
            shot_noise: 0.004,
            exposure: 0.95,
            gradient: [0.0; 2],
            vignette: 0.0,
            sharpening: 0.0,
            sharpening_px: 1.0,
        },
        output: Output {
            format: Format::Png,
            is_deep: false,
            is_grey: true,
            dpi_tag: None,
            orientation: 1,
            has_camera_tags: false,
        },
        ramp,
    }
}

/// The plain strip with a camera in place of the scanner, square on.
#[allow(dead_code)]
pub fn photographed(mut scene: Scene, tilt_deg: [f64; 2]) -> Scene {
    scene.capture = Capture::Photo {
        size_px: [2200, 700],
        focal_px: 2600.0,
        distance_mm: 95.0,
        aim_mm: [0.5 * scene.ramp.span_mm(), 0.0],
        turn_deg: 0.5,
        tilt_deg,
        distortion: 0.0,
    };
    scene
}

/// The setup that belongs to a scene; `head` and `picture` are further lines of those two sections.
pub fn setup(scene: &Scene, head: &str, picture: &str) -> Setup {
    let ramp = &scene.ramp;
    // With the strip's edges as datums its length takes the travel's place.
    let length = match picture.contains("\"strip\"") {
        true => format!("strip_length_mm = {}", ramp.span_mm()),
        false => format!("travel_mm = {}", ramp.travel_mm),
    };
    let text = format!(
        "[ramp]\n{length}\nlow_height_mm = {}\nhigh_height_mm = {}\nmeasured_with = \"caliper\"\n[head]\n{head}\n[picture]\n{picture}\n",
        ramp.low_height_mm, ramp.high_height_mm
    );
    parse_toml(&text, None).unwrap_or_else(|why| panic!("{why}\n{text}"))
}

/// The rendered picture, decoded.
pub fn photo(scene: &Scene) -> Photo {
    let rendered = scene.render().expect("the picture encodes");
    decode_bytes(&rendered.bytes, &DecodeOptions::default()).expect("the picture decodes")
}

/// Rendered and read with ends as the datum and the nozzle's height known.
#[allow(dead_code)]
pub fn reading(scene: &Scene) -> Reading {
    reading_with(scene, "low_end = \"left\"")
}

/// Rendered and read with further lines of the setup's `[picture]`.
#[allow(dead_code)]
pub fn reading_with(scene: &Scene, picture: &str) -> Reading {
    read(&photo(scene), &setup(scene, "nozzle_height_mm = 16", picture), &ReadOptions::default())
        .expect("points and area lie in the picture")
}

/// A drawn scene of a stratum whose truth says that it can be answered, the first from `seed` on.
#[allow(dead_code)]
pub fn answerable(stratum: Stratum, seed: u64) -> Scene {
    (seed..).map(|seed| Scene::draw(stratum, seed)).find(|scene| scene.truth().is_answerable()).expect("most are")
}
