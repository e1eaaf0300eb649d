//! A reading told to the person at the bench: first what to do, alone; then the number; then what it rests on.

use serde::Serialize;

use super::rounding::{self, Rounded, Units, fixed, length, rough, round, stock};
use super::{advice, words};
use crate::cautions::Caution;
use crate::reading::{Fit, Focus, Reading};
use crate::refusal::Refusal;
use crate::setup::Setup;
use crate::stations::Station;

/// The cautions of the README in one sentence; see [`footer`].
pub const CAUTION_FOOTER: &str = "The beam and its reflections burn and blind: keep the lid and its interlocks \
     closed, never leave a burning machine, key off before hands go in. Local rules and the machine's manual come \
     first.";

/// Columns of the text.
const COLUMNS: usize = 80;
/// Columns of the labels, the indent before them included.
const LABEL_COLUMNS: usize = 19;

/// One picture's reading in millimetres, without the [`footer`]. `name` is the picture as named on the command line.
pub fn reading(reading: &Reading, setup: &Setup, name: &str) -> String {
    reading_in(Units::Millimetres, reading, setup, name)
}

/// One picture's reading in the units of the reader's choice.
pub fn reading_in(units: Units, reading: &Reading, setup: &Setup, name: &str) -> String {
    tell_reading(units, reading, setup, name).text
}

/// One picture's reading as blocks, for whoever sets them in a page of their own.
pub fn reading_blocks(units: Units, reading: &Reading, setup: &Setup, name: &str) -> Vec<Block> {
    tell_reading(units, reading, setup, name).blocks
}

fn tell_reading(units: Units, reading: &Reading, setup: &Setup, name: &str) -> Page {
    let mut page = Page::new();
    match &reading.outcome {
        Ok(focus) => {
            tell_answer(&mut page, units, focus, setup);
            page.heading("what it rests on");
            page.row("picture", name);
            tell_basis(&mut page, units, focus, setup);
        }
        Err(refusal) => {
            tell_refusal(&mut page, refusal);
            page.heading("what was seen");
            page.row("picture", name);
            if reading.course.is_none() {
                page.row("line", "none found");
            }
        }
    }
    if let Some(tie) = &reading.tie {
        page.row("placed by", &words::placed_by(tie));
    }
    if !reading.stations.is_empty() {
        page.row("measured places", &tell_stations(&reading.stations));
    }
    for (index, fit) in reading.fits.iter().enumerate() {
        page.row(if index == 0 { "fits" } else { "" }, &tell_fit(units, fit));
    }
    tell_cautions(&mut page, &reading.cautions);
    page
}

/// Several pictures combined, in millimetres, without the [`footer`]. `mode` is `strips` or `pictures`;
/// `names` are those that entered the result, `left_out` those that gave no answer.
pub fn combined(
    mode: &str,
    names: &[String],
    left_out: &[String],
    outcome: &Result<Focus, Refusal>,
    cautions: &[Caution],
    setup: &Setup,
) -> String {
    combined_in(Units::Millimetres, mode, names, left_out, outcome, cautions, setup)
}

/// Several pictures combined, in the units of the reader's choice.
pub fn combined_in(
    units: Units,
    mode: &str,
    names: &[String],
    left_out: &[String],
    outcome: &Result<Focus, Refusal>,
    cautions: &[Caution],
    setup: &Setup,
) -> String {
    let mut page = Page::new();
    let what = match mode {
        "strips" => format!("{} taken together", counted(names.len(), "strip", "strips")),
        _ => format!("{} of one strip taken together", counted(names.len(), "picture", "pictures")),
    };
    match outcome {
        Ok(focus) => {
            tell_answer(&mut page, units, focus, setup);
            page.heading("what it rests on");
            page.row("this is", &what);
            page.row("pictures", &names.join(", "));
            page.row_if("left out", &left_out.join(", "));
            tell_basis(&mut page, units, focus, setup);
        }
        Err(refusal) => {
            tell_refusal(&mut page, refusal);
            page.heading("what was seen");
            page.row("pictures", &if names.is_empty() { "none with an answer".to_owned() } else { names.join(", ") });
            page.row_if("left out", &left_out.join(", "));
        }
    }
    tell_cautions(&mut page, cautions);
    page.text
}

