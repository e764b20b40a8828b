//! What else a sheet may limit: cells, the storage level, insulation, functions, reported state,
//! accepted charge. A limit that was not looked at is named, and the test is then not assessable.

use super::Findings;
use super::input::{Evidence, SheetLimits, TestFacts, needs_capacity};
use super::reason::{Reason, ReasonCode};
use crate::cells::{CellReading, CellsAt};
use carrylog_format::record::Purpose;

pub(super) fn cells(evidence: &Evidence, sheet: &SheetLimits, findings: &mut Findings) {
    let limits = &sheet.cell;
    let at = |when: CellsAt| evidence.cells.readings.iter().find(|r| r.at == when);
    let limited =
        limits.minimum.is_some() || limits.spread_rest.is_some() || limits.spread_end.is_some();
    if !limited {
        let widest = evidence.cells.readings.iter().map(|r| r.spread().0);
        if let Some(widest) = widest.reduce(f64::max) {
            findings.add(Reason::of(ReasonCode::CellsWithoutLimit, widest));
        }
        return;
    }
    if evidence.cells.readings.is_empty() {
        findings.add(Reason::plain(ReasonCode::CellsMissing));
        return;
    }
    if let Some(off) = evidence.cells.doubtful {
        findings.add(Reason::of(ReasonCode::CellsDoubtful, off));
        return;
    }
    let end = at(CellsAt::EndOfDischarge);
    if let Some(minimum) = limits.minimum {
        let stated_below = end.filter(|r| r.lowest.0 < minimum.0);
        if evidence.cells.below.is_some() || stated_below.is_some() {
            let lowest = end.map_or(minimum.0, |r| r.lowest.0);
            findings.add(Reason::against(ReasonCode::CellBelow, lowest, minimum.0));
        }
    }
    for (reading, limit) in [
        (at(CellsAt::Rest), limits.spread_rest),
        (end, limits.spread_end),
    ] {
        let (Some(reading), Some(limit)) = (reading, limit) else {
            continue;
        };
        let spread = CellReading::spread(reading).0;
        let code = if spread > limit.0 {
            ReasonCode::CellSpread
        } else {
            ReasonCode::CellsMeet
        };
        findings.add(Reason::against(code, spread, limit.0));
    }
}

pub(super) fn storage(facts: &TestFacts, sheet: &SheetLimits, findings: &mut Findings) {
    if facts.purpose != Purpose::StorageCharge {
        return;
    }
    let Some(level) = &sheet.storage else {
        findings.add(Reason::plain(ReasonCode::SheetWithoutStorage));
        return;
    };
    let Some(reached) = facts.stated.charge_percent else {
        findings.add(Reason::plain(ReasonCode::StorageLevelMissing));
        return;
    };
    // A millionth of a percent is the rounding of the record.
    let code = if (reached - level.percent).abs() <= level.tolerance + 1e-6 {
        ReasonCode::LevelMeets
    } else {
        ReasonCode::LevelOff
    };
    findings.add(Reason::against(
        code,
        reached / 100.0,
        level.percent / 100.0,
    ));
}

pub(super) fn further(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: &SheetLimits,
    findings: &mut Findings,
) {
    if let Some((over, expanded)) = evidence.efficiency
        && over > expanded
    {
        findings.add(Reason::of(ReasonCode::EfficiencyTooHigh, 1.0 + over));
    }
    if !needs_capacity(facts.purpose) {
        return;
    }
    if let Some(least) = sheet.insulation {
        findings.add(match facts.insulation {
            None => Reason::plain(ReasonCode::InsulationMissing),
            Some((found, _)) if found < least => {
                Reason::against(ReasonCode::InsulationLow, found, least)
            }
            Some(_) => Reason::plain(ReasonCode::FurtherMeet),
        });
    }
    for asked in &sheet.functions {
        let tested = facts.functions.iter().find(|(name, _)| name == asked);
        findings.add(Reason::plain(match tested {
            None => ReasonCode::FunctionMissing,
            Some((_, false)) => ReasonCode::FunctionFailed,
            Some((_, true)) => ReasonCode::FurtherMeet,
        }));
    }
    if !sheet.status_must_be.is_empty() {
        findings.add(Reason::plain(match &facts.status {
            None => ReasonCode::StatusMissing,
            Some(state) if sheet.status_must_be.contains(state) => ReasonCode::FurtherMeet,
            Some(_) => ReasonCode::StatusNotPermitted,
        }));
    }
    if let Some(least) = sheet.charge_accepted {
        findings.add(match facts.stated.charge_accepted.or(evidence.charged) {
            None => Reason::plain(ReasonCode::ChargeAcceptedMissing),
            Some(q) if q.0 < least.0 => {
                Reason::against(ReasonCode::ChargeAcceptedLow, q.0, least.0)
            }
            Some(_) => Reason::plain(ReasonCode::FurtherMeet),
        });
    }
}

/// Self-discharge in percentage points a month of 30 days.
pub fn self_discharge_a_month(from_percent: f64, to_percent: f64, days: f64) -> Option<f64> {
    (days > 0.0).then(|| (from_percent - to_percent) / days * 30.0)
}

/// Self-discharge above this many points a month is cautioned if the sheet gives no limit. Common
/// practice, no source.
pub const SELF_DISCHARGE_POINTS: f64 = 5.0;

/// Whole cycles that a throughput stands for: half of what moved both ways over the rated capacity.
pub fn equivalent_cycles(charged_ah: f64, discharged_ah: f64, rated_ah: f64) -> Option<f64> {
    (rated_ah > 0.0).then(|| (charged_ah + discharged_ah) / (2.0 * rated_ah))
}
