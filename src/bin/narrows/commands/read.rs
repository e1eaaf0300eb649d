//! `narrows read`: pictures side by side, answers in the order of the command line.

use std::any::Any;
use std::fs;
use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};

use image::{ImageFormat, RgbImage};
use indicatif::{ProgressBar, ProgressStyle};
use narrows::combine::{Combine, Combined, Part, combine};
use narrows::photo::{DecodeOptions, decode_file};
use narrows::reading::{ReadOptions, Reading, read};
use narrows::report::rounding::Units;
use narrows::report::{chart, json, logbook, overlay, stations_csv, text};
use narrows::setup::{RawSetup, Setup, SetupError};
use rayon::prelude::*;

use super::keep::{Keeper, Keepsake, Supplied};
use crate::args::ReadArgs;
use crate::exit::{Failure, Status};
use crate::output::{folder_of, to_file, to_stdout};

/// One picture to read and where its results go.
struct Job {
    picture: PathBuf,
    /// As named on the command line.
    name: String,
    overlay: Option<PathBuf>,
    chart: Option<PathBuf>,
    stations: Option<PathBuf>,
}

/// What became of one picture.
struct Answer {
    name: String,
    reading: Result<Reading, Failure>,
    /// The setup it was read with, where the logbook supplied some of it.
    supplied: Option<Supplied>,
    keepsake: Option<Keepsake>,
    kept: Option<json::Kept>,
    /// Results that could not be written.
    faults: Vec<Failure>,
}

/// Reads every picture and prints what came of each; the highest status wins.
///
/// # Errors
/// A request that cannot be served for any picture, or a standard output that cannot be written.
pub fn run(args: &ReadArgs) -> Result<Status, Failure> {
    let raw = raw_setup(args)?;
    let keeper = Keeper::new(args)?;
    let given = Bench { setup: setup(&raw, keeper.as_ref(), args)?, raw, keeper };
    let jobs = jobs(args)?;
    let mut answers = read_all(&jobs, &given, args);
    keep(&mut answers, given.keeper.as_ref());
    let combined = args.combine.map(|how| combined(how.into(), &answers, shared_setup(&answers, &given)));
    tell(&answers, combined.as_ref(), &given, args)
}

/// What is known before a picture is opened.
struct Bench {
    raw: RawSetup,
    /// For a picture burned now; each picture may have another lens.
    setup: Setup,
    keeper: Option<Keeper>,
}

/// Keeps what is to be kept, in the order of the command line, before anything is told.
fn keep(answers: &mut [Answer], keeper: Option<&Keeper>) {
    let Some(keeper) = keeper else { return };
    let keepsakes = answers.iter_mut().map(|answer| answer.keepsake.take()).collect();
    for (answer, kept) in answers.iter_mut().zip(keeper.keep(keepsakes)) {
        match kept {
            Some(Ok(kept)) => answer.kept = Some(kept),
            Some(Err(fault)) => answer.faults.push(fault),
            None => {}
        }
    }
}

/// What is wrong with a setup, with the file it came from.
fn setup_failure(error: &SetupError, args: &ReadArgs) -> Failure {
    match &args.setup {
        Some(path) => Failure::request(format!("{}: {error}", path.display()), error.hint()),
        None => Failure::request(error, error.hint()),
    }
}

/// The setup checked before any picture is opened, with what the logbook supplies.
fn setup(raw: &RawSetup, keeper: Option<&Keeper>, args: &ReadArgs) -> Result<Setup, Failure> {
    let checked = match keeper {
        Some(keeper) => keeper.supplied(raw, None).map(|supplied| supplied.setup),
        None => raw.check(),
    };
    checked.map_err(|error| setup_failure(&error, args))
}

/// The setup file with the flags over it.
fn raw_setup(args: &ReadArgs) -> Result<RawSetup, Failure> {
    let mut raw = match args.setup.as_deref() {
        Some(path) => {
            let text = setup_text(path)?;
            RawSetup::from_toml(&text, Some(&folder_of(path))).map_err(|error| setup_failure(&error, args))?
        }
        None => RawSetup::default(),
    };
    for (field, value) in &args.fields.0 {
        // What is wrong with a flag is no fault of the file.
        raw.set_flag(*field, value).map_err(|error| Failure::request(&error, error.hint()))?;
    }
    Ok(raw)
}

