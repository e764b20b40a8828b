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

/// Something due for one unit of a fleet.
#[derive(Debug, Clone, PartialEq)]
pub struct DueItem {
    /// The unit, as the caller names it.
    pub unit: String,
    /// What falls due.
    pub due: Due,
}

/// The due list of a fleet: what is overdue at `now` or expected within `days` after it, the most
/// urgent first: overdue before not yet due, then by expected date, then by unit.
pub fn due_list(items: Vec<DueItem>, now: Instant, days: u32) -> Vec<DueItem> {
    let until = now.plus_days(days);
    let mut list: Vec<DueItem> = items
        .into_iter()
        .filter(|i| i.due.overdue_at(now) || i.due.expected.is_some_and(|e| e <= until))
        .collect();
    list.sort_by_key(|i| {
        (
            !i.due.overdue_at(now),
            i.due.expected,
            i.unit.clone(),
            i.due.kind,
        )
    });
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::assess::tests::sheet;

    fn day(text: &str) -> Instant {
        format!("{text}T00:00:00Z").parse().unwrap()
    }

    fn only(list: &[Due]) -> Due {
        assert_eq!(list.len(), 1);
        list[0]
    }

    #[test]
    fn the_first_check_has_its_own_interval_and_later_ones_the_common_one() {
        let mut history = CheckHistory {
            commissioned: Some(day("2024-01-01")),
            ..CheckHistory::default()
        };
        let due = only(&due_checks(&sheet(), &history));
        assert_eq!(
            (due.kind, due.by),
            (DueKind::FirstCheck, Some(day("2024-12-31")))
        );
        history.last_check = Some(day("2024-12-01"));
        let due = only(&due_checks(&sheet(), &history));
        assert_eq!(
            (due.kind, due.by),
            (DueKind::PeriodicCheck, Some(day("2026-12-01")))
        );
        assert!(due.overdue_at(day("2026-12-02")) && !due.overdue_at(day("2026-12-01")));
    }

    #[test]
    fn flight_hours_or_the_calendar_whichever_comes_first() {
        let mut sheet = sheet();
        sheet.intervals.flight_minutes = Some(FlightMinutes::from_hours(500.0).unwrap());
        let minutes = |h| FlightMinutes::from_hours(h).unwrap();
        let history = CheckHistory {
            commissioned: Some(day("2023-01-01")),
            last_check: Some(day("2024-01-01")),
            flight_minutes_at_check: Some(minutes(1000.0)),
            flight_minutes_now: Some((minutes(1400.0), day("2024-10-01"))),
            flight_minutes_per_day: Some(60.0),
            ..CheckHistory::default()
        };
        let due = only(&due_checks(&sheet, &history));
        assert_eq!(due.at_flight_minutes, Some(minutes(1500.0)));
        assert_eq!(due.flight_minutes_left, Some(6000));
        // 100 h at one hour a day: 100 days after 1 October, long before two years are over.
        assert_eq!(due.expected, Some(day("2025-01-09")));
        let flown = CheckHistory {
            flight_minutes_now: Some((minutes(1501.0), day("2024-12-01"))),
            ..history
        };
        assert!(only(&due_checks(&sheet, &flown)).overdue_at(day("2024-12-01")));
    }

    #[test]
    fn a_storage_charge_expires() {
        let history = CheckHistory {
            last_storage_charge: Some(day("2024-01-01")),
            ..CheckHistory::default()
        };
        let due = only(&due_checks(&sheet(), &history));
        assert_eq!(
            (due.kind, due.by),
            (DueKind::StorageCharge, Some(day("2024-06-29")))
        );
    }

    #[test]
    fn the_due_list_begins_with_what_is_overdue() {
        let item = |unit: &str, by: &str, left: Option<i64>| DueItem {
            unit: unit.to_owned(),
            due: Due {
                kind: DueKind::PeriodicCheck,
                by: Some(day(by)),
                at_flight_minutes: None,
                flight_minutes_left: left,
                expected: Some(day(by)),
            },
        };
        let items = vec![
            item("far", "2026-01-01", None),
            item("soon", "2025-02-10", None),
            item("overdue by hours", "2025-12-01", Some(-1)),
            item("overdue", "2025-01-31", None),
        ];
        let list = due_list(items, day("2025-02-01"), 30);
        let names: Vec<&str> = list.iter().map(|i| i.unit.as_str()).collect();
        assert_eq!(names, ["overdue", "overdue by hours", "soon"]);
    }

    #[test]
    fn nothing_known_gives_nothing_due() {
        assert!(due_checks(&sheet(), &CheckHistory::default()).is_empty());
    }
}
