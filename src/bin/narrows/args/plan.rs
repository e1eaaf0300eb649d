//! Flags of `narrows plan`.

use std::path::PathBuf;

use clap::{Args, ValueEnum, ValueHint};
use narrows::plan::{Gauge, LensShape, PlanRequest, PlannedDatum};
use narrows::setup::parse_length_mm;

use super::UnitsArg;

/// Shown behind `narrows plan --help`.
pub const EXAMPLES: &str = "\
Examples:
  narrows plan --nominal-focal-length-mm 50.8 --spacer-in-use-mm 7
      what to set, how to burn, how sure the answer will be

  narrows plan --nominal-focal-length-mm \"2 in\" --spacer-in-use-mm 7 --search-mm 4 --datum marks \\
          --name north --setup bench.toml --sheet bench.html --artwork strip
      the same with index marks; the setup file that read takes, a page for the bench, and what to burn

  narrows plan --nominal-focal-length-mm 50.8 --spacer-in-use-mm 7 --ramp ramp --sheet-thickness-mm 4 --kerf 0.2
      a ramp to cut once

Lengths are millimetres, or carry their unit: \"2 in\", \"0.7 cm\", \"10.6 um\".";

/// `narrows plan`.
#[derive(Debug, Args)]
pub struct PlanArgs {
    /// Focal length printed on the lens
    #[arg(long, alias = "focal-length-mm", value_name = "MM", value_parser = length, help_heading = "Lens and beam")]
    pub nominal_focal_length_mm: f64,

    /// Shape of the zinc selenide lens
    #[arg(long, value_name = "SHAPE", value_enum, default_value = "plano-convex", help_heading = "Lens and beam")]
    pub lens_shape: ShapeArg,

    /// Width of the beam at the lens (1/e²)
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::BEAM_DIAMETER_MM, help_heading = "Lens and beam")]
    pub beam_diameter_mm: f64,

    /// M²: how much wider than an ideal beam it focuses; 1 is ideal, a glass tube in good order about 1.3
    #[arg(long, value_name = "N", value_parser = number, default_value_t = PlanRequest::BEAM_QUALITY, help_heading = "Lens and beam")]
    pub beam_quality: f64,

    /// Wavelength, with its unit
    #[arg(long, value_name = "LENGTH", value_parser = length, default_value = "10.6 um", help_heading = "Lens and beam")]
    pub wavelength: f64,

    /// Today's block
    #[arg(long, value_name = "MM", value_parser = length, help_heading = "Head")]
    pub spacer_in_use_mm: f64,

    /// How far off today's block may be, to either side
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::SEARCH_MM, help_heading = "Head")]
    pub search_mm: f64,

    /// Flat face of the nozzle's tip
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::TIP_DIAMETER_MM, help_heading = "Head")]
    pub tip_diameter_mm: f64,

    /// How far anything hangs below the nozzle's tip: a probe, an air hose
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = 0.0, help_heading = "Head")]
    pub below_nozzle_mm: f64,

    /// From the lens (its mount's reference) down to the nozzle tip; goes into the setup file
    #[arg(long, value_name = "MM", value_parser = length, help_heading = "Head")]
    pub lens_to_nozzle_mm: Option<f64>,

    /// Strip's length
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::STRIP_MM[0], help_heading = "Strip")]
    pub strip_length_mm: f64,

    /// Strip's width
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::STRIP_MM[1], help_heading = "Strip")]
    pub strip_width_mm: f64,

    /// Strip's thickness
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::STRIP_MM[2], help_heading = "Strip")]
    pub strip_thickness_mm: f64,

    /// Block that will prop the strip up; chosen for you where absent
    #[arg(long, value_name = "MM", value_parser = length, conflicts_with = "ramp_file", help_heading = "Strip")]
    pub prop_mm: Option<f64>,

    /// A ramp measured once and kept: a TOML file with incline_deg and incline_u_deg
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, help_heading = "Strip")]
    pub ramp_file: Option<PathBuf>,

    /// How much the material makes the line width wander: relative standard deviation
    #[arg(long, value_name = "SHARE", value_parser = number, default_value_t = PlanRequest::GRAIN, help_heading = "Strip")]
    pub grain: f64,

    /// Distance along the strip over which that wander stays alike
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = PlanRequest::GRAIN_LENGTH_MM, help_heading = "Strip")]
    pub grain_length_mm: f64,

    /// Material of the strip, for the setup file
    #[arg(long, value_name = "TEXT", help_heading = "Strip")]
    pub material: Option<String>,

    /// What will tie the picture to the ramp; ends for a scan and marks for a photo where absent
    #[arg(long, value_name = "WORD", value_enum, help_heading = "Picture and lengths")]
    pub datum: Option<DatumArg>,

    /// The scan's resolution, 600 where neither is given
    #[arg(long, value_name = "DPI", value_parser = number, conflicts_with = "photo_px", help_heading = "Picture and lengths")]
    pub dpi: Option<f64>,

    /// For a photo: its pixels from one end of the strip to the other
    #[arg(long, value_name = "PX", value_parser = number, help_heading = "Picture and lengths")]
    pub photo_px: Option<f64>,

    /// What lengths will be measured with
    #[arg(long, value_name = "WORD", value_enum, default_value = "caliper", help_heading = "Picture and lengths")]
    pub measured_with: GaugeArg,

    /// Machine or strip, written on the note and the page
    #[arg(long, value_name = "TEXT", help_heading = "Output")]
    pub name: Option<String>,

    /// Date on the note and the page; today where absent
    #[arg(long, value_name = "DATE", help_heading = "Output")]
    pub date: Option<String>,

    /// Draw what to burn: line, index marks and note, each as SVG and DXF, into this folder
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    pub artwork: Option<PathBuf>,

    /// Write the setup file that read takes, with blanks for what is measured
    #[arg(long, value_name = "FILE.toml", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub setup: Option<PathBuf>,

    /// Write a page for the bench, to print
    #[arg(long, value_name = "FILE.html", value_hint = ValueHint::FilePath, help_heading = "Output")]
    pub sheet: Option<PathBuf>,

    /// Draw a ramp to cut once from sheet, and its ramp file, into this folder
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath, help_heading = "Output")]
    pub ramp: Option<PathBuf>,

    /// With --ramp: the sheet's thickness
    #[arg(long, value_name = "MM", value_parser = length, default_value_t = 3.0, help_heading = "Output")]
    pub sheet_thickness_mm: f64,

    /// With --ramp: width that the beam takes away when cutting it
    #[arg(long, alias = "kerf-mm", value_name = "MM", value_parser = length, default_value_t = 0.2, help_heading = "Output")]
    pub kerf: f64,

    /// One line of JSON instead of text
    #[arg(long, help_heading = "Output")]
    pub json: bool,

    /// Unit of lengths in the text and on the page
    #[arg(long, value_name = "UNIT", value_enum, default_value = "mm", help_heading = "Output")]
    pub units: UnitsArg,

    /// Leave out the line of warnings about the beam
    #[arg(long, help_heading = "Output")]
    pub quiet: bool,
}

