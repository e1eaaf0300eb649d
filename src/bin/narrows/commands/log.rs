//! `narrows log`: machines, lenses, events, and what is kept.

use std::fs;
use std::path::{Path, PathBuf};

use jiff::Timestamp;
use narrows::logbook::{
    self, Correction, Details, Event, ExportError, Form, Lens, Logbook, LogbookError, Machine, Record, When, WhenError,
};
use narrows::report::logbook as told;
use narrows::report::rounding::Units;
use serde::Serialize;

use super::log_facts;
use crate::args::log::{
    CheckArgs, CorrectArgs, EventArgs, ExportArgs, FormArg, LensArgs, ListArgs, LogArgs, LogTask, MachineArgs, Only,
    ShowArgs,
};
use crate::exit::{Failure, Status};
use crate::output::{to_file, to_stdout};

/// What every task needs to know.
pub struct Desk {
    /// The logbook's file.
    pub path: PathBuf,
    json: bool,
    units: Units,
    now: Timestamp,
}

/// Does what was asked.
///
/// # Errors
/// A request that cannot be served, or a logbook that cannot be used.
pub fn run(args: &LogArgs) -> Result<Status, Failure> {
    let desk =
        Desk { path: path(args.logbook.as_deref())?, json: args.json, units: args.units.into(), now: Timestamp::now() };
    match &args.task {
        LogTask::List(args) => list(&desk, args),
        LogTask::Show(args) => show(&desk, args),
        LogTask::Event(args) => event(&desk, args),
        LogTask::Machine(args) => machine(&desk, args),
        LogTask::Lens(args) => lens(&desk, args),
        LogTask::Correct(args) => correct(&desk, args),
        LogTask::Withdraw(args) => {
            let reason = args.reason.trim();
            if reason.is_empty() {
                return Err(Failure::request("the reason is empty", "say why the record does not count"));
            }
            desk.open()?.withdraw(args.id, reason, desk.now).map_err(failure)?;
            desk.say(&format!("Record {} is withdrawn.", args.id), "withdrawn", &Numbered { id: args.id })
        }
        LogTask::Export(args) => export(&desk, args),
        LogTask::Import(args) => import(&desk, &args.file),
        LogTask::Check(args) => check(&desk, args),
        LogTask::Backup(args) => {
            desk.read()?.backup(&args.file).map_err(failure)?;
            let file = args.file.display().to_string();
            desk.say(&format!("The logbook is copied to {file}."), "backup", &Named { file: &file })
        }
    }
}

/// The logbook's file: as named, else the usual one.
pub fn path(named: Option<&Path>) -> Result<PathBuf, Failure> {
    named.map_or_else(|| logbook::default_path().map_err(failure), |path| Ok(path.to_path_buf()))
}

/// How a fault of the logbook ends.
pub fn failure(error: LogbookError) -> Failure {
    if error.is_broken() { Failure::broken(&error, error.hint()) } else { Failure::request(&error, error.hint()) }
}

/// How a wrong time ends.
pub fn when_failure(error: WhenError) -> Failure {
    Failure::request(&error, error.hint())
}

/// The machine that was named, or the only one there is.
pub fn the_machine(book: &Logbook, named: Option<&str>) -> Result<Machine, Failure> {
    if let Some(name) = named {
        return book.machine(name).map_err(failure);
    }
    let mut machines = book.machines().map_err(failure)?;
    match machines.len() {
        0 => {
            Err(Failure::request("the logbook knows no machine yet", "say that it is there: narrows log machine NAME"))
        }
        1 => Ok(machines.remove(0)),
        _ => {
            let names: Vec<_> = machines.iter().map(|machine| machine.name.as_str()).collect();
            Err(Failure::request("no machine was named", format!("name one with --machine: {}", names.join(", "))))
        }
    }
}

#[derive(Serialize)]
struct Numbered {
    id: i64,
}

#[derive(Serialize)]
struct Named<'a> {
    file: &'a str,
}

impl Desk {
    fn open(&self) -> Result<Logbook, Failure> {
        Logbook::open(&self.path).map_err(failure)
    }

    fn read(&self) -> Result<Logbook, Failure> {
        Logbook::open_to_read(&self.path).map_err(failure)
    }

    /// A sentence, or the same as JSON.
    fn say(&self, sentence: &str, what: &'static str, json: &impl Serialize) -> Result<Status, Failure> {
        if self.json {
            to_stdout(&format!("{}\n", told::thing_json(what, json)))
        } else {
            to_stdout(&format!("{sentence}\n"))
        }
    }
}

