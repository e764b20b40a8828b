//! The rules, one function each.

use super::{Anomaly, AnomalyRules, PlaceChange, PlaceFact, SameTest, TestFact};

pub(super) fn capacity_jumps(
    tests: &[TestFact],
    order: &[usize],
    places: &[PlaceFact],
    rated_ah: f64,
    rules: &AnomalyRules,
    found: &mut Vec<Anomaly>,
) {
    let known: Vec<(usize, f64)> = order
        .iter()
        .filter_map(|&k| Some((k, tests.get(k)?.capacity()?)))
        .collect();
    for pair in known.windows(2) {
        let [(before, earlier), (after, later)] = *pair else {
            continue;
        };
        let change = (later - earlier) / rated_ah;
        let repaired = places.iter().any(|p| {
            p.change == PlaceChange::Repaired
                && (tests[before].end_day..=tests[after].end_day).contains(&p.day)
        });
        if (change > rules.rise || change < -rules.loss) && !repaired {
            found.push(Anomaly::CapacityJump {
                before,
                after,
                change,
            });
        }
    }
}

pub(super) fn running_backwards(tests: &[TestFact], order: &[usize], found: &mut Vec<Anomaly>) {
    let mut hours: Option<(usize, f64)> = None;
    let mut cycles: Option<(usize, u64)> = None;
    for &after in order {
        let test = &tests[after];
        if let Some(to) = test.flight_hours {
            if let Some((before, from)) = hours
                && to < from
            {
                found.push(Anomaly::HoursBackwards {
                    before,
                    after,
                    from,
                    to,
                });
            }
            hours = Some((after, to));
        }
        if let Some(to) = test.flight_cycles {
            if let Some((before, from)) = cycles
                && to < from
            {
                found.push(Anomaly::CyclesBackwards {
                    before,
                    after,
                    from,
                    to,
                });
            }
            cycles = Some((after, to));
        }
    }
}

/// Tests of different stations whose times overlap, unless they are one test captured twice.
pub(super) fn overlaps(
    tests: &[TestFact],
    order: &[usize],
    doubles: &[Anomaly],
    found: &mut Vec<Anomaly>,
) {
    let mut by_start = order.to_vec();
    by_start.sort_by(|&a, &b| {
        tests[a]
            .start_day
            .total_cmp(&tests[b].start_day)
            .then(a.cmp(&b))
    });
    for (k, &first) in by_start.iter().enumerate() {
        for &second in &by_start[k + 1..] {
            if tests[second].start_day >= tests[first].end_day {
                break;
            }
            let doubled = doubles.iter().any(|d| {
                matches!(d, Anomaly::DoubleCapture { first: a, second: b, .. }
                    if (*a, *b) == (first, second) || (*a, *b) == (second, first))
            });
            if tests[first].station != tests[second].station && !doubled {
                found.push(Anomaly::TestsOverlap { first, second });
            }
        }
    }
}

pub(super) fn wrong_places(
    tests: &[TestFact],
    order: &[usize],
    places: &[PlaceFact],
    visits: &[usize],
    found: &mut Vec<Anomaly>,
) {
    let mut installed: Option<(usize, &str)> = None;
    let mut retired = false;
    let mut pending = order.iter().copied().peekable();
    let mut check =
        |day: f64, installed: Option<(usize, &str)>, retired: bool, found: &mut Vec<Anomaly>| {
            // A test counts where the unit was when it ended; an event on the same instant comes after.
            while let Some(test) = pending.next_if(|&k| tests[k].end_day <= day) {
                if let Some((place, registration)) = installed
                    && tests[test].on_wing.as_deref() != Some(registration)
                {
                    found.push(Anomaly::TestedWhileInstalled { test, place });
                }
                if retired {
                    found.push(Anomaly::UsedAfterRetirement {
                        day: tests[test].end_day,
                    });
                }
            }
        };
    for &k in visits {
        let place = &places[k];
        check(place.day, installed, retired, found);
        match &place.change {
            PlaceChange::Installed { registration } => {
                if let Some((first, on)) = installed
                    && on != registration
                {
                    found.push(Anomaly::InstalledTwice { first, second: k });
                }
                if retired {
                    found.push(Anomaly::UsedAfterRetirement { day: place.day });
                }
                installed = Some((k, registration));
            }
            PlaceChange::Removed { .. } | PlaceChange::At { .. } => installed = None,
            PlaceChange::Retired => {
                retired = true;
                installed = None;
            }
            PlaceChange::Repaired => {}
        }
    }
    check(f64::INFINITY, installed, retired, found);
}

pub(super) fn double_captures(
    tests: &[TestFact],
    order: &[usize],
    rules: &AnomalyRules,
) -> Vec<Anomaly> {
    let mut found = Vec::new();
    for (k, &first) in order.iter().enumerate() {
        for &second in &order[k + 1..] {
            if let Some(because) = same_test(&tests[first], &tests[second], rules) {
                found.push(Anomaly::DoubleCapture {
                    first,
                    second,
                    because,
                });
            }
        }
    }
    found
}

fn same_test(a: &TestFact, b: &TestFact, rules: &AnomalyRules) -> Option<SameTest> {
    if a.trace.is_some() && a.trace == b.trace {
        return Some(SameTest::SameTrace);
    }
    if (a.start_day - b.start_day).abs() > rules.same_start_days {
        return None;
    }
    if a.station == b.station && a.slot.is_some() && a.slot == b.slot {
        return Some(SameTest::SameSlotAndStart);
    }
    let result = a.capacity();
    (result.is_some() && result == b.capacity()).then_some(SameTest::SameStartAndResult)
}
