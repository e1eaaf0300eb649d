//! The logbook on the page: readings kept, what was done to the machines, corrections, export, and a machine's defaults.

use std::path::PathBuf;
use std::sync::Arc;

use axum::Json;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::App;
use super::failure::Failure;
use super::readings::in_turn;
use super::setups::{FileFields, fields_of, raw};
use crate::logbook::{
    self, Correction, Details, Entry, Event, EventKind, Form, Kept, Lens, Logbook, LogbookError, Machine, PictureFile,
    Record, RecordId, When, WhenError, keepsake, lens_in, small_jpeg, supply,
};
use crate::report::logbook as told;
use crate::report::overlay;
use crate::report::rounding::{Units, round};

/// Longest note and reason, in bytes.
const MOST_NOTE: usize = 2000;

impl From<LogbookError> for Failure {
    fn from(error: LogbookError) -> Self {
        let hint = error.hint();
        // What a command would do, this page does where it can.
        let hint = match error {
            LogbookError::Missing { .. } => "read a strip and keep it: the logbook begins with it".to_owned(),
            LogbookError::NoMachine { .. } | LogbookError::NoLens { .. } if hint.contains("narrows") => {
                "add it here first".to_owned()
            }
            LogbookError::NoRecord { .. } | LogbookError::OtherKind { .. } => "look it up in the list".to_owned(),
            LogbookError::AlreadyWithdrawn { .. } => "correct it to bring it back".to_owned(),
            LogbookError::NeedsPicture { .. } => {
                "read the picture again with the right lengths, and keep that".to_owned()
            }
            _ => hint,
        };
        let status = if error.is_broken() { StatusCode::INTERNAL_SERVER_ERROR } else { StatusCode::BAD_REQUEST };
        Self::new(status, "logbook", error.to_string(), hint)
    }
}

impl From<WhenError> for Failure {
    fn from(error: WhenError) -> Self {
        Self::request("when", error.to_string(), error.hint())
    }
}

/// Runs work on the logbook's file beside the requests. Each request opens it anew: SQLite sees to it that several
/// programs may do so at once.
async fn with_book<T: Send + 'static>(
    app: &App,
    work: impl FnOnce(PathBuf) -> Result<T, Failure> + Send + 'static,
) -> Result<T, Failure> {
    let path = app.logbook.clone().ok_or_else(|| {
        Failure::new(
            StatusCode::NOT_FOUND,
            "no_logbook",
            "this page keeps no logbook",
            "start it with: narrows serve --logbook FILE",
        )
    })?;
    in_turn(app, "the logbook's answer", move || work(path)).await
}