fn list(desk: &Desk, args: &ListArgs) -> Result<Status, Failure> {
    let book = desk.read()?;
    let machine = args.machine.as_deref().map(|name| book.machine(name)).transpose().map_err(failure)?;
    let lens = args.lens.as_deref().map(|name| book.lens(name)).transpose().map_err(failure)?;
    let zone = logbook::zone(machine.as_ref().and_then(|machine| machine.zone.as_deref())).map_err(when_failure)?;
    let date =
        |text: &Option<String>| text.as_deref().map(|text| When::parse(text, &zone)).transpose().map_err(when_failure);
    let [since, until] = [date(&args.since)?, date(&args.until)?];
    let mut records: Vec<Record> = Vec::new();
    if args.only != Some(Only::Events) {
        records.extend(book.entries().map_err(failure)?.into_iter().map(|entry| Record::Reading(Box::new(entry))));
    }
    if args.only != Some(Only::Readings) {
        records.extend(book.events().map_err(failure)?.into_iter().map(|event| Record::Event(Box::new(event))));
    }
    // Dates as they stand in the list: whoever asks for a day means the whole of it.
    records.retain(|record| {
        let lens_of = match record {
            Record::Reading(entry) => entry.lens.as_deref(),
            Record::Event(event) => event.lens.as_deref(),
        };
        (args.all || record.is_current())
            && machine.as_ref().is_none_or(|machine| record.machine() == machine.name)
            && lens.as_ref().is_none_or(|lens| lens_of == Some(lens.name.as_str()))
            && since.is_none_or(|since| record.when().date() >= since.date())
            && until.is_none_or(|until| record.when().date() <= until.date())
    });
    records.sort_by_key(|record| (record.when().at, record.id()));
    if let Some(last) = args.last {
        records.drain(..records.len().saturating_sub(last));
    }
    if desk.json {
        return to_stdout(&records.iter().map(|record| told::record_json(record) + "\n").collect::<String>());
    }
    to_stdout(&told::list(&records, desk.units))
}

fn show(desk: &Desk, args: &ShowArgs) -> Result<Status, Failure> {
    let book = desk.read()?;
    let record = book.record(args.id).map_err(failure)?;
    let details = match &record {
        Record::Reading(_) => book.details(args.id).map_err(failure)?,
        Record::Event(_) => Details::default(),
    };
    if let Some(path) = &args.overlay {
        let Some(jpeg) = &details.overlay_jpeg else {
            return Err(Failure::request(
                format!("record {} has no overlay", args.id),
                "leave --overlay out, or name a reading that was kept with its picture",
            ));
        };
        to_file(path, jpeg)?;
    }
    if desk.json {
        return to_stdout(&format!("{}\n", told::whole_record_json(&record, &details)));
    }
    to_stdout(&told::record(&record, &details, desk.units))
}

fn event(desk: &Desk, args: &EventArgs) -> Result<Status, Failure> {
    let kind = args.kind.into();
    let note = args.note.as_deref().map(str::trim).filter(|note| !note.is_empty());
    if kind == logbook::EventKind::Other && note.is_none() {
        return Err(Failure::request("it is not said what was done", "say it with --note"));
    }
    let mut book = desk.open()?;
    let machine = the_machine(&book, args.machine.as_deref())?;
    let event = Event {
        when: when(args.when.as_deref(), &machine, desk.now)?,
        recorded: desk.now,
        machine: machine.name.clone(),
        kind,
        lens: args.lens.clone(),
        tube_mark: args.tube_mark.clone(),
        note: note.map(str::to_owned),
        ..Event::default()
    };
    let id = book.add_event(&event).map_err(failure)?;
    tell_record(desk, &book, id, &format!("Kept as record {id}: {}, {}.", machine.name, kind.words()))
}

/// A time as given, else now.
fn when(text: Option<&str>, machine: &Machine, now: Timestamp) -> Result<When, Failure> {
    let zone = logbook::zone(machine.zone.as_deref()).map_err(when_failure)?;
    match text {
        Some(text) => When::parse(text, &zone).and_then(|when| when.not_after(now)).map_err(when_failure),
        None => Ok(When::now(now, &zone)),
    }
}

