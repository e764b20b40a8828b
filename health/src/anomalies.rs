//! Rules over the history of one unit that a person must look at.
//!
//! Nothing here mends anything: each anomaly names the entries it comes from and says in words what
//! does not fit. Thresholds: common practice, no source, unless a rule names one. The bias of a
//! station needs the whole fleet: [`crate::station_bias`].

use std::fmt;

/// One test of the unit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TestFact {
    /// Start, in days on any one axis.
    pub start_day: f64,
    /// End, in days on the same axis.
    pub end_day: f64,
    /// The station, as the caller names it.
    pub station: String,
    /// Its memory slot.
    pub slot: Option<u16>,
    /// Digest of the trace.
    pub trace: Option<[u8; 32]>,
    /// Flight hours stated.
    pub flight_hours: Option<f64>,
    /// Flight cycles stated.
    pub flight_cycles: Option<u64>,
    /// Capacity in ampere-hours that the station stated.
    pub declared_ah: Option<f64>,
    /// Capacity in ampere-hours computed from the trace.
    pub computed_ah: Option<f64>,
    /// Registration of the aircraft, if the unit was tested on wing.
    pub on_wing: Option<String>,
}

impl TestFact {
    fn capacity(&self) -> Option<f64> {
        self.computed_ah.or(self.declared_ah).filter(|c| *c > 0.0)
    }
}

/// Where the unit was said to be.
#[derive(Debug, Clone, PartialEq)]
pub struct PlaceFact {
    /// When, in days on the axis of the tests.
    pub day: f64,
    /// What happened.
    pub change: PlaceChange,
}

/// A change of place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PlaceChange {
    /// Fitted to an aircraft.
    Installed {
        /// Its registration.
        registration: String,
    },
    /// Taken off an aircraft.
    Removed {
        /// Its registration.
        registration: String,
    },
    /// Arrived or stored somewhere.
    At {
        /// The place.
        place: String,
    },
    /// Repaired: a jump of the capacity is no anomaly.
    Repaired,
    /// Out of service for good.
    Retired,
}

/// Thresholds of the rules.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AnomalyRules {
    /// Rise of capacity between two checks, as a part of the rated capacity.
    pub rise: f64,
    /// Loss of capacity between two checks, as a part of the rated capacity. IEEE 450 takes more
    /// than 10 % of rated since the previous test as a sign of degradation (from memory; written
    /// for another chemistry).
    pub loss: f64,
    /// Relative difference of declared and recomputed capacity.
    pub recomputation: f64,
    /// Two captures of one test start within this many days of each other: 2 minutes.
    pub same_start_days: f64,
}

impl Default for AnomalyRules {
    fn default() -> Self {
        Self {
            rise: 0.05,
            loss: 0.10,
            recomputation: 0.01,
            same_start_days: 2.0 / 1440.0,
        }
    }
}

/// Something that does not fit. Numbers are indices into the facts given.
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Anomaly {
    /// The capacity jumped between two tests.
    CapacityJump {
        /// The earlier test.
        before: usize,
        /// The later test.
        after: usize,
        /// Change as a part of the rated capacity; positive is a rise.
        change: f64,
    },
    /// Flight hours fell from one test to the next.
    HoursBackwards {
        /// The earlier test.
        before: usize,
        /// The later test.
        after: usize,
        /// Hours at the earlier test.
        from: f64,
        /// Hours at the later test.
        to: f64,
    },
    /// Flight cycles fell from one test to the next.
    CyclesBackwards {
        /// The earlier test.
        before: usize,
        /// The later test.
        after: usize,
        /// Cycles at the earlier test.
        from: u64,
        /// Cycles at the later test.
        to: u64,
    },
    /// Two stations tested the unit at the same time.
    TestsOverlap {
        /// One test.
        first: usize,
        /// The other test.
        second: usize,
    },
    /// Installed on an aircraft while it was on another.
    InstalledTwice {
        /// The earlier place.
        first: usize,
        /// The later place.
        second: usize,
    },
    /// Tested off the aircraft, or on another one, while it was installed.
    TestedWhileInstalled {
        /// The test.
        test: usize,
        /// The place.
        place: usize,
    },
    /// Installed or tested after it was retired.
    UsedAfterRetirement {
        /// Day of the use.
        day: f64,
    },
    /// The station's figure disagrees with its trace.
    DeclaredDisagrees {
        /// The test.
        test: usize,
        /// Declared, in ampere-hours.
        declared: f64,
        /// Recomputed, in ampere-hours.
        computed: f64,
    },
    /// A capacity of zero was stated: a fault of the record, not a capacity.
    ZeroCapacity {
        /// The test.
        test: usize,
    },
    /// Two records look like one test captured twice.
    DoubleCapture {
        /// One test.
        first: usize,
        /// The other test.
        second: usize,
        /// Why.
        because: SameTest,
    },
}

