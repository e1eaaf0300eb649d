//! When a strip was burned, and how that is known.

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::fmt::temporal::{Pieces, PiecesOffset};
use jiff::tz::{Offset, TimeZone};
use serde::{Deserialize, Serialize};

/// A moment with the offset it was told in. In files: `when` (RFC 3339), `when_from` and `zone_assumed`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "WhenText", into = "WhenText")]
pub struct When {
    /// The moment, to the second.
    pub at: Timestamp,
    /// Offset of the local clock from UTC.
    pub offset: Offset,
    /// How it is known.
    pub from: WhenFrom,
    /// True where no offset was told, so that the machine's zone was taken.
    pub zone_assumed: bool,
}

/// How a moment is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum WhenFrom {
    /// It was said.
    Given,
    /// The picture's EXIF capture time.
    Picture,
    /// Nothing better was known than the time it was kept.
    Now,
}

/// The form in files.
#[derive(Serialize, Deserialize)]
struct WhenText {
    when: String,
    when_from: WhenFrom,
    zone_assumed: bool,
}

/// A time that cannot be read.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum WhenError {
    /// It is written in no known form.
    #[error("\"{text}\" is no date")]
    NoDate {
        /// As written.
        text: String,
    },
    /// It has not come yet.
    #[error("{text} has not come yet")]
    Future {
        /// As written.
        text: String,
    },
    /// There is no such time zone.
    #[error("there is no time zone \"{name}\"")]
    NoZone {
        /// As written.
        name: String,
    },
}

impl WhenError {
    /// What to do about it.
    pub const fn hint(&self) -> &'static str {
        match self {
            Self::NoDate { .. } => "write 2026-03-01, \"2026-03-01 14:30\" or 2026-03-01T14:30:00+01:00",
            Self::Future { .. } => "check the year, and the clock of this computer",
            Self::NoZone { .. } => "name it as the time zone database does, such as Europe/Lisbon, or UTC",
        }
    }
}

/// The time zone of this name; that of the computer where there is none.
///
/// # Errors
/// [`WhenError::NoZone`].
pub fn zone(name: Option<&str>) -> Result<TimeZone, WhenError> {
    match name {
        Some(name) => TimeZone::get(name).map_err(|_| WhenError::NoZone { name: name.to_owned() }),
        None => Ok(TimeZone::system()),
    }
}

impl When {
    /// A time as a person writes it: a date (noon is taken), a date with a time, either with an offset or without; without
    /// one, the zone's is taken and marked as assumed.
    ///
    /// ```
    /// use narrows::logbook::When;
    /// let when = When::parse("2026-03-01 14:30", &jiff::tz::TimeZone::UTC)?;
    /// assert_eq!(when.rfc3339(), "2026-03-01T14:30:00+00:00");
    /// assert!(when.zone_assumed);
    /// # Ok::<(), narrows::logbook::WhenError>(())
    /// ```
    ///
    /// # Errors
    /// [`WhenError::NoDate`].
    pub fn parse(text: &str, zone: &TimeZone) -> Result<Self, WhenError> {
        let no_date = || WhenError::NoDate { text: text.to_owned() };
        let pieces = Pieces::parse(text.trim()).map_err(|_| no_date())?;
        let time = pieces.time().unwrap_or(jiff::civil::time(12, 0, 0, 0));
        let civil = pieces.date().to_datetime(time);
        let offset = match pieces.offset() {
            Some(PiecesOffset::Zulu) => Some(Offset::UTC),
            Some(PiecesOffset::Numeric(numeric)) => Some(numeric.offset()),
            _ => None,
        };
        Self::from_civil(civil, offset, zone, WhenFrom::Given).ok_or_else(no_date)
    }

    /// An EXIF capture time, `YYYY:MM:DD HH:MM:SS` with an offset behind it or without (then the zone's, marked as
    /// assumed); `None` where it says no time that there is.
    pub fn from_exif(text: &str, zone: &TimeZone) -> Option<Self> {
        let (civil, offset) = text.split_at_checked(19)?;
        let civil = jiff::civil::DateTime::strptime("%Y:%m:%d %H:%M:%S", civil).ok()?;
        let offset = match offset {
            "" => None,
            _ => Some(jiff::fmt::strtime::parse("%Y:%m:%d %H:%M:%S%:z", text).ok()?.offset()?),
        };
        Self::from_civil(civil, offset, zone, WhenFrom::Picture)
    }

    /// The time it is, told on the zone's clock.
    pub fn now(now: Timestamp, zone: &TimeZone) -> Self {
        Self { at: to_the_second(now), offset: zone.to_offset(now), from: WhenFrom::Now, zone_assumed: false }
    }

    fn from_civil(civil: DateTime, offset: Option<Offset>, zone: &TimeZone, from: WhenFrom) -> Option<Self> {
        let at = match offset {
            Some(offset) => offset.to_timestamp(civil).ok()?,
            None => zone.to_timestamp(civil).ok()?,
        };
        let at = to_the_second(at);
        Some(Self { at, offset: offset.unwrap_or_else(|| zone.to_offset(at)), from, zone_assumed: offset.is_none() })
    }