/// `None` where there is no logbook yet.
fn open_to_read(path: &std::path::Path) -> Result<Option<Logbook>, Failure> {
    match Logbook::open_to_read(path) {
        Ok(book) => Ok(Some(book)),
        Err(LogbookError::Missing { .. }) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

#[derive(Debug, Default, Deserialize)]
#[serde(default)]
pub(super) struct Filter {
    machine: String,
    /// `readings`, `events`, or empty for both.
    kind: String,
    /// Also what was withdrawn or replaced.
    all: bool,
}

#[derive(Debug, Default, Serialize)]
pub(super) struct BookView {
    machines: Vec<Machine>,
    lenses: Vec<Lens>,
    kinds: Vec<KindView>,
    records: Vec<RecordView>,
}

#[derive(Debug, Serialize)]
struct KindView {
    kind: &'static str,
    words: &'static str,
}

#[derive(Debug, Serialize)]
struct RecordView {
    id: RecordId,
    kind: &'static str,
    when: String,
    date: String,
    machine: String,
    lens: Option<String>,
    /// The block's digits, or what was done.
    told: String,
    give_or_take: Option<String>,
    line_width: Option<String>,
    is_current: bool,
    is_refused: bool,
    cautions: usize,
    note: Option<String>,
    replaced_by: Option<RecordId>,
    withdrawn: Option<String>,
    /// Of an event: its kind's name, and where the tube's mark stood.
    event: Option<&'static str>,
    tube_mark: Option<String>,
}

/// `GET /api/logbook?machine=…&kind=…&all=…`: the newest first.
pub(super) async fn list(State(app): State<Arc<App>>, Query(filter): Query<Filter>) -> Result<Json<BookView>, Failure> {
    with_book(&app, move |path| {
        let kinds = EventKind::ALL.map(|kind| KindView { kind: kind.as_str(), words: kind.words() }).into();
        let Some(book) = open_to_read(&path)? else { return Ok(BookView { kinds, ..BookView::default() }) };
        let readings = if filter.kind == "events" { Vec::new() } else { book.entries()? };
        let events = if filter.kind == "readings" { Vec::new() } else { book.events()? };
        let mut records: Vec<Record> = readings.into_iter().map(|entry| Record::Reading(Box::new(entry))).collect();
        records.extend(events.into_iter().map(|event| Record::Event(Box::new(event))));
        records.retain(|record| filter.machine.is_empty() || record.machine().eq_ignore_ascii_case(&filter.machine));
        records.retain(|record| filter.all || record.is_current());
        records.sort_by_key(|record| std::cmp::Reverse((record.when().at, record.id())));
        let records = records.iter().map(RecordView::from).collect();
        Ok(BookView { machines: book.machines()?, lenses: book.lenses()?, kinds, records })
    })
    .await
    .map(Json)
}

impl From<&Record> for RecordView {
    fn from(record: &Record) -> Self {
        let when = record.when();
        let view = Self {
            id: record.id(),
            kind: "reading",
            when: when.rfc3339(),
            date: when.date(),
            machine: record.machine().to_owned(),
            lens: None,
            told: String::new(),
            give_or_take: None,
            line_width: None,
            is_current: record.is_current(),
            is_refused: false,
            cautions: 0,
            note: None,
            replaced_by: None,
            withdrawn: None,
            event: None,
            tube_mark: None,
        };
        match record {
            Record::Reading(entry) => Self { ..reading_view(view, entry) },
            Record::Event(event) => Self {
                kind: "event",
                lens: event.lens.clone(),
                told: event.kind.words().to_owned(),
                note: event.note.clone(),
                replaced_by: event.replaced_by,
                withdrawn: event.withdrawn.as_ref().map(|withdrawn| withdrawn.reason.clone()),
                event: Some(event.kind.as_str()),
                tube_mark: event.tube_mark.clone(),
                ..view
            },
        }
    }
}

fn reading_view(view: RecordView, entry: &Entry) -> RecordView {
    let spacer = entry.focus.spacer_mm.as_ref().map(|spacer| round(spacer, Units::Millimetres));
    let told = match (&entry.refusal, &spacer) {
        (Some(_), _) => "no answer".to_owned(),
        (None, Some(spacer)) => format!("{} mm", spacer.value),
        (None, None) => "no block".to_owned(),
    };
    RecordView {
        lens: entry.lens.clone(),
        told,
        give_or_take: spacer.and_then(|spacer| spacer.give_or_take),
        line_width: entry.focus.kerf_mm.as_ref().map(|kerf| round(kerf, Units::Millimetres).value),
        is_refused: entry.refusal.is_some(),
        cautions: entry.cautions.len(),
        note: entry.note.clone(),
        replaced_by: entry.replaced_by,
        withdrawn: entry.withdrawn.as_ref().map(|withdrawn| withdrawn.reason.clone()),
        ..view
    }
}

#[derive(Debug, Serialize)]
pub(super) struct RecordPage {
    record: RecordView,
    /// The command line's page of the record.
    told: String,
    has_overlay: bool,
}

/// `GET /api/logbook/records/{id}`.
pub(super) async fn record(State(app): State<Arc<App>>, Path(id): Path<RecordId>) -> Result<Json<RecordPage>, Failure> {
    with_book(&app, move |path| {
        let book = Logbook::open_to_read(&path)?;
        let record = book.record(id)?;
        let details = match &record {
            Record::Reading(_) => book.details(id)?,
            Record::Event(_) => Details::default(),
        };
        Ok(RecordPage {
            record: RecordView::from(&record),
            told: told::record(&record, &details, Units::Millimetres),
            has_overlay: details.overlay_jpeg.is_some(),
        })
    })
    .await
    .map(Json)
}

/// `GET /api/logbook/records/{id}/overlay.jpg`.
pub(super) async fn overlay_jpeg(State(app): State<Arc<App>>, Path(id): Path<RecordId>) -> Result<Response, Failure> {
    let jpeg = with_book(&app, move |path| Ok(Logbook::open_to_read(&path)?.details(id)?.overlay_jpeg)).await?;
    let jpeg = jpeg.ok_or_else(|| {
        Failure::new(
            StatusCode::NOT_FOUND,
            "nothing_there",
            "no drawing was kept with it",
            "look at its numbers instead",
        )
    })?;
    Ok(([(header::CONTENT_TYPE, HeaderValue::from_static("image/jpeg"))], jpeg).into_response())
}

#[derive(Debug, Deserialize)]
pub(super) struct MachineRequest {
    name: String,
    #[serde(default)]
    spacer_in_use_mm: Option<f64>,
    #[serde(default)]
    lens: Option<String>,
}

/// `POST /api/logbook/machines`: says that there is a machine, or what its block and lens are now; the rest stays.
pub(super) async fn machine(
    State(app): State<Arc<App>>,
    Json(request): Json<MachineRequest>,
) -> Result<StatusCode, Failure> {
    with_book(&app, move |path| {
        let mut book = Logbook::open_or_create(&path)?;
        let now = Timestamp::now();
        let name = request.name.trim();
        let known = book.machines()?.into_iter().find(|machine| machine.name.eq_ignore_ascii_case(name));
        let mut machine = known.unwrap_or_else(|| Machine { name: name.to_owned(), ..Machine::default() });
        if let Some(spacer) = request.spacer_in_use_mm {
            if !(spacer.is_finite() && spacer > 0.0 && spacer < 1000.0) {
                return Err(Failure::request(
                    "logbook",
                    "a block has a thickness",
                    "give it in millimetres, such as 8.0",
                ));
            }
            machine.fitting.spacer_in_use_mm = Some(spacer);
        }
        if let Some(lens) = request.lens.as_deref().map(str::trim).filter(|lens| !lens.is_empty()) {
            say_lens(&mut book, lens, now)?;
            machine.lens = Some(lens.to_owned());
        }
        book.say_machine(&machine, now)?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

/// A lens is known from the first time its name is used.
fn say_lens(book: &mut Logbook, name: &str, now: Timestamp) -> Result<(), Failure> {
    if !book.lenses()?.iter().any(|lens| lens.name.eq_ignore_ascii_case(name)) {
        book.say_lens(&Lens { name: name.to_owned(), ..Lens::default() }, now)?;
    }
    Ok(())
}

/// `GET /api/logbook/machines/{name}/fields`: the form as the machine's last reading filled it, with today's block.
pub(super) async fn fields(State(app): State<Arc<App>>, Path(name): Path<String>) -> Result<Json<FileFields>, Failure> {
    with_book(&app, move |path| {
        let book = Logbook::open_to_read(&path)?;
        let machine = book.machine(&name)?;
        let fitted = lens_in(&machine, &book.events()?, Timestamp::now());
        let lens = fitted.map(|lens| book.lens(&lens)).transpose()?;
        let entries = book.entries()?;
        let last = entries.iter().rev().find(|entry| entry.is_current() && entry.machine == machine.name);
        let mut fields = match last {
            Some(entry) => fields_of(&book.details(entry.id)?.setup)?,
            None => super::setups::Fields::new(),
        };
        // What belongs to that picture alone, and what the machine says anew.
        for name in ["points_px", "points_travel_mm", "points_u_px", "area_px", "dpi", "spacer_in_use_mm"] {
            fields.remove(name);
        }
        if fields.get("datum").is_some_and(|datum| datum == "points") {
            fields.remove("datum");
        }
        let mut raw = raw(&fields)?;
        supply(&mut raw, &machine, lens.as_ref())
            .map_err(|error| Failure::from(super::setups::Problem::from(error)))?;
        Ok(FileFields { fields: fields_of(&raw.to_toml())? })
    })
    .await
    .map(Json)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct KeepRequest {
    machine: String,
    #[serde(default)]
    lens: String,
    #[serde(default)]
    when: String,
    #[serde(default)]
    note: String,
    /// Keeps the same picture a second time.
    #[serde(default)]
    again: bool,
}

#[derive(Debug, Serialize)]
pub(super) struct KeptView {
    id: RecordId,
    /// The same picture was there already under this number.
    already: bool,
    when: String,
    machine: String,
}

/// `POST /api/pictures/{id}/keep`: keeps the picture's last reading. Answers when it is on the disk.
pub(super) async fn keep(
    State(app): State<Arc<App>>,
    Path(id): Path<String>,
    Json(request): Json<KeepRequest>,
) -> Result<Json<KeptView>, Failure> {
    let picture = app.pictures.get(&id)?;
    let (photo, _) = app.pictures.photo(&id)?;
    let shown = picture.shown.clone().ok_or_else(|| {
        Failure::new(StatusCode::CONFLICT, "not_read", "this picture was not read yet", "read it first")
    })?;
    note_must_fit(&request.note)?;
    with_book(&app, move |path| {
        let mut book = Logbook::open_or_create(&path)?;
        let machine = book.machine(request.machine.trim())?;
        let now = Timestamp::now();
        let when = when(&request.when, photo.captured_at.as_deref(), &machine, now)?;
        let lens = match request.lens.trim() {
            "" => lens_in(&machine, &book.events()?, when.at),
            name => {
                say_lens(&mut book, name, now)?;
                Some(book.lens(name)?.name)
            }
        };
        let file = PictureFile { name: picture.name.clone(), sha256: picture.sha256.clone() };
        let (entry, mut details) = keepsake(&shown.reading, &shown.setup, shown.setup_text.clone(), file);
        details.overlay_jpeg = small_jpeg(&overlay::draw(&photo, &shown.reading)).ok();
        let note = [request.note.trim(), if shown.by_hand { "line or ends moved by hand" } else { "" }];
        let note = note.into_iter().filter(|part| !part.is_empty()).collect::<Vec<_>>().join("; ");
        let entry = Entry {
            when,
            recorded: now,
            machine: machine.name.clone(),
            lens,
            note: (!note.is_empty()).then_some(note),
            ..entry
        };
        let (id, already) = match book.keep(&entry, &details, request.again)? {
            Kept::New(id) => (id, false),
            Kept::Already(id) => (id, true),
        };
        Ok(KeptView { id, already, when: when.rfc3339(), machine: machine.name })
    })
    .await
    .map(Json)
}

/// As given, else the picture's own time where that can be, else now.
fn when(given: &str, captured_at: Option<&str>, machine: &Machine, now: Timestamp) -> Result<When, Failure> {
    let zone = logbook::zone(machine.zone.as_deref())?;
    if !given.trim().is_empty() {
        return Ok(When::parse(given.trim(), &zone)?.not_after(now)?);
    }
    let captured = captured_at.and_then(|text| When::from_exif(text, &zone)?.not_after(now).ok());
    Ok(captured.unwrap_or_else(|| When::now(now, &zone)))
}

fn note_must_fit(note: &str) -> Result<(), Failure> {
    if note.len() > MOST_NOTE {
        return Err(Failure::request("note", "the note is too long", "keep it to a few sentences"));
    }
    Ok(())
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct EventRequest {
    machine: String,
    kind: EventKind,
    #[serde(default)]
    when: String,
    #[serde(default)]
    lens: String,
    #[serde(default)]
    tube_mark: String,
    #[serde(default)]
    note: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Numbered {
    id: RecordId,
}

/// `POST /api/logbook/events`.
pub(super) async fn event(
    State(app): State<Arc<App>>,
    Json(request): Json<EventRequest>,
) -> Result<Json<Numbered>, Failure> {
    note_must_fit(&request.note)?;
    with_book(&app, move |path| {
        let mut book = Logbook::open_or_create(&path)?;
        let machine = book.machine(request.machine.trim())?;
        let now = Timestamp::now();
        let lens = match request.lens.trim() {
            "" => None,
            name => {
                say_lens(&mut book, name, now)?;
                Some(book.lens(name)?.name)
            }
        };
        let event = Event {
            when: when(&request.when, None, &machine, now)?,
            recorded: now,
            machine: machine.name,
            kind: request.kind,
            lens,
            tube_mark: said(&request.tube_mark),
            note: said(&request.note),
            ..Event::default()
        };
        Ok(Numbered { id: book.add_event(&event)? })
    })
    .await
    .map(Json)
}

fn said(text: &str) -> Option<String> {
    let text = text.trim();
    (!text.is_empty()).then(|| text.to_owned())
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct CorrectRequest {
    #[serde(default)]
    when: Option<String>,
    #[serde(default)]
    machine: Option<String>,
    #[serde(default)]
    lens: Option<String>,
    #[serde(default)]
    note: Option<String>,
    #[serde(default)]
    kind: Option<EventKind>,
    #[serde(default)]
    tube_mark: Option<String>,
}

/// `POST /api/logbook/records/{id}/correct`: a new record replaces it; what was there stays, marked.
pub(super) async fn correct(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Json(request): Json<CorrectRequest>,
) -> Result<Json<Numbered>, Failure> {
    note_must_fit(request.note.as_deref().unwrap_or_default())?;
    with_book(&app, move |path| {
        let mut book = Logbook::open(&path)?;
        let now = Timestamp::now();
        let record = book.record(id)?;
        let machine = book.machine(request.machine.as_deref().unwrap_or(record.machine()))?;
        let when = request.when.as_deref().map(|text| when(text, None, &machine, now)).transpose()?;
        if let Some(lens) = request.lens.as_deref().and_then(said) {
            say_lens(&mut book, &lens, now)?;
        }
        let correction = Correction {
            when,
            machine: request.machine.as_ref().map(|_| machine.name.clone()),
            lens: request.lens.as_deref().map(said),
            note: request.note.clone(),
            kind: request.kind,
            tube_mark: request.tube_mark.clone(),
            fields: Vec::new(),
        };
        if correction.is_empty() {
            return Err(Failure::request(
                "nothing_to_correct",
                "nothing was changed",
                "change what is wrong, then correct it",
            ));
        }
        Ok(Numbered { id: book.correct(id, &correction, now)? })
    })
    .await
    .map(Json)
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct WithdrawRequest {
    reason: String,
}

/// `POST /api/logbook/records/{id}/withdraw`.
pub(super) async fn withdraw(
    State(app): State<Arc<App>>,
    Path(id): Path<RecordId>,
    Json(request): Json<WithdrawRequest>,
) -> Result<StatusCode, Failure> {
    note_must_fit(&request.reason)?;
    let reason = said(&request.reason)
        .ok_or_else(|| Failure::request("no_reason", "no reason is given", "say in a few words why it is withdrawn"))?;
    with_book(&app, move |path| {
        Logbook::open(&path)?.withdraw(id, &reason, Timestamp::now())?;
        Ok(StatusCode::NO_CONTENT)
    })
    .await
}

#[derive(Debug, Deserialize)]
pub(super) struct ExportRequest {
    #[serde(default)]
    form: String,
}

/// `GET /api/logbook/export?form=csv|jsonl`.
pub(super) async fn export(
    State(app): State<Arc<App>>,
    Query(request): Query<ExportRequest>,
) -> Result<Response, Failure> {
    let (form, kind, file) = match request.form.as_str() {
        "csv" => (Form::Csv, "text/csv; charset=utf-8", "logbook.csv"),
        "jsonl" => (Form::JsonLines, "application/x-ndjson", "logbook.jsonl"),
        _ => return Err(Failure::request("form", "there is no such form", "ask for csv or jsonl")),
    };
    let text = with_book(&app, move |path| {
        let mut text = Vec::new();
        Logbook::open_to_read(&path)?.export(form, &mut text).map_err(|_| Failure::own_fault("the export"))?;
        Ok(text)
    })
    .await?;
    Ok(download(kind, file, text))
}

/// A file to be saved.
pub(super) fn download(kind: &'static str, file: &'static str, bytes: impl Into<axum::body::Body>) -> Response {
    let disposition = HeaderValue::from_str(&format!("attachment; filename=\"{file}\""));
    let mut response = bytes.into().into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    if let Ok(disposition) = disposition {
        headers.insert(header::CONTENT_DISPOSITION, disposition);
    }
    response
}

/// The logbook's machines, lenses, readings and events, for whoever judges them.
pub(super) struct Everything {
    pub(super) machine: Machine,
    pub(super) lenses: Vec<Lens>,
    pub(super) entries: Vec<Entry>,
    pub(super) events: Vec<Event>,
}

/// Everything that is known of one machine.
pub(super) async fn everything(app: &App, machine: String) -> Result<Everything, Failure> {
    with_book(app, move |path| {
        let book = Logbook::open_to_read(&path)?;
        let machine = book.machine(machine.trim())?;
        Ok(Everything { machine, lenses: book.lenses()?, entries: book.entries()?, events: book.events()? })
    })
    .await
}