fn tell_record(desk: &Desk, book: &Logbook, id: i64, sentence: &str) -> Result<Status, Failure> {
    if desk.json {
        let record = book.record(id).map_err(failure)?;
        return to_stdout(&format!("{}\n", told::record_json(&record)));
    }
    to_stdout(&format!("{sentence}\n"))
}

fn machine(desk: &Desk, args: &MachineArgs) -> Result<Status, Failure> {
    let Some(name) = &args.name else {
        return tell_machines(desk, &desk.read()?.machines().map_err(failure)?);
    };
    let said = log_facts::machine(args)?;
    let mut book = Logbook::open_or_create(&desk.path).map_err(failure)?;
    let known = match book.machine(name) {
        Ok(machine) => Some(machine),
        Err(LogbookError::NoMachine { .. }) => None,
        Err(error) => return Err(failure(error)),
    };
    if known.is_none() || said.says_anything() {
        let before = known.unwrap_or_else(|| Machine { name: name.clone(), ..Machine::default() });
        book.say_machine(&said.over(before)?, desk.now).map_err(failure)?;
    }
    tell_machines(desk, &[book.machine(name).map_err(failure)?])
}

fn tell_machines(desk: &Desk, machines: &[Machine]) -> Result<Status, Failure> {
    if desk.json {
        let lines = machines.iter().map(|machine| told::thing_json("machine", machine) + "\n");
        return to_stdout(&lines.collect::<String>());
    }
    to_stdout(&told::machines(machines, desk.units))
}

fn lens(desk: &Desk, args: &LensArgs) -> Result<Status, Failure> {
    let Some(name) = &args.name else {
        return tell_lenses(desk, &desk.read()?.lenses().map_err(failure)?);
    };
    let said = log_facts::lens(args)?;
    let mut book = Logbook::open_or_create(&desk.path).map_err(failure)?;
    let known = match book.lens(name) {
        Ok(lens) => Some(lens),
        Err(LogbookError::NoLens { .. }) => None,
        Err(error) => return Err(failure(error)),
    };
    if known.is_none() || said.says_anything() {
        let before = known.unwrap_or_else(|| Lens { name: name.clone(), ..Lens::default() });
        book.say_lens(&said.over(before), desk.now).map_err(failure)?;
    }
    tell_lenses(desk, &[book.lens(name).map_err(failure)?])
}

fn tell_lenses(desk: &Desk, lenses: &[Lens]) -> Result<Status, Failure> {
    if desk.json {
        let lines = lenses.iter().map(|lens| told::thing_json("lens", lens) + "\n");
        return to_stdout(&lines.collect::<String>());
    }
    to_stdout(&told::lenses(lenses, desk.units))
}

fn correct(desk: &Desk, args: &CorrectArgs) -> Result<Status, Failure> {
    let mut book = desk.open()?;
    let record = book.record(args.id).map_err(failure)?;
    let machine = book.machine(args.machine.as_deref().unwrap_or_else(|| record.machine())).map_err(failure)?;
    let correction = Correction {
        when: args.when.as_deref().map(|text| when(Some(text), &machine, desk.now)).transpose()?,
        machine: args.machine.as_ref().map(|_| machine.name.clone()),
        lens: args.lens.clone().map(|lens| Some(lens).filter(|lens| !lens.is_empty())),
        note: args.note.clone(),
        kind: args.kind.map(Into::into),
        tube_mark: args.tube_mark.clone(),
        fields: args.fields.0.clone(),
    };
    if correction.is_empty() {
        return Err(Failure::request(
            "nothing was said that would be corrected",
            "say what was wrong, such as --when 2026-03-01 or --spacer-in-use-mm 7",
        ));
    }
    let id = book.correct(args.id, &correction, desk.now).map_err(failure)?;
    let sentence = format!("Record {id} now stands in place of record {}, which stays to be seen.", args.id);
    tell_record(desk, &book, id, &sentence)
}

