//! Strokes as an SVG file at true size: a millimetre in the drawing is a millimetre on the bed.

use std::fmt::Write as _;

/// Width of every stroke in mm. All strokes are alike: nothing about one says how to burn it.
const STROKE_MM: f64 = 0.2;

/// What is to be burned. Millimetres from the top left corner, y down.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// What it is, for whoever opens the file.
    pub title: String,
    /// Of the page.
    pub width_mm: f64,
    /// Of the page.
    pub height_mm: f64,
    /// In the order they are to be burned.
    pub parts: Vec<Part>,
}

/// Strokes that belong together.
#[derive(Debug, Clone, PartialEq)]
pub struct Part {
    /// Names the part in the file.
    pub id: &'static str,
    /// Each stroke's corners.
    pub strokes: Vec<Vec<[f64; 2]>>,
    /// True where each stroke ends where it began.
    pub is_closed: bool,
}

/// The file's text. Coordinates are rounded to a thousandth of a millimetre.
pub fn svg(drawing: &Drawing) -> String {
    let [width, height] = [drawing.width_mm, drawing.height_mm].map(number);
    let mut text = format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{width}mm\" height=\"{height}mm\" viewBox=\"0 0 {width} {height}\">\n\
         <title>{}</title>\n",
        escaped(&drawing.title)
    );
    for part in &drawing.parts {
        let path: String = part.strokes.iter().map(|stroke| path(stroke, part.is_closed)).collect();
        let _ = writeln!(
            text,
            "<path id=\"{}\" d=\"{path}\" fill=\"none\" stroke=\"#000000\" stroke-width=\"{STROKE_MM}\"/>",
            part.id
        );
    }
    text.push_str("</svg>\n");
    text
}

fn path(stroke: &[[f64; 2]], is_closed: bool) -> String {
    let mut path = String::new();
    for (index, &[x, y]) in stroke.iter().enumerate() {
        let _ = write!(path, "{}{} {}", if index == 0 { 'M' } else { 'L' }, number(x), number(y));
    }
    if is_closed {
        path.push('Z');
    }
    path
}

fn number(mm: f64) -> String {
    let digits = super::rounding::fixed(mm, 3);
    digits.trim_end_matches('0').trim_end_matches('.').to_owned()
}

fn escaped(text: &str) -> String {
    let mut escaped = String::new();
    for letter in crate::printable::printable(text).chars() {
        match letter {
            '&' => escaped.push_str("&amp;"),
            '<' => escaped.push_str("&lt;"),
            '>' => escaped.push_str("&gt;"),
            _ => escaped.push(letter),
        }
    }
    escaped
}
