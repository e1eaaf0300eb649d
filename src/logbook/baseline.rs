//! Where a series starts anew: readings before such a moment and after it are not one series.
//!
//! There are two series on every machine. The *focus* starts anew where lens, nozzle or head was out. The *line's width
//! and strength* start anew with the tube, with the mirrors' alignment, and where material, power, speed, passes, air or
//! axis change. Cleaning in place starts neither.

use jiff::Timestamp;

use super::entry::{Entry, Event, RecordId};
use crate::setup::Burn;

/// Which series.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Series {
    /// The focus: position, height, spacer.
    Focus,
    /// The line's width and strength.
    Line,
}

/// A moment from which on a series counts anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Start {
    /// The first moment that belongs to it.
    pub at: Timestamp,
    /// Why.
    pub because: Because,
}

/// Why a series starts anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Because {
    /// An event, by its number.
    Event(RecordId),
    /// This reading is the first after one with another lens in the same machine, and no event tells of the change.
    OtherLens(RecordId),
    /// This reading is the first with other settings.
    Settings(RecordId),
}

/// Whether two lines were burned alike, so that their widths may be compared.
pub fn burned_alike(one: &Burn, other: &Burn) -> bool {
    one == other
}

/// The moments at which a series starts anew for one lens in one machine, in order of time; readings before the first
/// are a series too. Only current records count. `entries` and `events` may hold other machines and lenses, in any order.
pub fn starts(series: Series, machine: &str, lens: Option<&str>, entries: &[Entry], events: &[Event]) -> Vec<Start> {
    let mut on_machine: Vec<&Entry> = entries.iter().filter(|e| e.is_current() && e.machine == machine).collect();
    on_machine.sort_by_key(|entry| (entry.when.at, entry.id));
    let counts = |event: &&Event| match series {
        Series::Focus => event.kind.starts_focus(),
        Series::Line => event.kind.starts_line(),
    };
    let mut starts: Vec<Start> = events
        .iter()
        .filter(|event| event.is_current() && event.machine == machine)
        .filter(counts)
        .map(|event| Start { at: event.when.at, because: Because::Event(event.id) })
        .collect();
    match series {
        Series::Focus => starts.extend(unrecorded_changes(lens, &on_machine, &starts)),
        Series::Line => starts.extend(other_settings(lens, &on_machine)),
    }
    starts.sort_by_key(|start| (start.at, rank(start.because)));
    starts
}

/// A reading with another lens in between shows that the lens was out, whether or not anybody wrote it down.
fn unrecorded_changes(lens: Option<&str>, on_machine: &[&Entry], recorded: &[Start]) -> Vec<Start> {
    let mut changes = Vec::new();
    for pair in on_machine.windows(2) {
        let [before, after] = [pair[0], pair[1]];
        let is_told = recorded.iter().any(|start| before.when.at < start.at && start.at <= after.when.at);
        if after.lens.as_deref() == lens && before.lens != after.lens && !is_told {
            changes.push(Start { at: after.when.at, because: Because::OtherLens(after.id) });
        }
    }
    changes
}

fn other_settings(lens: Option<&str>, on_machine: &[&Entry]) -> Vec<Start> {
    let same_lens: Vec<&&Entry> = on_machine.iter().filter(|entry| entry.lens.as_deref() == lens).collect();
    same_lens
        .windows(2)
        .filter(|pair| !burned_alike(&pair[0].burn, &pair[1].burn))
        .map(|pair| Start { at: pair[1].when.at, because: Because::Settings(pair[1].id) })
        .collect()
}

const fn rank(because: Because) -> (u8, RecordId) {
    match because {
        Because::Event(id) => (0, id),
        Because::OtherLens(id) => (1, id),
        Because::Settings(id) => (2, id),
    }
}