fn setup_text(path: &Path) -> Result<String, Failure> {
    let bytes = fs::read(path).map_err(|error| {
        Failure::request(
            format!("the setup file {} cannot be read: {error}", path.display()),
            "check the name and the folder of the file behind --setup",
        )
    })?;
    let text = String::from_utf8(bytes).map_err(|_| {
        Failure::request(
            format!("the setup file {} is not text in UTF-8", path.display()),
            "name a text file, and save it as UTF-8",
        )
    })?;
    // Some editors put a mark before the first letter, which is no part of the text.
    Ok(text.strip_prefix('\u{feff}').map(str::to_owned).unwrap_or(text))
}

/// Every picture with its output files. All that can be wrong with them is found before anything is read or written.
fn jobs(args: &ReadArgs) -> Result<Vec<Job>, Failure> {
    endings_must_be_known(args)?;
    let stems = stems(&args.pictures);
    let mut jobs = Vec::new();
    for (picture, stem) in args.pictures.iter().zip(&stems) {
        let output = |template: &Option<PathBuf>| template.as_deref().map(|template| filled(template, stem));
        jobs.push(Job {
            picture: picture.clone(),
            name: picture.display().to_string(),
            overlay: output(&args.overlay),
            chart: output(&args.chart),
            stations: output(&args.stations),
        });
    }
    if jobs.len() > 1 {
        for (flag, template) in templates(args) {
            if !template.to_string_lossy().contains(PLACEHOLDER) {
                return Err(Failure::request(
                    format!("{flag} {} is one file for {} pictures", template.display(), jobs.len()),
                    format!("put {{}} where each picture's name goes: {flag} {}", with_placeholder(template)),
                ));
            }
        }
    }
    outputs_must_be_free(args, &jobs)?;
    Ok(jobs)
}

/// Stands for a picture's file stem.
const PLACEHOLDER: &str = "{}";

/// The flags that name output files.
fn templates(args: &ReadArgs) -> Vec<(&'static str, &Path)> {
    let named = [("--overlay", &args.overlay), ("--chart", &args.chart), ("--stations", &args.stations)];
    named.into_iter().filter_map(|(flag, path)| Some((flag, path.as_deref()?))).collect()
}

impl Job {
    fn outputs(&self) -> impl Iterator<Item = &Path> {
        [&self.overlay, &self.chart, &self.stations].into_iter().filter_map(|path| path.as_deref())
    }
}

/// Drawings are written in the form their name's ending says; a PNG under another ending would only confuse.
fn endings_must_be_known(args: &ReadArgs) -> Result<(), Failure> {
    let drawings = [("--overlay", &args.overlay, &["png"][..]), ("--chart", &args.chart, &["svg", "png"])];
    for (flag, path, endings) in drawings {
        if let Some(path) = path
            && !endings.iter().any(|ending| has_ending(path, ending))
        {
            let endings = endings.iter().map(|ending| format!(".{ending}")).collect::<Vec<_>>().join(" or ");
            return Err(Failure::request(
                format!("{flag} {} does not end in {endings}", path.display()),
                format!("name a file that ends in {endings}"),
            ));
        }
    }
    Ok(())
}

fn has_ending(path: &Path, ending: &str) -> bool {
    path.extension().is_some_and(|found| found.eq_ignore_ascii_case(ending))
}

