//! One strip rendered, read and compared with its truth.

use std::io::Write as _;
use std::path::Path;

use narrows::estimate::Estimate;
use narrows::photo::{DecodeOptions, decode_bytes};
use narrows::reading::{ReadOptions, Reading, read};
use narrows::setup::parse_toml;
use narrows::synth::draw::Stratum;
use narrows::synth::said::Said;
use narrows::synth::scene::{Capture, Scene};
use narrows::synth::traps::Trap;
use narrows::synth::truth::{Truth, WaistTruth};

use crate::surfaces::Surfaces;

/// What is rendered.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Case {
    Strip(Stratum, u64),
    Trap(Trap, u64),
}

impl Case {
    pub fn name(self) -> String {
        match self {
            Self::Strip(stratum, _) => stratum.name().to_owned(),
            Self::Trap(trap, _) => format!("{trap:?}"),
        }
    }

    pub const fn seed(self) -> u64 {
        match self {
            Self::Strip(_, seed) | Self::Trap(_, seed) => seed,
        }
    }

    /// The scene and what is written down about it.
    fn scene(self, surfaces: &Surfaces) -> (Scene, Said, Truth) {
        let mut scene = match self {
            Self::Strip(stratum, seed) => Scene::draw(stratum, seed),
            Self::Trap(trap, seed) => Scene::trap(trap, seed),
        };
        surfaces.dress(&mut scene, self.seed());
        let truth = scene.truth();
        let said = Said::draw(&scene, &truth, self.seed());
        (scene, said, truth)
    }
}

/// A value against its truth, in one unit.
#[derive(Debug, Clone, Copy)]
pub struct Compared {
    pub error: f64,
    pub standard_uncertainty: f64,
}

impl Compared {
    fn new(estimate: Estimate, truth: f64) -> Self {
        Self { error: estimate.value - truth, standard_uncertainty: estimate.standard_uncertainty }
    }

    /// Inside the value ± expanded uncertainty (k = 2).
    pub fn is_covered(&self) -> bool {
        self.error.abs() <= 2.0 * self.standard_uncertainty
    }

    /// Off by more than three expanded uncertainties.
    pub fn is_confidently_wrong(&self) -> bool {
        // A value that is no number is no excuse.
        let limit = 6.0 * self.standard_uncertainty;
        self.error.is_nan() || limit.is_nan() || self.error.abs() > limit
    }

    pub fn z(&self) -> f64 {
        self.error / self.standard_uncertainty
    }
}

/// A number that was given, against the truth.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Position in mm, on the truth's span; `None` where no true waist exists.
    pub position: Option<Compared>,
    /// The same as a share of the Rayleigh range, converted with the exact heights.
    pub focus: Option<Compared>,
    pub spacer: Option<Compared>,
    pub kerf_relative: Option<f64>,
}

/// How one case went.
#[derive(Debug, Clone)]
pub struct Trial {
    pub case: Case,
    pub truth: Truth,
    pub ways: String,
    /// The scene's main parameters in words.
    pub about: String,
    /// The number, or the refusal's code or the error's text.
    pub outcome: Result<Answer, String>,
    pub cautions: Vec<String>,
    /// Position by each fit, mm, for whoever tunes them.
    pub fits: Vec<TriedFit>,
}

/// One fit of a reading against the truth.
#[derive(Debug, Clone)]
pub struct TriedFit {
    model: &'static str,
    error_mm: f64,
    standard_uncertainty_mm: f64,
    /// Root mean square of what it leaves, over the kerf.
    relative_rms: f64,
}

impl std::fmt::Display for TriedFit {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self { model, error_mm, standard_uncertainty_mm, relative_rms } = self;
        write!(f, "{model} {error_mm:+.3} ± {standard_uncertainty_mm:.3} mm (leaves {:.1} %)", 100.0 * relative_rms)
    }
}

impl Trial {
    /// Whether the strip's edges are all in the picture.
    pub fn shows_strip(&self) -> bool {
        let size = self.truth.size_px;
        self.truth
            .outline_px
            .iter()
            .all(|place| (0..2).all(|axis| place[axis] >= 0.0 && place[axis] <= size[axis] as f64))
    }

