//! Queries about one unit's history. Thresholds: common practice, no source, unless a rule names one.

use super::of_station::calibrations_expired;
use super::query::{Query, SameTest};
use crate::calibrations::Calibrations;
use crate::judged::Difference;
use crate::sheets::Sheets;
use crate::unit::{HistoryItem, Unit};
use carrylog_format::ids::EntryId;
use carrylog_format::quantity::{MicroAmpHours, Ppm};
use carrylog_format::record::{TestRecord, UnitChange};
use carrylog_format::unit_id::UnitKey;
use std::collections::BTreeSet;

/// Permitted difference of stated and computed capacity where the sheet names none: 1 %.
const DEFAULT_TOLERANCE_PPM: i64 = 10_000;
/// Rise of capacity between two checks beyond which it is a jump, parts per million of rated.
const RISE_PPM: i128 = 50_000;
/// Loss of capacity between two checks beyond which it is a jump, parts per million of rated.
/// IEEE 450 takes more than 10 % of rated since the previous test as a sign of degradation (from
/// memory; written for another chemistry).
const LOSS_PPM: i128 = 100_000;
/// Two records of one test start within this many milliseconds of each other: 2 minutes.
const SAME_START_MS: u64 = 2 * 60 * 1000;

type Test<'a> = (&'a HistoryItem, &'a TestRecord);

/// Everything in a unit's history that a person must look at.
pub fn unit_queries(unit: &Unit, sheets: &Sheets, calibrations: &Calibrations) -> Vec<Query> {
    let tests: Vec<Test<'_>> = unit.history.tests().collect();
    let doubles = doubles(unit, &tests);
    let mut all = Vec::new();
    places(unit, &mut all);
    capacity_jumps(unit, &mut all);
    running_backwards(unit, &tests, &mut all);
    overlaps(unit, &tests, &doubles, &mut all);
    for (item, test) in &tests {
        all.extend(declared_disagrees(unit, item, test, sheets));
        if test.declared.capacity_uah.is_some_and(|c| c.raw() == 0) {
            all.push(Query::ZeroCapacity {
                unit: unit.key.clone(),
                test: item.id(),
            });
        }
        differences(unit, item, &mut all);
    }
    all.extend(doubles);
    all.extend(calibrations_expired(unit, calibrations));
    for item in &unit.history.items {
        if !item.competing.is_empty() {
            all.push(Query::CompetingCorrections {
                unit: unit.key.clone(),
                entry: item.id(),
                corrections: item.competing.clone(),
            });
        }
        let refused = item.sign_offs.iter().filter(|s| s.by.is_err());
        all.extend(refused.map(|signed| Query::SignOffDoesNotCount {
            unit: unit.key.clone(),
            entry: item.id(),
            sign_off: signed.entry,
        }));
    }
    all.sort();
    all.dedup();
    all
}

/// Where the unit was said to be, against its tests and itself.
fn places(unit: &Unit, found: &mut Vec<Query>) {
    let key = || unit.key.clone();
    let mut fitted: Option<(EntryId, String)> = None;
    let mut retired: Option<EntryId> = None;
    // A history is in order of time; a test counts where the unit was when it ended.
    for item in unit.history.counting() {
        let id = item.id();
        if let Some(test) = item.test() {
            let on = test.ended_ms.date();
            let on_wing = test.on_wing.as_ref().map(|w| w.registration.as_str());
            if let Some((installed, aircraft)) = &fitted
                && on_wing != Some(aircraft.as_str())
            {
                found.push(Query::TestedWhileInstalled {
                    unit: key(),
                    test: id,
                    installed: *installed,
                    aircraft: aircraft.clone(),
                    on,
                });
            }
            found.extend(retired.map(|retired| Query::UsedAfterRetirement {
                unit: key(),
                retired,
                used: id,
                on,
            }));
        }
        let Some(event) = item.event() else { continue };
        let on = event.happened_ms.date();
        match &event.event {
            UnitChange::Installed(at) => {
                let aircraft = at.registration.to_string();
                if let Some((first, other)) = fitted.take_if(|(_, a)| *a != aircraft) {
                    found.push(Query::InstalledTwice {
                        unit: key(),
                        first,
                        first_aircraft: other,
                        second: id,
                        second_aircraft: aircraft.clone(),
                        on,
                    });
                }
                found.extend(retired.map(|retired| Query::UsedAfterRetirement {
                    unit: key(),
                    retired,
                    used: id,
                    on,
                }));
                fitted = Some((id, aircraft));
            }
            UnitChange::Removed { registration, .. } => {
                let aircraft = registration.to_string();
                if let Some((installed, other)) = fitted.take().filter(|(_, a)| *a != aircraft) {
                    found.push(Query::RemovedElsewhere {
                        unit: key(),
                        installed,
                        installed_aircraft: other,
                        removed: id,
                        removed_aircraft: aircraft,
                        on,
                    });
                }
            }
            UnitChange::Received { .. }
            | UnitChange::Stored { .. }
            | UnitChange::Shipped { .. }
            | UnitChange::Transferred { .. } => fitted = None,
            UnitChange::Retired { .. } => {
                retired = Some(id);
                fitted = None;
            }
            UnitChange::Commissioned
            | UnitChange::StorageChargeDue
            | UnitChange::Repaired { .. } => {}
        }
    }
}

