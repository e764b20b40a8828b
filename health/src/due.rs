//! When checks and storage charges fall due, by calendar and by flight hours.
//!
//! Dates follow from the limits sheet's intervals and from what is known of the unit; whichever
//! comes first governs. A clock reading of today is not needed here: callers compare.

use carrylog_format::instant::Instant;
use carrylog_format::quantity::FlightMinutes;
use carrylog_format::record::LimitsSheet;

/// What is known of a unit's checks.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CheckHistory {
    /// When it was commissioned.
    pub commissioned: Option<Instant>,
    /// End of the last periodic check (or commissioning check) that counts.
    pub last_check: Option<Instant>,
    /// Flight time at that check.
    pub flight_minutes_at_check: Option<FlightMinutes>,
    /// End of the last storage charge; `None` once the unit was charged for use or installed.
    pub last_storage_charge: Option<Instant>,
    /// Flight time as last recorded, and when.
    pub flight_minutes_now: Option<(FlightMinutes, Instant)>,
    /// Flight minutes a day, if the history gives a rate; only for the expected date.
    pub flight_minutes_per_day: Option<f64>,
}

/// What falls due.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum DueKind {
    /// The first periodic check after commissioning.
    FirstCheck,
    /// A periodic check.
    PeriodicCheck,
    /// A storage charge.
    StorageCharge,
}

impl DueKind {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::FirstCheck => "first periodic check",
            Self::PeriodicCheck => "periodic check",
            Self::StorageCharge => "storage charge",
        }
    }
}

/// One thing that falls due: by the date or at the flight time, whichever comes first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Due {
    /// What.
    pub kind: DueKind,
    /// By this instant.
    pub by: Option<Instant>,
    /// At this flight time of the unit.
    pub at_flight_minutes: Option<FlightMinutes>,
    /// Flight time left, negative if it was exceeded, in minutes.
    pub flight_minutes_left: Option<i64>,
    /// The earlier of `by` and the day on which the flight time is reached at the unit's rate.
    pub expected: Option<Instant>,
}

impl Due {
    /// Whether it is overdue at `now`, by date or by flight time.
    pub fn overdue_at(&self, now: Instant) -> bool {
        self.by.is_some_and(|by| by < now) || self.flight_minutes_left.is_some_and(|left| left < 0)
    }
}

/// What falls due for a unit. Empty if the sheet gives no interval that can be reckoned: no check
/// and no commissioning is known.
pub fn due_checks(sheet: &LimitsSheet, history: &CheckHistory) -> Vec<Due> {
    let mut list = Vec::new();
    list.extend(next_check(sheet, history));
    if let (Some(rule), Some(charged)) = (&sheet.storage, history.last_storage_charge) {
        let by = charged.plus_days(rule.valid_days);
        list.push(Due {
            kind: DueKind::StorageCharge,
            by: Some(by),
            at_flight_minutes: None,
            flight_minutes_left: None,
            expected: Some(by),
        });
    }
    list
}

fn next_check(sheet: &LimitsSheet, history: &CheckHistory) -> Option<Due> {
    let intervals = &sheet.intervals;
    // Nothing checked since commissioning: the first interval, where the sheet gives one.
    let first = match (history.last_check, history.commissioned) {
        (None, Some(_)) => true,
        (Some(check), Some(commissioned)) => check <= commissioned,
        _ => false,
    };
    let from = history.last_check.or(history.commissioned)?;
    let (kind, days) = if first {
        (DueKind::FirstCheck, intervals.first_days.or(intervals.days))
    } else {
        (DueKind::PeriodicCheck, intervals.days)
    };
    let by = days.map(|d| from.plus_days(d));
    let at_flight_minutes = intervals.flight_minutes.and_then(|interval| {
        // A unit's flight time counts from zero at commissioning.
        let base = match history.flight_minutes_at_check {
            Some(minutes) => minutes.raw(),
            None if first => 0,
            None => return None,
        };
        FlightMinutes::new(base.saturating_add(interval.raw())).ok()
    });
    if by.is_none() && at_flight_minutes.is_none() {
        return None;
    }
    let now = history.flight_minutes_now;
    let left = at_flight_minutes
        .zip(now)
        .map(|(at, (minutes, _))| at.raw() - minutes.raw());
    let reached = left.zip(now).and_then(|(left, (_, when))| {
        let rate = history
            .flight_minutes_per_day
            .filter(|r| r.is_finite() && *r > 0.0)?;
        let days = (left.max(0) as f64 / rate).floor();
        (days <= f64::from(u32::MAX)).then(|| when.plus_days(days as u32))
    });
    let expected = match (by, reached) {
        (Some(a), Some(b)) => Some(a.min(b)),
        (a, b) => a.or(b),
    };
    Some(Due {
        kind,
        by,
        at_flight_minutes,
        flight_minutes_left: left,
        expected,
    })
}