fn export(desk: &Desk, args: &ExportArgs) -> Result<Status, Failure> {
    let ending = args.file.as_deref().and_then(Path::extension).map(|ending| ending.to_string_lossy().to_lowercase());
    let form = match (args.form, ending.as_deref()) {
        (Some(form), _) => form,
        (None, Some("csv")) => FormArg::Csv,
        (None, Some("jsonl" | "ndjson" | "json") | None) => FormArg::Jsonl,
        (None, Some(other)) => {
            return Err(Failure::request(
                format!("the ending .{other} tells no form"),
                "end the file's name in .jsonl or .csv, or say --form",
            ));
        }
    };
    let mut text = Vec::new();
    desk.read()?.export(Form::from(form), &mut text).map_err(|error| match error {
        ExportError::Logbook(error) => failure(error),
        ExportError::Write(error) => own_fault(&error),
    })?;
    match &args.file {
        None => to_stdout(&String::from_utf8_lossy(&text)),
        Some(file) => {
            // What is read must not be written over.
            if fs::canonicalize(file).is_ok_and(|file| fs::canonicalize(&desk.path).is_ok_and(|book| book == file)) {
                return Err(Failure::request(
                    format!("{} is the logbook itself", file.display()),
                    "choose another name for the export",
                ));
            }
            to_file(file, &text)?;
            let name = file.display().to_string();
            desk.say(&format!("The logbook is written to {name}."), "export", &Named { file: &name })
        }
    }
}

fn import(desk: &Desk, file: &Path) -> Result<Status, Failure> {
    let at = |error: &dyn std::fmt::Display| format!("{}: {error}", file.display());
    let text = fs::read_to_string(file).map_err(|error| {
        Failure::request(
            format!("{} cannot be read: {error}", file.display()),
            "name a file that narrows log export wrote",
        )
    })?;
    let mut book = Logbook::open_or_create(&desk.path).map_err(failure)?;
    let done = book
        .import(&text)
        .map_err(|error| if error.is_broken() { failure(error) } else { Failure::request(at(&error), error.hint()) })?;
    let mut sentence = format!("Added {} and {}", counted(done.readings, "reading"), counted(done.events, "event"));
    if done.already > 0 {
        sentence.push_str(&format!(
            "; {} there already",
            if done.already == 1 { "1 was".to_owned() } else { format!("{} were", done.already) }
        ));
    }
    if done.renumbered {
        sentence.push_str("; they have new numbers, because theirs were taken");
    }
    desk.say(&(sentence + "."), "import", &done)
}

fn check(desk: &Desk, args: &CheckArgs) -> Result<Status, Failure> {
    let book = desk.read()?;
    let found = book.check();
    let rescued = match &args.rescue {
        Some(file) if file.exists() => return Err(failure(LogbookError::Exists { path: file.clone() })),
        Some(file) => Some((file, rescue(&book, file)?)),
        None => None,
    };
    let mut lines = vec![format!("logbook  {}", desk.path.display())];
    let whole = format!("{} and {}", counted(found.readings.len(), "reading"), counted(found.events.len(), "event"));
    if found.is_sound() {
        lines.push(format!("Sound: {whole}, all of them readable."));
    } else {
        lines.extend(found.problems.iter().map(|problem| format!("damaged: {problem}")));
        lines.push(format!("{whole} can be read."));
        if !found.lost.is_empty() {
            let ids: Vec<String> = found.lost.iter().map(ToString::to_string).collect();
            lines.push(format!("Cannot be read: record {}.", ids.join(", ")));
        }
    }
    if let Some((file, number)) = &rescued {
        lines.push(format!("{} written to {}.", counted(*number, "record"), file.display()));
    }
    let told = if desk.json { told::thing_json("check", &found) } else { lines.join("\n") };
    to_stdout(&format!("{told}\n"))?;
    if found.is_sound() {
        return Ok(Status::Answered);
    }
    let hint = match &rescued {
        Some((file, _)) => {
            format!("import it into a new logbook: narrows log import {} --logbook new.db", file.display())
        }
        None => "save what can be read: narrows log check --rescue FILE.jsonl; or take the last backup".to_owned(),
    };
    Err(Failure::broken(format!("the logbook {} is damaged", desk.path.display()), hint))
}

fn rescue(book: &Logbook, file: &Path) -> Result<usize, Failure> {
    let mut text = Vec::new();
    let number = book.rescue(&mut text).map_err(|error| match error {
        ExportError::Logbook(error) => {
            Failure::broken(&error, "take the last backup: machines and lenses cannot be read")
        }
        ExportError::Write(error) => own_fault(&error),
    })?;
    to_file(file, &text)?;
    Ok(number)
}

fn own_fault(error: &std::io::Error) -> Failure {
    Failure::broken(
        format!("the export cannot be made: {error}"),
        "keep the logbook and report it, so that this can be put right",
    )
}

fn counted(number: usize, what: &str) -> String {
    if number == 1 { format!("1 {what}") } else { format!("{number} {what}s") }
}