/// [`CAUTION_FOOTER`] as it stands at the end of a run's output: once, however many pictures were read.
pub fn footer() -> String {
    let mut page = Page::new();
    page.paragraph("", "", CAUTION_FOOTER);
    page.text
}

fn tell_answer(page: &mut Page, units: Units, focus: &Focus, setup: &Setup) {
    let unit = units.sign();
    let in_use = setup.head.spacer_in_use_mm;
    let Some(spacer) = &focus.spacer_mm else {
        tell_answer_without_block(page, units, focus, setup);
        return;
    };
    let block = round(spacer, units);
    if block.value.starts_with('-') || is_zero(&block.value) {
        page.action("no block fits: the focus is not below the nozzle tip");
        page.paragraph("", "", &format!("gap at the finest place {}", length(spacer, units)));
        page.paragraph(
            "do next: ",
            "         ",
            "check the gaps or the block of the setup; where they are right, \
             another nozzle or another place of the lens is needed",
        );
        return;
    }
    let told = format!("block {}", length(spacer, units));
    let (Some(change), Some(in_use)) = (&focus.change_mm, in_use) else {
        page.action(&format!("use {} {unit} block", with_article(&block.value)));
        page.paragraph("", "", &told);
        return;
    };
    let present = format!("{} block", stock(in_use, units));
    // Told to the block's own step, so that the three numbers on the page add up.
    let by = format!("{} {unit}", fixed(units.from_mm(change.value.abs()), block.decimals));
    let is_same = is_zero(&by);
    if is_same || change.value.abs() <= change.expanded() {
        page.action("within the give-or-take of the block in use: leave it alone");
    } else if change.value > 0.0 {
        page.action(&format!("add {} shim to the {present}", with_article(&by)));
    } else {
        page.action(&format!("take {by} off the {present}: make {} {unit} block", with_article(&block.value)));
    }
    let compared = match (is_same, change.value > 0.0) {
        (true, _) => format!("as thick as the {present} in use"),
        (false, true) => format!("{by} thicker than the {present} in use"),
        (false, false) => format!("{by} thinner than the {present} in use"),
    };
    page.paragraph("", "", &format!("{told}: {compared}"));
}

fn tell_answer_without_block(page: &mut Page, units: Units, focus: &Focus, setup: &Setup) {
    let unit = units.sign();
    if let Some(height) = &focus.height_mm {
        page.action(&format!("bring the top of the work to a height of {} {unit}", round(height, units).value));
        page.paragraph(
            "",
            "",
            &format!("height {}, from the flat that the two heights were measured from", length(height, units)),
        );
    } else {
        let place = round(&focus.position_mm, units).value;
        page.action(&format!("the finest place is {place} {unit} from the low end"));
        page.paragraph("", "", &format!("distance along the strip {}", length(&focus.position_mm, units)));
    }
    page.gap();
    let what = if setup.head.place.is_some() {
        "check the setup's [head]: the nozzle's place and the ramp's heights do not settle a block together"
    } else {
        "with the ramp in place and the head as high as it was for the ramp test, beam disarmed, drive the nozzle \
         over the low end and over the high end, measure the gap below it at both, and read the picture again with \
         gap_low_mm and gap_high_mm"
    };
    page.paragraph("for a block: ", "  ", what);
}

fn tell_refusal(page: &mut Page, refusal: &Refusal) {
    page.gap();
    page.paragraph("no answer: ", "  ", &refusal.message);
    page.paragraph("do next: ", "  ", &refusal.advice);
}

