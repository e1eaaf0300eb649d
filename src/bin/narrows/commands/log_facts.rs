//! What the flags say of machines and lenses, laid over what was known of them. An empty text takes a fact away.

use std::fs;
use std::path::Path;

use narrows::logbook::{self, Fitting, Lens, LensOnMachine, Machine, NamedRamp};
use narrows::setup::{parse_length_mm, parse_ramp};

use super::log::when_failure;
use crate::args::log::{FittingArgs, LensArgs, MachineArgs};
use crate::exit::Failure;

/// One fact: not said, or said, and then perhaps taken away.
type Fact<T> = Option<Option<T>>;

/// What was said of a machine.
pub struct SaidOfMachine {
    lens: Fact<String>,
    zone: Fact<String>,
    wavelength_um: Fact<f64>,
    beam_diameter_mm: Fact<f64>,
    fitting: SaidOfFitting,
    ramp: Fact<String>,
    incline: Option<(f64, Option<f64>)>,
    note: Fact<String>,
}

/// What was said of a lens.
pub struct SaidOfLens {
    nominal_focal_length_mm: Fact<f64>,
    on: Option<String>,
    fitting: SaidOfFitting,
    note: Fact<String>,
}

struct SaidOfFitting {
    spacer_in_use_mm: Fact<f64>,
    lens_to_nozzle_mm: Fact<f64>,
    tip_diameter_mm: Fact<f64>,
    gauged_from: Fact<String>,
}

/// Reads the flags of a machine.
///
/// # Errors
/// A value that is no length, number or time zone, or a ramp's file that cannot be read.
pub fn machine(args: &MachineArgs) -> Result<SaidOfMachine, Failure> {
    let zone = text(&args.zone);
    if let Some(Some(zone)) = &zone {
        logbook::zone(Some(zone)).map_err(when_failure)?;
    }
    let incline = match (&args.incline_deg, &args.ramp_file) {
        (Some(degrees), _) => {
            let degrees = angle("--incline-deg", degrees)?;
            let u_deg = args.incline_u_deg.as_deref().map(|u| number("--incline-u-deg", u)).transpose()?;
            Some((degrees, u_deg))
        }
        (None, Some(file)) => Some(ramp_of_file(file)?),
        (None, None) => None,
    };
    // A ramp from a file is called by its file's name where nothing else is said.
    let of_file =
        || args.ramp_file.as_deref().and_then(Path::file_stem).map(|stem| Some(stem.to_string_lossy().into_owned()));
    Ok(SaidOfMachine {
        lens: text(&args.lens),
        zone,
        wavelength_um: fact("--wavelength-um", &args.wavelength_um, number)?,
        beam_diameter_mm: fact("--beam-diameter-mm", &args.beam_diameter_mm, length)?,
        fitting: fitting(&args.fitting)?,
        ramp: text(&args.ramp).or_else(of_file),
        incline,
        note: text(&args.note),
    })
}

/// Reads the flags of a lens.
///
/// # Errors
/// A value that is no length.
pub fn lens(args: &LensArgs) -> Result<SaidOfLens, Failure> {
    Ok(SaidOfLens {
        nominal_focal_length_mm: fact("--nominal-focal-length-mm", &args.nominal_focal_length_mm, length)?,
        on: args.on.clone(),
        fitting: fitting(&args.fitting)?,
        note: text(&args.note),
    })
}

fn fitting(args: &FittingArgs) -> Result<SaidOfFitting, Failure> {
    Ok(SaidOfFitting {
        spacer_in_use_mm: fact("--spacer-in-use-mm", &args.spacer_in_use_mm, length)?,
        lens_to_nozzle_mm: fact("--lens-to-nozzle-mm", &args.lens_to_nozzle_mm, length)?,
        tip_diameter_mm: fact("--tip-diameter-mm", &args.tip_diameter_mm, length)?,
        gauged_from: text(&args.gauged_from),
    })
}

impl SaidOfMachine {
    /// False where nothing but the name was said.
    pub const fn says_anything(&self) -> bool {
        self.lens.is_some()
            || self.zone.is_some()
            || self.wavelength_um.is_some()
            || self.beam_diameter_mm.is_some()
            || self.fitting.says_anything()
            || self.ramp.is_some()
            || self.incline.is_some()
            || self.note.is_some()
    }

