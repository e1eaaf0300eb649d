//! `narrows drift`: what the kept readings of one machine and lens say over time.

use std::io::Cursor;
use std::path::Path;

use image::ImageFormat;
use narrows::drift::{Code, Drift, Question, drift};
use narrows::logbook::{Logbook, LogbookError, Machine, When, default_path, fitting, zone};
use narrows::report::drift::{chart, json, page, text};
use narrows::report::text::footer;
use narrows::setup::parse_length_mm;

use crate::args::drift::DriftArgs;
use crate::exit::{Failure, Status};
use crate::output::{folder_of, to_file, to_stdout};

/// Judges, writes what was asked for, and prints the verdict.
///
/// # Errors
/// A request that cannot be served, a logbook that cannot be read, an output that cannot be written.
pub fn run(args: &DriftArgs) -> Result<Status, Failure> {
    outputs_must_be_possible(args)?;
    let drift = judged(args)?;
    let mut told = if args.json { json::drift(&drift) + "\n" } else { text::drift(&drift) };
    if !args.json && !args.quiet {
        told.push('\n');
        told.push_str(&footer());
    }
    to_stdout(&told)?;
    // The verdict is told whatever becomes of the files.
    if let Some(path) = &args.chart {
        to_file(path, &chart_file(path, &drift)?)?;
    }
    if let Some(path) = &args.report {
        to_file(path, page::page(&drift).as_bytes())?;
    }
    Ok(if drift.verdict.code() == Code::TooFew { Status::Refused } else { Status::Answered })
}

fn judged(args: &DriftArgs) -> Result<Drift, Failure> {
    let path = args.logbook.clone().map_or_else(default_path, Ok).map_err(|error| failure(&error))?;
    let book = Logbook::open_to_read(&path).map_err(|error| failure(&error))?;
    let machine = machine(&book, args.machine.as_deref())?;
    let lens = args.lens.as_deref().map(|name| book.lens(name)).transpose().map_err(|error| failure(&error))?;
    let entries = book.entries().map_err(|error| failure(&error))?;
    let events = book.events().map_err(|error| failure(&error))?;
    let mut question = Question {
        machine: machine.name.clone(),
        lens: lens.as_ref().map(|lens| lens.name.clone()),
        axis: args.axis.clone(),
        over_all: args.all,
        since: args.since.as_deref().map(|text| since(text, &machine)).transpose()?,
        spacer_in_use_mm: None,
    };
    // The lens that is looked at decides which block counts; where none was named the newest reading names it.
    let lens = match lens {
        Some(lens) => Some(lens),
        None => drift(&entries, &[], &question).readings.lens.and_then(|name| book.lens(&name).ok()),
    };
    question.spacer_in_use_mm = match &args.spacer_in_use_mm {
        Some(text) => Some(block(text)?),
        None => fitting(&machine, lens.as_ref()).spacer_in_use_mm,
    };
    Ok(drift(&entries, &events, &question))
}

/// The named machine; the only one where none was named.
fn machine(book: &Logbook, name: Option<&str>) -> Result<Machine, Failure> {
    if let Some(name) = name {
        return book.machine(name).map_err(|error| failure(&error));
    }
    let mut all = book.machines().map_err(|error| failure(&error))?;
    match all.len() {
        1 => Ok(all.remove(0)),
        0 => Err(Failure::request(
            "the logbook knows no machine yet",
            "say which there is, narrows log machine north, and keep readings with narrows read --machine north --keep",
        )),
        _ => {
            let names: Vec<&str> = all.iter().map(|machine| machine.name.as_str()).collect();
            Err(Failure::request(
                "the logbook knows several machines, and none was named",
                format!("name one of {} with --machine", names.join(", ")),
            ))
        }
    }
}

fn since(text: &str, machine: &Machine) -> Result<jiff::Timestamp, Failure> {
    let told = |error: narrows::logbook::WhenError| Failure::request(format!("--since: {error}"), error.hint());
    let zone = zone(machine.zone.as_deref()).map_err(told)?;
    // A bare date means the whole day.
    let text = if text.trim().len() == 10 { format!("{} 00:00", text.trim()) } else { text.to_owned() };
    Ok(When::parse(&text, &zone).map_err(told)?.at)
}

fn block(text: &str) -> Result<f64, Failure> {
    parse_length_mm(text)
        .map_err(|error| error.to_string())
        .and_then(|length| if length > 0.0 { Ok(length) } else { Err("a block has a thickness".to_owned()) })
        .map_err(|error| Failure::request(format!("--spacer-in-use-mm: {error}"), "write 7 or \"0.276 in\""))
}

fn failure(error: &LogbookError) -> Failure {
    if error.is_broken() { Failure::broken(error, error.hint()) } else { Failure::request(error, error.hint()) }
}

fn chart_file(path: &Path, drift: &Drift) -> Result<Vec<u8>, Failure> {
    let nothing = || {
        Failure::request(
            format!("{} was not drawn: there is no reading to draw", path.display()),
            "keep a first reading: narrows read strip.jpg --machine north --keep",
        )
    };
    if has_ending(path, &["svg"]) {
        return chart::draw_svg(drift).map(String::into_bytes).ok_or_else(nothing);
    }
    let picture = chart::draw_png(drift).ok_or_else(nothing)?;
    let mut bytes = Cursor::new(Vec::new());
    picture
        .write_to(&mut bytes, ImageFormat::Png)
        .map_err(|error| Failure::broken(format!("the chart cannot be made: {error}"), "try SVG instead"))?;
    Ok(bytes.into_inner())
}

/// All that can be wrong with the outputs is found before anything is read or written.
fn outputs_must_be_possible(args: &DriftArgs) -> Result<(), Failure> {
    let outputs = [("--chart", &args.chart, &["svg", "png"][..]), ("--report", &args.report, &["html", "htm"])];
    for (flag, path, endings) in outputs {
        let Some(path) = path else { continue };
        if !has_ending(path, endings) {
            let endings = endings.iter().map(|ending| format!(".{ending}")).collect::<Vec<_>>().join(" or ");
            return Err(Failure::request(
                format!("{flag} {} does not end in {endings}", path.display()),
                format!("name a file that ends in {endings}"),
            ));
        }
        let folder = folder_of(path);
        if !folder.is_dir() || path.is_dir() {
            return Err(Failure::request(
                format!(
                    "{flag} {} cannot be written: there is no such folder, or it is a folder itself",
                    path.display()
                ),
                "make the folder first, or choose another name",
            ));
        }
        let same = |a: &Path, b: &Path| a.canonicalize().is_ok_and(|a| b.canonicalize().is_ok_and(|b| a == b));
        if args.logbook.as_deref().is_some_and(|book| same(path, book)) {
            return Err(Failure::request(
                format!("{} would be written over, and it is the logbook", path.display()),
                "choose another name for the result",
            ));
        }
    }
    Ok(())
}

fn has_ending(path: &Path, endings: &[&str]) -> bool {
    path.extension().is_some_and(|found| endings.iter().any(|ending| found.eq_ignore_ascii_case(ending)))
}