/// Shape of the lens.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum ShapeArg {
    /// Convex towards the beam, flat towards the work: the usual one
    PlanoConvex,
    /// Bent for little spherical aberration
    Meniscus,
    /// Without spherical aberration
    Aspheric,
}

impl From<ShapeArg> for LensShape {
    fn from(shape: ShapeArg) -> Self {
        match shape {
            ShapeArg::PlanoConvex => Self::PlanoConvex,
            ShapeArg::Meniscus => Self::Meniscus,
            ShapeArg::Aspheric => Self::Aspheric,
        }
    }
}

/// What ties the picture to the ramp.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum DatumArg {
    /// The line's two ends
    Ends,
    /// Index marks, burned beside the line
    Marks,
}

impl From<DatumArg> for PlannedDatum {
    fn from(datum: DatumArg) -> Self {
        match datum {
            DatumArg::Ends => Self::Ends,
            DatumArg::Marks => Self::Marks,
        }
    }
}

/// What lengths are measured with.
#[derive(Debug, Clone, Copy, ValueEnum)]
pub enum GaugeArg {
    /// Sure to 0.1 mm
    Caliper,
    /// Sure to 0.3 mm
    Rule,
    /// Sure to 0.05 mm
    Blocks,
}

impl From<GaugeArg> for Gauge {
    fn from(gauge: GaugeArg) -> Self {
        match gauge {
            GaugeArg::Caliper => Self::Caliper,
            GaugeArg::Rule => Self::Rule,
            GaugeArg::Blocks => Self::Blocks,
        }
    }
}

/// A length with or without its unit.
fn length(text: &str) -> Result<f64, String> {
    parse_length_mm(text).map_err(|error| error.to_string())
}

fn number(text: &str) -> Result<f64, String> {
    if text.contains(',') && text.replace(',', ".").parse::<f64>().is_ok() {
        return Err("a decimal point is needed in place of the comma".to_owned());
    }
    text.trim().parse().map_err(|_| "a number is needed".to_owned())
}
