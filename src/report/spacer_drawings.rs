//! Artwork for a block: what goes onto its side, and a staircase gauge to cut.

use super::rounding::fixed;
use super::stroke_svg::{Drawing, Part};
use super::strokes::{Lettering, cannot_write, capital_height_for, letter};
use crate::spacer::{SpacerError, StepGauge};

/// Smallest capitals that can be read on a block, in mm (common practice, no source).
const LEAST_CAPITAL_MM: f64 = 1.0;
/// Largest capitals, in mm.
const MOST_CAPITAL_MM: f64 = 5.0;
/// From one baseline to the next, in heights of a capital: room for descenders and air.
const LINE_FEED: f64 = 1.7;
/// Part of a capital's height that descenders reach below the baseline.
const DESCENDER: f64 = 1.0 / 3.0;
/// Free at the page's edge round a piece to cut out, in mm.
const PAGE_MARGIN_MM: f64 = 2.0;

/// What a block's side says. An empty text is left out.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Label {
    /// The block, as measured, in mm.
    pub thickness_mm: f64,
    /// Which machine it is for.
    pub machine: String,
    /// Which lens it is for.
    pub lens: String,
    /// What it is gauged from.
    pub gauged_from: String,
    /// When it was measured.
    pub date: String,
}

impl Label {
    /// Its lines besides the thickness, none of them empty.
    fn words(&self) -> Vec<String> {
        let from = if self.gauged_from.is_empty() { String::new() } else { format!("from {}", self.gauged_from) };
        let words = [self.machine.clone(), self.lens.clone(), from, self.date.clone()];
        words.into_iter().filter(|word| !word.is_empty()).collect()
    }

    /// The thickness as it stands on the block.
    pub fn thickness(&self) -> String {
        let decimals = (2..4).find(|&d| (fixed(self.thickness_mm, d).parse::<f64>()) == Ok(self.thickness_mm));
        format!("{} mm", fixed(self.thickness_mm, decimals.unwrap_or(3).min(3)))
    }
}

