//! Due dates out of small histories.

use super::*;
use crate::samples::{event, history_of, test_entry};
use carrylog_format::record::{Assessment, OnWing};
use carrylog_format::text::Text;

fn at(text: &str) -> Instant {
    format!("{text}T12:00:00Z").parse().unwrap()
}

fn check(day: &str, hours: f64) -> TestRecord {
    let mut t = crate::samples::test(40.0);
    t.ended_ms = at(day);
    t.flight_minutes = Some(FlightMinutes::from_hours(hours).unwrap());
    t
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
    let id = carrylog_format::ids::StatementDigest::from_hash(carrylog_format::tree::leaf_hash(
        b"sheet",
    ));
    bad.assessment = Some(Assessment {
        next: Vec::new(),
        sheet: id,
        reasons: Vec::new(),
        verdict: Verdict::OutsideLimits,
    });
    let unit = history_of(vec![
        event(at("2023-01-01"), UnitChange::Commissioned),
        test_entry(bad),
        test_entry(zero),
        test_entry(good),
    ]);
    let history = unit.check_history();
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
    let unit = history_of(vec![test_entry(stored.clone())]);
    assert_eq!(
        unit.check_history().last_storage_charge,
        Some(at("2024-01-01"))
    );
    let used = history_of(vec![
        test_entry(stored),
        event(at("2024-02-01"), installed()),
    ]);
    assert_eq!(used.check_history().last_storage_charge, None);
}

#[test]
fn a_transferred_unit_is_gone_until_it_is_received_again() {
    use crate::unit::Gone;
    let transferred = || {
        let to = Text::new("Another operator (invented)").unwrap();
        event(at("2024-02-01"), UnitChange::Transferred { to })
    };
    let unit = history_of(vec![transferred()]);
    assert_eq!(unit.gone(), Some(Gone::Transferred));
    let place = Text::new("Records office (invented)").unwrap();
    let back = event(at("2024-03-01"), UnitChange::Received { place });
    let unit = history_of(vec![transferred(), back]);
    assert_eq!(unit.gone(), None);
}
