//! Corrections: a new record that says all of the old one again, but for what was wrong, and names it.

use jiff::Timestamp;

use super::book::Record;
use super::entry::{Details, Entry, Event, EventKind, RecordId};
use super::error::LogbookError;
use super::keepsake::{focus_facts, head_facts, ramp_facts};
use super::open::Logbook;
use super::when::When;
use crate::cautions::CautionCode;
use crate::height;
use crate::setup::{Field, RawSetup, Section, Setup, SetupError};

/// What was wrong with a record; `None` leaves as it was.
#[derive(Debug, Clone, Default)]
pub struct Correction {
    /// When it belongs to.
    pub when: Option<When>,
    /// Whose it is.
    pub machine: Option<String>,
    /// Which lens; `Some(None)`: unknown.
    pub lens: Option<Option<String>>,
    /// Note; an empty one takes it away.
    pub note: Option<String>,
    /// What was done: events alone.
    pub kind: Option<EventKind>,
    /// Where the tube's mark stood: events alone.
    pub tube_mark: Option<String>,
    /// Fields of the setup, as after the flag: readings alone.
    pub fields: Vec<(Field, String)>,
}

impl Correction {
    /// True where nothing was wrong.
    pub const fn is_empty(&self) -> bool {
        self.when.is_none()
            && self.machine.is_none()
            && self.lens.is_none()
            && self.note.is_none()
            && self.kind.is_none()
            && self.tube_mark.is_none()
            && self.fields.is_empty()
    }
}

/// Cautions that the setup raises, and not the picture: they are judged anew with it.
const OF_THE_SETUP: [CautionCode; 6] = [
    CautionCode::EndsSwapped,
    CautionCode::StripBows,
    CautionCode::RimContact,
    CautionCode::FocalLengthDiffers,
    CautionCode::SpacerSmall,
    CautionCode::RisesDiffer,
];

impl Logbook {
    /// Writes the corrected record and gives its number. A reading's heights, block and cautions are computed anew from
    /// its kept place along the strip; what would move that place needs the picture.
    ///
    /// # Errors
    /// No such record, one that was replaced already, a correction that does not suit it or does not hold together, or a
    /// file that cannot be written.
    pub fn correct(
        &mut self,
        id: RecordId,
        correction: &Correction,
        recorded: Timestamp,
    ) -> Result<RecordId, LogbookError> {
        match self.record(id)? {
            Record::Reading(entry) => {
                let details = self.details(id)?;
                let (entry, details) = corrected_reading(*entry, details, correction, recorded)?;
                self.write(|transaction| super::insert::insert_reading(transaction, &entry, &details, None))
            }
            Record::Event(event) => {
                let event = corrected_event(*event, correction, recorded)?;
                self.add_event(&event)
            }
        }
    }
}

fn corrected_event(event: Event, correction: &Correction, recorded: Timestamp) -> Result<Event, LogbookError> {
    if !correction.fields.is_empty() {
        return Err(LogbookError::OtherKind { id: event.id, found: "an event", wanted: "a reading with a setup" });
    }
    Ok(Event {
        id: 0,
        uid: String::new(),
        recorded,
        replaces: Some(event.id),
        replaced_by: None,
        withdrawn: None,
        when: correction.when.unwrap_or(event.when),
        machine: correction.machine.clone().unwrap_or(event.machine),
        lens: correction.lens.clone().unwrap_or(event.lens),
        kind: correction.kind.unwrap_or(event.kind),
        tube_mark: correction.tube_mark.clone().or(event.tube_mark),
        note: correction.note.clone().or(event.note),
    })
}

fn corrected_reading(
    entry: Entry,
    mut details: Details,
    correction: &Correction,
    recorded: Timestamp,
) -> Result<(Entry, Details), LogbookError> {
    if correction.kind.is_some() || correction.tube_mark.is_some() {
        return Err(LogbookError::OtherKind { id: entry.id, found: "a reading", wanted: "an event" });
    }
    let mut corrected = Entry {
        id: 0,
        uid: String::new(),
        recorded,
        replaces: Some(entry.id),
        replaced_by: None,
        withdrawn: None,
        when: correction.when.unwrap_or(entry.when),
        machine: correction.machine.clone().unwrap_or_else(|| entry.machine.clone()),
        lens: correction.lens.clone().unwrap_or_else(|| entry.lens.clone()),
        note: correction.note.clone().or_else(|| entry.note.clone()),
        ..entry.clone()
    };
    if !correction.fields.is_empty() {
        let [old, new] = setups(&details.setup, &correction.fields)?;
        if let Some(field) = needs_picture(&old.1, &new.1, &correction.fields) {
            return Err(LogbookError::NeedsPicture { id: entry.id, field: field.to_string() });
        }
        details.setup = new.0.to_toml();
        convert(&mut corrected, &new.1);
    }
    Ok((corrected, details))
}

/// The kept setup, and the same with the fields over it.
fn setups(kept: &str, fields: &[(Field, String)]) -> Result<[(RawSetup, Setup); 2], LogbookError> {
    let run = || -> Result<_, SetupError> {
        let old = RawSetup::from_toml(kept, None)?;
        let mut new = old.clone();
        for (field, text) in fields {
            new.set_flag(*field, text)?;
        }
        let checked = [old.check()?, new.check()?];
        let [old_checked, new_checked] = checked;
        Ok([(old, old_checked), (new, new_checked)])
    };
    run().map_err(|error| LogbookError::Setup(Box::new(error)))
}

/// The field that moves the places along the strip, where one does.
fn needs_picture(old: &Setup, new: &Setup, fields: &[(Field, String)]) -> Option<Field> {
    let first_of = |section| fields.iter().map(|(field, _)| *field).find(|field| field.section() == section);
    if old.picture != new.picture {
        return first_of(Section::Picture);
    }
    let same = |one: f64, other: f64| (one - other).abs() < 1e-9;
    let is_same_ramp = same(old.ramp.travel_mm, new.ramp.travel_mm)
        && same(old.ramp.span_mm, new.ramp.span_mm)
        && old.ramp.strip_length_mm == new.ramp.strip_length_mm
        && old.ramp.strip_width_mm == new.ramp.strip_width_mm;
    // With two gaps and nothing else, the gaps say how steep it was.
    if is_same_ramp { None } else { first_of(Section::Ramp).or_else(|| first_of(Section::Head)) }
}

/// The answer in the new setup's terms.
fn convert(entry: &mut Entry, setup: &Setup) {
    entry.burn = setup.burn.clone();
    entry.ramp = ramp_facts(&setup.ramp);
    entry.head = head_facts(setup);
    let Some(position) = entry.focus.position_mm else { return };
    let slack = entry.focus.slack;
    let positions = slack.and_then(|slack| slack.positions_mm);
    let fraction = slack.map_or(crate::reading::ReadOptions::default().slack_fraction, |slack| slack.fraction);
    let (focus, cautions) = height::convert(position, entry.focus.kerf_mm, positions, fraction, setup);
    entry.focus = focus_facts(&focus, positions);
    entry.cautions.retain(|caution| !OF_THE_SETUP.contains(&caution.code));
    entry.cautions.extend(cautions);
    entry.cautions.sort_by_key(|caution| caution.code);
}
