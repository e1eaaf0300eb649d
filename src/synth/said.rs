//! What the person at the bench writes down: a setup file whose lengths are wrong by their stated uncertainties.

use std::fmt::Write as _;

use super::camera::Projection;
use super::noise::Dice;
use super::scene::{DatumScene, Scene};
use super::truth::Truth;

/// Standard deviation of the bow of drawn strips, and what their setups state as `flatness_u_mm`.
pub const FLATNESS_U_MM: f64 = 0.06;

/// A setup as written down.
#[derive(Debug, Clone, PartialEq)]
pub struct Said {
    /// The setup file.
    pub toml: String,
    /// Files it refers to: name and text.
    pub beside: Vec<(String, String)>,
    /// How it says the incline and the head, for telling results apart.
    pub ways: String,
}

/// How the incline is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Steep {
    Heights,
    Rise,
    Incline,
    Prop,
    RampFile,
    Gaps,
}

/// How the head is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Place {
    Nothing,
    LowGap,
    HighGap,
    BothGaps,
    GapsByBlock,
    Block,
    BlockUnknownTip,
    NozzleHeight,
}

/// A text with one length a line.
struct Page {
    text: String,
    dice: Dice,
}

impl Page {
    /// Writes a length, in the file's plain millimetres or now and then with a unit.
    fn length(&mut self, name: &str, value_mm: f64) {
        let _ = match self.dice.below(12) {
            0 => writeln!(self.text, "{name} = \"{:.5} cm\"", value_mm / 10.0),
            1 => writeln!(self.text, "{name} = \"{value_mm:.4} mm\""),
            _ => writeln!(self.text, "{name} = {value_mm:.4}"),
        };
    }

    /// Writes a length that is wrong by its standard uncertainty, and returns it.
    fn measured(&mut self, name: &str, value_mm: f64, standard_uncertainty: f64) -> f64 {
        let value_mm = (value_mm + self.dice.normal(standard_uncertainty)).max(0.01);
        self.length(name, value_mm);
        value_mm
    }

    fn line(&mut self, text: std::fmt::Arguments<'_>) {
        let _ = writeln!(self.text, "{text}");
    }
}

