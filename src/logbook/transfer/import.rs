//! Lines into the logbook, all or none.

use std::collections::BTreeMap;

use rusqlite::Connection;
use serde::Serialize;

use super::{Line, SCHEMA, WholeReading, parse};
use crate::logbook::book::{Said, Trouble, same_name};
use crate::logbook::entry::{Details, Entry, Event, RecordId, Withdrawn};
use crate::logbook::insert::{
    insert_event, insert_reading, insert_withdrawal, name_lens, name_machine, say_lens, say_machine,
};
use crate::logbook::rows::{
    EVENTS, READINGS, SELECT_DETAILS, details_of, entry_of, event_of, json, rows_of, select, timestamp,
};
use crate::logbook::when::zone;
use crate::logbook::{Logbook, LogbookError};

/// What an import did.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
pub struct Imported {
    /// Readings that were not there.
    pub readings: usize,
    /// Events that were not there.
    pub events: usize,
    /// Records that were there already, told by their identity.
    pub already: usize,
    /// True where records got other numbers, because theirs were taken.
    pub renumbered: bool,
}

impl Logbook {
    /// Adds what an export holds, in one transaction. What is there already is not added again; numbers are kept
    /// unless one of them is taken.
    ///
    /// # Errors
    /// A text that no export wrote, a record that differs from the one with the same identity, or a file that cannot be
    /// written. Nothing is imported then.
    pub fn import(&mut self, text: &str) -> Result<Imported, LogbookError> {
        let lines = parse(text)?;
        match lines.first() {
            Some((_, Line::Logbook { schema })) if schema == SCHEMA => {}
            Some((line, Line::Logbook { schema })) => {
                let what = format!("its schema is {schema}, and this narrows reads {SCHEMA}");
                return Err(LogbookError::BadLine { line: *line, what });
            }
            _ => {
                let what = "it does not begin with a record of the kind \"logbook\"".to_owned();
                return Err(LogbookError::BadLine { line: 1, what });
            }
        }
        self.write(|transaction| import(transaction, lines))
    }
}

/// Largest number of a record: each further one gets a larger number, and beyond 2⁵³ not every JSON reader keeps it.
const LARGEST_ID: RecordId = 1 << 53;

/// Characters of a record's identity.
const UID_LENGTH: usize = 32;

/// Identities of records that are there, with their numbers.
type Known = BTreeMap<String, RecordId>;

fn import(connection: &Connection, lines: Vec<(usize, Line)>) -> Result<Imported, Trouble> {
    say_all(connection, &lines)?;
    let known = known(connection)?;
    let taken: Vec<RecordId> = known.values().copied().collect();
    let is_taken = |(_, line): &(usize, Line)| match line {
        Line::Reading(reading) => !known.contains_key(&reading.entry.uid) && taken.contains(&reading.entry.id),
        Line::Event(event) => !known.contains_key(&event.uid) && taken.contains(&event.id),
        _ => false,
    };
    let mut imported = Imported { renumbered: lines.iter().any(is_taken), ..Imported::default() };
    // Numbers in the file, and those in the logbook.
    let mut numbers: BTreeMap<RecordId, RecordId> = BTreeMap::new();
    for (line, content) in lines {
        let (id, uid) = match &content {
            Line::Reading(reading) => (reading.entry.id, reading.entry.uid.clone()),
            Line::Event(event) => (event.id, event.uid.clone()),
            _ => continue,
        };
        if !(1..=LARGEST_ID).contains(&id) {
            let what = format!("its number is {id}, and numbers are from 1 to {LARGEST_ID}");
            return Err(LogbookError::BadLine { line, what }.into());
        }
        // Of a record without one nobody could tell, when it comes again, that it is here already.
        if uid.chars().count() != UID_LENGTH {
            let what = format!("its uid has {} characters, and a uid has {UID_LENGTH}", uid.chars().count());
            return Err(LogbookError::BadLine { line, what }.into());
        }
        let replaces = |replaced: Option<RecordId>| match replaced {
            Some(replaced) => numbers.get(&replaced).copied().map(Some).ok_or_else(|| LogbookError::BadLine {
                line,
                what: format!("it replaces record {replaced}, which does not stand before it"),
            }),
            None => Ok(None),
        };
        let number = (!imported.renumbered).then_some(id);
        let (there, withdrawn) = match content {
            Line::Reading(reading) => {
                let WholeReading { mut entry, details } = *reading;
                entry.replaces = replaces(entry.replaces)?;
                let withdrawn = entry.withdrawn.clone();
                let there = match known.get(&uid) {
                    Some(there) => {
                        same_reading(connection, *there, &entry, &details)?;
                        imported.already += 1;
                        *there
                    }
                    None => {
                        imported.readings += 1;
                        insert_reading(connection, &entry, &details, number)?
                    }
                };
                (there, withdrawn)
            }
            Line::Event(mut event) => {
                event.replaces = replaces(event.replaces)?;
                let withdrawn = event.withdrawn.clone();
                let there = match known.get(&uid) {
                    Some(there) => {
                        same_event(connection, *there, &event)?;
                        imported.already += 1;
                        *there
                    }
                    None => {
                        imported.events += 1;
                        insert_event(connection, &event, number)?
                    }
                };
                (there, withdrawn)
            }
            _ => continue,
        };
        numbers.insert(id, there);
        withdraw(connection, there, withdrawn)?;
    }
    Ok(imported)
}

