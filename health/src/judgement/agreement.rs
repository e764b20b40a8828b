//! Does what the station stated agree with its trace? A stated value never replaces a computed one.
//!
//! The tolerances are common practice, no source; a sheet may state its own.

use super::input::{Evidence, MeasuredResistance, SheetLimits, Source, TestFacts};
use super::reason::{Reason, ReasonCode};
use super::resistance::same_definition;
use crate::gum::COVERAGE_FACTOR;

/// Relative difference of charge and energy.
const CHARGE: f64 = 0.01;
/// Relative difference of the end voltage.
const END_VOLTAGE: f64 = 0.01;
/// Relative difference of resistances of one definition.
const RESISTANCE: f64 = 0.1;
/// Difference of times: seconds, and relative.
const TIME_S: f64 = 60.0;
const TIME: f64 = 0.02;

/// Every disagreement.
pub(super) fn disagreements(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: Option<&SheetLimits>,
) -> Vec<Reason> {
    let mut found = Vec::new();
    let charge = sheet.and_then(|s| s.agreement).unwrap_or(CHARGE);
    let traced = evidence
        .discharged
        .as_ref()
        .filter(|d| d.source == Source::Trace && d.reached_the_end == Some(true));
    if let Some(d) = traced {
        let relative = d
            .standard
            .map_or(0.0, |u| COVERAGE_FACTOR * u.0 / d.capacity.0);
        let tolerance = charge.max(relative);
        if let Some(q) = facts.stated.capacity
            && off(q.0, d.capacity.0, tolerance)
        {
            found.push(Reason::against(
                ReasonCode::CapacityDisagrees,
                q.0,
                d.capacity.0,
            ));
        }
        if let (Some(stated), Some(ours)) = (facts.stated.energy, d.energy)
            && off(stated.0, ours.0, tolerance)
        {
            found.push(Reason::against(
                ReasonCode::EnergyDisagrees,
                stated.0,
                ours.0,
            ));
        }
        if let (Some(stated), Some(end)) = (facts.stated.end_voltage, d.end_voltage) {
            // A station may print the end voltage or the last reading under load.
            let printed = [Some(end), d.lowest_voltage];
            let agrees = |v: f64| !off(stated.0, v, END_VOLTAGE);
            if !printed.into_iter().flatten().any(|v| agrees(v.0)) {
                found.push(Reason::against(
                    ReasonCode::EndVoltageDisagrees,
                    stated.0,
                    end.0,
                ));
            }
        }
    }
    if let Some(length) = evidence.length {
        let form = (facts.ended.millis() - facts.started.millis()) as f64 / 1e3;
        // A form may cover more than its table, a table not more than its form.
        if length.0 - form > TIME_S.max(TIME * length.0) {
            found.push(Reason::against(ReasonCode::TimesDisagree, form, length.0));
        }
    }
    for stated in &facts.stated.resistances {
        let ours = evidence.resistances.iter().find(|r| same(stated, r));
        if let Some(ours) = ours
            && off(stated.value.0, ours.value.0, RESISTANCE)
        {
            found.push(Reason::against(
                ReasonCode::ResistanceDisagrees,
                stated.value.0,
                ours.value.0,
            ));
        }
    }
    found
}

fn off(stated: f64, ours: f64, tolerance: f64) -> bool {
    (stated - ours).abs() > tolerance * ours.abs()
}

/// Two readings that should give one value: one definition, its particulars known on both sides.
fn same(a: &MeasuredResistance, b: &MeasuredResistance) -> bool {
    a.delay.is_some() == b.delay.is_some() && same_definition(a, b)
}
