//! Instants and calendar dates as records hold them: claims of a clock, never the order of a log.

use jiff::{Timestamp, civil};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// Milliseconds since 1970-01-01T00:00:00Z, leap seconds not counted; years 1970 to 9999.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "i64", into = "i64")]
pub struct Instant(i64);

/// 9999-12-30T22:00:00Z, the last instant that every calendar library here can show.
const LAST_MS: i64 = 253_402_207_200_000;

impl Instant {
    /// From milliseconds since the epoch.
    ///
    /// # Errors
    /// [`InstantError::OutOfRange`] before 1970 or after 9999.
    pub fn from_millis(ms: i64) -> Result<Self, InstantError> {
        if (0..=LAST_MS).contains(&ms) {
            Ok(Self(ms))
        } else {
            Err(InstantError::OutOfRange(ms))
        }
    }

    /// From whole seconds since the epoch.
    ///
    /// # Errors
    /// [`InstantError::OutOfRange`] after 9999.
    pub fn from_seconds(seconds: u64) -> Result<Self, InstantError> {
        let ms = i64::try_from(seconds)
            .unwrap_or(i64::MAX)
            .saturating_mul(1000);
        Self::from_millis(ms)
    }

    /// Whole seconds since the epoch.
    pub fn seconds(self) -> u64 {
        // Never negative by construction.
        (self.0 / 1000).unsigned_abs()
    }

    /// Milliseconds since the epoch.
    pub fn millis(self) -> i64 {
        self.0
    }

    /// Days from `earlier` to this instant; negative if it lies before.
    pub fn days_since(self, earlier: Self) -> f64 {
        (self.0 - earlier.0) as f64 / 86_400_000.0
    }

    /// The instant `days` whole days later, held within the range of the type.
    pub fn plus_days(self, days: u32) -> Self {
        Self((self.0 + i64::from(days) * 86_400_000).min(LAST_MS))
    }

    /// The calendar date in UTC, `2026-03-01`.
    pub fn date(self) -> Date {
        Date(jiff::tz::TimeZone::UTC.to_datetime(self.timestamp()).date())
    }

    fn timestamp(self) -> Timestamp {
        // In range by construction; the epoch stands in for what cannot happen.
        Timestamp::from_millisecond(self.0).unwrap_or(Timestamp::UNIX_EPOCH)
    }
}

impl TryFrom<i64> for Instant {
    type Error = InstantError;
    fn try_from(ms: i64) -> Result<Self, InstantError> {
        Self::from_millis(ms)
    }
}

impl From<Instant> for i64 {
    fn from(instant: Instant) -> i64 {
        instant.0
    }
}

impl FromStr for Instant {
    type Err = InstantError;
    /// RFC 3339, with an offset: `2026-03-01T09:30:00Z`, `2026-03-01T10:30:00+01:00`.
    fn from_str(text: &str) -> Result<Self, InstantError> {
        let stamp: Timestamp = text
            .trim()
            .parse()
            .map_err(|_| InstantError::NotRfc3339(text.to_owned()))?;
        Self::from_millis(stamp.as_millisecond())
    }
}

impl fmt::Display for Instant {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.timestamp().to_string())
    }
}

/// A calendar date: when a calibration ends, when a limits sheet begins.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Date(civil::Date);

impl Date {
    /// Midnight UTC at the start of the date.
    ///
    /// # Errors
    /// [`InstantError::OutOfRange`] before 1970.
    pub fn start(self) -> Result<Instant, InstantError> {
        let days = self
            .0
            .duration_since(civil::Date::constant(1970, 1, 1))
            .as_hours()
            / 24;
        Instant::from_millis(days * 86_400_000)
    }
}

impl FromStr for Date {
    type Err = InstantError;
    /// RFC 3339 full-date: `2026-03-01`.
    fn from_str(text: &str) -> Result<Self, InstantError> {
        let date = text.trim();
        let parsed: civil::Date = date
            .parse()
            .map_err(|_| InstantError::NotADate(text.to_owned()))?;
        // One spelling only, so that equal dates have equal bytes.
        if parsed.to_string() == date && parsed.year() >= 1970 {
            Ok(Self(parsed))
        } else {
            Err(InstantError::NotADate(text.to_owned()))
        }
    }
}

impl TryFrom<String> for Date {
    type Error = InstantError;
    /// Strict: text from a record is taken as it stands or refused, never trimmed.
    fn try_from(text: String) -> Result<Self, InstantError> {
        match text.parse::<Self>() {
            Ok(date) if text.trim().len() == text.len() => Ok(date),
            _ => Err(InstantError::NotADate(text)),
        }
    }
}

impl From<Date> for String {
    fn from(date: Date) -> Self {
        date.to_string()
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0.to_string())
    }
}

/// Why text or a number is no instant or date.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum InstantError {
    /// Outside the years 1970 to 9999.
    #[error("{0} ms since 1970 lies outside the years 1970 to 9999")]
    OutOfRange(i64),
    /// Not an RFC 3339 date-time with an offset.
    #[error("«{0}» is not an RFC 3339 instant such as 2026-03-01T09:30:00Z")]
    NotRfc3339(String),
    /// Not an RFC 3339 full-date.
    #[error("«{0}» is not a date such as 2026-03-01")]
    NotADate(String),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rfc3339_examples_read_as_the_instants_they_name() {
        // RFC 3339 §5.8, second example: 1996-12-19T16:39:57-08:00 = 1996-12-20T00:39:57Z.
        let a: Instant = "1996-12-19T16:39:57-08:00".parse().unwrap();
        let b: Instant = "1996-12-20T00:39:57Z".parse().unwrap();
        assert_eq!(a, b);
        assert_eq!(a.to_string(), "1996-12-20T00:39:57Z");
        assert!(
            "2026-03-01T09:30:00".parse::<Instant>().is_err(),
            "an offset is needed"
        );
    }

    #[test]
    fn dates_have_one_spelling() {
        assert!("2026-03-01".parse::<Date>().is_ok());
        for bad in ["2026-3-1", "20260301", "2026-02-30", "1969-12-31"] {
            assert!(bad.parse::<Date>().is_err(), "{bad}");
        }
        let date: Date = "2026-03-01".parse().unwrap();
        assert_eq!(date.start().unwrap().date(), date);
    }
}