fn tell_basis(page: &mut Page, units: Units, focus: &Focus, setup: &Setup) {
    let place = length(&focus.position_mm, units).replacen(',', " up the strip from the low end,", 1);
    // What stands above already as the answer is not told twice.
    let is_block_told = focus.spacer_mm.is_some();
    if is_block_told || focus.height_mm.is_some() {
        page.row("finest place", &place);
    }
    if let Some(height) = focus.height_mm.as_ref().filter(|_| is_block_told) {
        page.row("height", &length(height, units));
    }
    if let Some(gauged_from) = &setup.head.gauged_from {
        page.row("gauged from", gauged_from);
    }
    if let Some(distance) = &focus.focal_distance_mm {
        page.row("focal distance", &format!("{}, lens to work", length(distance, units)));
    }
    match &focus.kerf_mm {
        Some(kerf) => page.row("line width", &format!("{}, at the finest place", length(kerf, units))),
        None => page.row("line width", "not known: the picture has no scale across the line"),
    }
    match &focus.depth_of_focus_mm {
        Some(slack) => page.row(
            "height slack",
            &format!(
                "{} lower to {} higher, for a line at most {} % wider",
                rough(slack.below_mm, units),
                rough(slack.above_mm, units),
                percent(slack.fraction)
            ),
        ),
        None => page.row("height slack", "not known: it reaches past the measured part of the line"),
    }
}

fn tell_stations(stations: &[Station]) -> String {
    let used = stations.iter().filter(|s| s.used).count();
    let reasons: Vec<String> = words::left_out_counts(stations)
        .into_iter()
        .map(|(which, number)| format!("{number} {}", which.map_or("without a stated reason", words::reason)))
        .collect();
    if reasons.is_empty() {
        format!("{used} used of {}", stations.len())
    } else {
        format!("{used} used of {}; left out: {}", stations.len(), reasons.join(", "))
    }
}

fn tell_fit(units: Units, fit: &Fit) -> String {
    let Rounded { value, give_or_take, .. } = rounding::round(&fit.position_mm, units);
    let unit = units.sign();
    let sure = give_or_take.map_or(String::new(), |by| format!(", give or take {by} {unit}"));
    let role = if fit.used { format!("counts {} %", fixed(100.0 * fit.weight, 0)) } else { "not used".to_owned() };
    format!("{}: {value} {unit}{sure}; {role}", words::model(fit.model))
}

fn tell_cautions(page: &mut Page, cautions: &[Caution]) {
    for caution in cautions {
        page.gap();
        page.paragraph("caution: ", "  ", &caution.message);
        page.paragraph("  do next: ", "    ", advice::what_to_do(caution.code));
    }
}

fn counted(number: usize, one: &str, many: &str) -> String {
    format!("{number} {}", if number == 1 { one } else { many })
}

/// "a 7.4", but "an 8.1", "an 11.0" and "an 18.3": as it is read aloud.
fn with_article(number: &str) -> String {
    let whole = number.split(['.', ' ']).next().unwrap_or_default();
    let article = if whole.starts_with('8') || whole == "11" || whole == "18" { "an" } else { "a" };
    format!("{article} {number}")
}

/// True for "0.0" and "0.00 mm".
fn is_zero(digits: &str) -> bool {
    digits.bytes().all(|b| !b.is_ascii_digit() || b == b'0')
}

/// A share as per cent, with a decimal only where it has one.
fn percent(share: f64) -> String {
    let tenths = fixed(share * 100.0, 1);
    tenths.strip_suffix(".0").unwrap_or(&tenths).to_owned()
}

/// A piece of a told reading.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Block {
    /// What to do: the one line to be seen from across the room.
    Action {
        /// The sentence.
        text: String,
    },
    /// A heading over rows.
    Heading {
        /// The heading.
        text: String,
    },
    /// A name and its value.
    Row {
        /// Empty where it goes on with the row before.
        label: String,
        /// The value.
        value: String,
    },
    /// A paragraph.
    Paragraph {
        /// Stands before it, such as "do next: "; may be empty.
        lead: String,
        /// The sentences.
        text: String,
    },
}

/// Text that grows line by line and never runs past [`COLUMNS`] while a word fits, and the same as blocks.
pub(super) struct Page {
    pub(super) text: String,
    pub(super) blocks: Vec<Block>,
}

impl Page {
    pub(super) const fn new() -> Self {
        Self { text: String::new(), blocks: Vec::new() }
    }

    pub(super) fn gap(&mut self) {
        if !self.text.is_empty() && !self.text.ends_with("\n\n") {
            self.text.push('\n');
        }
    }