/// Machines and lenses name each other, so that all names come before all facts.
fn say_all(connection: &Connection, lines: &[(usize, Line)]) -> Result<(), Trouble> {
    for (line, content) in lines {
        match content {
            Line::Machine(said) => {
                // Without its zone nothing of the machine could be told a time.
                zone(said.what.zone.as_deref())
                    .map_err(|why| LogbookError::BadLine { line: *line, what: why.to_string() })?;
                name_machine(connection, &said.what.name)?;
            }
            Line::Lens(said) => drop(name_lens(connection, &said.what.name)?),
            _ => {}
        }
    }
    let said = |sql| rows_of(connection, sql, [], |row| Ok(Said { recorded: timestamp(row, 0)?, what: json(row, 1)? }));
    let machines = said("SELECT recorded, facts FROM machine_said ORDER BY id")?;
    let said = |sql| rows_of(connection, sql, [], |row| Ok(Said { recorded: timestamp(row, 0)?, what: json(row, 1)? }));
    let lenses = said("SELECT recorded, facts FROM lens_said ORDER BY id")?;
    for (_, line) in lines {
        match line {
            Line::Machine(said) if !machines.contains(said) => say_machine(connection, &said.what, said.recorded)?,
            Line::Lens(said) if !lenses.contains(said) => say_lens(connection, &said.what, said.recorded)?,
            _ => {}
        }
    }
    Ok(())
}