impl Said {
    /// A setup for a scene, the same for the same seed.
    pub fn draw(scene: &Scene, truth: &Truth, seed: u64) -> Self {
        let mut dice = Dice::new(seed, 41);
        let steep =
            dice.pick(&[Steep::Heights, Steep::Rise, Steep::Incline, Steep::Prop, Steep::RampFile, Steep::Gaps]);
        let place = match steep {
            Steep::Gaps => dice.pick(&[Place::BothGaps, Place::GapsByBlock]),
            Steep::Heights => dice.pick(&[
                Place::Nothing,
                Place::LowGap,
                Place::HighGap,
                Place::BothGaps,
                Place::Block,
                Place::NozzleHeight,
                Place::NozzleHeight,
            ]),
            _ => dice.pick(&[
                Place::LowGap,
                Place::HighGap,
                Place::BothGaps,
                Place::GapsByBlock,
                Place::Block,
                Place::Block,
                Place::BlockUnknownTip,
            ]),
        };
        // Whoever builds a ramp of a millimetre or two does not measure it with a rule.
        let is_tiny = scene.ramp.rise_mm() < 6.0;
        let measures_middle = dice.chance(0.25) && !is_tiny;
        let (gauge, gauge_u) = match dice.pick(&[("caliper", 0.1), ("rule", 0.3), ("blocks", 0.05)]) {
            _ if is_tiny => ("blocks", 0.05),
            picked => picked,
        };
        let height_u_given = dice.chance(0.3).then(|| dice.pick(&[0.05, 0.1, 0.2])).filter(|_| !is_tiny);
        let gap_u_given = dice.chance(0.3).then(|| dice.pick(&[0.05, 0.1, 0.2])).filter(|_| !is_tiny);
        let incline_u = dice.pick(&[0.05, 0.1]);
        let ramp = &scene.ramp;
        let [height_u, gap_u] = [height_u_given, gap_u_given].map(|given| given.unwrap_or(gauge_u));
        let middle_mm = ramp.height_at(0.5 * ramp.span_mm());
        let gaps = [ramp.low_height_mm, ramp.high_height_mm].map(|height| ramp.nozzle_height_mm - height);
        let tangent = ramp.rise_mm() / ramp.travel_mm;
        let cosine = ramp.travel_mm / ramp.span_mm();
        let mut beside = vec![];
        let mut page = Page { text: String::new(), dice };

        page.line(format_args!("[ramp]"));
        if scene.datum == DatumScene::Strip {
            page.measured("strip_length_mm", ramp.span_mm(), gauge_u);
        } else {
            page.length("travel_mm", ramp.travel_mm);
        }
        let states_width = scene.datum != DatumScene::Strip && page.dice.chance(0.3);
        if states_width {
            let [low, high] = scene.strip.ends_mm;
            page.measured("strip_length_mm", high - low, gauge_u);
        }
        if states_width || (scene.datum == DatumScene::Strip && page.dice.chance(0.6)) {
            let [right, left] = scene.strip.sides_mm;
            page.measured("strip_width_mm", left - right, gauge_u);
        }
        match steep {
            Steep::Heights => {
                page.measured("low_height_mm", ramp.low_height_mm, height_u);
                page.measured("high_height_mm", ramp.high_height_mm, height_u);
                if measures_middle {
                    page.measured("middle_height_mm", middle_mm, height_u);
                }
            }
            Steep::Rise => {
                page.measured("rise_mm", ramp.rise_mm(), height_u);
            }
            Steep::Incline => {
                let angle = tangent.atan().to_degrees() + page.dice.normal(incline_u);
                page.line(format_args!("incline_deg = {angle:.5}\nincline_u_deg = {incline_u}"));
            }
            Steep::Prop => {
                let prop_mm = page.dice.between(12.0, 25.0);
                page.measured("prop_mm", prop_mm, height_u);
                page.measured("prop_at_mm", prop_mm / tangent, gauge_u);
            }
            Steep::RampFile => {
                let angle = tangent.atan().to_degrees() + page.dice.normal(incline_u);
                page.line(format_args!("ramp_file = \"ramp.toml\""));
                beside.push(("ramp.toml".into(), format!("incline_deg = {angle:.5}\nincline_u_deg = {incline_u}\n")));
            }
            Steep::Gaps => {}
        }
        page.line(format_args!("flatness_u_mm = {FLATNESS_U_MM}\nmeasured_with = \"{gauge}\""));
        if let Some(u) = height_u_given {
            page.line(format_args!("height_u_mm = {u}"));
        }

        page.line(format_args!("\n[head]"));
        // The tip's flat face as it is; a setup that does not give it assumes 6 mm, give or take 2.5 mm.
        let tip_mm = match place {
            Place::BlockUnknownTip => (6.0 + page.dice.normal(2.5)).max(0.5),
            _ => page.dice.pick(&[3.0, 5.0, 6.0, 8.0, 10.0]),
        };
        // A block lies on the slope: its top stands block/cos above the surface along the beam, and the tip's uphill rim
        // meets it where it is higher than on the axis by half the tip times the tangent.
        let block = |gap_mm: f64| (gap_mm - 0.5 * tip_mm * tangent) * cosine;
        match place {
            Place::Nothing => {}
            Place::LowGap => drop(page.measured("gap_low_mm", gaps[0], gap_u)),
            Place::HighGap => drop(page.measured("gap_high_mm", gaps[1], gap_u)),
            Place::GapsByBlock if block(gaps[1]) > 0.3 => {
                page.line(format_args!("gaps_by_block = true"));
                page.measured("gap_low_mm", block(gaps[0]), gap_u);
                page.measured("gap_high_mm", block(gaps[1]), gap_u);
                if measures_middle {
                    page.measured("middle_gap_mm", block(ramp.nozzle_height_mm - middle_mm), gap_u);
                }
                page.measured("tip_diameter_mm", tip_mm, gauge_u);
            }
            Place::BothGaps | Place::GapsByBlock => {
                page.measured("gap_low_mm", gaps[0], gap_u);
                page.measured("gap_high_mm", gaps[1], gap_u);
                if measures_middle {
                    page.measured("middle_gap_mm", ramp.nozzle_height_mm - middle_mm, gap_u);
                }
            }
            Place::Block | Place::BlockUnknownTip => {
                // Slid in wherever there was room for an everyday block.
                let at_mm = page.dice.between(0.15, 0.75) * ramp.travel_mm;
                let surface_mm = ramp.height_at(at_mm / cosine);
                page.measured("block_mm", block(ramp.nozzle_height_mm - surface_mm), gap_u);
                page.measured("block_at_mm", at_mm, gauge_u);
                if place == Place::Block {
                    page.measured("tip_diameter_mm", tip_mm, gauge_u);
                }
            }
            Place::NozzleHeight => drop(page.measured("nozzle_height_mm", ramp.nozzle_height_mm, height_u)),
        }
        if let Some(u) = gap_u_given {
            page.line(format_args!("gap_u_mm = {u}"));
        }
        if place != Place::Nothing && page.dice.chance(0.5) {
            let near = truth.waist.as_ref().map_or(7.0, |waist| waist.spacer_mm);
            let in_use = (near + page.dice.normal(0.6)).max(1.0);
            page.line(format_args!("spacer_in_use_mm = {in_use:.1}"));
        }

        picture(&mut page, scene, truth);
        let middle =
            if measures_middle && (steep == Steep::Heights || place == Place::BothGaps) { "+middle" } else { "" };
        Self { toml: page.text, beside, ways: format!("{steep:?}/{place:?}{middle}") }
    }
}

