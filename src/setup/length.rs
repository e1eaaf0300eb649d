//! Lengths as people write them: a bare number is millimetres, a text carries its unit.

use crate::printable::printable;

/// Millimetres in one inch, exactly (international inch, 1959).
const MM_PER_INCH: f64 = 25.4;

/// What is wrong with the text of a length or a number.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LengthError {
    /// Not a number, with or without a unit.
    #[error("\"{}\" is not a number with a unit", printable(text))]
    NotANumber {
        /// As written.
        text: String,
    },
    /// A comma where the decimal point belongs.
    #[error("\"{}\" has a decimal comma, and a decimal point is needed", printable(text))]
    DecimalComma {
        /// As written.
        text: String,
    },
    /// A unit that is not known.
    #[error("the unit \"{}\" is not known: mm, cm, m, in and um are", printable(unit))]
    UnknownUnit {
        /// As written.
        unit: String,
    },
}

/// Reads a length into millimetres.
///
/// Units: `mm` (also where none is written), `cm`, `m`, `in` (`inch`, `"`), `um` (`µm`). Non-finite and negative
/// numbers pass: whether they make sense depends on the field.
///
/// # Errors
/// A decimal comma, an unknown unit, or no number at all.
///
/// ```
/// use narrows::setup::parse_length_mm;
/// assert_eq!(parse_length_mm("7"), Ok(7.0));
/// assert_eq!(parse_length_mm("0.7 cm"), Ok(7.0));
/// assert_eq!(parse_length_mm("250 um"), Ok(0.25));
/// assert!((parse_length_mm("0.276 in").unwrap() - 7.0104).abs() < 1e-12);
/// ```
pub fn parse_length_mm(text: &str) -> Result<f64, LengthError> {
    let trimmed = text.trim();
    let (number, unit) = split_unit(trimmed);
    let number = parse_number(number).map_err(|error| match error {
        LengthError::NotANumber { .. } => LengthError::NotANumber { text: trimmed.to_owned() },
        LengthError::DecimalComma { .. } => LengthError::DecimalComma { text: trimmed.to_owned() },
        other @ LengthError::UnknownUnit { .. } => other,
    })?;
    // Dividing by 1000 instead of multiplying by 0.001, which is no exact number, keeps "250 um" at 0.25.
    match unit.to_lowercase().as_str() {
        "" | "mm" => Ok(number),
        "cm" => Ok(number * 10.0),
        "m" => Ok(number * 1000.0),
        "in" | "inch" | "inches" | "\"" | "″" => Ok(number * MM_PER_INCH),
        // U+00B5 (micro sign) lowercases to itself, U+03BC is the Greek letter that looks the same.
        "um" | "\u{b5}m" | "\u{3bc}m" => Ok(number / 1000.0),
        _ => Err(LengthError::UnknownUnit { unit: unit.to_owned() }),
    }
}

/// Reads a plain number without a unit.
///
/// # Errors
/// A decimal comma, or no number at all.
pub(super) fn parse_number(text: &str) -> Result<f64, LengthError> {
    let trimmed = text.trim();
    if trimmed.contains(',') && trimmed.replace(',', ".").parse::<f64>().is_ok() {
        return Err(LengthError::DecimalComma { text: trimmed.to_owned() });
    }
    trimmed.parse::<f64>().map_err(|_| LengthError::NotANumber { text: trimmed.to_owned() })
}

/// Splits behind the last digit or point; a text without digits ("nan", "inf") is all number.
fn split_unit(text: &str) -> (&str, &str) {
    let is_part_of_number = |c: char| c.is_ascii_digit() || c == '.' || c == ',';
    match text.rfind(is_part_of_number) {
        Some(last) => (&text[..=last], text[last + 1..].trim()),
        None => (text, ""),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn every_unit_says_seven_millimetres() {
        for text in ["7", "7.0", " 7 mm ", "7mm", "0.7 cm", "0.7cm", "0.007 m", "7000 um", "7000 µm", "7000 μm", "7e0"]
        {
            let length = parse_length_mm(text).unwrap();
            assert!((length - 7.0).abs() < 1e-12, "{text}: {length}");
        }
        for text in ["0.5 in", "0.5in", "0.5 inch", "0.5\"", "0.5 IN"] {
            assert!((parse_length_mm(text).unwrap() - 12.7).abs() < 1e-12, "{text}");
        }
    }

    #[test]
    fn a_decimal_comma_says_so() {
        for text in ["7,5", "7,5 mm", "0,7cm", "-7,5"] {
            assert_eq!(parse_length_mm(text), Err(LengthError::DecimalComma { text: text.to_owned() }));
        }
    }

    #[test]
    fn nonsense_is_told_apart() {
        assert_eq!(parse_length_mm("7 ft"), Err(LengthError::UnknownUnit { unit: "ft".to_owned() }));
        for text in ["", "mm", "seven", "7 7 mm", "1,234,5", "--7", "7.5.1 mm"] {
            assert!(matches!(parse_length_mm(text), Err(LengthError::NotANumber { .. })), "{text}");
        }
    }

    #[test]
    fn non_finite_numbers_are_left_to_the_field() {
        assert!(parse_length_mm("nan").unwrap().is_nan());
        assert_eq!(parse_length_mm("inf"), Ok(f64::INFINITY));
        assert_eq!(parse_length_mm("-3 mm"), Ok(-3.0));
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

        #[test]
        fn what_is_printed_is_read(length in 1e-3..1e4f64) {
            prop_assert_eq!(parse_length_mm(&format!("{length} mm")), Ok(length));
            let inches = parse_length_mm(&format!("{} in", length / 25.4)).unwrap();
            prop_assert!((inches - length).abs() <= 1e-12 * length);
        }

        #[test]
        fn no_text_panics(text in "\\PC*") {
            let _ = parse_length_mm(&text);
        }
    }
}
