//! Letters as single strokes, for engraving: a pen's or a beam's path, and no outline to fill.
//!
//! Each letter is drawn on a grid 4 wide and 8 high: descenders reach down to 0, the baseline is 2, small letters reach
//! up to 6 and capitals to 8. A stroke is written as its corners, two digits each: `"02 28 42"` goes from (0, 2) to (2, 8)
//! to (4, 2).

/// Grid rows from the baseline to the top of a capital.
const CAPITAL_ROWS: f64 = 6.0;
/// Grid row of the baseline.
const BASELINE_ROW: f64 = 2.0;
/// Free grid columns between two letters.
const SPACING: f64 = 1.4;
/// Grid columns of a blank, the spacing not included.
const BLANK: f64 = 2.0;

/// A line of text as strokes. Millimetres from the left end of the baseline, x to the right and y **down**, as SVG
/// counts: what stands on the baseline has negative y.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Lettering {
    /// Each stroke's corners.
    pub strokes: Vec<Vec<[f64; 2]>>,
    /// From the left edge of the first letter to the right edge of the last.
    pub width_mm: f64,
}

impl Lettering {
    /// The same, moved.
    pub fn moved(mut self, by_mm: [f64; 2]) -> Self {
        for [x, y] in self.strokes.iter_mut().flatten() {
            *x += by_mm[0];
            *y += by_mm[1];
        }
        self
    }
}

/// Writes one line of text. Letters with accents lose them; a letter that cannot be drawn becomes an empty box
/// ([`cannot_write`] tells beforehand).
///
/// ```
/// use narrows::report::strokes::letter;
/// let line = letter("8.5 mm", 3.0);
/// assert!(line.strokes.len() >= 6);
/// assert!(line.strokes.iter().flatten().all(|&[x, y]| (0.0..=line.width_mm).contains(&x) && (-3.0..=1.0).contains(&y)));
/// ```
pub fn letter(text: &str, capital_height_mm: f64) -> Lettering {
    let scale = capital_height_mm / CAPITAL_ROWS;
    let mut lettering = Lettering::default();
    let mut left = 0.0;
    let mut right = 0.0;
    for letter in text.chars() {
        if letter.is_whitespace() {
            left += BLANK + SPACING;
            continue;
        }
        let strokes = corners(glyph(letter).unwrap_or(BOX));
        let width = strokes.iter().flatten().map(|corner| corner[0]).fold(0.0, f64::max);
        for stroke in strokes {
            let placed = stroke.into_iter().map(|[x, y]| [scale * (left + x), scale * (BASELINE_ROW - y)]);
            lettering.strokes.push(placed.collect());
        }
        right = left + width;
        left = right + SPACING;
    }
    lettering.width_mm = scale * right;
    lettering
}

/// The first letter of a text that cannot be drawn, if there is one.
pub fn cannot_write(text: &str) -> Option<char> {
    text.chars().find(|&letter| !letter.is_whitespace() && glyph(letter).is_none())
}

/// The tallest capitals, up to `most_mm`, with which a text is no wider than `room_mm`.
pub fn capital_height_for(text: &str, room_mm: f64, most_mm: f64) -> f64 {
    let width = letter(text, 1.0).width_mm;
    if width > 0.0 { most_mm.min(room_mm / width) } else { most_mm }
}

/// Drawn for what cannot be drawn.
const BOX: &str = "02 08 38 32 02";

fn corners(glyph: &str) -> Vec<Vec<[f64; 2]>> {
    let corner = |digits: &str| {
        let mut digits = digits.bytes().map(|digit| f64::from(digit - b'0'));
        Some([digits.next()?, digits.next()?])
    };
    glyph.split('|').map(|stroke| stroke.split(' ').filter_map(corner).collect()).collect()
}

