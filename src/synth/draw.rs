//! Scenes drawn at random: the spread of strips, benches, scanners and phones that a reading has to cope with.

use super::beam::Beam;
use super::camera::Projection;
use super::marks::MarkRow;
use super::material::Material;
use super::noise::Dice;
use super::said::FLATNESS_U_MM;
use super::scene::{
    Background, Burn, Capture, Clutter, DatumScene, Format, LineKind, LineScene, Output, RampScene, Scene, Sensor,
    StripScene,
};
use super::sweep::StrokeEnd;

/// Scanner or camera.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)]
pub enum CaptureKind {
    Scan,
    Photo,
}

/// What ties the picture to the ramp.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs)]
pub enum DatumKind {
    Ends,
    Strip,
    Points,
    Marks,
}

/// A kind of picture by which results are told apart.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Stratum {
    /// Scanner or camera.
    pub capture: CaptureKind,
    /// The datum.
    pub datum: DatumKind,
}

impl Stratum {
    /// All eight.
    pub fn all() -> [Self; 8] {
        use {CaptureKind::*, DatumKind::*};
        let of = |capture, datum| Self { capture, datum };
        [
            of(Scan, Ends),
            of(Scan, Strip),
            of(Scan, Points),
            of(Scan, Marks),
            of(Photo, Ends),
            of(Photo, Strip),
            of(Photo, Points),
            of(Photo, Marks),
        ]
    }

    /// Its name, as `scan-ends`.
    pub const fn name(self) -> &'static str {
        match (self.capture, self.datum) {
            (CaptureKind::Scan, DatumKind::Ends) => "scan-ends",
            (CaptureKind::Scan, DatumKind::Strip) => "scan-strip",
            (CaptureKind::Scan, DatumKind::Points) => "scan-points",
            (CaptureKind::Scan, DatumKind::Marks) => "scan-marks",
            (CaptureKind::Photo, DatumKind::Ends) => "photo-ends",
            (CaptureKind::Photo, DatumKind::Strip) => "photo-strip",
            (CaptureKind::Photo, DatumKind::Points) => "photo-points",
            (CaptureKind::Photo, DatumKind::Marks) => "photo-marks",
        }
    }
}

/// Share of scenes for which an answerable one is insisted on; the rest are taken as they fall.
const INSIST: f64 = 0.85;
/// Draws after which even an unanswerable scene is taken.
const ATTEMPTS: u64 = 24;

impl Scene {
    /// A scene of a stratum, the same for the same seed. Most are answerable.
    pub fn draw(stratum: Stratum, seed: u64) -> Self {
        let insists = Dice::new(seed, 1).chance(INSIST);
        for attempt in 0..ATTEMPTS {
            let scene = draw_once(stratum, seed, attempt);
            if !insists || scene.truth().is_answerable() {
                return scene;
            }
        }
        draw_once(stratum, seed, 0)
    }
}

