//! Ticks of an axis of dates: at whole days, weeks, months or years, whichever fit.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::Offset;

/// A tick: its moment, and what is written there.
pub(crate) type Tick = (Timestamp, String);

/// Steps from the shortest to the longest.
#[derive(Clone, Copy)]
enum Step {
    Days(i64),
    Months(i16),
}

const STEPS: [Step; 13] = [
    Step::Days(1),
    Step::Days(2),
    Step::Days(7),
    Step::Days(14),
    Step::Months(1),
    Step::Months(2),
    Step::Months(3),
    Step::Months(6),
    Step::Months(12),
    Step::Months(24),
    Step::Months(60),
    Step::Months(120),
    Step::Months(600),
];

impl Step {
    const fn days(self) -> f64 {
        match self {
            Self::Days(days) => days as f64,
            Self::Months(months) => months as f64 * 30.4375,
        }
    }
}

/// Ticks between two moments, at most `most` of them, on the clock of an offset.
pub(crate) fn ticks([from, to]: [Timestamp; 2], offset: Offset, most: usize) -> Vec<Tick> {
    let span = (to.as_second() - from.as_second()) as f64 / 86_400.0;
    let step = STEPS.into_iter().find(|step| span / step.days() < most as f64).unwrap_or(STEPS[STEPS.len() - 1]);
    let first = offset.to_datetime(from).date();
    let dates: Vec<Date> = match step {
        Step::Days(days) => {
            // Weeks begin on Mondays, and shorter steps too, so that a chart does not jump from one look to the next.
            let monday = first.checked_sub(jiff::Span::new().days(i64::from(first.weekday().to_monday_zero_offset())));
            let Ok(monday) = monday else { return Vec::new() };
            (0..).map_while(|n| monday.checked_add(jiff::Span::new().days(n * days)).ok()).take(400).collect()
        }
        Step::Months(months) => {
            let of = |count: i64| {
                let [year, month] = [count.div_euclid(12), count.rem_euclid(12)];
                Date::new(i16::try_from(year).ok()?, month as i8 + 1, 1).ok()
            };
            let count = i64::from(first.year()) * 12 + i64::from(first.month()) - 1;
            let count = count - count.rem_euclid(i64::from(months));
            (0..).map_while(|n| of(count + n * i64::from(months))).take(400).collect()
        }
    };
    let told = |date: Date| match step {
        Step::Days(_) => date.to_string(),
        Step::Months(months) if months % 12 == 0 => date.year().to_string(),
        Step::Months(_) => date.strftime("%Y-%m").to_string(),
    };
    dates
        .into_iter()
        .filter_map(|date| Some((offset.to_timestamp(date.at(0, 0, 0, 0)).ok()?, told(date))))
        .filter(|(at, _)| (from..=to).contains(at))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn told(from: &str, to: &str, most: usize) -> Vec<String> {
        let [from, to] = [from, to].map(|text| format!("{text}T06:00:00Z").parse::<Timestamp>().unwrap());
        ticks([from, to], Offset::UTC, most).into_iter().map(|tick| tick.1).collect()
    }

    #[test]
    fn ticks_stand_at_whole_days_months_and_years() {
        assert_eq!(told("2026-02-27", "2026-03-02", 8), ["2026-02-28", "2026-03-01", "2026-03-02"]);
        assert_eq!(
            told("2026-02-01", "2026-03-10", 8),
            ["2026-02-02", "2026-02-09", "2026-02-16", "2026-02-23", "2026-03-02", "2026-03-09"]
        );
        assert_eq!(
            told("2025-11-20", "2026-05-20", 8),
            ["2025-12", "2026-01", "2026-02", "2026-03", "2026-04", "2026-05"]
        );
        assert_eq!(
            told("2025-02-20", "2026-08-20", 8),
            ["2025-04", "2025-07", "2025-10", "2026-01", "2026-04", "2026-07"]
        );
        assert_eq!(told("2019-02-20", "2026-08-20", 10), ["2020", "2021", "2022", "2023", "2024", "2025", "2026"]);
    }
}