/// No output may replace a picture, the setup or another output, and each needs its folder.
fn outputs_must_be_free(args: &ReadArgs, jobs: &[Job]) -> Result<(), Failure> {
    let same = |path: &Path| fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let inputs: Vec<PathBuf> = args.pictures.iter().chain(&args.setup).map(|path| same(path)).collect();
    let mut taken: Vec<PathBuf> = Vec::new();
    for output in jobs.iter().flat_map(Job::outputs) {
        let folder = folder_of(output);
        if !folder.is_dir() {
            return Err(Failure::request(
                format!("{} cannot be written: there is no folder {}", output.display(), folder.display()),
                "make the folder first, or choose another",
            ));
        }
        if output.is_dir() {
            return Err(Failure::request(
                format!("{} cannot be written: it is a folder", output.display()),
                "name a file in it",
            ));
        }
        let path = same(output);
        if inputs.contains(&path) {
            return Err(Failure::request(
                format!("{} would be written over, and it is read", output.display()),
                "choose another name for the result",
            ));
        }
        // Devices take any number of results.
        if taken.contains(&path) && !fs::metadata(&path).is_ok_and(|metadata| !metadata.is_file()) {
            return Err(Failure::request(
                format!("two results would be written to {}", output.display()),
                "give every result its own name",
            ));
        }
        taken.push(path);
    }
    Ok(())
}

/// File stems, told apart by -2, -3 where they repeat.
fn stems(pictures: &[PathBuf]) -> Vec<String> {
    let mut stems: Vec<String> = Vec::new();
    for picture in pictures {
        let stem = picture.file_stem().map_or_else(|| "picture".to_owned(), |stem| stem.to_string_lossy().into_owned());
        let numbered = (2..).map(|number| format!("{stem}-{number}"));
        let free = std::iter::once(stem.clone()).chain(numbered).find(|candidate| !stems.contains(candidate));
        stems.extend(free);
    }
    stems
}

fn filled(template: &Path, stem: &str) -> PathBuf {
    PathBuf::from(template.to_string_lossy().replace(PLACEHOLDER, stem))
}

/// An example of how the template could have looked: `out.csv` becomes `out-{}.csv`.
fn with_placeholder(template: &Path) -> String {
    let stem = template.file_stem().unwrap_or_default().to_string_lossy();
    let name = match template.extension() {
        Some(extension) => format!("{stem}-{PLACEHOLDER}.{}", extension.to_string_lossy()),
        None => format!("{stem}-{PLACEHOLDER}"),
    };
    template.with_file_name(name).display().to_string()
}

fn read_all(jobs: &[Job], given: &Bench, args: &ReadArgs) -> Vec<Answer> {
    let progress = progress(jobs.len());
    // A fault is told as an error line; the default hook would print its own form beside it.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|_| {}));
    let answer = |job: &Job| {
        let answer = catch_unwind(AssertUnwindSafe(|| read_one(job, given, args)));
        progress.inc(1);
        answer.unwrap_or_else(|panic| Answer {
            name: job.name.clone(),
            reading: Err(own_fault(&format!("{}: an answer", job.name), &panic_message(&*panic))),
            ..Answer::nothing_yet()
        })
    };
    // Also of one picture alone, whose pieces then need no change of threads each.
    let answers = rayon::scope(|_| jobs.par_iter().map(answer).collect());
    std::panic::set_hook(hook);
    progress.finish_and_clear();
    answers
}

/// Shown for several pictures, and only where somebody is watching: indicatif draws on terminals alone.
fn progress(pictures: usize) -> ProgressBar {
    if pictures < 2 {
        return ProgressBar::hidden();
    }
    let bar = ProgressBar::new(pictures as u64);
    if let Ok(style) = ProgressStyle::with_template("{bar:30} {pos} of {len} pictures read") {
        bar.set_style(style);
    }
    bar.tick();
    bar
}

fn panic_message(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<&str>().copied();
    text.or_else(|| panic.downcast_ref::<String>().map(String::as_str)).unwrap_or("no message")
}

/// A file's contents, or why they cannot be made.
type Made = Result<Vec<u8>, Failure>;

impl Answer {
    fn nothing_yet() -> Self {
        Self {
            name: String::new(),
            reading: Err(Failure::broken("", "")),
            supplied: None,
            keepsake: None,
            kept: None,
            faults: Vec::new(),
        }
    }
}

