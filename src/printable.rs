//! Text from outside, made fit for a terminal or a page.

/// Free text and file names without the control characters that would move a terminal's cursor or break a line.
pub fn printable(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect()
}