    /// Wrong and confident: off by more than three expanded uncertainties, or any number where none exists.
    pub fn is_wrong_and_confident(&self) -> bool {
        let Ok(answer) = &self.outcome else { return false };
        if let Case::Trap(trap, _) = self.case
            && trap.forbids_any_number()
        {
            return true;
        }
        let Some(position) = &answer.position else { return true };
        position.is_confidently_wrong() || answer.spacer.is_some_and(|spacer| spacer.is_confidently_wrong())
    }
}

/// Renders, reads, compares.
pub fn run(case: Case, surfaces: &Surfaces) -> Trial {
    let (scene, said, truth) = case.scene(surfaces);
    let about = about(&scene, &truth);
    let mut trial = Trial {
        case,
        truth,
        ways: said.ways.clone(),
        about,
        outcome: Err("not read".into()),
        cautions: vec![],
        fits: vec![],
    };
    match read_scene(&scene, &said) {
        Ok((reading, span_mm)) => {
            trial.cautions = reading.cautions.iter().map(|caution| format!("{:?}", caution.code)).collect();
            let truth_mm = trial.truth.waist.as_ref().map(|waist| waist.position_mm * span_mm / scene.ramp.span_mm());
            trial.fits = reading
                .fits
                .iter()
                .map(|fit| TriedFit {
                    model: fit.model.as_str(),
                    error_mm: truth_mm.map_or(f64::NAN, |truth| fit.position_mm.value - truth),
                    standard_uncertainty_mm: fit.position_mm.standard_uncertainty,
                    relative_rms: fit.relative_rms,
                })
                .collect();
            trial.outcome = match reading.outcome {
                Ok(focus) => Ok(compare(&focus, &trial.truth, &scene, span_mm)),
                Err(refusal) => Err(refusal.code.as_str().to_owned()),
            };
        }
        Err(error) => trial.outcome = Err(format!("error: {error}")),
    }
    trial
}

fn read_scene(scene: &Scene, said: &Said) -> Result<(Reading, f64), Box<dyn std::error::Error>> {
    let rendered = scene.render()?;
    let folder = tempfile::tempdir()?;
    for (name, text) in &said.beside {
        std::fs::write(folder.path().join(name), text)?;
    }
    let setup = parse_toml(&said.toml, Some(folder.path()))?;
    let photo = decode_bytes(&rendered.bytes, &DecodeOptions::default())?;
    drop(rendered);
    Ok((read(&photo, &setup, &ReadOptions::default())?, setup.ramp.span_mm))
}

fn compare(focus: &narrows::reading::Focus, truth: &Truth, scene: &Scene, span_mm: f64) -> Answer {
    let Some(waist) = &truth.waist else {
        return Answer { position: None, focus: None, spacer: None, kerf_relative: None };
    };
    // The setup's lengths are disturbed, so its span differs from the true one by hundredths of a millimetre: what the picture
    // says is the share of the span, and that is what is compared.
    let scale = scene.ramp.span_mm() / span_mm;
    let position = Estimate::new(focus.position_mm.value * scale, focus.position_mm.standard_uncertainty * scale);
    let position = Compared::new(position, waist.position_mm);
    let per_rayleigh = waist.slope / truth.rayleigh_mm;
    Answer {
        position: Some(position),
        focus: Some(Compared {
            error: position.error * per_rayleigh,
            standard_uncertainty: position.standard_uncertainty * per_rayleigh,
        }),
        spacer: focus.spacer_mm.map(|spacer| Compared::new(spacer, waist.spacer_mm)),
        kerf_relative: focus.kerf_mm.map(|kerf| kerf.value / waist.kerf_mm - 1.0),
    }
}