fn draw_once(stratum: Stratum, seed: u64, attempt: u64) -> Scene {
    let mut dice = Dice::new(seed, 1000 + attempt);
    let dice = &mut dice;
    let is_photo = stratum.capture == CaptureKind::Photo;
    let nominal_dpi = dice.pick(&[300.0, 600.0, 600.0, 600.0, 1200.0]);
    let beam = Beam {
        lens_mm: dice.pick(&[38.1, 50.8, 50.8, 63.5, 101.6]),
        beam_radius_mm: dice.between(2.6, 4.2),
        quality: dice.between(1.1, 1.6),
        wavelength_mm: 0.0106,
        aberration: dice.between(-0.35, 0.35),
        skew: dice.between(-0.07, 0.07),
    };
    let mut travel_mm = if is_photo {
        dice.between(60.0, 125.0)
    } else if nominal_dpi > 1000.0 {
        dice.between(60.0, 100.0)
    } else {
        dice.between(80.0, 180.0)
    };
    let marks = (stratum.datum == DatumKind::Marks).then(|| mark_row(dice, &mut travel_mm));
    let rise_mm = (beam.paraxial_rayleigh_mm() * dice.between(6.0, 24.0)).clamp(10.0, 40.0).min(0.35 * travel_mm);
    let low_height_mm = dice.between(1.0, 8.0);
    let share = dice.between(0.25, 0.75);
    let ramp = RampScene {
        travel_mm,
        low_height_mm,
        high_height_mm: low_height_mm + rise_mm,
        bow_mm: dice.normal(FLATNESS_U_MM),
        focus_height_mm: low_height_mm + share * rise_mm,
        nozzle_height_mm: 0.0,
    };
    // The nozzle clears the strip's high end, and its gap at the focus is an everyday spacer.
    let clearance = dice.between(1.5, 8.0);
    let ramp = RampScene { nozzle_height_mm: ramp.high_height_mm + clearance, ..ramp };
    let span = ramp.span_mm();
    let per_travel = span / travel_mm;
    let material = dice.pick(&Material::ALL);
    let [start_mm, stop_mm] = match stratum.datum {
        DatumKind::Ends => [0.0, span],
        DatumKind::Strip => [dice.between(3.0, 12.0), span - dice.between(3.0, 12.0)],
        DatumKind::Points => [-dice.between(0.0, 8.0), span + dice.between(0.0, 8.0)],
        DatumKind::Marks => [-4.0 * per_travel, span + 4.0 * per_travel],
    };
    let half_width = match stratum.datum {
        DatumKind::Marks => dice.between(15.0, 20.0),
        _ if nominal_dpi > 1000.0 && !is_photo => dice.between(7.0, 10.0),
        _ => dice.between(9.0, 22.0),
    };
    let ends_mm = match stratum.datum {
        DatumKind::Strip => [0.0, span],
        _ => [start_mm - dice.between(3.0, 18.0), stop_mm + dice.between(3.0, 18.0)],
    };
    let shift = if stratum.datum == DatumKind::Marks { dice.normal(0.6) } else { dice.normal(1.5) };
    let (background, shadow_depth) = background(dice, material, is_photo);
    let strip = StripScene {
        material,
        picture: None,
        grain_deg: if dice.chance(0.7) { dice.normal(4.0) } else { 90.0 + dice.normal(6.0) },
        skew_deg: dice.normal(0.25).clamp(-0.7, 0.7),
        ends_mm,
        sides_mm: [-half_width + shift, half_width + shift],
        background,
        shadow_mm: dice.sign() * dice.between(0.4, 4.0),
        shadow_depth,
    };
    let line = LineScene {
        kind: LineKind::Burned,
        start_mm,
        stop_mm,
        ends: [(); 2].map(|()| stroke_end(dice)),
        wobble_mm: dice.between(0.0, 0.04),
        periodic: dice.chance(0.3).then(|| [dice.between(0.004, 0.03), dice.pick(&[2.0, 2.5, 3.0, 8.0, 40.0])]),
        second_at_mm: None,
    };
    let datum = match stratum.datum {
        DatumKind::Ends => DatumScene::Ends,
        DatumKind::Strip => DatumScene::Strip,
        DatumKind::Points => {
            let is_default = dice.chance(0.5);
            let travel = if is_default {
                [0.0, travel_mm]
            } else {
                [(dice.between(0.0, 0.15) * travel_mm).round(), (dice.between(0.85, 1.0) * travel_mm).round()]
            };
            DatumScene::Points { travel_mm: travel, u_px: dice.between(0.3, 2.0) }
        }
        DatumKind::Marks => DatumScene::Marks(marks.clone().expect("drawn above for this datum")),
    };
    let mut scene = Scene {
        seed: dice.seed(),
        beam,
        ramp,
        burn: burn(dice, material),
        line,
        strip,
        datum,
        clutter: vec![],
        capture: Capture::Scan { dpi: [nominal_dpi; 2], turn_deg: 0.0, margin_mm: 5.0 },
        sensor: Sensor {
            blur_px: 0.7,
            read_noise: dice.between(0.001, 0.005),
            shot_noise: dice.between(0.002, 0.010),
            exposure: dice.between(0.88, 1.05),
            gradient: [dice.normal(0.01), dice.normal(0.01)],
            vignette: 0.0,
            sharpening: if dice.chance(0.3) { dice.between(0.2, 0.6) } else { 0.0 },
            sharpening_px: dice.between(0.8, 1.3),
        },
        output: Output {
            format: dice.pick(&[Format::Png, Format::Png, Format::Jpeg(90), Format::Jpeg(95), Format::Tiff]),
            is_deep: dice.chance(0.12),
            is_grey: dice.chance(0.25),
            dpi_tag: None,
            orientation: 1,
            has_camera_tags: false,
        },
    };
    if is_photo {
        photograph(dice, &mut scene)
    } else {
        scan(dice, &mut scene, nominal_dpi)
    }
    clutter(dice, &mut scene, is_photo);
    scene
}

