//! Each rule with what breaks it and what does not.

use super::*;

fn test(day: f64, ah: f64) -> TestFact {
    TestFact {
        start_day: day,
        end_day: day + 0.25,
        station: "Bay 1".to_owned(),
        declared_ah: Some(ah),
        flight_hours: Some(day),
        flight_cycles: Some(day as u64),
        ..TestFact::default()
    }
}

fn run(tests: &[TestFact], places: &[PlaceFact]) -> Vec<Anomaly> {
    unit_anomalies(tests, places, 44.0, &AnomalyRules::default())
}

fn at(day: f64, change: PlaceChange) -> PlaceFact {
    PlaceFact { day, change }
}

fn installed(day: f64, on: &str) -> PlaceFact {
    at(
        day,
        PlaceChange::Installed {
            registration: on.to_owned(),
        },
    )
}

#[test]
fn a_plain_history_has_no_anomaly() {
    let tests = [test(0.0, 44.0), test(300.0, 43.0), test(600.0, 42.0)];
    let removed = PlaceChange::Removed {
        registration: "XX-001".to_owned(),
    };
    let places = [
        installed(10.0, "XX-001"),
        at(290.0, removed),
        installed(310.0, "XX-002"),
    ];
    assert!(run(&tests[..2], &places).is_empty());
}

#[test]
fn a_capacity_that_jumps_is_named_and_a_repair_explains_it() {
    let tests = [test(0.0, 40.0), test(300.0, 43.0)];
    let jump = run(&tests, &[]);
    assert!(matches!(
        jump[..],
        [Anomaly::CapacityJump {
            before: 0,
            after: 1,
            ..
        }]
    ));
    assert!(run(&tests, &[at(100.0, PlaceChange::Repaired)]).is_empty());
    let lost = run(&[test(0.0, 44.0), test(300.0, 39.0)], &[]);
    assert!(matches!(lost[..], [Anomaly::CapacityJump { change, .. }] if change < -0.1));
    assert!(
        run(&[test(0.0, 44.0), test(300.0, 40.0)], &[]).is_empty(),
        "9 % is no jump"
    );
}

#[test]
fn hours_and_cycles_that_run_backwards_are_named_whatever_the_order_of_arrival() {
    let mut late = test(300.0, 44.0);
    late.flight_hours = Some(-5.0);
    late.flight_cycles = Some(0);
    let mut early = test(0.0, 44.0);
    early.flight_cycles = Some(7);
    let found = run(&[late, early], &[]);
    assert_eq!(
        found,
        [
            Anomaly::HoursBackwards {
                before: 1,
                after: 0,
                from: 0.0,
                to: -5.0
            },
            Anomaly::CyclesBackwards {
                before: 1,
                after: 0,
                from: 7,
                to: 0
            },
        ]
    );
}

#[test]
fn a_unit_at_two_places_is_named() {
    let mut other = test(0.1, 43.9);
    other.station = "Bay 2".to_owned();
    let found = run(&[test(0.0, 44.0), other], &[]);
    assert_eq!(
        found,
        [Anomaly::TestsOverlap {
            first: 0,
            second: 1
        }]
    );
    let places = [installed(0.0, "XX-001"), installed(5.0, "XX-002")];
    assert_eq!(
        run(&[], &places),
        [Anomaly::InstalledTwice {
            first: 0,
            second: 1
        }]
    );
    let found = run(&[test(3.0, 44.0)], &places[..1]);
    assert_eq!(found, [Anomaly::TestedWhileInstalled { test: 0, place: 0 }]);
    let mut on_wing = test(3.0, 44.0);
    on_wing.on_wing = Some("XX-001".to_owned());
    assert!(run(&[on_wing], &places[..1]).is_empty());
}

#[test]
fn use_after_retirement_is_named() {
    let places = [at(10.0, PlaceChange::Retired), installed(20.0, "XX-001")];
    assert_eq!(
        run(&[], &places),
        [Anomaly::UsedAfterRetirement { day: 20.0 }]
    );
    let found = run(&[test(30.0, 44.0)], &places[..1]);
    assert_eq!(found, [Anomaly::UsedAfterRetirement { day: 30.25 }]);
}

#[test]
fn declared_against_recomputed_is_held_to_one_percent() {
    let mut t = test(0.0, 44.0);
    t.computed_ah = Some(43.6);
    assert!(run(&[t.clone()], &[]).is_empty(), "0.9 %");
    t.computed_ah = Some(43.0);
    assert!(matches!(
        run(&[t], &[])[..],
        [Anomaly::DeclaredDisagrees { test: 0, .. }]
    ));
}

#[test]
fn a_stated_zero_is_a_fault_of_the_record_and_no_capacity() {
    let found = run(&[test(0.0, 44.0), test(300.0, 0.0), test(600.0, 43.0)], &[]);
    assert_eq!(
        found,
        [Anomaly::ZeroCapacity { test: 1 }],
        "and no jump to or from it"
    );
}

#[test]
fn a_test_captured_twice_is_named_with_the_reason() {
    let double = |change: fn(&mut TestFact)| {
        let mut second = test(0.0, 44.0);
        change(&mut second);
        let mut first = test(0.0, 44.0);
        first.slot = Some(3);
        first.trace = Some([7; 32]);
        run(&[first, second], &[])
    };
    let because = |found: Vec<Anomaly>| match found[..] {
        [Anomaly::DoubleCapture { because, .. }] => Some(because),
        _ => None,
    };
    assert_eq!(
        because(double(|t| t.trace = Some([7; 32]))),
        Some(SameTest::SameTrace)
    );
    assert_eq!(
        because(double(|t| t.slot = Some(3))),
        Some(SameTest::SameSlotAndStart)
    );
    assert_eq!(
        because(double(|t| t.station = "Bay 2".to_owned())),
        Some(SameTest::SameStartAndResult)
    );
    assert!(
        double(|t| {
            t.start_day = 0.5;
            t.end_day = 0.75;
        })
        .is_empty()
    );
}