fn read_one(job: &Job, given: &Bench, args: &ReadArgs) -> Answer {
    let mut answer = Answer { name: job.name.clone(), ..Answer::nothing_yet() };
    answer.reading = read_picture(job, given, args, &mut answer);
    answer
}

fn read_picture(job: &Job, given: &Bench, args: &ReadArgs, answer: &mut Answer) -> Result<Reading, Failure> {
    let at_fault = |error: &dyn std::fmt::Display| format!("{}: {error}", job.name);
    let photo = decode_file(&job.picture, &DecodeOptions { max_megapixels: args.max_megapixels })
        .map_err(|error| Failure::request(at_fault(&error), error.hint()))?;
    if let Some(keeper) = &given.keeper {
        let supplied = keeper.supplied(&given.raw, photo.captured_at.as_deref());
        answer.supplied = Some(supplied.map_err(|error| Failure::request(at_fault(&error), error.hint()))?);
    }
    let setup = answer.supplied.as_ref().map_or(&given.setup, |supplied| &supplied.setup);
    let options = ReadOptions { slack_fraction: args.slack_fraction, ..ReadOptions::default() };
    let reading = read(&photo, setup, &options).map_err(|error| Failure::request(at_fault(&error), error.hint()))?;
    let mut write = |path: &Option<PathBuf>, contents: &dyn Fn(&Path) -> Option<Made>| {
        if let Some(path) = path
            && let Some(contents) = contents(path)
        {
            answer.faults.extend(contents.and_then(|contents| to_file(path, &contents)).err());
        }
    };
    write(&job.overlay, &|_| Some(png_file(&overlay::draw(&photo, &reading))));
    write(&job.chart, &|path| chart_file(path, &reading, setup));
    write(&job.stations, &|_| stations_file(&reading));
    if let (Some(keeper), Some(supplied)) = (&given.keeper, &answer.supplied) {
        match keeper.keepsake(&job.picture, &job.name, &photo, &reading, supplied) {
            Ok(keepsake) => answer.keepsake = keepsake,
            Err(fault) => answer.faults.push(fault),
        }
    }
    Ok(reading)
}

/// `None` where there is nothing to draw.
fn chart_file(path: &Path, reading: &Reading, setup: &Setup) -> Option<Made> {
    if has_ending(path, "svg") {
        return chart::draw_svg(reading, setup).map(|drawing| Ok(drawing.into_bytes()));
    }
    chart::draw_png(reading, setup).map(|drawing| png_file(&drawing))
}

/// `None` where no place was measured.
fn stations_file(reading: &Reading) -> Option<Made> {
    let mut table = Vec::new();
    let written = stations_csv::write(reading, &mut table);
    (!reading.stations.is_empty()).then(|| written.map(|()| table).map_err(|error| own_fault("the table", &error)))
}

fn png_file(drawing: &RgbImage) -> Made {
    let mut file = Cursor::new(Vec::new());
    drawing.write_to(&mut file, ImageFormat::Png).map_err(|error| own_fault("the drawing", &error))?;
    Ok(file.into_inner())
}

/// Something that cannot fail did.
fn own_fault(what: &str, error: &dyn std::fmt::Display) -> Failure {
    Failure::broken(
        format!("{what} cannot be made: {error}"),
        "keep the picture and the setup and report them, so that this can be put right",
    )
}

fn combined(how: Combine, answers: &[Answer], setup: &Setup) -> Combined {
    let parts: Vec<Part<'_>> =
        answers.iter().map(|answer| Part { name: &answer.name, reading: answer.reading.as_ref().ok() }).collect();
    combine(how, &parts, setup)
}