/// Strokes of a letter, parted by bars.
#[rustfmt::skip]
const fn glyph(letter: char) -> Option<&'static str> {
    Some(match letter {
        'A' | 'À'..='Å' => "02 28 42|15 35",
        'B' => "02 08 38 47 46 35 05|35 44 43 32 02",
        'C' | 'Ç' => "47 38 18 07 03 12 32 43",
        'D' => "02 08 28 46 44 22 02",
        'E' | 'È'..='Ë' => "48 08 02 42|05 35",
        'F' => "48 08 02|05 35",
        'G' => "47 38 18 07 03 12 32 43 45 25",
        'H' => "02 08|42 48|05 45",
        'I' | 'Ì'..='Ï' => "02 22|12 18|08 28",
        'J' => "03 12 22 33 38",
        'K' => "02 08|48 04|15 42",
        'L' => "08 02 42",
        'M' => "02 08 25 48 42",
        'N' | 'Ñ' => "02 08 42 48",
        'O' | 'Ò'..='Ö' => "12 03 07 18 38 47 43 32 12",
        'P' => "02 08 38 47 46 35 05",
        'Q' => "12 03 07 18 38 47 43 32 12|24 42",
        'R' => "02 08 38 47 46 35 05|25 42",
        'S' => "47 38 18 07 06 15 35 44 43 32 12 03",
        'T' => "08 48|28 22",
        'U' | 'Ù'..='Ü' => "08 03 12 32 43 48",
        'V' => "08 22 48",
        'W' => "08 12 26 32 48",
        'X' => "02 48|08 42",
        'Y' | 'Ý' => "08 25 48|25 22",
        'Z' => "08 48 02 42",
        'a' | 'à'..='å' => "36 32|35 26 16 05 03 12 22 33",
        'b' => "08 02|05 16 26 35 33 22 12 03",
        'c' | 'ç' => "35 26 16 05 03 12 22 33",
        'd' => "38 32|35 26 16 05 03 12 22 33",
        'e' | 'è'..='ë' => "04 34 35 26 16 05 03 12 22 33",
        'f' => "38 28 17 12|06 26",
        'g' => "36 31 20 10 01|35 26 16 05 03 12 22 33",
        'h' => "08 02|05 16 26 35 32",
        'i' | 'ì'..='ï' => "02 06|07 08",
        'j' => "16 11 00|17 18",
        'k' => "08 02|36 03|14 32",
        'l' => "08 03 12",
        'm' => "02 06|05 16 25 22|25 36 45 42",
        'n' | 'ñ' => "02 06|05 16 26 35 32",
        'o' | 'ò'..='ö' => "12 03 05 16 26 35 33 22 12",
        'p' => "00 06|05 16 26 35 33 22 12 03",
        'q' => "30 36|35 26 16 05 03 12 22 33",
        'r' => "02 06|05 16 26",
        's' => "35 26 16 05 14 24 33 22 12 03",
        't' => "17 13 22|06 26",
        'u' | 'ù'..='ü' => "06 03 12 22 33|36 32",
        'v' => "06 22 46",
        'w' => "06 12 25 32 46",
        'x' => "02 36|06 32",
        'y' | 'ý' | 'ÿ' => "06 03 12 22 33|36 31 20 10 01",
        'z' => "06 36 02 32",
        'ß' => "02 07 18 28 37 36 25 34 33 22 12",
        'µ' | 'μ' => "00 06|03 12 22 33|36 32",
        '0' => "12 03 07 18 28 37 33 22 12",
        '1' => "07 18 12|02 22",
        '2' => "07 18 28 37 36 02 32",
        '3' => "07 18 28 37 36 25 34 33 22 12 03|15 25",
        '4' => "22 28 04 34",
        '5' => "38 08 05 25 34 33 22 12 03",
        '6' => "37 28 18 07 03 12 22 33 34 25 15 04",
        '7' => "08 38 12",
        '8' => "15 06 07 18 28 37 36 25 15 04 03 12 22 33 34 25",
        '9' => "03 12 22 33 37 28 18 07 06 15 25 36",
        '.' => "02 03 13 12 02",
        ',' => "13 12 01",
        ':' => "02 03|05 06",
        ';' => "12 01|15 16",
        '!' => "02 03|04 08",
        '?' => "07 18 28 37 36 25 14|12 13",
        '-' | '–' => "05 25",
        '+' => "05 45|23 27",
        '±' => "06 46|24 28|02 42",
        '=' => "04 34|06 36",
        '/' => "02 38",
        '(' => "18 07 03 12",
        ')' => "08 17 13 02",
        '%' => "02 48|08 07 17 18 08|32 33 43 42 32",
        '°' => "07 08 18 17 07",
        '×' => "03 47|07 43",
        '\'' => "08 07",
        '"' => "08 07|18 17",
        '_' => "02 42",
        '#' => "13 17|33 37|04 44|06 46",
        '&' => "42 06 07 18 28 37 36 04 03 12 22 44",
        _ => return None,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Everything that can be drawn.
    fn letters() -> impl Iterator<Item = char> {
        ('\u{20}'..'\u{3ff}').filter(|&letter| glyph(letter).is_some())
    }

    #[test]
    fn every_letter_has_strokes_on_the_grid_and_no_two_look_the_same() {
        let mut seen: Vec<&str> = Vec::new();
        for letter in letters() {
            let drawn = glyph(letter).unwrap();
            for stroke in drawn.split('|') {
                assert!(stroke.split(' ').count() >= 2, "{letter}: a stroke of one point burns a hole");
                for corner in stroke.split(' ') {
                    let digits = corner.as_bytes();
                    assert_eq!(digits.len(), 2, "{letter}: {corner}");
                    assert!((b'0'..=b'4').contains(&digits[0]) && (b'0'..=b'8').contains(&digits[1]), "{letter}");
                }
            }
            if letter.is_ascii() {
                assert!(!seen.contains(&drawn), "{letter} looks like another");
                seen.push(drawn);
            }
        }
        assert!(seen.len() >= 80);
    }

    #[test]
    fn height_and_width_are_true_and_a_blank_takes_room() {
        let line = letter("HH", 7.0);
        let ys: Vec<f64> = line.strokes.iter().flatten().map(|corner| corner[1]).collect();
        assert!((ys.iter().copied().fold(f64::MAX, f64::min) + 7.0).abs() < 1e-12);
        assert!(ys.iter().copied().fold(f64::MIN, f64::max).abs() < 1e-12);
        assert!(letter("H H", 7.0).width_mm > line.width_mm);
        assert!((letter("HH", 3.5).width_mm - line.width_mm / 2.0).abs() < 1e-12);
        assert_eq!(letter("", 7.0), Lettering::default());
    }

    #[test]
    fn what_cannot_be_drawn_is_told() {
        assert_eq!(cannot_write("Nord, Linse 2\" (8,45 mm)"), None);
        assert_eq!(cannot_write("Größe"), None);
        assert_eq!(cannot_write("block 木"), Some('木'));
        assert_eq!(letter("木", 6.0).strokes, vec![vec![[0.0, 0.0], [0.0, -6.0], [3.0, -6.0], [3.0, 0.0], [0.0, 0.0]]]);
    }

    #[test]
    fn a_text_is_made_small_enough_for_its_room() {
        let height = capital_height_for("NORTH, LENS 2.0 IN", 20.0, 3.0);
        assert!((letter("NORTH, LENS 2.0 IN", height).width_mm - 20.0).abs() < 1e-9);
        assert_eq!(capital_height_for("8", 20.0, 3.0), 3.0);
    }
}
