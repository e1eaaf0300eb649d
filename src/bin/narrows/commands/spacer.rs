//! `narrows spacer`: from the wanted block to a stack, settings and artwork.

use std::fs;
use std::io::{self, Read};
use std::path::Path;

use jiff::ZonedDateTime;
use jiff::civil::Date;
use narrows::estimate::Estimate;
use narrows::reading::DepthOfFocus;
use narrows::report::spacer_drawings::{Label, label, step_gauge};
use narrows::report::stroke_svg::svg;
use narrows::report::{spacer_json, spacer_text, text};
use narrows::spacer::{
    Answer, AnswerOptions, SettingOptions, SpacerError, StackOptions, StepGauge, StepGaugeOptions, Stock,
    USUAL_THICKNESSES_MM, Wanted, answer,
};

use crate::args::spacer::SpacerArgs;
use crate::exit::{Failure, Status};
use crate::output::{folder_of, to_file, to_stdout};

/// Answers, and draws what is asked for.
///
/// # Errors
/// A request that cannot be served, a reading without an answer, or a file that cannot be written.
pub fn run(args: &SpacerArgs) -> Result<Status, Failure> {
    let (wanted, source) = wanted(args)?;
    let stock = args.stock.as_deref().map(|said| stock(said, args)).transpose()?;
    let is_asked = !args.thickness_mm.is_empty();
    let options = AnswerOptions {
        stack: StackOptions { pieces: args.pieces, stacks: args.stacks.into(), tie_mm: tie(args.tie_mm)? },
        setting: SettingOptions { sunk_fraction: args.sunk_fraction },
        thicknesses_mm: if is_asked { args.thickness_mm.clone() } else { USUAL_THICKNESSES_MM.to_vec() },
    };
    let answer = answer(wanted, stock.as_ref(), options).map_err(|error| failure(&error))?;
    let gauge = args.step_gauge.as_ref().map(|_| gauge(&wanted, args)).transpose()?;
    let label = args.label.as_ref().map(|_| drawn_label(&answer, args)).transpose()?;
    outputs_must_be_free(args)?;
    if let (Some(path), Some(drawing)) = (&args.label, label) {
        to_file(path, drawing.as_bytes())?;
    }
    if let (Some(path), Some(gauge)) = (&args.step_gauge, &gauge) {
        to_file(path, svg(&step_gauge(gauge)).as_bytes())?;
    }
    let written = to_stdout(&told(&answer, &source, gauge.as_ref(), args))?;
    // Thicknesses that nobody asked for are a caution; one that was asked for and cannot be cut is an error.
    let touching: Vec<Failure> =
        answer.settings.iter().filter_map(|(setting, _)| setting.usable().err()).map(|error| failure(&error)).collect();
    if is_asked && !touching.is_empty() {
        touching.iter().for_each(Failure::tell);
        return Ok(written.max(Status::Request));
    }
    Ok(written)
}

fn failure(error: &SpacerError) -> Failure {
    told_as(error, error.to_string())
}

/// With the file it is about.
fn failure_in(what: &str, error: &SpacerError) -> Failure {
    told_as(error, format!("{what}: {error}"))
}

fn told_as(error: &SpacerError, message: String) -> Failure {
    match error {
        SpacerError::Refused { .. } => Failure::refused(message, error.hint()),
        _ => Failure::request(message, error.hint()),
    }
}

fn wanted(args: &SpacerArgs) -> Result<(Wanted, String), Failure> {
    let (wanted, source) = match (&args.reading, args.spacer_mm) {
        (None, None) => {
            return Err(Failure::request(
                "no block was named",
                "give the reading that narrows read --json printed, or the block with --spacer-mm 8.45",
            ));
        }
        (Some(_), Some(_)) => {
            return Err(Failure::request(
                "the block is given twice, by a reading and by --spacer-mm",
                "keep the one that counts",
            ));
        }
        (None, Some(mm)) => {
            let u = args.spacer_u_mm.unwrap_or(0.0);
            let wanted = Wanted::typed(Estimate::new(mm, u)).map_err(|error| failure(&error))?;
            (wanted, "the command line".to_owned())
        }
        (Some(path), None) => {
            let (text, name) = reading_text(path)?;
            (Wanted::from_reading(&text).map_err(|error| failure_in(&name, &error))?, name)
        }
    };
    let Some([below_mm, above_mm]) = args.slack_mm else { return Ok((wanted, source)) };
    let slack = DepthOfFocus { fraction: args.slack_fraction, below_mm, above_mm };
    Ok((wanted.with_slack(slack).map_err(|error| failure(&error))?, source))
}

fn reading_text(path: &Path) -> Result<(String, String), Failure> {
    if path == Path::new("-") {
        let mut text = String::new();
        io::stdin().lock().read_to_string(&mut text).map_err(|error| {
            Failure::request(
                format!("standard input cannot be read: {error}"),
                "send it what narrows read --json prints",
            )
        })?;
        return Ok((text, "standard input".to_owned()));
    }
    Ok((text_of(path, "reading")?, path.display().to_string()))
}

