//! From the records of one unit to what the rules ask for: facts for anomalies, history for due dates.
//!
//! Owns which records count. The rules themselves are in [`crate::anomalies`] and [`carrylog_health::due`].

use crate::anomalies::{PlaceChange, PlaceFact, TestFact};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::FlightMinutes;
use carrylog_format::record::{Purpose, TestRecord, UnitChange, UnitEvent, Verdict};
use carrylog_health::due::CheckHistory;
use carrylog_health::from_records::{capacity_of, day_of};

/// A test as the anomaly rules see it; `station` is the caller's name for where it was made.
pub fn test_fact(test: &TestRecord, station: &str) -> TestFact {
    let computed = test.computed.as_ref().and_then(|c| c.capacity_uah);
    TestFact {
        start_day: day_of(test.started_ms),
        end_day: day_of(test.ended_ms),
        station: station.to_owned(),
        slot: test.slot,
        trace: test.trace.as_ref().map(|t| *t.sha256.hash().as_bytes()),
        flight_hours: test.flight_minutes.map(|m| m.hours()),
        flight_cycles: test.flight_cycles,
        declared_ah: test.declared.capacity_uah.map(|c| c.amp_hours()),
        computed_ah: computed.map(|c| c.amp_hours()),
        on_wing: test.on_wing.as_ref().map(|w| w.registration.to_string()),
    }
}

/// An event as the anomaly rules see it; `None` for one that moves nothing.
pub fn place_fact(event: &UnitEvent) -> Option<PlaceFact> {
    let change = match &event.event {
        UnitChange::Installed(on) => PlaceChange::Installed {
            registration: on.registration.to_string(),
        },
        UnitChange::Removed { registration, .. } => PlaceChange::Removed {
            registration: registration.to_string(),
        },
        UnitChange::Received { place } | UnitChange::Stored { place } => PlaceChange::At {
            place: place.to_string(),
        },
        UnitChange::Repaired { .. } => PlaceChange::Repaired,
        UnitChange::Retired { .. } => PlaceChange::Retired,
        _ => return None,
    };
    Some(PlaceFact {
        day: day_of(event.happened_ms),
        change,
    })
}

/// What the due dates of a unit follow from; tests and events in any order.
///
/// A check counts if it measured a capacity and its assessment, where there is one, found it within
/// limits (guard band or not): a check that failed or could not be assessed does not restart the
/// interval. A storage charge stands until a later charge, commissioning charge or installation.
pub fn check_history(tests: &[&TestRecord], events: &[&UnitEvent]) -> CheckHistory {
    let event_at = |wanted: fn(&UnitChange) -> bool| {
        events
            .iter()
            .filter(move |e| wanted(&e.event))
            .map(|e| e.happened_ms)
    };
    let test_at = |wanted: fn(&TestRecord) -> bool| {
        tests.iter().filter(move |t| wanted(t)).map(|t| t.ended_ms)
    };
    let commissioned = event_at(|e| *e == UnitChange::Commissioned)
        .min()
        .or_else(|| test_at(|t| t.purpose == Purpose::Commissioning).min());
    let check = tests
        .iter()
        .filter(|t| counts(t))
        .max_by_key(|t| t.ended_ms);
    let used = test_at(|t| matches!(t.purpose, Purpose::Charge | Purpose::Commissioning))
        .chain(event_at(|e| matches!(e, UnitChange::Installed(_))))
        .max();
    let stored = test_at(|t| t.purpose == Purpose::StorageCharge && passed(t)).max();
    let flown = flight_time(tests, events);
    CheckHistory {
        commissioned,
        last_check: check.map(|t| t.ended_ms),
        flight_minutes_at_check: check.and_then(|t| t.flight_minutes),
        last_storage_charge: stored.filter(|s| used.is_none_or(|u| u < *s)),
        flight_minutes_now: flown.last().map(|&(when, minutes)| (minutes, when)),
        flight_minutes_per_day: rate(&flown),
    }
}

fn counts(test: &TestRecord) -> bool {
    let check = matches!(
        test.purpose,
        Purpose::PeriodicCheck | Purpose::Commissioning
    );
    check && capacity_of(test).is_some() && passed(test)
}

fn passed(test: &TestRecord) -> bool {
    test.assessment
        .as_ref()
        .is_none_or(|a| matches!(a.verdict, Verdict::WithinLimits | Verdict::InsideGuardBand))
}