    /// The one line to be seen from across the room: alone, underlined, with air round it.
    pub(super) fn action(&mut self, action: &str) {
        let text = crate::printable::printable(action);
        let lines = wrap(&text, COLUMNS - 2, COLUMNS - 2);
        let longest = lines.iter().map(|l| l.chars().count()).max().unwrap_or(0);
        for line in lines {
            self.text.push_str(&format!("  {line}\n"));
        }
        self.text.push_str(&format!("  {}\n\n", "=".repeat(longest)));
        self.blocks.push(Block::Action { text });
    }

    pub(super) fn heading(&mut self, heading: &str) {
        self.gap();
        self.text.push_str(heading);
        self.text.push('\n');
        self.blocks.push(Block::Heading { text: heading.to_owned() });
    }

    pub(super) fn row(&mut self, label: &str, value: &str) {
        let value = crate::printable::printable(value);
        let first = format!("  {label:<width$}", width = LABEL_COLUMNS - 2);
        self.write(&first, &" ".repeat(LABEL_COLUMNS), &value);
        self.blocks.push(Block::Row { label: label.to_owned(), value });
    }

    pub(super) fn row_if(&mut self, label: &str, value: &str) {
        if !value.is_empty() {
            self.row(label, value);
        }
    }

    pub(super) fn paragraph(&mut self, first: &str, rest: &str, text: &str) {
        let text = crate::printable::printable(text);
        self.write(first, rest, &text);
        self.blocks.push(Block::Paragraph { lead: first.to_owned(), text });
    }

    fn write(&mut self, first: &str, rest: &str, text: &str) {
        let width = |lead: &str| COLUMNS - lead.chars().count();
        for (index, line) in wrap(text, width(first), width(rest)).iter().enumerate() {
            let lead = if index == 0 { first } else { rest };
            self.text.push_str(format!("{lead}{line}").trim_end());
            self.text.push('\n');
        }
    }
}

/// Breaks between words; a number stays with its unit. A word longer than the line stands alone and runs over.
pub(super) fn wrap(text: &str, first: usize, rest: usize) -> Vec<String> {
    let mut lines = vec![String::new()];
    for chunk in chunks(text) {
        let room = if lines.len() == 1 { first } else { rest };
        let line = lines.last_mut().expect("one line is always there");
        if line.is_empty() {
            line.push_str(&chunk);
        } else if line.chars().count() + 1 + chunk.chars().count() <= room {
            line.push(' ');
            line.push_str(&chunk);
        } else {
            lines.push(chunk);
        }
    }
    lines
}

/// Words, with a unit glued to the number before it.
fn chunks(text: &str) -> Vec<String> {
    let mut chunks: Vec<String> = Vec::new();
    for word in text.split_whitespace() {
        let bare = word.trim_end_matches([',', ';', ':', '.', ')']);
        let ends_in_digit = chunks.last().is_some_and(|c| c.ends_with(|l: char| l.is_ascii_digit()));
        match chunks.last_mut() {
            Some(number) if ends_in_digit && matches!(bare, "mm" | "in" | "%" | "px" | "dpi") => {
                number.push(' ');
                number.push_str(word);
            }
            _ => chunks.push(word.to_owned()),
        }
    }
    chunks
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_keeps_its_unit_when_a_line_is_broken() {
        let lines = wrap("the gap is 7.4 mm, wide", 15, 15);
        assert_eq!(lines, ["the gap is", "7.4 mm, wide"]);
    }

    #[test]
    fn numbers_are_read_aloud_with_their_article() {
        let told = ["0.4", "8.1", "11.0", "18 mm", "1.8", "80", "110"].map(with_article);
        assert_eq!(told, ["a 0.4", "an 8.1", "an 11.0", "an 18 mm", "a 1.8", "an 80", "a 110"]);
    }

    #[test]
    fn shares_are_told_without_empty_decimals() {
        assert_eq!(percent(0.05), "5");
        assert_eq!(percent(0.025), "2.5");
        assert_eq!(percent(1.0), "100");
    }

    #[test]
    fn the_footer_fits_the_columns() {
        let footer = footer();
        assert!(footer.lines().all(|l| l.chars().count() <= COLUMNS), "{footer}");
        assert_eq!(footer.split_whitespace().collect::<Vec<_>>().join(" "), CAUTION_FOOTER);
    }
}