/// What lies behind a strip, and the depth of the shadow on it, such that neither has the strip's own tone: a person who is
/// told to show the strip's edges would not lay it on the like of itself.
fn background(dice: &mut Dice, material: Material, is_photo: bool) -> (Background, f64) {
    let choice: &[Background] = if is_photo {
        &[
            Background::White,
            Background::Black,
            Background::Grey,
            Background::Grey,
            Background::Bench(Material::BirchPly),
            Background::Bench(Material::Walnut),
            Background::Bench(Material::OakPlanks),
        ]
    } else {
        &[Background::White, Background::White, Background::Black]
    };
    loop {
        let background = dice.pick(choice);
        let shadow_depth = dice.between(0.05, 0.6);
        let tone = f64::from(background.reflectance() / material.reflectance());
        if tone.ln().abs() > 0.17 && (tone * (1.0 - shadow_depth)).ln().abs() > 0.17 {
            return (background, shadow_depth);
        }
    }
}

/// A row of marks; the travel becomes a whole number of pitches.
fn mark_row(dice: &mut Dice, travel_mm: &mut f64) -> MarkRow {
    let pitch_mm = dice.pick(&[3.0, 4.0, 5.0, 5.0, 6.0]);
    let last = ((*travel_mm / pitch_mm).round() as usize).clamp(6, 30);
    *travel_mm = last as f64 * pitch_mm;
    let count = if dice.chance(0.25) { 1 + dice.below(2) } else { 0 };
    MarkRow {
        pitch_mm,
        last,
        strength: dice.between(1.0, 3.0),
        missing: 0.04,
        faint: 0.05,
        smeared: 0.04,
        false_at_mm: (0..count).map(|_| dice.between(0.0, *travel_mm)).collect(),
    }
}

fn stroke_end(dice: &mut Dice) -> StrokeEnd {
    if dice.chance(0.55) {
        return StrokeEnd::default();
    }
    StrokeEnd {
        run_up_mm: dice.between(0.0, 1.0),
        dwell_mm: if dice.chance(0.5) { dice.between(0.0, 0.4) } else { 0.0 },
    }
}

fn burn(dice: &mut Dice, material: Material) -> Burn {
    let is_wood = matches!(material, Material::BirchPly | Material::Pine | Material::Walnut | Material::OakPlanks);
    let roughness = if is_wood { 1.0 } else { 0.5 };
    let scorches = if material.marks_light() { 0.0 } else { 1.0 };
    Burn {
        overdrive: dice.log_between(3.0, 80.0),
        heat_spread_mm: dice.between(0.008, 0.035),
        kerf_wander: roughness * dice.between(0.01, 0.045),
        edge_wander: roughness * dice.between(0.008, 0.03),
        wander_length_mm: dice.between(0.5, 2.5),
        raggedness_mm: roughness * dice.between(0.002, 0.010),
        edge_softness_mm: dice.between(0.004, 0.014),
        brown_depth: scorches * dice.between(0.08, 0.45),
        brown_width_mm: dice.between(0.06, 0.35),
        soot_depth: if dice.chance(0.75) { scorches * dice.between(0.03, 0.35) } else { 0.0 },
        soot_width_mm: dice.between(0.4, 2.0),
        soot_shift_mm: dice.normal(0.5),
        through_above: None,
    }
}