/// An engraving for a side of the given size. The page is the side: its edges are the block's edges, so that the file
/// can be laid onto the block.
///
/// # Errors
/// Letters that cannot be engraved, or a side too small for letters that can be read.
///
/// ```
/// use narrows::report::{spacer_drawings::{Label, label}, stroke_svg::svg};
/// let words = Label { thickness_mm: 8.47, machine: "north".into(), date: "2026-11-25".into(), ..Label::default() };
/// assert!(svg(&label(&words, 40.0, 8.47)?).contains("width=\"40mm\" height=\"8.47mm\""));
/// # Ok::<(), narrows::spacer::SpacerError>(())
/// ```
pub fn label(label: &Label, width_mm: f64, height_mm: f64) -> Result<Drawing, SpacerError> {
    let fields: [(&'static str, &str); 4] = [
        ("--machine", &label.machine),
        ("--lens", &label.lens),
        ("--gauged-from", &label.gauged_from),
        ("the date", &label.date),
    ];
    for (field, text) in fields {
        if let Some(letter) = cannot_write(text) {
            return Err(SpacerError::Letter { field, letter });
        }
    }
    let margin = (0.12 * height_mm).min(1.0).min(0.05 * width_mm);
    let [width, height] = [width_mm - 2.0 * margin, height_mm - 2.0 * margin];
    let words = label.words();
    let thickness = label.thickness();
    // The thickness stands large at the left, the words in as many lines at its right as lets them be largest.
    let share = if words.is_empty() { 1.0 } else { 0.4 };
    let large = capital_height_for(&thickness, share * width, MOST_CAPITAL_MM.min(height / (1.0 + DESCENDER)));
    let number = letter(&thickness, large);
    let left = margin + number.width_mm + large;
    let room = [width - number.width_mm - large, height];
    let splits = (1..=words.len()).map(|lines| lines_of(&words, lines, room));
    let (capital, lines) = splits.fold((0.0, Vec::new()), |best, split| if split.0 > best.0 { split } else { best });
    let smallest = if words.is_empty() { large } else { large.min(capital) };
    if smallest.is_nan() || smallest < LEAST_CAPITAL_MM {
        let is_width = height / (1.0 + DESCENDER) >= LEAST_CAPITAL_MM * 1.3;
        return Err(SpacerError::LabelTooSmall { height_mm: smallest.max(0.0), least_mm: LEAST_CAPITAL_MM, is_width });
    }
    let mut strokes = number.moved([margin, (height_mm + large) / 2.0]).strokes;
    let tall = capital * (LINE_FEED * (lines.len().max(1) - 1) as f64 + 1.0);
    for (index, line) in lines.iter().enumerate() {
        let baseline = (height_mm - tall) / 2.0 + capital * (1.0 + LINE_FEED * index as f64);
        strokes.extend(letter(line, capital).moved([left, baseline]).strokes);
    }
    let title = format!("Label for the side of a block: {thickness}");
    Ok(Drawing { title, width_mm, height_mm, parts: vec![Part { id: "label", strokes, is_closed: false }] })
}

/// Words shared out over so many lines, in order, and the capitals' height with which they fit the room.
fn lines_of(words: &[String], lines: usize, [width, height]: [f64; 2]) -> (f64, Vec<String>) {
    let per_line = words.len().div_ceil(lines);
    let lines: Vec<String> = words.chunks(per_line).map(|words| words.join(", ")).collect();
    let high = height / (LINE_FEED * (lines.len() - 1) as f64 + 1.0 + 2.0 * DESCENDER);
    let capital = lines.iter().fold(high.min(MOST_CAPITAL_MM), |most, line| capital_height_for(line, width, most));
    (capital, lines)
}

/// A staircase gauge: letters and lines to write on first, then the outline to cut. The gauge lies with its base at the
/// bottom of the page.
pub fn step_gauge(gauge: &StepGauge) -> Drawing {
    let out = gauge.kerf_mm / 2.0 + PAGE_MARGIN_MM;
    let width_mm = gauge.length_mm() + 2.0 * out;
    let height_mm = gauge.height_mm() + 2.0 * out;
    let base = height_mm - out;
    let onto_page = |[x, y]: [f64; 2]| [out + x, base - y];
    let outline = gauge.path_mm().into_iter().map(onto_page).collect();
    let lowest = gauge.steps.first().map_or(0.0, |step| step.height_mm);
    let capital = (0.5 * lowest).min(3.0).min(gauge.tread_mm / 4.0);
    let mut strokes = Vec::new();
    for step in &gauge.steps {
        let Lettering { strokes: letters, width_mm } = letter(&step.letter.to_string(), capital);
        // In the middle of the lowest step's height on every step, so that the lines to write on form one row.
        let at = onto_page([step.left_mm + 1.0, (lowest - capital) / 2.0]);
        strokes.extend(Lettering { strokes: letters, width_mm }.moved(at).strokes);
        strokes.push(vec![[at[0] + width_mm + 1.0, at[1]], [at[0] + gauge.tread_mm - 2.0, at[1]]]);
    }
    let parts = vec![
        Part { id: "letters", strokes, is_closed: false },
        Part { id: "outline", strokes: vec![outline], is_closed: true },
    ];
    Drawing { title: format!("Step gauge, {} steps", gauge.steps.len()), width_mm, height_mm, parts }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words() -> Label {
        Label {
            thickness_mm: 8.47,
            machine: "north".into(),
            lens: "2 in lens".into(),
            gauged_from: "nozzle tip".into(),
            date: "2026-11-25".into(),
        }
    }

    fn bounds(drawing: &Drawing) -> [f64; 4] {
        drawing
            .parts
            .iter()
            .flat_map(|part| part.strokes.iter().flatten())
            .fold([f64::MAX, f64::MAX, f64::MIN, f64::MIN], |[l, t, r, b], &[x, y]| {
                [l.min(x), t.min(y), r.max(x), b.max(y)]
            })
    }

    #[test]
    fn a_label_stays_on_the_blocks_side_whatever_its_size() {
        for [width, height] in [[40.0, 8.47], [80.0, 3.0], [30.0, 12.0], [25.0, 25.0], [150.0, 2.5], [60.0, 5.0]] {
            let drawing = label(&words(), width, height).unwrap();
            let [left, top, right, bottom] = bounds(&drawing);
            assert!(left > 0.0 && top > 0.0 && right < width && bottom < height, "{width} × {height}: {drawing:?}");
        }
    }

    #[test]
    fn a_side_too_small_says_which_way() {
        let wide = label(&words(), 12.0, 8.0).unwrap_err();
        assert!(wide.hint().contains("--label-width-mm"), "{wide}");
        let high = label(&words(), 60.0, 1.0).unwrap_err();
        assert!(high.hint().contains("--label-height-mm"), "{high}");
        assert!(label(&words(), 0.0, 0.0).is_err());
    }

    #[test]
    fn a_letter_that_cannot_be_engraved_names_its_flag() {
        let error = label(&Label { machine: "北".into(), ..words() }, 40.0, 8.0).unwrap_err();
        assert_eq!(error.to_string(), "the letter \"北\" of --machine cannot be engraved");
    }

    #[test]
    fn the_thickness_is_told_as_measured() {
        let told = |thickness_mm: f64| Label { thickness_mm, ..Label::default() }.thickness();
        assert_eq!(told(8.4), "8.40 mm");
        assert_eq!(told(8.47), "8.47 mm");
        assert_eq!(told(8.4712), "8.471 mm");
    }
}
