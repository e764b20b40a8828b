//! The resistance against the limit of its own definition, in the temperature band that holds it.

use super::input::{Evidence, MeasuredResistance, ResistanceLimitBand, TestFacts};
use super::reason::{Reason, ReasonCode};
use super::{Findings, Measured};
use crate::quantity::Celsius;
use carrylog_format::record::Purpose;

/// Part by which frequency, delay and current of one definition may differ. IEC 61960-3 gives
/// 1.0 ± 0.1 kHz (from memory, check the text); the others are common practice, no source.
const PART: f64 = 0.1;
/// Delays that differ by less than this are the same.
const DELAY_S: f64 = 0.1;
/// States of charge that differ by less than this many points are the same.
const CHARGE_POINTS: f64 = 5.0;

/// Whether two resistances are of one definition: method, frequency, delay, current and charge.
/// What one side does not state is not held against it. Their temperatures may differ; a series
/// also asks for one temperature band.
pub fn same_definition(a: &MeasuredResistance, b: &MeasuredResistance) -> bool {
    let near = |x: Option<f64>, y: Option<f64>, least: f64| match (x, y) {
        (Some(x), Some(y)) => (x - y).abs() <= least.max(PART * x.abs().max(y.abs())),
        (Some(_) | None, None) | (None, Some(_)) => true,
    };
    a.method == b.method
        && near(a.frequency.map(|f| f.0), b.frequency.map(|f| f.0), 0.0)
        && near(a.delay.map(|d| d.0), b.delay.map(|d| d.0), DELAY_S)
        && near(
            a.current.map(|i| i.0.abs()),
            b.current.map(|i| i.0.abs()),
            0.0,
        )
        && match (a.charge_percent, b.charge_percent) {
            (Some(x), Some(y)) => (x - y).abs() <= CHARGE_POINTS,
            (Some(_) | None, None) | (None, Some(_)) => true,
        }
}

/// Whether a reading is of the definition that a limit asks for.
fn as_the_limit_asks(reading: &MeasuredResistance, limit: &ResistanceLimitBand) -> bool {
    let asked = MeasuredResistance {
        value: limit.most,
        standard: None,
        method: limit.method,
        frequency: limit.frequency,
        delay: limit.delay,
        current: limit.current,
        charge_percent: None,
        temperature: None,
    };
    let in_charge = match (reading.charge_percent, limit.charge_percent) {
        (Some(percent), Some((low, high))) => {
            (low - CHARGE_POINTS..=high + CHARGE_POINTS).contains(&percent)
        }
        (Some(_) | None, None) | (None, Some(_)) => true,
    };
    same_definition(reading, &asked) && in_charge
}

/// The band that holds a temperature; of two the narrower.
pub(super) fn band(
    limits: &[ResistanceLimitBand],
    method: &MeasuredResistance,
    temperature: Celsius,
) -> Option<usize> {
    let width = |l: &ResistanceLimitBand| l.temperature.1.0 - l.temperature.0.0;
    limits
        .iter()
        .enumerate()
        .filter(|(_, l)| as_the_limit_asks(method, l))
        .filter(|(_, l)| (l.temperature.0.0..=l.temperature.1.0).contains(&temperature.0))
        .min_by(|a, b| width(a.1).total_cmp(&width(b.1)))
        .map(|(k, _)| k)
}

pub(super) fn check(
    facts: &TestFacts,
    evidence: &Evidence,
    limits: &[ResistanceLimitBand],
    findings: &mut Findings,
) {
    match facts.purpose {
        Purpose::StorageCharge | Purpose::Charge | Purpose::Discharge => return,
        Purpose::Commissioning
        | Purpose::PeriodicCheck
        | Purpose::StatusCheck
        | Purpose::ComplementaryTest => {}
    }
    // One definition may have several bands; each definition is to be looked at.
    let mut definitions: Vec<&ResistanceLimitBand> = Vec::new();
    for limit in limits {
        let known = |d: &&ResistanceLimitBand| {
            d.method == limit.method && d.frequency == limit.frequency && d.delay == limit.delay
        };
        if !definitions.iter().any(known) {
            definitions.push(limit);
        }
    }
    for definition in definitions {
        let readings = || facts.stated.resistances.iter().chain(&evidence.resistances);
        let reading = readings().find(|r| as_the_limit_asks(r, definition));
        match reading {
            Some(reading) => compare(facts, evidence, limits, reading, findings),
            None if super::input::needs_capacity(facts.purpose) => {
                let other = readings().any(|r| r.method == definition.method);
                let code = if other {
                    ReasonCode::ResistanceOtherDefinition
                } else {
                    ReasonCode::ResistanceMissing
                };
                findings.add(Reason::plain(code));
            }
            None => {}
        }
    }
}

fn compare(
    facts: &TestFacts,
    evidence: &Evidence,
    limits: &[ResistanceLimitBand],
    reading: &MeasuredResistance,
    findings: &mut Findings,
) {
    // Resistance is read at the start of a discharge, so the temperature there counts.
    let at_start = evidence.temperature.map(|(lowest, _)| lowest);
    let known = reading.temperature.or(facts.unit_temperature).or(at_start);
    let Some(temperature) = known.or(facts.ambient) else {
        findings.add(Reason::plain(ReasonCode::ResistanceNoTemperature));
        return;
    };
    let Some(limit) = band(limits, reading, temperature).and_then(|k| limits.get(k)) else {
        let code = ReasonCode::ResistanceOutsideTemperature;
        findings.add(Reason::of(code, temperature.0));
        return;
    };
    let (r, most) = (reading.value.0, limit.most.0);
    let measured = Measured {
        value: r,
        standard: reading.standard.map(|u| u.0),
    };
    if let Some(least) = limit.least
        && r < least.0
    {
        findings.add(Reason::against(ReasonCode::ResistanceBelow, r, least.0));
        return;
    }
    if let Some(new) = limit.new.filter(|n| n.0 > 0.0) {
        findings.add(Reason::of(ReasonCode::ResistanceGrowth, r / new.0 - 1.0));
    }
    let code = match measured.at_most(most) {
        super::Against::Fails => ReasonCode::ResistanceAbove,
        super::Against::Close => ReasonCode::ResistanceClose,
        super::Against::Meets => ReasonCode::ResistanceMeets,
    };
    findings.add(Reason::against(code, r, most));
}