fn scan(dice: &mut Dice, scene: &mut Scene, nominal_dpi: f64) {
    let small = dice.normal(0.8);
    let turn_deg = if dice.chance(0.1) { dice.between(0.0, 360.0) } else { 90.0 * dice.below(4) as f64 + small };
    let scale = 1.0 + dice.normal(0.001);
    scene.capture = Capture::Scan {
        dpi: [nominal_dpi * scale, nominal_dpi * scale * (1.0 + dice.normal(0.001))],
        turn_deg,
        margin_mm: dice.between(2.0, 12.0),
    };
    // A flatbed's optics blur by some 20 µm whatever the sampling, and its sensor's cells add to it.
    scene.sensor.blur_px = (dice.between(0.012, 0.028) * nominal_dpi / 25.4).hypot(0.35);
    scene.output.dpi_tag = match dice.below(10) {
        0 => None,
        1 => Some(dice.pick(&[72.0, 96.0])),
        _ => Some(nominal_dpi),
    };
}

fn photograph(dice: &mut Dice, scene: &mut Scene) {
    let [long, short] = dice.pick(&[[4032, 3024], [4000, 3000], [4608, 3456], [3840, 2880]]);
    let is_upright = dice.chance(0.3);
    let size_px = if is_upright { [short, long] } else { [long, short] };
    let focal_px = long as f64 * dice.between(0.70, 0.85);
    let is_marks = matches!(scene.datum, DatumScene::Marks(_));
    let is_close = is_marks && dice.chance(0.6);
    let span = scene.ramp.span_mm();
    let [low, high] = scene.strip.ends_mm;
    let middle_y = 0.5 * (scene.strip.sides_mm[0] + scene.strip.sides_mm[1]);
    let focus_s = (scene.ramp.focus_height_mm - scene.ramp.low_height_mm) / scene.ramp.rise_mm() * span;
    let (field_mm, aim_mm) = if is_close {
        (dice.between(38.0, 75.0), [focus_s + dice.normal(3.0), dice.normal(2.0)])
    } else {
        ((high - low) / dice.between(0.78, 0.92), [0.5 * (low + high) + dice.normal(1.0), middle_y + dice.normal(4.0)])
    };
    let along = if is_upright { 90.0 } else { 0.0 };
    let turn_deg = if is_close && dice.chance(0.25) {
        dice.between(0.0, 360.0)
    } else {
        along + if dice.chance(0.5) { 180.0 } else { 0.0 } + dice.normal(2.5)
    };
    let most = if is_marks { 15.0 } else { 9.0 };
    scene.capture = Capture::Photo {
        size_px,
        focal_px,
        distance_mm: focal_px * field_mm / long as f64,
        aim_mm,
        turn_deg,
        tilt_deg: [(); 2].map(|()| dice.normal(0.35 * most).clamp(-most, most)),
        distortion: dice.normal(0.004).clamp(-0.01, 0.01),
    };
    let sensor = &mut scene.sensor;
    sensor.blur_px = dice.between(0.55, 1.3);
    sensor.read_noise = dice.between(0.002, 0.006);
    sensor.shot_noise = dice.between(0.005, 0.016);
    sensor.exposure = dice.between(0.55, 1.0);
    sensor.gradient = [dice.normal(0.08), dice.normal(0.08)].map(|slope: f64| slope.clamp(-0.2, 0.2));
    sensor.vignette = dice.between(0.02, 0.35);
    scene.output = Output {
        format: Format::Jpeg(dice.pick(&[85, 90, 93, 96])),
        is_deep: false,
        is_grey: dice.chance(0.05),
        dpi_tag: dice.pick(&[None, Some(72.0), Some(96.0), Some(300.0)]),
        orientation: dice.pick(&[1, 1, 1, 6, 8, 3]),
        has_camera_tags: dice.chance(0.8),
    };
    // A camera held at an angle sees one end nearer: step back until the whole strip is in the picture.
    if !is_close {
        for _ in 0..12 {
            let projection = Projection::new(scene);
            let corners = super::camera::outline(scene);
            if corners.iter().all(|&[s, y]| projection.holds(projection.to_px(s, y), 12.0)) {
                break;
            }
            if let Capture::Photo { distance_mm, .. } = &mut scene.capture {
                *distance_mm *= 1.04;
            }
        }
    }
}