/// Why two records look like one test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SameTest {
    /// They carry the same trace.
    SameTrace,
    /// Same station, same memory slot, same start.
    SameSlotAndStart,
    /// Same start and same result, at stations of different names.
    SameStartAndResult,
}

impl fmt::Display for Anomaly {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CapacityJump { change, .. } => {
                let way = if *change > 0.0 { "rose" } else { "fell" };
                write!(
                    f,
                    "the capacity {way} by {:.1} % of rated between two tests",
                    100.0 * change.abs()
                )
            }
            Self::HoursBackwards { from, to, .. } => {
                write!(
                    f,
                    "flight hours run backwards, from {from:.1} h to {to:.1} h"
                )
            }
            Self::CyclesBackwards { from, to, .. } => {
                write!(f, "flight cycles run backwards, from {from} to {to}")
            }
            Self::TestsOverlap { .. } => {
                f.write_str("two stations tested the unit at the same time")
            }
            Self::InstalledTwice { .. } => {
                f.write_str("installed on an aircraft while it was on another")
            }
            Self::TestedWhileInstalled { .. } => {
                f.write_str("tested elsewhere while it was installed on an aircraft")
            }
            Self::UsedAfterRetirement { .. } => f.write_str("used after it was retired"),
            Self::DeclaredDisagrees {
                declared, computed, ..
            } => {
                write!(
                    f,
                    "the station states {declared:.3} Ah, its trace gives {computed:.3} Ah"
                )
            }
            Self::ZeroCapacity { .. } => {
                f.write_str("a capacity of zero was stated: a fault of the record")
            }
            Self::DoubleCapture { because, .. } => {
                let why = match because {
                    SameTest::SameTrace => "they carry the same trace",
                    SameTest::SameSlotAndStart => "same station, memory slot and start",
                    SameTest::SameStartAndResult => "same start and same result",
                };
                write!(f, "two records look like one test captured twice: {why}")
            }
        }
    }
}

/// All anomalies of one unit. Facts may stand in any order; indices are those of the slices given.
pub fn unit_anomalies(
    tests: &[TestFact],
    places: &[PlaceFact],
    rated_ah: f64,
    rules: &AnomalyRules,
) -> Vec<Anomaly> {
    let mut order: Vec<usize> = (0..tests.len()).collect();
    order.sort_by(|&a, &b| {
        tests[a]
            .end_day
            .total_cmp(&tests[b].end_day)
            .then(a.cmp(&b))
    });
    let mut visits: Vec<usize> = (0..places.len()).collect();
    visits.sort_by(|&a, &b| places[a].day.total_cmp(&places[b].day).then(a.cmp(&b)));
    let mut found = Vec::new();
    let doubles = double_captures(tests, &order, rules);
    capacity_jumps(tests, &order, places, rated_ah, rules, &mut found);
    running_backwards(tests, &order, &mut found);
    overlaps(tests, &order, &doubles, &mut found);
    wrong_places(tests, &order, places, &visits, &mut found);
    for (test, fact) in tests.iter().enumerate() {
        if let (Some(declared), Some(computed)) = (fact.declared_ah, fact.computed_ah)
            && computed > 0.0
            && (declared - computed).abs() > rules.recomputation * computed
        {
            found.push(Anomaly::DeclaredDisagrees {
                test,
                declared,
                computed,
            });
        }
        if fact.declared_ah == Some(0.0) {
            found.push(Anomaly::ZeroCapacity { test });
        }
    }
    found.extend(doubles);
    found
}

fn capacity_jumps(
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

fn running_backwards(tests: &[TestFact], order: &[usize], found: &mut Vec<Anomaly>) {
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
fn overlaps(tests: &[TestFact], order: &[usize], doubles: &[Anomaly], found: &mut Vec<Anomaly>) {
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

fn wrong_places(
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

fn double_captures(tests: &[TestFact], order: &[usize], rules: &AnomalyRules) -> Vec<Anomaly> {
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

#[cfg(test)]
mod tests {
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
}