fn known(connection: &Connection) -> rusqlite::Result<Known> {
    let rows = rows_of(connection, "SELECT uid, id FROM record", [], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(rows.into_iter().collect())
}

/// Withdrawn here or there is withdrawn.
fn withdraw(connection: &Connection, id: RecordId, withdrawn: Option<Withdrawn>) -> Result<(), Trouble> {
    let Some(withdrawn) = withdrawn else { return Ok(()) };
    let is_already: i64 =
        connection.query_row("SELECT count(*) FROM withdrawal WHERE record = ?1", [id], |row| row.get(0))?;
    if is_already == 0 { insert_withdrawal(connection, id, &withdrawn) } else { Ok(()) }
}

fn same_reading(connection: &Connection, there: RecordId, entry: &Entry, details: &Details) -> Result<(), Trouble> {
    let entries = rows_of(connection, &select(READINGS, "WHERE record.id = ?1"), [there], entry_of)?;
    let known = rows_of(connection, SELECT_DETAILS, [there], details_of)?;
    // Number, replacement and withdrawal are this logbook's own, and so is how it spells a name.
    let alike = |known: Entry| Entry {
        machine: respelt(known.machine, &entry.machine),
        lens: respelt_lens(known.lens, entry.lens.as_deref()),
        id: entry.id,
        replaced_by: entry.replaced_by,
        withdrawn: entry.withdrawn.clone(),
        ..known
    };
    let is_same = entries.into_iter().next().map(alike).as_ref() == Some(entry) && known.first() == Some(details);
    conflict_unless(is_same, format!("reading {}", entry.id), &entry.uid)
}

fn same_event(connection: &Connection, there: RecordId, event: &Event) -> Result<(), Trouble> {
    let events = rows_of(connection, &select(EVENTS, "WHERE record.id = ?1"), [there], event_of)?;
    let alike = |known: Event| Event {
        machine: respelt(known.machine, &event.machine),
        lens: respelt_lens(known.lens, event.lens.as_deref()),
        id: event.id,
        replaced_by: event.replaced_by,
        withdrawn: event.withdrawn.clone(),
        ..known
    };
    let is_same = events.into_iter().next().map(alike).as_ref() == Some(event);
    conflict_unless(is_same, format!("event {}", event.id), &event.uid)
}

/// The same name in the other's spelling.
fn respelt(known: String, other: &str) -> String {
    if same_name(&known, other) { other.to_owned() } else { known }
}

fn respelt_lens(known: Option<String>, other: Option<&str>) -> Option<String> {
    match other {
        Some(other) => known.map(|known| respelt(known, other)),
        None => known,
    }
}

fn conflict_unless(is_same: bool, what: String, uid: &str) -> Result<(), Trouble> {
    if is_same { Ok(()) } else { Err(LogbookError::Conflict { what, uid: uid.to_owned() }.into()) }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::cautions::{Caution, CautionCode};
    use crate::estimate::Estimate;
    use crate::logbook::*;
    use crate::refusal::{Refusal, RefusalCode};
    use crate::setup::Burn;

    fn uid(number: u8) -> String {
        format!("{number:032x}")
    }

    fn odd() -> f64 {
        // No short decimal form, and one that a parser which does not round correctly gets wrong.
        std::f64::consts::PI.powi(7) / 3.0
    }

    fn fitting() -> Fitting {
        Fitting {
            lens_to_nozzle_mm: Some(41.8),
            tip_diameter_mm: Some(8.0),
            spacer_in_use_mm: Some(7.0),
            gauged_from: Some("nozzle tip".into()),
        }
    }

    /// One line of each kind with every field filled, and the same kinds with as little as can be.
    pub(in crate::logbook::transfer) fn one_of_each() -> Vec<Line> {
        let recorded = "2026-03-01T12:00:00.123Z".parse().unwrap();
        let machine = Machine {
            name: "north".into(),
            zone: Some("Europe/Lisbon".into()),
            wavelength_um: Some(10.6),
            beam_diameter_mm: Some(7.0),
            lens: Some("two inch".into()),
            fitting: fitting(),
            ramp: Some(NamedRamp { name: "oak".into(), incline_deg: 5.7, incline_u_deg: Some(0.02) }),
            note: Some("first line\r\nsecond, with \"quotes\"\n".into()),
        };
        let lens = Lens {
            name: "two inch".into(),
            nominal_focal_length_mm: Some(50.8),
            fitting: fitting(),
            on: vec![LensOnMachine { machine: "north".into(), fitting: fitting() }],
            note: Some("true".into()),
        };
        let some = Some(Estimate::new(odd(), 0.1 + 0.2));
        let full = Entry {
            id: 3,
            uid: uid(3),
            when: When::parse("2026-03-01T14:30:00+01:00", &jiff::tz::TimeZone::UTC).unwrap(),
            recorded,
            machine: "north".into(),
            lens: Some("two inch".into()),
            burn: Burn {
                material: Some("ply, 3 mm".into()),
                power: Some("20".into()),
                speed_mm_s: Some(20.5),
                passes: Some(2),
                air: Some(false),
                run_along: Some("x".into()),
            },
            picture: Picture {
                name: "=1+1.png".into(),
                sha256: Some("a".repeat(64)),
                width_px: 4000,
                height_px: 700,
                orientation: 6,
                mm_per_px: Some(odd()),
                area_px: Some([1.0, 2.5, 3.0, 4.0]),
            },
            ramp: RampFacts { travel_mm: 150.0, span_mm: odd(), rise_mm: Estimate::new(15.0, 0.3) },
            head: HeadFacts {
                spacer_in_use_mm: Some(7.0),
                lens_to_nozzle_mm: Some(41.8),
                nominal_focal_length_mm: Some(50.8),
                gauged_from: Some("null".into()),
            },
            refusal: None,
            focus: FocusFacts {
                position_mm: some,
                height_mm: some,
                spacer_mm: some,
                change_mm: some,
                focal_distance_mm: some,
                kerf_mm: some,
                slack: Some(Slack { fraction: 0.05, below_mm: 1.5, above_mm: 1.25, positions_mm: Some([60.0, odd()]) }),
            },
            line: Some(LineFacts {
                visible_mm: Some([1.0, 149.0]),
                contrast: 0.7,
                straightness_mm: Some(0.01),
                raggedness_mm: Some(0.02),
                period_mm: Some(20.0),
                soot_side: Some(SootSide::Right),
                is_dark: true,
                blur_px: 0.7,
                straightness_px: 0.2,
                raggedness_px: 0.3,
                sides_mm: Some([9.0, 9.5]),
                overdrive: Some(21.5),
            }),
            cautions: vec![Caution::new(CautionCode::LineShaky, "it wanders, \"so\"")],
            version: "0.1.0".into(),
            note: Some("7".into()),
            replaces: Some(2),
            replaced_by: None,
            withdrawn: Some(Withdrawn { recorded, reason: "wrong strip".into() }),
        };
        let details = Details {
            setup: "[ramp]\ntravel_mm = 150\n".into(),
            fits: vec![FitFacts {
                model: "parabola".into(),
                position_mm: Estimate::new(70.0, 0.2),
                used: true,
                weight: 0.5,
                stations: 300,
                range_mm: [1.0, 149.0],
                relative_rms: 0.02,
                parameters: [("overdrive".to_owned(), odd())].into(),
            }],
            stations: vec![StationFacts {
                position_mm: None,
                kerf_mm: Some(0.17),
                along_px: 100.0,
                kerf_px: 4.0,
                kerf_u_px: 0.1,
                contrast: 0.7,
                used: true,
            }],
            overlay_jpeg: Some(vec![0xff, 0xd8, 0, 1, 2]),
        };
        let bare = Entry {
            id: 2,
            uid: uid(2),
            recorded,
            machine: "north".into(),
            refusal: Some(Refusal::new(RefusalCode::NoLine, "no line", "burn one")),
            picture: Picture { name: "a.png".into(), orientation: 1, ..Picture::default() },
            version: "0.1.0".into(),
            replaced_by: Some(3),
            ..Entry::default()
        };
        let event = Event {
            id: 1,
            uid: uid(1),
            recorded,
            machine: "north".into(),
            lens: Some("two inch".into()),
            kind: EventKind::HeadRefitted,
            tube_mark: Some("12.5".into()),
            note: Some("é, ü".into()),
            ..Event::default()
        };
        vec![
            Line::Logbook { schema: SCHEMA.into() },
            Line::Machine(Said { recorded, what: Machine { name: "south".into(), ..Machine::default() } }),
            Line::Machine(Said { recorded, what: machine }),
            Line::Lens(Said { recorded, what: lens }),
            Line::Event(Box::new(event)),
            Line::Reading(Box::new(WholeReading { entry: bare, details: Details::default() })),
            Line::Reading(Box::new(WholeReading { entry: full, details })),
        ]
    }

    fn book() -> (tempfile::TempDir, Logbook) {
        let folder = tempfile::tempdir().unwrap();
        let book = Logbook::open_or_create(&folder.path().join("a.db")).unwrap();
        (folder, book)
    }

    fn exported(book: &Logbook, form: Form) -> String {
        let mut text = Vec::new();
        book.export(form, &mut text).unwrap();
        String::from_utf8(text).unwrap()
    }

    fn written(lines: Vec<Line>) -> String {
        let mut text = Vec::new();
        super::super::write(Form::JsonLines, lines, &mut text).unwrap();
        String::from_utf8(text).unwrap()
    }

    #[test]
    fn both_forms_come_back_byte_for_byte() {
        let said = written(one_of_each());
        let (_folder, mut first) = book();
        assert_eq!(first.import(&said).unwrap(), Imported { readings: 2, events: 1, already: 0, renumbered: false });
        assert_eq!(exported(&first, Form::JsonLines), said);
        let table = exported(&first, Form::Csv);
        let (_folder, mut second) = book();
        second.import(&table).unwrap();
        assert_eq!(exported(&second, Form::JsonLines), said);
        assert_eq!(exported(&second, Form::Csv), table);
    }

    /// Found by fuzzing: a table cannot tell an empty text from none.
    #[test]
    fn an_empty_text_says_nothing() {
        let machine = r#"{"record":"machine","recorded":"2025-03-03T09:00:00Z","name":"south","zone":"","note":"","fitting":{"gauged_from":""}}"#;
        let lens = r#"{"record":"lens","recorded":"2025-03-03T09:00:00Z","name":"two inch","note":""}"#;
        let (_folder, mut first) = book();
        first
            .import(&format!("{}{machine}\n{lens}\n", written(vec![Line::Logbook { schema: SCHEMA.into() }])))
            .unwrap();
        let said = exported(&first, Form::JsonLines);
        assert!(!said.contains("\"\""), "{said}");
        let (_folder, mut second) = book();
        second.import(&exported(&first, Form::Csv)).unwrap();
        assert_eq!(exported(&second, Form::JsonLines), said);
    }

    #[test]
    fn what_is_there_is_not_added_again_and_taken_numbers_give_way() {
        let said = written(one_of_each());
        let (_folder, mut first) = book();
        first.import(&said).unwrap();
        assert_eq!(first.import(&said).unwrap(), Imported { already: 3, ..Imported::default() });
        assert_eq!(exported(&first, Form::JsonLines), said);
        // Another logbook whose numbers 1 to 3 are taken by other records.
        let (_folder, mut other) = book();
        other
            .say_machine(&Machine { name: "north".into(), ..Machine::default() }, jiff::Timestamp::UNIX_EPOCH)
            .unwrap();
        let event = Event { machine: "NORTH".into(), ..Event::default() };
        assert_eq!([(); 3].map(|()| other.add_event(&event).unwrap()), [1, 2, 3]);
        let imported = other.import(&said).unwrap();
        assert_eq!(imported, Imported { readings: 2, events: 1, already: 0, renumbered: true });
        let entries = other.entries().unwrap();
        let mut links: Vec<_> = entries.iter().map(|entry| (entry.id, entry.replaces, entry.replaced_by)).collect();
        links.sort_unstable();
        assert_eq!(links, [(5, None, Some(6)), (6, Some(5), None)]);
        assert_eq!(other.import(&said).unwrap().already, 3);
    }

    /// Found by fuzzing: names are one whatever their capitals, also where a record is told to be there already.
    #[test]
    fn a_record_whose_names_are_spelt_otherwise_is_there_already() {
        let mut lines = one_of_each();
        for line in &mut lines {
            let (machine, lens) = match line {
                Line::Reading(reading) => (&mut reading.entry.machine, &mut reading.entry.lens),
                Line::Event(event) => (&mut event.machine, &mut event.lens),
                _ => continue,
            };
            machine.make_ascii_uppercase();
            lens.iter_mut().for_each(|lens| lens.make_ascii_uppercase());
        }
        let text = written(lines);
        let (_folder, mut book) = book();
        assert_eq!(book.import(&text).unwrap().readings, 2);
        assert_eq!(book.import(&text).unwrap(), Imported { already: 3, ..Imported::default() });
    }

    #[test]
    fn a_text_that_does_not_fit_is_refused_whole() {
        let (_folder, mut book) = book();
        book.import(&written(one_of_each())).unwrap();
        let before = exported(&book, Form::JsonLines);
        let mut changed = one_of_each();
        let Some(Line::Reading(reading)) = changed.last_mut() else { panic!("a reading comes last") };
        reading.entry.note = Some("another".into());
        let conflict = book.import(&written(changed)).unwrap_err();
        assert!(matches!(conflict, LogbookError::Conflict { .. }), "{conflict}");
        let mut headless = one_of_each();
        headless.remove(0);
        let mut reordered = one_of_each();
        reordered.swap(5, 6);
        let with = |id, uid| {
            let event = Event { id, uid, machine: "north".into(), ..Event::default() };
            written(vec![Line::Logbook { schema: SCHEMA.into() }, Line::Event(Box::new(event))])
        };
        let numbered = |id| with(id, uid(9));
        for (text, line) in [
            (written(headless), 1),
            (written(reordered).replace("00003\"", "00013\"").replace("00002\"", "00012\""), 6),
            ("{\"record\":\"logbook\",\"schema\":\"narrows.logbook/2\"}\n".into(), 1),
            ("{\"record\":\"logbook\",\"schema\":\"narrows.logbook/1\"}\n\n{\"record\":\"strip\"}\n".into(), 3),
            ("record,schema\nlogbook,narrows.logbook/1\nevent,\n".into(), 3),
            ("record,colour\nlogbook,red\n".into(), 1),
            // Found by fuzzing: an export would leave such a record out, or there would be no number for a further one.
            (numbered(0), 2),
            (numbered(-21), 2),
            (numbered(RecordId::MAX), 2),
            // Found by fuzzing: each import would have taken it once more.
            (with(1, String::new()), 2),
            (with(1, "short".into()), 2),
            // Of a machine in a zone that nobody knows no time could be told.
            (
                format!(
                    "{}{}",
                    written(vec![Line::Logbook { schema: SCHEMA.into() }]),
                    r#"{"record":"machine","recorded":"2025-03-03T09:00:00Z","name":"south","zone":"Nowhere/Town"}"#
                ),
                2,
            ),
            ("nothing of the kind".into(), 1),
            (String::new(), 1),
        ] {
            match book.import(&text) {
                Err(LogbookError::BadLine { line: found, .. }) => assert_eq!(found, line, "{text}"),
                other => panic!("{other:?} for {text}"),
            }
        }
        assert_eq!(exported(&book, Form::JsonLines), before);
    }
}