fn clutter(dice: &mut Dice, scene: &mut Scene, is_photo: bool) {
    let span = scene.ramp.span_mm();
    let [right, left] = scene.strip.sides_mm;
    let [low, high] = scene.strip.ends_mm;
    if dice.chance(0.35) {
        // A word in pencil: strokes a few millimetres long, clear of the line.
        let side = dice.sign();
        let room = if side > 0.0 { left } else { -right };
        let at = [dice.between(low + 3.0, low + 25.0), side * dice.between(4.5, (room - 2.0).max(4.6))];
        let depth = dice.between(0.3, 0.65);
        for letter in 0..3 + dice.below(4) {
            let corner = [at[0] + 3.2 * letter as f64, at[1]];
            for _ in 0..2 + dice.below(2) {
                let from_mm = [corner[0] + dice.between(0.0, 2.2), corner[1] + dice.between(-1.6, 1.6)];
                let to_mm = [corner[0] + dice.between(0.0, 2.2), corner[1] + dice.between(-1.6, 1.6)];
                scene.clutter.push(Clutter::Pencil { from_mm, to_mm, width_mm: dice.between(0.3, 0.6), depth });
            }
        }
    }
    if dice.chance(0.12) {
        let y = dice.sign() * dice.between(4.0, 8.0);
        let tilt = dice.normal(0.4);
        scene.clutter.push(Clutter::Pencil {
            from_mm: [low + 1.0, y - tilt],
            to_mm: [high - 1.0, y + tilt],
            width_mm: dice.between(0.25, 0.5),
            depth: dice.between(0.15, 0.5),
        });
    }
    if dice.chance(0.06) {
        let across = dice.chance(0.5);
        scene.clutter.push(Clutter::Joint {
            through_mm: if across {
                [dice.between(0.0, span), 0.0]
            } else {
                [0.0, dice.sign() * dice.between(4.0, 0.8 * left.min(-right).max(5.1))]
            },
            angle_deg: if across { dice.between(70.0, 110.0) } else { dice.normal(0.5) },
            width_mm: dice.between(0.08, 0.3),
            tone: dice.between(0.85, 1.15),
        });
    }
    if matches!(scene.strip.material, Material::Pine | Material::OakPlanks | Material::Walnut) && dice.chance(0.25) {
        for _ in 0..1 + dice.below(2) {
            scene.clutter.push(Clutter::Knot {
                at_mm: [dice.between(low, high), dice.between(right, left)],
                radius_mm: dice.between(0.8, 3.5),
                depth: dice.between(0.3, 0.6),
            });
        }
    }
    if dice.chance(if is_photo { 0.2 } else { 0.08 }) {
        let tick_mm = dice.between(2.5, 5.0);
        let gap = dice.between(1.0, 4.0);
        let edge_mm = if dice.chance(0.5) { right - gap } else { left + gap };
        scene.clutter.push(Clutter::Rule { edge_mm, tick_mm });
    }
    if is_photo && dice.chance(0.2) {
        scene.clutter.push(Clutter::Shade {
            through_mm: [dice.between(0.0, span), dice.between(-15.0, 15.0)],
            angle_deg: dice.between(0.0, 180.0),
            softness_mm: dice.between(4.0, 30.0),
            depth: dice.between(0.1, 0.45),
        });
    }
}