    /// Refuses what lies further ahead than the clocks of two time zones can differ.
    ///
    /// # Errors
    /// [`WhenError::Future`].
    pub fn not_after(self, now: Timestamp) -> Result<Self, WhenError> {
        if self.at.as_second() - now.as_second() > DAY_S {
            return Err(WhenError::Future { text: self.rfc3339() });
        }
        Ok(self)
    }

    /// RFC 3339 with the offset: `2026-03-01T14:30:00+01:00`.
    pub fn rfc3339(&self) -> String {
        self.at.display_with_offset(self.offset).to_string()
    }

    /// How it is known, as in files.
    pub const fn told_by(&self) -> &'static str {
        super::rows::when_from(self.from)
    }

    /// Reads what [`When::rfc3339`] writes.
    pub(super) fn from_rfc3339(text: &str, from: WhenFrom, zone_assumed: bool) -> Option<Self> {
        let pieces = Pieces::parse(text).ok()?;
        let offset = match pieces.offset()? {
            PiecesOffset::Numeric(numeric) => numeric.offset(),
            _ => Offset::UTC,
        };
        Some(Self { at: text.parse().ok()?, offset, from, zone_assumed })
    }

    /// Date on the local clock: `2026-03-01`.
    pub fn date(&self) -> String {
        self.offset.to_datetime(self.at).date().to_string()
    }

    /// Date and time on the local clock, to the minute: `2026-03-01 14:30`.
    pub fn minute(&self) -> String {
        self.offset.to_datetime(self.at).strftime("%Y-%m-%d %H:%M").to_string()
    }
}

impl Default for When {
    fn default() -> Self {
        Self { at: Timestamp::UNIX_EPOCH, offset: Offset::UTC, from: WhenFrom::Given, zone_assumed: false }
    }
}

impl From<Timestamp> for When {
    fn from(at: Timestamp) -> Self {
        Self { at, ..Self::default() }
    }
}

impl TryFrom<WhenText> for When {
    type Error = WhenError;

    fn try_from(text: WhenText) -> Result<Self, WhenError> {
        Self::from_rfc3339(&text.when, text.when_from, text.zone_assumed).ok_or(WhenError::NoDate { text: text.when })
    }
}

impl From<When> for WhenText {
    fn from(when: When) -> Self {
        Self { when: when.rfc3339(), when_from: when.from, zone_assumed: when.zone_assumed }
    }
}

const DAY_S: i64 = 24 * 3600;

/// Strips are not dated more finely.
fn to_the_second(at: Timestamp) -> Timestamp {
    Timestamp::from_second(at.as_second()).unwrap_or(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lisbon() -> TimeZone {
        TimeZone::get("Europe/Lisbon").unwrap()
    }

    /// Offsets of Lisbon, UTC in winter and one hour ahead in summer: time zone database.
    #[test]
    fn what_is_written_without_an_offset_is_on_the_zones_clock() {
        let told = |text: &str| When::parse(text, &lisbon()).map(|when| (when.rfc3339(), when.zone_assumed));
        assert_eq!(told("2026-01-31"), Ok(("2026-01-31T12:00:00+00:00".into(), true)));
        assert_eq!(told("2026-07-31 08:05"), Ok(("2026-07-31T08:05:00+01:00".into(), true)));
        assert_eq!(told("2026-07-31T08:05:09-03:30"), Ok(("2026-07-31T08:05:09-03:30".into(), false)));
        assert_eq!(told("2026-07-31T08:05:09Z"), Ok(("2026-07-31T08:05:09+00:00".into(), false)));
        for wrong in ["", "yesterday", "31.7.2026", "2026-02-30", "14:30", "7"] {
            assert_eq!(told(wrong), Err(WhenError::NoDate { text: wrong.into() }));
        }
    }

    #[test]
    fn a_capture_time_keeps_its_offset_or_takes_the_zones() {
        let told = |text: &str| When::from_exif(text, &lisbon()).map(|when| (when.rfc3339(), when.zone_assumed));
        assert_eq!(told("2026:07:31 08:05:09"), Some(("2026-07-31T08:05:09+01:00".into(), true)));
        assert_eq!(told("2026:07:31 08:05:09-05:30"), Some(("2026-07-31T08:05:09-05:30".into(), false)));
        assert_eq!(told("2026:13:31 08:05:09"), None);
        assert_eq!(told("2026:07:31"), None);
        assert_eq!(told("2026:07:31 08:05:0é"), None);
    }

    #[test]
    fn the_form_in_files_comes_back_as_it_was() {
        let when = When::parse("2026-07-31T08:05:09-03:30", &lisbon()).unwrap();
        let text = serde_json::to_string(&when).unwrap();
        assert_eq!(text, r#"{"when":"2026-07-31T08:05:09-03:30","when_from":"given","zone_assumed":false}"#);
        assert_eq!(serde_json::from_str::<When>(&text).unwrap(), when);
        assert_eq!((when.date().as_str(), when.minute().as_str()), ("2026-07-31", "2026-07-31 08:05"));
    }
}
