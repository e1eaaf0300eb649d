//! The logbook's records told to a person, and as lines of JSON.

use serde::Serialize;

use super::json::{Kept, one_line};
use super::rounding::{Units, fixed, length, rough, round, stock};
use super::text::Page;
use crate::logbook::{Details, Entry, Event, Fitting, Lens, Machine, Record, SootSide, When, WhenFrom};
use crate::printable::printable;

/// Widest name that a table's column leaves room for.
const WIDEST_NAME: usize = 16;

/// One record a line, oldest first as given, under a heading.
pub fn list(records: &[Record], units: Units) -> String {
    if records.is_empty() {
        return "Nothing is kept that fits.\n".to_owned();
    }
    let mut rows = vec![Row::heading(units)];
    rows.extend(records.iter().map(|record| Row::of(record, units)));
    let width = |column: usize| rows.iter().map(|row| row.cells[column].chars().count()).max().unwrap_or(0);
    let widths: [usize; CELLS] = std::array::from_fn(width);
    let mut text = String::new();
    for row in &rows {
        let mut line = String::new();
        for (column, cell) in row.cells.iter().enumerate() {
            let gap = widths[column] - cell.chars().count();
            let is_number = matches!(column, 0 | 4..=6);
            let [before, after] = if is_number { [gap, 0] } else { [0, gap] };
            line.push_str(&format!("{}{cell}{}  ", " ".repeat(before), " ".repeat(after)));
        }
        line.push_str(&row.remark);
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}

const CELLS: usize = 7;

struct Row {
    cells: [String; CELLS],
    remark: String,
}

impl Row {
    fn heading(units: Units) -> Self {
        let unit = units.sign();
        let cells =
            ["no.", "date", "machine", "lens", &format!("block {unit}"), "give or take", &format!("width {unit}")]
                .map(str::to_owned);
        Self { cells, remark: "remarks".to_owned() }
    }

    fn of(record: &Record, units: Units) -> Self {
        let lens = match record {
            Record::Reading(entry) => entry.lens.as_deref(),
            Record::Event(event) => event.lens.as_deref(),
        };
        let [mut block, mut give_or_take, mut width] = [const { String::new() }; 3];
        let mut remarks: Vec<String> = state(record);
        match record {
            Record::Reading(entry) => {
                if let Some(spacer) = &entry.focus.spacer_mm {
                    let rounded = round(spacer, units);
                    block = rounded.value;
                    give_or_take = rounded.give_or_take.unwrap_or_default();
                } else if entry.refusal.is_none() {
                    remarks.push("no block: where the nozzle was is not known".to_owned());
                }
                if let Some(kerf) = &entry.focus.kerf_mm {
                    width = round(kerf, units).value;
                }
                if let Some(refusal) = &entry.refusal {
                    remarks.push(format!("no answer: {}", refusal.message));
                }
                match entry.cautions.len() {
                    0 => {}
                    1 => remarks.push("1 caution".to_owned()),
                    many => remarks.push(format!("{many} cautions")),
                }
                remarks.extend(entry.note.clone());
            }
            Record::Event(event) => remarks.push(done(event)),
        }
        let cells = [
            record.id().to_string(),
            record.when().date(),
            short(record.machine()),
            short(lens.unwrap_or_default()),
            block,
            give_or_take,
            width,
        ];
        Self { cells, remark: printable(&remarks.join("; ")) }
    }
}

/// Whether a record still counts.
fn state(record: &Record) -> Vec<String> {
    let (replaces, replaced_by, withdrawn) = match record {
        Record::Reading(entry) => (entry.replaces, entry.replaced_by, &entry.withdrawn),
        Record::Event(event) => (event.replaces, event.replaced_by, &event.withdrawn),
    };
    let mut state = Vec::new();
    state.extend(withdrawn.as_ref().map(|withdrawn| format!("withdrawn ({})", withdrawn.reason)));
    state.extend(replaced_by.map(|id| format!("replaced by {id}")));
    state.extend(replaces.map(|id| format!("replaces {id}")));
    state
}

/// What an event says.
fn done(event: &Event) -> String {
    let mut said = match (&event.note, event.kind) {
        (Some(note), crate::logbook::EventKind::Other) => note.clone(),
        (note, kind) => std::iter::once(kind.words().to_owned()).chain(note.clone()).collect::<Vec<_>>().join("; "),
    };
    if let Some(mark) = &event.tube_mark {
        said.push_str(&format!("; mark at {mark}"));
    }
    said
}

fn short(name: &str) -> String {
    let name = printable(name);
    if name.chars().count() <= WIDEST_NAME {
        return name;
    }
    name.chars().take(WIDEST_NAME - 1).chain(['…']).collect()
}

/// A single record's page.
pub fn record(record: &Record, details: &Details, units: Units) -> String {
    match record {
        Record::Reading(entry) => reading_page(entry, details, units),
        Record::Event(event) => event_page(event),
    }
}

fn reading_page(entry: &Entry, details: &Details, units: Units) -> String {
    let mut page = Page::new();
    page.heading(&format!("record {}: a reading", entry.id));
    common_rows(&mut page, &Record::Reading(Box::new(entry.clone())), entry.lens.as_deref(), entry.note.as_deref());
    match &entry.refusal {
        Some(refusal) => {
            page.row("no answer", &refusal.message);
            page.row("what to do", &refusal.advice);
        }
        None => tell_focus(&mut page, entry, units),
    }
    if let Some(line) = &entry.line {
        page.heading("the line");
        page.row("contrast", &fixed(line.contrast, 2));
        if let Some([below, above]) = entry.reach_mm() {
            page.row(
                "visible",
                &format!("{} below the focus to {} above it", rough(below, units), rough(above, units)),
            );
        }
        if let Some(wander) = line.straightness_mm {
            let period = line.period_mm.map_or(String::new(), |period| format!(", every {}", rough(period, units)));
            page.row("sideways wander", &format!("{}{period}", rough(wander, units)));
        }
        if let Some([low, high]) = line.sides_mm {
            page.row(
                "sides",
                &format!("{} towards the low end, {} towards the high end", rough(low, units), rough(high, units)),
            );
        }
        if let Some(side) = line.soot_side {
            let side = if side == SootSide::Left { "left" } else { "right" };
            page.row("soot", &format!("on the {side}, looking from the low end to the high end"));
        }
    }
    let burn = &entry.burn;
    let speed = burn.speed_mm_s.map(|speed| format!("{speed} mm/s"));
    let passes = burn.passes.map(|passes| if passes == 1 { "1 pass".to_owned() } else { format!("{passes} passes") });
    let air = burn.air.map(|air| if air { "air on" } else { "air off" }.to_owned());
    let axis = burn.run_along.as_ref().map(|axis| format!("along {axis}"));
    let said: Vec<String> =
        [burn.material.clone(), burn.power.clone(), speed, passes, air, axis].into_iter().flatten().collect();
    page.heading("what it rests on");
    page.row_if("burned", &said.join(", "));
    page.row("picture", &entry.picture.name);
    page.row_if("its SHA-256", entry.picture.sha256.as_deref().unwrap_or_default());
    let used = details.stations.iter().filter(|station| station.used).count();
    if !details.stations.is_empty() {
        page.row("measured places", &format!("{used} used of {}", details.stations.len()));
    }
    page.row("read by", &format!("narrows {}", entry.version));
    for (index, caution) in entry.cautions.iter().enumerate() {
        if index == 0 {
            page.heading("to know before trusting it");
        }
        page.paragraph("  - ", "    ", &caution.message);
    }
    if !details.setup.is_empty() {
        page.heading("setup");
        for line in details.setup.lines().filter(|line| !line.is_empty()) {
            page.text.push_str(&format!("  {}\n", printable(line)));
        }
    }
    page.text
}

fn tell_focus(page: &mut Page, entry: &Entry, units: Units) {
    let focus = &entry.focus;
    let rows = [
        ("block", &focus.spacer_mm),
        ("change", &focus.change_mm),
        ("height", &focus.height_mm),
        ("focal distance", &focus.focal_distance_mm),
        ("line width", &focus.kerf_mm),
        ("along the strip", &focus.position_mm),
    ];
    for (label, estimate) in rows {
        if let Some(estimate) = estimate {
            page.row(label, &length(estimate, units));
        }
    }
    if let Some(slack) = &focus.slack {
        let [total, below, above] = [slack.total_mm(), slack.below_mm, slack.above_mm].map(|mm| rough(mm, units));
        page.row("height slack", &format!("{total} ({below} down, {above} up)"));
    }
    if let Some(in_use) = entry.head.spacer_in_use_mm {
        page.row("block in use", &stock(in_use, units));
    }
    page.row_if("gauged from", entry.head.gauged_from.as_deref().unwrap_or_default());
}

fn event_page(event: &Event) -> String {
    let mut page = Page::new();
    page.heading(&format!("record {}: an event", event.id));
    page.row("what was done", event.kind.words());
    common_rows(&mut page, &Record::Event(Box::new(event.clone())), event.lens.as_deref(), event.note.as_deref());
    page.row_if("mark", event.tube_mark.as_deref().unwrap_or_default());
    let starts = match (event.kind.starts_focus(), event.kind.starts_line()) {
        (true, _) => "the focus starts anew here",
        (_, true) => "the line's width and strength start anew here",
        _ => "",
    };
    page.row_if("baseline", starts);
    page.text
}

fn common_rows(page: &mut Page, record: &Record, lens: Option<&str>, note: Option<&str>) {
    page.row("when", &moment(record.when()));
    page.row("machine", record.machine());
    page.row_if("lens", lens.unwrap_or_default());
    page.row_if("note", note.unwrap_or_default());
    page.row_if("state", &state(record).join("; "));
}

/// Letters of `2026-03-01T14:30:00`, after which RFC 3339 has the offset.
const RFC3339_OFFSET_AT: usize = 19;

/// A moment and how it is known: "2026-03-01 14:30 +00:00 (the picture's time; time zone assumed)".
pub fn moment(when: &When) -> String {
    let from = match when.from {
        WhenFrom::Given => "as given",
        WhenFrom::Picture => "the picture's time",
        WhenFrom::Now => "when it was kept",
    };
    let assumed = if when.zone_assumed { ", time zone assumed" } else { "" };
    let offset: String = when.rfc3339().chars().skip(RFC3339_OFFSET_AT).collect();
    format!("{} {offset} ({from}{assumed})", when.minute())
}

/// What came of keeping a reading, as a row under its page.
pub fn kept(kept: &Kept) -> String {
    let mut page = Page::new();
    let lens = kept.lens.as_ref().map_or(String::new(), |lens| format!(", {lens}"));
    let text = if kept.already {
        format!("not again: the same picture is record {} of the logbook already", kept.id)
    } else {
        format!("as record {}: {}{lens}, {}", kept.id, kept.machine, kept.told)
    };
    page.row("kept", &text);
    page.text
}

/// The same where a reading without an answer is left out.
pub fn not_kept() -> String {
    let mut page = Page::new();
    page.row("kept", "no, because there is no answer; --keep=all keeps it as such");
    page.text
}

/// Machines and what is known of each.
pub fn machines(machines: &[Machine], units: Units) -> String {
    let mut page = Page::new();
    for machine in machines {
        page.heading(&printable(&machine.name));
        page.row_if("lens in it", machine.lens.as_deref().unwrap_or_default());
        page.row_if("time zone", machine.zone.as_deref().unwrap_or_default());
        if let Some(wavelength) = machine.wavelength_um {
            page.row("wavelength", &format!("{wavelength} µm"));
        }
        if let Some(diameter) = machine.beam_diameter_mm {
            page.row("beam at the lens", &stock(diameter, units));
        }
        fitting_rows(&mut page, &machine.fitting, units);
        if let Some(ramp) = &machine.ramp {
            let sure = ramp.incline_u_deg.map_or(String::new(), |u| format!(", standard uncertainty {u}°"));
            page.row("ramp", &format!("{}, {}°{sure}", ramp.name, ramp.incline_deg));
        }
        page.row_if("note", machine.note.as_deref().unwrap_or_default());
    }
    if machines.is_empty() { "No machine is known yet.\n".to_owned() } else { page.text }
}

/// Lenses and what is known of each.
pub fn lenses(lenses: &[Lens], units: Units) -> String {
    let mut page = Page::new();
    for lens in lenses {
        page.heading(&printable(&lens.name));
        if let Some(focal_length) = lens.nominal_focal_length_mm {
            page.row("focal length", &format!("{}, as printed on it", stock(focal_length, units)));
        }
        fitting_rows(&mut page, &lens.fitting, units);
        for on in &lens.on {
            page.row("on machine", &on.machine);
            fitting_rows(&mut page, &on.fitting, units);
        }
        page.row_if("note", lens.note.as_deref().unwrap_or_default());
    }
    if lenses.is_empty() { "No lens is known yet.\n".to_owned() } else { page.text }
}

fn fitting_rows(page: &mut Page, fitting: &Fitting, units: Units) {
    let lengths = [
        ("block in use", fitting.spacer_in_use_mm),
        ("lens to nozzle", fitting.lens_to_nozzle_mm),
        ("nozzle tip", fitting.tip_diameter_mm),
    ];
    for (label, length_mm) in lengths {
        if let Some(length_mm) = length_mm {
            page.row(label, &stock(length_mm, units));
        }
    }
    page.row_if("gauged from", fitting.gauged_from.as_deref().unwrap_or_default());
}

/// One line of JSON for a record, as `narrows log list --json` prints it: its fields after `record`, which is `reading` or
/// `event`.
pub fn record_json(record: &Record) -> String {
    match record {
        Record::Reading(entry) => one_line(&Tagged { record: "reading", what: &**entry, more: None }),
        Record::Event(event) => one_line(&Tagged { record: "event", what: &**event, more: None }),
    }
}

/// The same for a single record, a reading's with `details` (setup, fits, stations; no overlay).
pub fn whole_record_json(record: &Record, details: &Details) -> String {
    match record {
        Record::Reading(entry) => {
            let details = Details { overlay_jpeg: None, ..details.clone() };
            one_line(&Tagged { record: "reading", what: &**entry, more: Some(More { details: &details }) })
        }
        Record::Event(_) => record_json(record),
    }
}

/// One line of JSON for anything of the logbook, marked by what it is.
pub fn thing_json(record: &'static str, what: &impl Serialize) -> String {
    one_line(&Tagged { record, what, more: None })
}

#[derive(Serialize)]
struct Tagged<'a, T: Serialize> {
    record: &'static str,
    #[serde(flatten)]
    what: &'a T,
    #[serde(flatten)]
    more: Option<More<'a>>,
}

#[derive(Serialize)]
struct More<'a> {
    details: &'a Details,
}