/// Prints every answer in order, then the combined one, and gives the highest status.
fn tell(answers: &[Answer], combined: Option<&Combined>, given: &Bench, args: &ReadArgs) -> Result<Status, Failure> {
    let units = args.units.into();
    let mut status = Status::Answered;
    let mut pages: Vec<String> = Vec::new();
    for answer in answers {
        match &answer.reading {
            Ok(reading) => {
                if reading.outcome.is_err() {
                    status = status.max(Status::Refused);
                }
                pages.push(if args.json {
                    json::reading_and_kept(reading, &answer.name, answer.kept.as_ref())
                } else {
                    page(answer, reading, given, units)
                });
            }
            Err(failure) => status = status.max(failure.status),
        }
        status = answer.faults.iter().map(|fault| fault.status).fold(status, Status::max);
    }
    if let Some(combined) = combined {
        let Combined { used, left_out, outcome, cautions, .. } = combined;
        if outcome.is_err() {
            status = status.max(Status::Refused);
        }
        let mode = combined.combine.as_str();
        pages.push(if args.json {
            json::combined(mode, used, outcome, cautions)
        } else {
            text::combined_in(units, mode, used, left_out, outcome, cautions, shared_setup(answers, given))
        });
    }
    if !args.json && !args.quiet && !pages.is_empty() {
        pages.push(text::footer());
    }
    let written = to_stdout(&joined(&pages, args.json));
    // After the results, so that on a terminal what needs attention stands last.
    for answer in answers {
        answer.reading.as_ref().err().into_iter().chain(&answer.faults).for_each(Failure::tell);
    }
    Ok(status.max(written?))
}

/// The setup that an answer was read with.
fn setup_of<'a>(answer: &'a Answer, given: &'a Bench) -> &'a Setup {
    answer.supplied.as_ref().map_or(&given.setup, |supplied| &supplied.setup)
}

/// Strips taken together were burned with one setup.
fn shared_setup<'a>(answers: &'a [Answer], given: &'a Bench) -> &'a Setup {
    answers.iter().find(|answer| answer.supplied.is_some()).map_or(&given.setup, |answer| setup_of(answer, given))
}

/// A reading's page, and under it what came of keeping it.
fn page(answer: &Answer, reading: &Reading, given: &Bench, units: Units) -> String {
    let mut page = text::reading_in(units, reading, setup_of(answer, given), &answer.name);
    if let Some(kept) = &answer.kept {
        page.push_str(&logbook::kept(kept));
    } else if given.keeper.as_ref().is_some_and(|keeper| keeper.leaves_out(reading)) {
        page.push_str(&logbook::not_kept());
    }
    page
}

/// JSON: one object a line. Text: a blank line between pages.
fn joined(pages: &[String], is_json: bool) -> String {
    let separator = if is_json { "\n" } else { "\n\n" };
    let mut joined = pages.iter().map(|page| page.trim_end_matches('\n')).collect::<Vec<_>>().join(separator);
    if !joined.is_empty() {
        joined.push('\n');
    }
    joined
}

#[cfg(test)]
mod tests {
    use super::*;

    fn named(names: &[&str]) -> Vec<String> {
        stems(&names.iter().map(PathBuf::from).collect::<Vec<_>>())
    }

    #[test]
    fn repeated_stems_are_numbered_and_never_collide() {
        assert_eq!(named(&["a.png", "b.png"]), ["a", "b"]);
        assert_eq!(named(&["a.png", "x/a.jpg", "a.tif"]), ["a", "a-2", "a-3"]);
        assert_eq!(named(&["a.png", "x/a.png", "a-2.png"]), ["a", "a-2", "a-2-2"]);
    }

    #[test]
    fn the_placeholder_is_filled_everywhere_and_suggested_before_the_ending() {
        assert_eq!(filled(Path::new("out/{}/{}.csv"), "a"), Path::new("out/a/a.csv"));
        assert_eq!(with_placeholder(Path::new("out/table.csv")), "out/table-{}.csv");
        assert_eq!(with_placeholder(Path::new("table")), "table-{}");
    }

    #[test]
    fn json_is_one_object_a_line_and_text_has_air() {
        let pages = ["one\n".to_owned(), "two".to_owned()];
        assert_eq!(joined(&pages, true), "one\ntwo\n");
        assert_eq!(joined(&pages, false), "one\n\ntwo\n");
        assert_eq!(joined(&[], true), "");
    }
}
