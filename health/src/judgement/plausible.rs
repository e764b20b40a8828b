//! Is it possible at all? Asked before any limit is looked at; the likely slip of a unit is named.
//!
//! Every bound here is common practice, no source.

use super::input::{Evidence, SheetLimits, Source, TestFacts, needs_capacity};
use super::reason::{Reason, ReasonCode};
use crate::clean::SENSOR_RANGE_C;

/// Part of the rated capacity that a check can give.
const CAPACITY: std::ops::RangeInclusive<f64> = 0.05..=1.5;
/// Part of the rated capacity in which a slip of a unit is the likely cause.
const LIKELY: std::ops::RangeInclusive<f64> = 0.3..=1.2;
/// Mean current over rated capacity, per hour.
const RATE: std::ops::RangeInclusive<f64> = 0.02..=20.0;
/// Highest voltage over end voltage; a lower one is damage, not a slip.
const HIGHEST: f64 = 2.0;
/// Part of the end voltage in which a voltage divided by a thousand is likely.
const LIKELY_VOLTS: std::ops::RangeInclusive<f64> = 1.0..=2.0;
/// Energy over capacity, as a part of the end voltage.
const MEAN_VOLTAGE: std::ops::RangeInclusive<f64> = 0.95..=2.0;
/// State of charge in percent.
const CHARGE: std::ops::RangeInclusive<f64> = 0.0..=110.0;
/// A clock may be this far ahead of the one that records, in milliseconds.
const AHEAD_MS: i64 = 600_000;

/// What cannot be, the likely cause first; empty if everything can.
pub(super) fn implausible(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: Option<&SheetLimits>,
) -> Vec<Reason> {
    let mut found = Vec::new();
    times(facts, &mut found);
    temperatures(facts, evidence, &mut found);
    let stated = facts.stated.charge_percent;
    if let Some(percent) = stated.filter(|p| !CHARGE.contains(p)) {
        found.push(Reason::of(ReasonCode::ChargeImplausible, percent / 100.0));
    }
    if let Some(sheet) = sheet {
        let before = found.len();
        voltages(facts, evidence, sheet, &mut found);
        // A voltage off by a thousand makes nonsense of everything behind it.
        if found.len() == before {
            capacity(facts, evidence, sheet, &mut found);
        }
    }
    found
}

fn times(facts: &TestFacts, found: &mut Vec<Reason>) {
    if facts.ended.millis() <= facts.started.millis() {
        found.push(Reason::plain(ReasonCode::TimesReversed));
    }
    if let Some(recorded) = facts.recorded
        && facts.ended.millis() > recorded.millis() + AHEAD_MS
    {
        found.push(Reason {
            code: ReasonCode::EndsInTheFuture,
            value: Some(facts.ended.millis()),
            limit: None,
        });
    }
}

fn temperatures(facts: &TestFacts, evidence: &Evidence, found: &mut Vec<Reason>) {
    let stated = [facts.unit_temperature, facts.ambient];
    let all = stated.into_iter().flatten().chain(evidence.odd_temperature);
    if let Some(odd) = all.map(|t| t.0).find(|t| !SENSOR_RANGE_C.contains(t)) {
        // Kelvins read as degrees, or 273 taken off twice.
        let kelvin = [odd - 273.15, odd + 273.15];
        let code = if kelvin.iter().any(|t| SENSOR_RANGE_C.contains(t)) {
            ReasonCode::LooksLikeKelvin
        } else {
            ReasonCode::TemperatureImplausible
        };
        found.push(Reason::of(code, odd));
    }
}

fn voltages(facts: &TestFacts, evidence: &Evidence, sheet: &SheetLimits, found: &mut Vec<Reason>) {
    let end = sheet.end_voltage.0;
    let highest = evidence.voltage.map(|(_, highest)| highest.0);
    let stated = facts.stated.end_voltage.map(|v| v.0);
    for v in [highest, stated].into_iter().flatten() {
        if v > HIGHEST * end {
            let code = if LIKELY_VOLTS.contains(&(v / 1000.0 / end)) {
                ReasonCode::LooksLikeMillivolts
            } else {
                ReasonCode::VoltageImplausible
            };
            found.push(Reason::against(code, v, end));
            return;
        }
    }
}

fn capacity(facts: &TestFacts, evidence: &Evidence, sheet: &SheetLimits, found: &mut Vec<Reason>) {
    let rated = sheet.rated.0;
    let judged = needs_capacity(facts.purpose);
    let Some(d) = &evidence.discharged else {
        return;
    };
    let stated = facts.stated.capacity.filter(|_| d.source == Source::Trace);
    for (q, finished) in [
        Some((d.capacity.0, d.reached_the_end != Some(false))),
        stated.map(|q| (q.0, true)),
    ]
    .into_iter()
    .flatten()
    {
        let likely = |factor: f64| LIKELY.contains(&(q * factor / rated));
        let code = if q > CAPACITY.end() * rated {
            Some(if likely(1e-3) {
                ReasonCode::LooksLikeMilliamperes
            } else {
                ReasonCode::CapacityImplausible
            })
        } else if q < CAPACITY.start() * rated && finished && judged {
            Some(if likely(60.0) {
                ReasonCode::LooksLikeMinutes
            } else if likely(3600.0) {
                ReasonCode::LooksLikeHours
            } else {
                ReasonCode::CapacityImplausible
            })
        } else {
            None
        };
        if let Some(code) = code {
            found.push(Reason::against(code, q, rated));
            return;
        }
    }
    if let Some(current) = d.current {
        let rate = current.0 / rated;
        if rate > *RATE.end() || judged && rate < *RATE.start() {
            found.push(Reason::of(ReasonCode::CurrentImplausible, current.0));
        }
    }
    let end = sheet.end_voltage.0;
    let energies = [
        d.energy.map(|e| e.0 / d.capacity.0),
        facts
            .stated
            .energy
            .zip(facts.stated.capacity)
            .map(|(e, q)| e.0 / q.0),
    ];
    let off = |v: &f64| v.is_finite() && !MEAN_VOLTAGE.contains(&(v / end));
    if let Some(v) = energies.into_iter().flatten().find(off) {
        found.push(Reason::against(ReasonCode::EnergyImplausible, v, end));
    }
}