fn about(scene: &Scene, truth: &Truth) -> String {
    let waist = truth.waist.as_ref().map_or_else(
        || "no waist".to_owned(),
        |WaistTruth { kerf_px, kerf_ratio: [low, high], .. }| format!("kerf {kerf_px:.1} px ×{low:.1}/×{high:.1}"),
    );
    let capture = match scene.capture {
        Capture::Scan { dpi, turn_deg, .. } => format!("{:.0} dpi turned {turn_deg:.1}°", dpi[0]),
        Capture::Photo { tilt_deg, distortion, .. } => {
            format!("tilt {:.1}°/{:.1}°, distortion {:.2} %", tilt_deg[0], tilt_deg[1], 100.0 * distortion)
        }
    };
    let [below, above] = truth.rayleigh_sides_mm;
    format!(
        "{:?}{}, {waist}, blur {:.2} px, lens {} mm, overdrive {:.1} (ends {:.1}/{:.1}), sides {below:.2}/{above:.2} mm, rise {:.1} \
         over {:.0} mm, wander {:.1} %/{:.1} mm, brown {:.2}/{:.2} mm, {capture}, {:?}",
        scene.strip.material,
        if scene.strip.picture.is_some() { " (photographed)" } else { "" },
        truth.blur_px,
        scene.beam.lens_mm,
        scene.burn.overdrive,
        truth.end_overdrive[0],
        truth.end_overdrive[1],
        scene.ramp.rise_mm(),
        scene.ramp.travel_mm,
        100.0 * scene.burn.kerf_wander,
        scene.burn.wander_length_mm,
        scene.burn.brown_depth,
        scene.burn.brown_width_mm,
        scene.output.format,
    )
}

/// Writes one case's picture, setup and truth.
pub fn dump(folder: &Path, case: Case, surfaces: &Surfaces) -> Result<(), Box<dyn std::error::Error>> {
    let (scene, said, truth) = case.scene(surfaces);
    let rendered = scene.render()?;
    std::fs::create_dir_all(folder)?;
    let stem = format!("{}-{}", case.name(), case.seed());
    let picture = folder.join(format!("{stem}.{}", rendered.extension));
    let setup = folder.join(format!("{stem}.toml"));
    std::fs::write(&picture, &rendered.bytes)?;
    std::fs::write(&setup, &said.toml)?;
    for (name, text) in &said.beside {
        std::fs::write(folder.join(name), text)?;
    }
    std::fs::write(folder.join(format!("{stem}.truth.txt")), format!("{}\n{truth:#?}\n{scene:#?}\n", said.ways))?;
    println!("{}\n{}\n{}", picture.display(), setup.display(), about(&scene, &truth));
    Ok(())
}

/// Writes every trial as one row.
pub fn write_csv<'a>(path: &Path, trials: impl Iterator<Item = &'a Trial>) -> std::io::Result<()> {
    let mut file = std::io::BufWriter::new(std::fs::File::create(path)?);
    writeln!(
        file,
        "case,seed,answerable,outcome,error_rayleigh,u_rayleigh,z,spacer_z,kerf_relative,kerf_px,ways,fits,cautions,about"
    )?;
    let number = |value: Option<f64>| value.map_or(String::new(), |value| format!("{value:.5}"));
    for trial in trials {
        let answer = trial.outcome.as_ref().ok();
        let focus = answer.and_then(|answer| answer.focus);
        let fits: Vec<String> = trial.fits.iter().map(ToString::to_string).collect();
        writeln!(
            file,
            "{},{},{},{},{},{},{},{},{},{},{},{},{},{}",
            trial.case.name(),
            trial.case.seed(),
            trial.truth.is_answerable(),
            trial.outcome.as_ref().err().map_or("found", String::as_str).replace([',', '\n'], ";"),
            number(focus.map(|focus| focus.error)),
            number(focus.map(|focus| focus.standard_uncertainty)),
            number(focus.map(|focus| focus.z())),
            number(answer.and_then(|answer| answer.spacer).map(|spacer| spacer.z())),
            number(answer.and_then(|answer| answer.kerf_relative)),
            number(trial.truth.waist.as_ref().map(|waist| waist.kerf_px)),
            trial.ways,
            fits.join("; "),
            trial.cautions.join("; "),
            trial.about.replace(',', ";"),
        )?;
    }
    file.flush()
}
