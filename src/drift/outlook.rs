//! When a creeping focus will have left the height slack of the block in use.

use jiff::{Timestamp, ToSpan};

use super::trend::TheilSen;

/// Further ahead than this nothing is foretold.
pub const HORIZON_DAYS: f64 = 5.0 * 365.25;

/// Where the focus may lie so that the block in use still serves, in mm of spacer.
///
/// With the strip `below` lower than the focus the gap is larger by that, and with it `above` higher smaller: a block
/// in use serves while the focus lies between the block minus `below` and the block plus `above`.
pub fn slack_band(spacer_in_use: f64, [below, above]: [f64; 2]) -> [f64; 2] {
    [spacer_in_use - below, spacer_in_use + above]
}

/// When the trend leaves the band.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Outlook {
    /// No block in use or no height slack is known.
    Unknown,
    /// The line through the readings is outside already.
    Outside,
    /// Between two moments; `None`: later than anything is foretold for.
    Leaves {
        /// The earliest; not before the newest reading.
        earliest: Timestamp,
        /// The latest.
        latest: Option<Timestamp>,
    },
    /// Not within the horizon, however steep the trend may be.
    NotSoon,
}

/// The trend's line and how sure its level is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// Days and mm.
    pub line: TheilSen,
    /// Half the width of the level's interval at the middle of the readings, mm.
    pub level_half_width: f64,
}

impl Course {
    /// Lowest and highest place of the line's band on a day.
    pub fn band(&self, days: f64) -> [f64; 2] {
        let away = days - self.line.middle[0];
        let ends = self.line.interval.map(|slope| self.line.middle[1] + slope * away);
        [ends[0].min(ends[1]) - self.level_half_width, ends[0].max(ends[1]) + self.level_half_width]
    }

    /// When the course leaves a band. `origin`: the moment of day 0; `now`: day of the newest reading.
    pub fn leaves(&self, [low, high]: [f64; 2], origin: Timestamp, now: f64) -> Outlook {
        let is_rising = self.line.slope > 0.0;
        let best = self.line.at(now);
        if best < low || best > high {
            return Outlook::Outside;
        }
        let rim = if is_rising { high } else { low };
        // Mirrored where it falls, so that the rim lies above.
        let sign = if is_rising { 1.0 } else { -1.0 };
        let mut slopes = self.line.interval.map(|slope| sign * slope);
        slopes.sort_by(f64::total_cmp);
        let middle = sign * self.line.middle[1];
        let day = |slope: f64, level: f64| {
            let reached = self.line.middle[0] + (sign * rim - level) / slope;
            (slope > 0.0 && reached < now + HORIZON_DAYS).then_some(reached)
        };
        // Before the middle of the readings the shallower slope is the higher one; a band that wide is left already.
        let earliest = day(slopes[1], middle + self.level_half_width);
        let latest = day(slopes[0], middle - self.level_half_width);
        match earliest {
            None => Outlook::NotSoon,
            Some(earliest) => Outlook::Leaves {
                earliest: moment(origin, earliest.max(now)),
                latest: latest.map(|latest| moment(origin, latest.max(now))),
            },
        }
    }
}

fn moment(origin: Timestamp, days: f64) -> Timestamp {
    origin.checked_add(((days * 86_400.0).round() as i64).seconds()).unwrap_or(Timestamp::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course(slope: f64, interval: [f64; 2]) -> Course {
        Course { line: TheilSen { slope, interval, middle: [100.0, 7.0] }, level_half_width: 0.1 }
    }

    fn days(outlook: Outlook) -> [Option<f64>; 2] {
        match outlook {
            Outlook::Leaves { earliest, latest } => {
                [Some(earliest), latest].map(|at| at.map(|at| at.as_second() as f64 / 86_400.0))
            }
            other => panic!("{other:?}"),
        }
    }

    /// Worked by hand: 0.5 mm of room; up to 0.01 mm a day with 0.1 mm less room, down to 0.004 with 0.1 mm more.
    #[test]
    fn leaving_is_a_range() {
        let band = slack_band(7.0, [0.3, 0.5]);
        assert_eq!(band, [6.7, 7.5]);
        let rising = course(0.005, [0.004, 0.01]).leaves(band, Timestamp::UNIX_EPOCH, 110.0);
        for (found, expected) in days(rising).iter().zip([140.0, 250.0]) {
            assert!((found.unwrap() - expected).abs() < 1e-4, "{found:?}");
        }
        let falling = course(-0.005, [-0.01, -0.004]).leaves(band, Timestamp::UNIX_EPOCH, 110.0);
        for (found, expected) in days(falling).iter().zip([120.0, 200.0]) {
            assert!((found.unwrap() - expected).abs() < 1e-4, "{found:?}");
        }
    }

    #[test]
    fn what_is_never_reached_is_not_foretold() {
        let band = [6.7, 7.5];
        let at = |slope, interval| course(slope, interval).leaves(band, Timestamp::UNIX_EPOCH, 110.0);
        assert_eq!(at(1e-5, [1e-6, 2e-5]), Outlook::NotSoon);
        assert_eq!(days(at(0.005, [-0.001, 0.01]))[1], None);
        assert_eq!(at(0.1, [0.09, 0.11]), Outlook::Outside);
    }

    #[test]
    fn the_band_is_narrowest_in_the_middle() {
        let course = course(0.005, [0.004, 0.01]);
        let wide = |day| course.band(day)[1] - course.band(day)[0];
        assert!((wide(100.0) - 0.2).abs() < 1e-12);
        assert!((wide(200.0) - 0.8).abs() < 1e-12 && (wide(0.0) - 0.8).abs() < 1e-12);
    }
}
