//! Rules over the history of one unit that a person must look at.
//!
//! Nothing here mends anything: each anomaly names the entries it comes from and says in words what
//! does not fit. Thresholds: common practice, no source, unless a rule names one. The bias of a
//! station needs the whole fleet: [`carrylog_health::station_bias`].

mod rules;

use rules::{capacity_jumps, double_captures, overlaps, running_backwards, wrong_places};
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

#[cfg(test)]
mod tests;
