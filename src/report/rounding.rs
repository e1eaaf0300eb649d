//! Numbers for people: how sure a number is decides how many digits it is told with.
//!
//! The rule, used for every number that carries a give-or-take:
//!
//! 1. The give-or-take is rounded to two significant digits where it begins with 1 or 2, else to one.
//! 2. The value is rounded to the largest decimal step (1, 0.1, 0.01 …) that is at most half of that
//!    give-or-take, so that rounding can never move a value by more than a quarter of what is claimed for it.
//!
//! So 7.4312 ± 0.2471 reads "7.4, give or take 0.25", and 7.4312 ± 0.14 reads "7.43, give or take 0.14".

use crate::estimate::Estimate;

/// The units a person reads lengths in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Units {
    /// Millimetres.
    #[default]
    Millimetres,
    /// Inches, decimal.
    Inches,
}

const MM_PER_INCH: f64 = 25.4;

impl Units {
    /// The unit's sign after a number.
    pub const fn sign(self) -> &'static str {
        match self {
            Self::Millimetres => "mm",
            Self::Inches => "in",
        }
    }

    /// A length in these units.
    pub fn from_mm(self, length_mm: f64) -> f64 {
        match self {
            Self::Millimetres => length_mm,
            Self::Inches => length_mm / MM_PER_INCH,
        }
    }

    /// Digits after the point beyond which nothing at a bench is told apart.
    const fn most_decimals(self) -> i32 {
        match self {
            Self::Millimetres => 3,
            Self::Inches => 4,
        }
    }

    /// Digits after the point of a length that was typed in or bought: a block "7.0 mm" or "0.276 in" thick.
    const fn stock_decimals(self) -> usize {
        match self {
            Self::Millimetres => 1,
            Self::Inches => 3,
        }
    }
}

/// An estimate rounded by the rule of this module, as digits without a unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rounded {
    /// The value's digits.
    pub value: String,
    /// The give-or-take's digits; `None` where it is zero or not a number.
    pub give_or_take: Option<String>,
    /// Digits after the point in `value`.
    pub decimals: usize,
}

/// Rounds a length in millimetres for a reader of `units`.
///
/// ```
/// use narrows::{estimate::Estimate, report::rounding::{round, Units}};
/// let block = round(&Estimate::new(7.4312, 0.1236), Units::Millimetres);
/// assert_eq!((block.value.as_str(), block.give_or_take.as_deref()), ("7.4", Some("0.25")));
/// ```
pub fn round(estimate_mm: &Estimate, units: Units) -> Rounded {
    let value = units.from_mm(estimate_mm.value);
    let expanded = units.from_mm(estimate_mm.expanded());
    if !(expanded.is_finite() && expanded > 0.0) {
        let decimals = units.stock_decimals() + 1;
        return Rounded { value: fixed(value, decimals), give_or_take: None, decimals };
    }
    let two_digits = at_place(expanded, leading_place(expanded) - 1);
    let (give_or_take, place) = if leading_digits(two_digits) < 3.0 {
        (two_digits, leading_place(two_digits) - 1)
    } else {
        let place = leading_place(expanded);
        (at_place(expanded, place), place)
    };
    let step =
        if leading_digits(give_or_take) < 2.0 { leading_place(give_or_take) - 1 } else { leading_place(give_or_take) };
    let most = units.most_decimals();
    let decimals = (-step).clamp(0, most) as usize;
    let taken = (-place).clamp(0, most) as usize;
    // A give-or-take too small for the last digit that counts is told as that digit, never as zero.
    let smallest = 10_f64.powi(-most);
    Rounded { value: fixed(value, decimals), give_or_take: Some(fixed(give_or_take.max(smallest), taken)), decimals }
}

/// "7.4 mm, give or take 0.25 mm".
pub fn length(estimate_mm: &Estimate, units: Units) -> String {
    let rounded = round(estimate_mm, units);
    let unit = units.sign();
    match rounded.give_or_take {
        Some(give_or_take) => format!("{} {unit}, give or take {give_or_take} {unit}", rounded.value),
        None => format!("{} {unit}", rounded.value),
    }
}

/// A length that was typed in, as typed: at least "7.0 mm", with further digits only where it has them.
pub fn stock(length_mm: f64, units: Units) -> String {
    let length = units.from_mm(length_mm);
    let least = units.stock_decimals();
    let most = units.most_decimals() as usize;
    let decimals = match units {
        Units::Millimetres => (least..most).find(|&d| same(length, d)).unwrap_or(most),
        // A block bought in millimetres has no short number in inches: thousandths are enough to find it by.
        Units::Inches => least,
    };
    format!("{} {}", fixed(length, decimals), units.sign())
}