fn picture(page: &mut Page, scene: &Scene, truth: &Truth) {
    page.line(format_args!("\n[picture]"));
    let low_end = truth.low_end;
    match &scene.datum {
        DatumScene::Ends => page.line(format_args!("datum = \"ends\"\nlow_end = \"{low_end}\"")),
        DatumScene::Strip => page.line(format_args!("datum = \"strip\"\nlow_end = \"{low_end}\"")),
        DatumScene::Points { travel_mm, u_px } => {
            let projection = Projection::new(scene);
            let per_travel = scene.ramp.span_mm() / scene.ramp.travel_mm;
            let [a, b] = travel_mm.map(|travel| {
                let place = projection.to_px(travel * per_travel, 0.0);
                [0, 1].map(|axis| {
                    // A person cannot point outside the picture.
                    let last = truth.size_px[axis] as f64 - 0.5;
                    (place[axis] + page.dice.normal(*u_px)).clamp(0.5, last)
                })
            });
            page.line(format_args!("datum = \"points\""));
            page.line(format_args!("points_px = [[{:.2}, {:.2}], [{:.2}, {:.2}]]", a[0], a[1], b[0], b[1]));
            page.line(format_args!("points_u_px = {u_px:.3}"));
            if *travel_mm != [0.0, scene.ramp.travel_mm] || page.dice.chance(0.3) {
                page.line(format_args!("points_travel_mm = [{:.4}, {:.4}]", travel_mm[0], travel_mm[1]));
            }
        }
        DatumScene::Marks(row) => {
            page.line(format_args!("datum = \"marks\"\nmark_pitch_mm = {}", row.pitch_mm));
            if page.dice.chance(0.4) {
                page.line(format_args!("low_end = \"{low_end}\""));
            }
        }
    }
    if let super::scene::Capture::Scan { dpi, .. } = scene.capture
        && page.dice.chance(0.3)
    {
        let nominal =
            [300.0_f64, 600.0, 1200.0].into_iter().min_by(|a, b| (a - dpi[0]).abs().total_cmp(&(b - dpi[0]).abs()));
        page.line(format_args!("dpi = {}", nominal.unwrap_or(600.0)));
    }
}
