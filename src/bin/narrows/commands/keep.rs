//! What the logbook has to do with `narrows read`: machine and lens supply what the setup leaves open, and readings are kept.

use std::path::{Path, PathBuf};

use jiff::Timestamp;
use jiff::tz::TimeZone;
use narrows::logbook::{
    self, Details, Entry, Event, Kept, Lens, Logbook, Machine, PictureFile, When, keepsake, lens_in, sha256_of_file,
    small_jpeg, supply,
};
use narrows::photo::Photo;
use narrows::reading::Reading;
use narrows::report::json;
use narrows::report::{logbook as told, overlay};
use narrows::setup::{RawSetup, Setup, SetupError};

use super::log::{failure, path, the_machine, when_failure};
use crate::args::{CombineArg, KeepArg, ReadArgs};
use crate::exit::Failure;

/// The logbook as one run of `narrows read` needs it.
pub struct Keeper {
    path: PathBuf,
    machine: Machine,
    /// The lens that was named.
    named: Option<Lens>,
    lenses: Vec<Lens>,
    events: Vec<Event>,
    zone: TimeZone,
    now: Timestamp,
    given: Option<When>,
    keep: Option<KeepArg>,
    again: bool,
    note: Option<String>,
    replaces: Option<i64>,
}

/// A picture's own setup: when it was burned and with which lens, and what follows.
#[derive(Clone)]
pub struct Supplied {
    /// The setup with what the logbook supplied.
    pub setup: Setup,
    text: String,
    when: When,
    lens: Option<String>,
}

/// What is to be kept of one reading.
pub struct Keepsake {
    entry: Entry,
    details: Details,
}

impl Keeper {
    /// `None` where nothing of the logbook was asked for.
    ///
    /// # Errors
    /// No logbook, an unknown machine or lens, a time that is none, or flags that do not go together.
    pub fn new(args: &ReadArgs) -> Result<Option<Self>, Failure> {
        if args.machine.is_none() && args.lens.is_none() && args.keep.is_none() {
            return Ok(None);
        }
        if args.replaces.is_some() && args.pictures.len() > 1 {
            return Err(Failure::request(
                "one record cannot be replaced by several pictures",
                "read the picture that replaces it alone",
            ));
        }
        if args.keep.is_some() && matches!(args.combine, Some(CombineArg::Pictures)) && args.pictures.len() > 1 {
            return Err(Failure::request(
                "several pictures of one strip would be kept as several strips",
                "keep the best picture alone, and combine the others without --keep",
            ));
        }
        let path = path(args.logbook.as_deref())?;
        let book = Logbook::open_to_read(&path).map_err(failure)?;
        let machine = the_machine(&book, args.machine.as_deref())?;
        let named = args.lens.as_deref().map(|name| book.lens(name)).transpose().map_err(failure)?;
        if let Some(id) = args.replaces {
            book.entry(id).map_err(failure)?;
        }
        let zone = logbook::zone(machine.zone.as_deref()).map_err(when_failure)?;
        let now = Timestamp::now();
        let given = args.when.as_deref().map(|text| When::parse(text, &zone).and_then(|when| when.not_after(now)));
        Ok(Some(Self {
            path,
            named,
            lenses: book.lenses().map_err(failure)?,
            events: book.events().map_err(failure)?,
            machine,
            zone,
            now,
            given: given.transpose().map_err(when_failure)?,
            keep: args.keep,
            again: args.keep_again,
            note: args.note.clone(),
            replaces: args.replaces,
        }))
    }

    /// The setup of a picture that was taken when its file says.
    ///
    /// # Errors
    /// A setup that does not hold together.
    pub fn supplied(&self, raw: &RawSetup, captured_at: Option<&str>) -> Result<Supplied, SetupError> {
        let when = self.when(captured_at);
        let fitted = lens_in(&self.machine, &self.events, when.at);
        let lens = self.named.as_ref().or_else(|| self.lenses.iter().find(|lens| Some(&lens.name) == fitted.as_ref()));
        let mut raw = raw.clone();
        supply(&mut raw, &self.machine, lens)?;
        Ok(Supplied { setup: raw.check()?, text: raw.to_toml(), when, lens: lens.map(|lens| lens.name.clone()) })
    }

    /// As given, else the picture's time where that can be, else now.
    fn when(&self, captured_at: Option<&str>) -> When {
        let captured = || When::from_exif(captured_at?, &self.zone)?.not_after(self.now).ok();
        self.given.or_else(captured).unwrap_or_else(|| When::now(self.now, &self.zone))
    }

    /// What is to be kept of a reading; `None` where it is not wanted.
    ///
    /// # Errors
    /// A picture's file that cannot be read again.
    pub fn keepsake(
        &self,
        picture: &Path,
        name: &str,
        photo: &Photo,
        reading: &Reading,
        supplied: &Supplied,
    ) -> Result<Option<Keepsake>, Failure> {
        match (self.keep, &reading.outcome) {
            (None, _) | (Some(KeepArg::Answers), Err(_)) => return Ok(None),
            _ => {}
        }
        let sha256 = sha256_of_file(picture).map_err(|error| {
            Failure::request(
                format!("{name}: not kept, because the file cannot be read again: {error}"),
                "name a file that stays in its place while it is read",
            )
        })?;
        let file = PictureFile { name: name.to_owned(), sha256: Some(sha256) };
        let (entry, mut details) = keepsake(reading, &supplied.setup, supplied.text.clone(), file);
        details.overlay_jpeg = small_jpeg(&overlay::draw(photo, reading)).ok();
        let entry = Entry {
            when: supplied.when,
            recorded: self.now,
            machine: self.machine.name.clone(),
            lens: supplied.lens.clone(),
            note: self.note.clone(),
            replaces: self.replaces,
            ..entry
        };
        Ok(Some(Keepsake { entry, details }))
    }

    /// Keeps readings in their order, each in a transaction of its own.
    ///
    /// # Errors
    /// For each reading: a logbook that cannot be written.
    pub fn keep(&self, keepsakes: Vec<Option<Keepsake>>) -> Vec<Option<Result<json::Kept, Failure>>> {
        if keepsakes.iter().all(Option::is_none) {
            return keepsakes.iter().map(|_| None).collect();
        }
        let mut book = Logbook::open(&self.path);
        let mut keep_one = |keepsake: Keepsake| {
            let kept = match &mut book {
                Ok(book) => book.keep(&keepsake.entry, &keepsake.details, self.again),
                // Opened anew for its error, which each reading tells.
                Err(_) => Logbook::open(&self.path)
                    .and_then(|mut book| book.keep(&keepsake.entry, &keepsake.details, self.again)),
            };
            let (id, already) = match kept.map_err(failure)? {
                Kept::New(id) => (id, false),
                Kept::Already(id) => (id, true),
            };
            let entry = keepsake.entry;
            Ok(json::Kept {
                id,
                already,
                machine: entry.machine,
                lens: entry.lens,
                when: entry.when.rfc3339(),
                when_from: entry.when.told_by(),
                zone_assumed: entry.when.zone_assumed,
                told: told::moment(&entry.when),
            })
        };
        keepsakes.into_iter().map(|keepsake| keepsake.map(&mut keep_one)).collect()
    }

    /// True where a reading without an answer is left out although readings are kept.
    pub fn leaves_out(&self, reading: &Reading) -> bool {
        self.keep == Some(KeepArg::Answers) && reading.outcome.is_err()
    }
}