    /// The machine as it is now.
    ///
    /// # Errors
    /// A ramp of which no angle is known.
    pub fn over(self, before: Machine) -> Result<Machine, Failure> {
        let ramp = match (self.ramp, self.incline, before.ramp) {
            (Some(None), None, _) => None,
            (None, None, ramp) => ramp,
            (name, Some((incline_deg, incline_u_deg)), ramp) => {
                let name = name.flatten().or(ramp.map(|ramp| ramp.name));
                Some(NamedRamp {
                    name: name.unwrap_or_else(|| format!("{}'s ramp", before.name)),
                    incline_deg,
                    incline_u_deg,
                })
            }
            (Some(Some(name)), None, Some(ramp)) => Some(NamedRamp { name, ..ramp }),
            (Some(_), None, None) => {
                return Err(Failure::request(
                    "the ramp's angle is not known",
                    "give it with --incline-deg, or with --ramp-file",
                ));
            }
        };
        Ok(Machine {
            name: before.name,
            zone: self.zone.unwrap_or(before.zone),
            wavelength_um: self.wavelength_um.unwrap_or(before.wavelength_um),
            beam_diameter_mm: self.beam_diameter_mm.unwrap_or(before.beam_diameter_mm),
            lens: self.lens.unwrap_or(before.lens),
            fitting: self.fitting.over(before.fitting),
            ramp,
            note: self.note.unwrap_or(before.note),
        })
    }
}

impl SaidOfLens {
    /// False where nothing but the name was said.
    pub const fn says_anything(&self) -> bool {
        self.nominal_focal_length_mm.is_some() || self.fitting.says_anything() || self.note.is_some()
    }

    /// The lens as it is now.
    pub fn over(self, before: Lens) -> Lens {
        let Lens { name, nominal_focal_length_mm, mut fitting, mut on, note } = before;
        match self.on {
            None => fitting = self.fitting.over(fitting),
            Some(machine) => {
                let place = on.iter().position(|on| on.machine.eq_ignore_ascii_case(&machine));
                let before = place.map(|place| on.remove(place).fitting).unwrap_or_default();
                on.push(LensOnMachine { machine, fitting: self.fitting.over(before) });
            }
        }
        let nominal_focal_length_mm = self.nominal_focal_length_mm.unwrap_or(nominal_focal_length_mm);
        Lens { name, nominal_focal_length_mm, fitting, on, note: self.note.unwrap_or(note) }
    }
}

impl SaidOfFitting {
    const fn says_anything(&self) -> bool {
        self.spacer_in_use_mm.is_some()
            || self.lens_to_nozzle_mm.is_some()
            || self.tip_diameter_mm.is_some()
            || self.gauged_from.is_some()
    }

    fn over(self, before: Fitting) -> Fitting {
        Fitting {
            lens_to_nozzle_mm: self.lens_to_nozzle_mm.unwrap_or(before.lens_to_nozzle_mm),
            tip_diameter_mm: self.tip_diameter_mm.unwrap_or(before.tip_diameter_mm),
            spacer_in_use_mm: self.spacer_in_use_mm.unwrap_or(before.spacer_in_use_mm),
            gauged_from: self.gauged_from.unwrap_or(before.gauged_from),
        }
    }
}

fn text(said: &Option<String>) -> Fact<String> {
    said.as_deref().map(|text| Some(text.trim().to_owned()).filter(|text| !text.is_empty()))
}

fn fact(
    flag: &'static str,
    said: &Option<String>,
    read: fn(&'static str, &str) -> Result<f64, Failure>,
) -> Result<Fact<f64>, Failure> {
    text(said).map(|fact| fact.map(|text| read(flag, &text)).transpose()).transpose()
}

fn length(flag: &'static str, text: &str) -> Result<f64, Failure> {
    let length_mm = parse_length_mm(text).map_err(|error| wrong(flag, &error))?;
    above_zero(flag, length_mm)
}

fn number(flag: &'static str, text: &str) -> Result<f64, Failure> {
    above_zero(flag, text.parse().map_err(|_| wrong(flag, &format!("\"{text}\" is no number")))?)
}

fn angle(flag: &'static str, text: &str) -> Result<f64, Failure> {
    let degrees = number(flag, text)?;
    if degrees < 90.0 { Ok(degrees) } else { Err(wrong(flag, &format!("{degrees} is not below 90"))) }
}

fn above_zero(flag: &'static str, value: f64) -> Result<f64, Failure> {
    if value.is_finite() && value > 0.0 { Ok(value) } else { Err(wrong(flag, &format!("{value} is not above zero"))) }
}

fn wrong(flag: &'static str, what: &dyn std::fmt::Display) -> Failure {
    Failure::request(format!("{flag}: {what}"), "see narrows log machine --help or narrows log lens --help")
}

fn ramp_of_file(file: &Path) -> Result<(f64, Option<f64>), Failure> {
    let text = fs::read_to_string(file).map_err(|error| {
        Failure::request(format!("{} cannot be read: {error}", file.display()), "check the name behind --ramp-file")
    })?;
    parse_ramp(&text).map_err(|error| Failure::request(format!("{}: {error}", file.display()), error.hint()))
}