/// Flight times on record, in order of when they were written down.
fn flight_time(tests: &[&TestRecord], events: &[&UnitEvent]) -> Vec<(Instant, FlightMinutes)> {
    let from_tests = tests
        .iter()
        .filter_map(|t| Some((t.ended_ms, t.flight_minutes?)));
    let from_events = events
        .iter()
        .filter_map(|e| Some((e.happened_ms, e.flight_minutes?)));
    let mut all: Vec<_> = from_tests.chain(from_events).collect();
    all.sort();
    all
}

/// Mean rate over the last year on record; `None` if hours stand still, run backwards or are known
/// over fewer than 30 days. Common practice, no source.
fn rate(flown: &[(Instant, FlightMinutes)]) -> Option<f64> {
    let (now, minutes) = *flown.last()?;
    let year = flown
        .iter()
        .find(|(when, _)| now.days_since(*when) <= 366.0)?;
    let days = now.days_since(year.0);
    let flown = (minutes.raw() - year.1.raw()) as f64;
    (days >= 30.0 && flown > 0.0).then(|| flown / days)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::test;
    use carrylog_format::record::OnWing;
    use carrylog_format::text::Text;

    fn at(text: &str) -> Instant {
        format!("{text}T12:00:00Z").parse().unwrap()
    }

    fn check(day: &str, hours: f64) -> TestRecord {
        let mut t = test(40.0);
        t.ended_ms = at(day);
        t.flight_minutes = Some(FlightMinutes::from_hours(hours).unwrap());
        t
    }

    fn event(day: &str, event: UnitChange) -> UnitEvent {
        UnitEvent {
            unit: test(40.0).unit,
            event,
            happened_ms: at(day),
            flight_cycles: None,
            flight_minutes: None,
        }
    }

    fn installed() -> UnitChange {
        UnitChange::Installed(OnWing {
            position: Text::new("1").unwrap(),
            registration: Text::new("XX-001").unwrap(),
        })
    }

    #[test]
    fn a_check_that_failed_does_not_restart_the_interval() {
        let (good, mut bad) = (check("2024-01-01", 100.0), check("2024-06-01", 200.0));
        let mut zero = check("2024-07-01", 210.0);
        zero.declared.capacity_uah = None;
        let id = carrylog_format::ids::StatementDigest::from_hash(
            carrylog_format::tree::leaf_hash(b"sheet"),
        );
        bad.assessment = Some(carrylog_format::record::Assessment {
            next: Vec::new(),
            sheet: id,
            reasons: Vec::new(),
            verdict: Verdict::OutsideLimits,
        });
        let commissioned = event("2023-01-01", UnitChange::Commissioned);
        let history = check_history(&[&bad, &zero, &good], &[&commissioned]);
        assert_eq!(history.last_check, Some(at("2024-01-01")));
        assert_eq!(history.commissioned, Some(at("2023-01-01")));
        assert_eq!(history.flight_minutes_at_check.unwrap().hours(), 100.0);
        assert_eq!(history.flight_minutes_now.unwrap().0.hours(), 210.0);
        // 110 h over 182 days.
        assert!((history.flight_minutes_per_day.unwrap() - 110.0 * 60.0 / 182.0).abs() < 1e-9);
    }

    #[test]
    fn a_storage_charge_stands_until_the_unit_is_used() {
        let mut stored = check("2024-01-01", 100.0);
        stored.purpose = Purpose::StorageCharge;
        let history = check_history(&[&stored], &[]);
        assert_eq!(history.last_storage_charge, Some(at("2024-01-01")));
        let fitted = event("2024-02-01", installed());
        assert_eq!(
            check_history(&[&stored], &[&fitted]).last_storage_charge,
            None
        );
    }

    #[test]
    fn records_become_facts() {
        let mut t = check("2024-01-01", 100.0);
        t.slot = Some(4);
        let fact = test_fact(&t, "Bay 1");
        assert_eq!(
            (fact.slot, fact.declared_ah, fact.flight_hours),
            (Some(4), Some(40.0), Some(100.0))
        );
        let place = place_fact(&event("2024-02-01", installed())).unwrap();
        assert_eq!(
            place.change,
            PlaceChange::Installed {
                registration: "XX-001".to_owned()
            }
        );
        assert_eq!(
            place_fact(&event("2024-02-01", UnitChange::StorageChargeDue)),
            None
        );
    }
}