/// A length that carries no give-or-take of its own, to two significant digits: "0.87 mm", "12 mm".
pub fn rough(length_mm: f64, units: Units) -> String {
    let length = units.from_mm(length_mm);
    let place = if length == 0.0 || !length.is_finite() { 0 } else { leading_place(length.abs()) - 1 };
    let decimals = (-place).clamp(0, units.most_decimals()) as usize;
    format!("{} {}", fixed(length, decimals), units.sign())
}

/// Fixed digits after the point, and no minus before a zero.
pub fn fixed(value: f64, decimals: usize) -> String {
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(zero) if zero.bytes().all(|b| matches!(b, b'0' | b'.')) => zero.to_owned(),
        _ => text,
    }
}

fn same(length: f64, decimals: usize) -> bool {
    let scale = 10_f64.powi(decimals as i32);
    ((length * scale).round() / scale - length).abs() < 1e-9
}

/// Power of ten of the first significant digit. The nudge keeps 0.1 from counting as 0.0999….
fn leading_place(positive: f64) -> i32 {
    (positive.log10() + 1e-9).floor() as i32
}

/// The number scaled to 1 … 10.
fn leading_digits(positive: f64) -> f64 {
    positive / 10_f64.powi(leading_place(positive)) + 1e-9
}

fn at_place(positive: f64, place: i32) -> f64 {
    let unit = 10_f64.powi(place);
    (positive / unit).round() * unit
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(value: f64, expanded: f64) -> String {
        let rounded = round(&Estimate::new(value, expanded / 2.0), Units::Millimetres);
        format!("{} ± {}", rounded.value, rounded.give_or_take.unwrap_or_default())
    }

    #[test]
    fn the_give_or_take_decides_the_digits() {
        assert_eq!(told(7.4312, 0.2471), "7.4 ± 0.25");
        assert_eq!(told(7.4312, 0.31), "7.4 ± 0.3");
        assert_eq!(told(7.4312, 0.2), "7.4 ± 0.20");
        assert_eq!(told(7.4312, 0.14), "7.43 ± 0.14");
        assert_eq!(told(7.4312, 0.08), "7.43 ± 0.08");
        assert_eq!(told(82.349, 1.84), "82.3 ± 1.8");
        assert_eq!(told(82.349, 2.6), "82 ± 2.6");
    }

    #[test]
    fn rounding_up_across_a_leading_digit_keeps_the_rule() {
        assert_eq!(told(7.4312, 0.0972), "7.43 ± 0.10");
        assert_eq!(told(7.4312, 0.2972), "7.4 ± 0.3");
        assert_eq!(told(7.4312, 0.1996), "7.4 ± 0.20");
        assert_eq!(told(7.4312, 0.96), "7.4 ± 1.0");
    }

    #[test]
    fn rounding_never_moves_a_value_by_more_than_a_quarter_of_its_give_or_take() {
        for i in 1..4000 {
            let expanded = f64::from(i) * 0.0051;
            let value = 7.0 + f64::from(i) * 0.013_7;
            let rounded = round(&Estimate::new(value, expanded / 2.0), Units::Millimetres);
            let shown: f64 = rounded.value.parse().unwrap();
            let taken: f64 = rounded.give_or_take.unwrap().parse().unwrap();
            assert!((shown - value).abs() <= 0.251 * taken, "{value} ± {expanded} became {shown} ± {taken}");
            assert!((taken / expanded - 1.0).abs() < 0.17, "{expanded} became {taken}");
        }
    }

    #[test]
    fn blocks_are_never_told_in_tens_and_zero_has_no_sign() {
        assert_eq!(told(82.349, 25.0), "82 ± 25");
        assert_eq!(told(-0.004, 0.3), "0.0 ± 0.3");
        assert_eq!(told(-0.34, 0.3), "-0.3 ± 0.3");
    }

    #[test]
    fn a_give_or_take_that_is_none_is_not_told() {
        assert_eq!(length(&Estimate::new(7.4, 0.0), Units::Millimetres), "7.40 mm");
        assert_eq!(length(&Estimate::new(7.4, f64::NAN), Units::Millimetres), "7.40 mm");
        assert_eq!(told(7.4, 1e-7), "7.400 ± 0.001");
    }

    #[test]
    fn inches_follow_the_same_rule() {
        assert_eq!(length(&Estimate::new(7.4, 0.125), Units::Inches), "0.291 in, give or take 0.010 in");
        assert_eq!(stock(7.0, Units::Inches), "0.276 in");
    }

    #[test]
    fn stock_lengths_read_as_typed() {
        assert_eq!(stock(7.0, Units::Millimetres), "7.0 mm");
        assert_eq!(stock(7.05, Units::Millimetres), "7.05 mm");
        assert_eq!(stock(7.0104, Units::Millimetres), "7.010 mm");
        assert_eq!(rough(0.8731, Units::Millimetres), "0.87 mm");
        assert_eq!(rough(12.34, Units::Millimetres), "12 mm");
        assert_eq!(rough(0.0, Units::Millimetres), "0 mm");
    }
}
