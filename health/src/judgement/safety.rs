//! What makes a unit dangerous, whatever the test was worth: looked at first, with or without a
//! sheet.
//!
//! Without a sheet the bounds are common practice, no source.

use super::Findings;
use super::input::{Evidence, SheetLimits, TestFacts};
use super::reason::{Reason, ReasonCode};
use crate::clean::SENSOR_RANGE_C;
use carrylog_format::record::Purpose;

/// Below this part of the end voltage a unit is over-discharged.
const OVER_DISCHARGED: f64 = 0.9;
/// The same as a part of the highest voltage, if no end voltage is known.
const OF_HIGHEST: f64 = 0.55;
/// A unit at or above this temperature is set aside, if the sheet gives no other bound.
const HOT_C: f64 = 60.0;
/// Kelvins a minute without load that are no after-effect of a discharge.
const HEATING_K_MIN: f64 = 1.0;
/// Voltages of a lithium-ion cell beyond which it is damaged, if the sheet gives no minimum.
const CELL_V: std::ops::RangeInclusive<f64> = 2.0..=4.3;

pub(super) fn dangers(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: Option<&SheetLimits>,
    findings: &mut Findings,
) {
    let believable = |t: &f64| SENSOR_RANGE_C.contains(t);
    let traced = evidence.temperature.map(|(_, highest)| highest.0);
    let stated = facts.unit_temperature.map(|t| t.0);
    let hottest = [traced, stated]
        .into_iter()
        .flatten()
        .filter(believable)
        .reduce(f64::max);
    let seen_hot = facts.findings.iter().any(|f| f.heat_without_load);
    if seen_hot || evidence.heating.is_some_and(|rise| rise > HEATING_K_MIN) {
        findings.add(match hottest {
            Some(t) => Reason::of(ReasonCode::HeatWithoutLoad, t),
            None => Reason::plain(ReasonCode::HeatWithoutLoad),
        });
    }
    if facts.findings.iter().any(|f| !f.heat_without_load) {
        findings.add(Reason::plain(ReasonCode::DamageSeen));
    }
    over_discharged(facts, evidence, sheet, findings);
    charged_cold(facts, evidence, sheet, findings);
    let bound = sheet.and_then(|s| s.unit_max_temperature).map(|t| t.0);
    let (hot, limit) = match (hottest, bound) {
        (Some(t), Some(bound)) => (Some(t).filter(|t| *t > bound), bound),
        (Some(t), None) => (Some(t).filter(|t| *t >= HOT_C), HOT_C),
        (None, _) => (None, HOT_C),
    };
    if let Some(t) = hot {
        findings.add(Reason::against(ReasonCode::TooHot, t, limit));
    }
    if facts.faults.iter().any(|f| f.latched || f.hot) {
        findings.add(Reason::plain(ReasonCode::FaultLatched));
    }
}

/// Lowest temperature at which a lithium-ion cell is charged, if the sheet gives none.
const COLD_C: f64 = 0.0;

fn charged_cold(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: Option<&SheetLimits>,
    findings: &mut Findings,
) {
    let charges = match facts.purpose {
        Purpose::Charge | Purpose::StorageCharge | Purpose::Commissioning => true,
        Purpose::PeriodicCheck
        | Purpose::Discharge
        | Purpose::StatusCheck
        | Purpose::ComplementaryTest => false,
    };
    let stated = facts.unit_temperature.filter(|_| charges);
    let bound = sheet.and_then(|s| s.charge_min_temperature);
    let bound = bound.map_or(COLD_C, |t| t.0);
    let known = [evidence.charge_temperature, stated].into_iter().flatten();
    if let Some(t) = known.map(|t| t.0).reduce(f64::min).filter(|t| *t < bound) {
        findings.add(Reason::against(ReasonCode::ChargedCold, t, bound));
    }
}

fn over_discharged(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: Option<&SheetLimits>,
    findings: &mut Findings,
) {
    let highest = evidence.voltage.map(|(_, highest)| highest.0);
    let limit = match sheet {
        Some(sheet) => Some(OVER_DISCHARGED * sheet.end_voltage.0),
        None => highest.map(|v| OF_HIGHEST * v),
    };
    let lowest = [evidence.lowest_end, facts.stated.end_voltage]
        .into_iter()
        .flatten()
        .map(|v| v.0)
        .reduce(f64::min);
    // A table in the wrong unit is a fault of the record, not of the unit.
    let slipped = |v: f64| sheet.is_some_and(|s| v > 2.0 * s.end_voltage.0);
    if let (Some(v), Some(limit)) = (lowest, limit)
        && v < limit
        && !highest.is_some_and(slipped)
    {
        findings.add(Reason::against(ReasonCode::OverDischarged, v, limit));
    }
    let minimum = sheet.and_then(|s| s.cell.minimum);
    if minimum.is_none()
        && evidence.cells.doubtful.is_none()
        && let Some(v) = evidence.cells.lowest
        && v.0 < *CELL_V.start()
    {
        findings.add(Reason::against(
            ReasonCode::CellOverDischarged,
            v.0,
            *CELL_V.start(),
        ));
    }
}