fn text_of(path: &Path, what: &str) -> Result<String, Failure> {
    let bytes = fs::read(path).map_err(|error| {
        Failure::request(
            format!("the {what} {} cannot be read: {error}", path.display()),
            "check the name and the folder of the file",
        )
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Failure::request(
            format!("the {what} {} is not text in UTF-8", path.display()),
            "name a text file, and save it as UTF-8",
        )
    })?;
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

/// A name that ends in .toml, or that a file has, is a file; all else is a list.
fn stock(said: &str, args: &SpacerArgs) -> Result<Stock, Failure> {
    let path = Path::new(said);
    let is_file = path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("toml")) || path.is_file();
    if is_file {
        let text = text_of(path, "stock file")?;
        return Stock::from_toml(&text, args.stock_u_mm).map_err(|error| failure_in(said, &error));
    }
    Stock::from_list(said, args.stock_u_mm).map_err(|error| failure(&error))
}

fn tie(mm: f64) -> Result<f64, Failure> {
    if (0.0..=10.0).contains(&mm) {
        return Ok(mm);
    }
    Err(Failure::request(format!("--tie-mm is {mm}, and it has to be from 0 to 10"), "give a length such as 0.05"))
}

fn gauge(wanted: &Wanted, args: &SpacerArgs) -> Result<StepGauge, Failure> {
    let options =
        StepGaugeOptions { steps: args.steps, step_mm: args.step_mm, tread_mm: args.tread_mm, kerf_mm: args.kerf };
    StepGauge::new(wanted, &options).map_err(|error| failure(&error))
}

fn drawn_label(answer: &Answer, args: &SpacerArgs) -> Result<String, Failure> {
    let best = answer.stacks.first().map_or(answer.wanted.spacer.value, |best| best.stack.total.value);
    let thickness_mm = args.measured_mm.unwrap_or(best);
    let height_mm = args.label_height_mm.unwrap_or(thickness_mm);
    for (flag, mm) in
        [("--measured-mm", thickness_mm), ("--label-width-mm", args.label_width_mm), ("--label-height-mm", height_mm)]
    {
        if !(mm > 0.0 && mm <= 1000.0) {
            return Err(Failure::request(
                format!("{flag} is {mm}, and it has to be above 0 and at most 1000 mm"),
                "give a length in millimetres, such as 40",
            ));
        }
    }
    let words = Label {
        thickness_mm,
        machine: args.machine.clone().unwrap_or_default(),
        lens: args.lens.clone().unwrap_or_default(),
        gauged_from: args.gauged_from.clone(),
        date: date(args.when.as_deref())?.to_string(),
    };
    label(&words, args.label_width_mm, height_mm).map(|drawing| svg(&drawing)).map_err(|error| failure(&error))
}

/// A date, or a time of which the date counts; today in the machine's zone where none is given.
fn date(when: Option<&str>) -> Result<Date, Failure> {
    let Some(when) = when else { return Ok(ZonedDateTime::now().date()) };
    when.parse().map_err(|_| {
        Failure::request(
            format!("--when \"{when}\" is no date"),
            "write the date as year, month and day, such as 2026-11-25",
        )
    })
}

/// No drawing may replace what is read or the other drawing, and each needs its folder and the right ending.
fn outputs_must_be_free(args: &SpacerArgs) -> Result<(), Failure> {
    let same = |path: &Path| fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let read = [args.reading.as_deref(), args.stock.as_deref().map(Path::new)];
    let mut taken: Vec<_> = read.into_iter().flatten().map(same).collect();
    for (flag, path) in [("--label", &args.label), ("--step-gauge", &args.step_gauge)] {
        let Some(path) = path else { continue };
        let told = path.display();
        if !path.extension().is_some_and(|ending| ending.eq_ignore_ascii_case("svg")) {
            return Err(Failure::request(
                format!("{flag} {told} does not end in .svg"),
                "name a file that ends in .svg",
            ));
        }
        if !folder_of(path).is_dir() || path.is_dir() {
            return Err(Failure::request(
                format!("{flag} {told} cannot be written: there is no such folder, or it is one itself"),
                "name a file in a folder that is there",
            ));
        }
        if taken.contains(&same(path)) {
            return Err(Failure::request(
                format!("{flag} {told} would be written over another file of this call"),
                "give every file its own name",
            ));
        }
        taken.push(same(path));
    }
    Ok(())
}

fn told(answer: &Answer, source: &str, gauge: Option<&StepGauge>, args: &SpacerArgs) -> String {
    if args.json {
        return spacer_json::answer(answer, source, gauge) + "\n";
    }
    let units = args.units.into();
    let mut page = spacer_text::answer(units, answer, source);
    if let (Some(gauge), Some(path)) = (gauge, &args.step_gauge) {
        page.push('\n');
        page.push_str(&spacer_text::step_gauge(units, gauge, &path.display().to_string()));
    }
    if let Some(path) = &args.label {
        page.push('\n');
        page.push_str(&spacer_text::label_note(&path.display().to_string()));
    }
    if !args.quiet {
        page.push('\n');
        page.push_str(&text::footer());
    }
    page
}