fn capacity_jumps(unit: &Unit, found: &mut Vec<Query>) {
    let checks: Vec<(Test<'_>, MicroAmpHours)> = unit
        .history
        .tests()
        .filter(|(item, _)| item.is_capacity_check())
        .filter_map(|(item, test)| Some(((item, test), item.capacity()?)))
        .collect();
    // Without a sheet the largest capacity on record stands for the rated one.
    let rated = unit.sheet.as_ref().map(|s| s.sheet.rated_capacity_uah);
    let rated = rated.filter(|r| r.raw() > 0);
    let Some(rated_uah) = rated.or_else(|| checks.iter().map(|(_, c)| *c).max()) else {
        return;
    };
    for pair in checks.windows(2) {
        let [((before, earlier), from_uah), ((after, later), to_uah)] = pair else {
            continue;
        };
        let change = (i128::from(to_uah.raw()) - i128::from(from_uah.raw())) * 1_000_000;
        let part = change / i128::from(rated_uah.raw());
        let between = earlier.ended_ms..=later.ended_ms;
        let repaired = unit.repairs().any(|at| between.contains(&at));
        if !(-LOSS_PPM..=RISE_PPM).contains(&part) && !repaired {
            found.push(Query::CapacityJump {
                unit: unit.key.clone(),
                before: before.id(),
                after: after.id(),
                from_uah: *from_uah,
                to_uah: *to_uah,
                rated_uah,
            });
        }
    }
}

fn running_backwards(unit: &Unit, tests: &[Test<'_>], found: &mut Vec<Query>) {
    let (mut minutes, mut cycles) = (None, None);
    for (item, test) in tests {
        let after = item.id();
        if let Some(to_minutes) = test.flight_minutes {
            if let Some((before, from_minutes)) = minutes.filter(|(_, from)| to_minutes < *from) {
                found.push(Query::FlightTimeBackwards {
                    unit: unit.key.clone(),
                    before,
                    after,
                    from_minutes,
                    to_minutes,
                });
            }
            minutes = Some((after, to_minutes));
        }
        if let Some(to_cycles) = test.flight_cycles {
            if let Some((before, from_cycles)) = cycles.filter(|(_, from)| to_cycles < *from) {
                found.push(Query::FlightCyclesBackwards {
                    unit: unit.key.clone(),
                    before,
                    after,
                    from_cycles,
                    to_cycles,
                });
            }
            cycles = Some((after, to_cycles));
        }
    }
}

/// Tests of different stations whose times overlap, unless they are one test recorded twice.
fn overlaps(unit: &Unit, tests: &[Test<'_>], doubles: &[Query], found: &mut Vec<Query>) {
    let mut by_start = tests.to_vec();
    by_start.sort_by_key(|(item, test)| (test.started_ms, item.known.log, item.known.index));
    for (position, (a, first)) in by_start.iter().enumerate() {
        for (b, second) in by_start.iter().skip(position + 1) {
            if second.started_ms >= first.ended_ms {
                break;
            }
            let doubled = doubles.iter().any(|double| {
                let entries = double.entries();
                entries.contains(&a.id()) && entries.contains(&b.id())
            });
            if a.known.log != b.known.log && !doubled {
                found.push(Query::TestsOverlap {
                    unit: unit.key.clone(),
                    first: a.id(),
                    second: b.id(),
                });
            }
        }
    }
}

fn declared_disagrees(
    unit: &Unit,
    item: &HistoryItem,
    test: &TestRecord,
    sheets: &Sheets,
) -> Option<Query> {
    let declared_uah = test.declared.capacity_uah?;
    let computed_uah = item.results()?.capacity_uah?;
    let tolerance_ppm = sheets
        .in_force(&test.unit, test.ended_ms.date())
        .and_then(|s| s.sheet.recomputation_tolerance_ppm)
        .map_or(DEFAULT_TOLERANCE_PPM, Ppm::raw);
    let difference = (i128::from(declared_uah.raw()) - i128::from(computed_uah.raw())).abs();
    // Relative to the computed value, in integers: no rounding decides.
    let permitted = i128::from(tolerance_ppm) * i128::from(computed_uah.raw());
    (difference * 1_000_000 > permitted).then(|| Query::DeclaredDisagrees {
        unit: unit.key.clone(),
        test: item.id(),
        declared_uah,
        computed_uah,
        tolerance_ppm,
    })
}

fn differences(unit: &Unit, item: &HistoryItem, found: &mut Vec<Query>) {
    let judged = item.judged.iter().flat_map(|j| &j.differences);
    found.extend(judged.map(|difference| match *difference {
        Difference::Verdict {
            recorded,
            recomputed,
        } => Query::VerdictDiffers {
            unit: unit.key.clone(),
            test: item.id(),
            recorded,
            recomputed,
        },
        Difference::Result {
            result,
            recorded,
            recomputed,
        } => Query::ResultDiffers {
            unit: unit.key.clone(),
            test: item.id(),
            result,
            recorded,
            recomputed,
        },
    }));
}

/// Records that look like one test, in groups: whoever looks like a member belongs to its group.
fn doubles(unit: &Unit, tests: &[Test<'_>]) -> Vec<Query> {
    let mut groups: Vec<Double> = Vec::new();
    for (position, (item, test)) in tests.iter().enumerate() {
        let key = unit.key.clone();
        let other_units = item.same_trace.iter().filter(|o| o.unit != key);
        for other in other_units {
            let pair = [(item.id(), key.clone()), (other.entry, other.unit.clone())];
            join(&mut groups, pair, SameTest::SameTrace);
        }
        for (other, record) in tests.iter().skip(position + 1) {
            if let Some(because) = same_test((item, test), (other, record)) {
                let pair = [(item.id(), key.clone()), (other.id(), key.clone())];
                join(&mut groups, pair, because);
            }
        }
    }
    let query = |group: Double| Query::DoubleCapture {
        unit: unit.key.clone(),
        entries: group.entries.into_iter().collect(),
        units: group.units.into_iter().collect(),
        because: group.because,
    };
    groups.into_iter().map(query).collect()
}

struct Double {
    entries: BTreeSet<EntryId>,
    units: BTreeSet<UnitKey>,
    because: SameTest,
}

fn join(groups: &mut Vec<Double>, pair: [(EntryId, UnitKey); 2], because: SameTest) {
    let (entries, units): (BTreeSet<_>, BTreeSet<_>) = pair.into_iter().unzip();
    let mut joined = Double {
        entries,
        units,
        because,
    };
    let mut rest = Vec::new();
    for group in groups.drain(..) {
        if group.entries.is_disjoint(&joined.entries) {
            rest.push(group);
        } else {
            joined.entries.extend(group.entries);
            joined.units.extend(group.units);
            joined.because = joined.because.min(group.because);
        }
    }
    rest.push(joined);
    *groups = rest;
}

fn same_test((a, one): Test<'_>, (b, other): Test<'_>) -> Option<SameTest> {
    let trace = |test: &TestRecord| test.trace.as_ref().map(|t| t.sha256);
    if trace(one).is_some() && trace(one) == trace(other) {
        return Some(SameTest::SameTrace);
    }
    let apart = one.started_ms.millis().abs_diff(other.started_ms.millis());
    if apart > SAME_START_MS {
        return None;
    }
    let same_slot = one.slot == other.slot && (one.slot.is_some() || apart == 0);
    if a.known.log == b.known.log && same_slot {
        return Some(SameTest::SameSlotAndStart);
    }
    let result = a.capacity();
    (result.is_some() && result == b.capacity()).then_some(SameTest::SameStartAndResult)
}
