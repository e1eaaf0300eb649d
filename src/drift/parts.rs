//! Periods along the travel that parts of a machine leave in a line that wanders.

/// A part and the length over which it repeats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Part {
    /// What it is.
    pub name: &'static str,
    /// Length of travel over which it repeats, mm.
    pub period_mm: f64,
}

/// Common parts, shortest period first. Common practice, no source, except the pitches of MXL and XL belts (2.032 and
/// 5.08 mm, a fiftieth of an inch by four and 0.2 inch, as the trade sells them; from memory).
pub const COMMON: [Part; 9] = [
    Part { name: "one tooth of a 2 mm belt", period_mm: 2.0 },
    Part { name: "one tooth of an MXL belt", period_mm: 2.032 },
    Part { name: "one tooth of a 3 mm belt", period_mm: 3.0 },
    Part { name: "one turn of a screw with 4 mm lead", period_mm: 4.0 },
    Part { name: "one tooth of a 5 mm or XL belt", period_mm: 5.05 },
    Part { name: "one turn of a screw with 8 mm lead", period_mm: 8.0 },
    Part { name: "one turn of a small guide bearing", period_mm: 30.0 },
    Part { name: "one turn of a 16-tooth pulley on a 2 mm belt", period_mm: 32.0 },
    Part { name: "one turn of a 20-tooth pulley on a 2 mm belt", period_mm: 40.0 },
];

/// A period is told to about this share of itself.
const ALIKE: f64 = 0.04;

/// The parts that repeat over a period.
pub fn with_period(period_mm: f64) -> impl Iterator<Item = &'static Part> {
    COMMON.iter().filter(move |part| (period_mm / part.period_mm - 1.0).abs() <= ALIKE)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_period_names_the_parts_near_it() {
        let names = |period| with_period(period).map(|part| part.name).collect::<Vec<_>>();
        assert_eq!(names(8.2), ["one turn of a screw with 8 mm lead"]);
        assert_eq!(names(2.01).len(), 2);
        assert!(names(6.3).is_empty());
        assert!(COMMON.is_sorted_by_key(|part| part.period_mm));
    }
}
