//! `narrows plan`: what to set, burn and write down before a ramp test.

use std::fs;
use std::path::{Path, PathBuf};

use narrows::estimate::Estimate;
use narrows::plan::artwork::artwork;
use narrows::plan::cradle::{CutFrom, cradle};
use narrows::plan::{
    Optics, Plan, PlanError, PlanRequest, PlannedDatum, PlannedPicture, PlannedSteepness, plan, setup_file,
};
use narrows::report;
use narrows::setup::{Field, RawSetup};

use crate::args::plan::PlanArgs;
use crate::exit::{Failure, Status};
use crate::output::{to_file, to_stdout};

/// Plans and prints.
///
/// # Errors
/// A field outside its limits, no room for a useful line, a file that cannot be written.
pub fn run(args: &PlanArgs) -> Result<Status, Failure> {
    let request = request(args)?;
    let plan = plan(&request).map_err(failure)?;
    let units = args.units.into();
    write_all(&files(args, &plan)?)?;
    let mut text = if args.json { report::plan::json::plan(&plan) } else { report::plan::text::plan(&plan, units) };
    if !args.json && !args.quiet {
        text.push('\n');
        text.push_str(&report::text::footer());
    }
    if !text.ends_with('\n') {
        text.push('\n');
    }
    to_stdout(&text)
}

/// A file to write.
struct Output {
    path: PathBuf,
    contents: String,
    /// True where a person fills it in: what stands there is not replaced.
    is_filled_in: bool,
}

/// Everything asked for, made before anything is written.
fn files(args: &PlanArgs, plan: &Plan) -> Result<Vec<Output>, Failure> {
    let mut files = vec![];
    let mut add = |path: PathBuf, contents: String, is_filled_in: bool| {
        files.push(Output { path, contents, is_filled_in });
    };
    if let Some(folder) = &args.artwork {
        let artwork = artwork(plan).map_err(failure)?;
        for (name, drawing) in [("line", &artwork.line), ("marks", &artwork.marks), ("note", &artwork.note)] {
            add(folder.join(format!("{name}.svg")), drawing.svg(), false);
            add(folder.join(format!("{name}.dxf")), drawing.dxf(), false);
        }
    }
    if let Some(folder) = &args.ramp {
        let from = CutFrom { sheet_thickness_mm: args.sheet_thickness_mm, kerf_mm: args.kerf };
        let cradle = cradle(plan, from).map_err(failure)?;
        for (name, drawing) in [("contours", &cradle.cut), ("letters", &cradle.engrave)] {
            add(folder.join(format!("{name}.svg")), drawing.svg(), false);
            add(folder.join(format!("{name}.dxf")), drawing.dxf(), false);
        }
        add(folder.join("ramp.toml"), cradle.ramp_file, true);
    }
    if let Some(path) = &args.setup {
        add(path.clone(), setup_file::text(&plan.request, &plan.ramp, false), true);
    }
    if let Some(path) = &args.sheet {
        add(path.clone(), report::plan::sheet::sheet(plan, args.units.into()), false);
    }
    Ok(files)
}

fn write_all(files: &[Output]) -> Result<(), Failure> {
    for file in files.iter().filter(|file| file.is_filled_in) {
        if fs::read(&file.path).is_ok_and(|there| there != file.contents.as_bytes()) {
            return Err(Failure::request(
                format!("{} is there already and may hold measured values", file.path.display()),
                "name another file, or move that one away; nothing was written",
            ));
        }
    }
    for file in files {
        if let Some(folder) = file.path.parent().filter(|folder| !folder.as_os_str().is_empty()) {
            fs::create_dir_all(folder).map_err(|error| {
                Failure::request(
                    format!("the folder {} cannot be made: {error}", folder.display()),
                    "choose another folder, or make room for it",
                )
            })?;
        }
        to_file(&file.path, file.contents.as_bytes())?;
    }
    Ok(())
}

fn failure(error: PlanError) -> Failure {
    Failure::request(&error, error.hint())
}

fn request(args: &PlanArgs) -> Result<PlanRequest, Failure> {
    let picture = match args.photo_px {
        Some(pixels) => PlannedPicture::Photo { pixels },
        None => PlannedPicture::Scan { dpi: args.dpi.unwrap_or(PlanRequest::SCAN_DPI) },
    };
    let usual_datum = match picture {
        PlannedPicture::Scan { .. } => PlannedDatum::Ends,
        // A slant shows in the marks, and the fine third can be photographed alone.
        PlannedPicture::Photo { .. } => PlannedDatum::Marks,
    };
    let steepness = match &args.ramp_file {
        Some(path) => PlannedSteepness::RampFile { path: path.display().to_string(), incline_deg: incline(path)? },
        None => PlannedSteepness::Prop { thickness_mm: args.prop_mm },
    };
    Ok(PlanRequest {
        optics: Optics {
            focal_length_mm: args.nominal_focal_length_mm,
            wavelength_mm: args.wavelength,
            beam_diameter_mm: args.beam_diameter_mm,
            beam_quality: args.beam_quality,
            lens_shape: args.lens_shape.into(),
        },
        spacer_in_use_mm: args.spacer_in_use_mm,
        search_mm: args.search_mm,
        tip_diameter_mm: args.tip_diameter_mm,
        below_nozzle_mm: args.below_nozzle_mm,
        lens_to_nozzle_mm: args.lens_to_nozzle_mm,
        strip_length_mm: args.strip_length_mm,
        strip_width_mm: args.strip_width_mm,
        strip_thickness_mm: args.strip_thickness_mm,
        picture,
        datum: args.datum.map_or(usual_datum, Into::into),
        steepness,
        grain: args.grain,
        grain_length_mm: args.grain_length_mm,
        measured_with: args.measured_with.into(),
        name: args.name.clone(),
        date: Some(args.date.clone().unwrap_or_else(|| jiff::ZonedDateTime::now().date().to_string())),
        material: args.material.clone(),
    })
}

/// The angle that a ramp file holds, read as a setup that names it would be.
fn incline(path: &Path) -> Result<Estimate, Failure> {
    let mut raw = RawSetup::default();
    let told = |error: narrows::setup::SetupError| Failure::request(&error, error.hint());
    // Any travel does: the angle is what counts.
    const TRAVEL_MM: f64 = 100.0;
    let fields = [
        (Field::Travel, TRAVEL_MM.to_string()),
        (Field::RampFile, path.display().to_string()),
        (Field::LowEnd, "left".to_owned()),
    ];
    for (field, text) in fields {
        raw.set_flag(field, &text).map_err(told)?;
    }
    let rise = raw.check().map_err(told)?.ramp.rise;
    let degrees = (rise.value / TRAVEL_MM).atan().to_degrees();
    let per_mm = (rise.value / TRAVEL_MM).atan().cos().powi(2) / TRAVEL_MM;
    Ok(Estimate::new(degrees, (rise.standard_uncertainty * per_mm).to_degrees()))
}
