//! The capacity against its limit: conditions first, then the correction, then the comparison.

use super::input::{
    Calibration, Discharged, Evidence, InitialState, SheetLimits, Source, TestFacts, needs_capacity,
};
use super::reason::{Reason, ReasonCode};
use super::{Against, Findings, JudgedCapacity, Measured};
use crate::discharge::Began;
use crate::gum::{COVERAGE_FACTOR, rectangular};
use crate::quantity::{AmpHours, Celsius};
use crate::refusal::RefusalReason;
use carrylog_format::record::Purpose;

/// Part of the end voltage by which a stated end may be off it. Common practice, no source.
const END_VOLTAGE: f64 = 0.01;
/// Kelvins beyond which no linear correction holds. Common practice, no source.
const FARTHEST_K: f64 = 15.0;
/// Part by which the current may be off the sheet's, if that gives no tolerance. Common practice.
const CURRENT: f64 = 0.1;
/// Expanded uncertainty above this part of the capacity asks for more rows. Common practice.
const TOO_SLOW: f64 = 0.03;

/// Compares the capacity; the capacity as it stands in every comparison, if there is one.
pub(super) fn check(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: &SheetLimits,
    findings: &mut Findings,
) -> Option<JudgedCapacity> {
    let judged = needs_capacity(facts.purpose);
    if !judged && facts.purpose != Purpose::ComplementaryTest {
        return None;
    }
    if judged {
        temperature(facts, evidence, sheet, findings);
    }
    let Some(d) = &evidence.discharged else {
        if judged {
            findings.add(why_none(evidence.refused.as_ref()));
        }
        return None;
    };
    let reached = complete(d, sheet, findings);
    if judged {
        beginning(facts, d, sheet, findings);
    }
    current(d, sheet, findings);
    tell(d, findings);
    let corrected = correct(facts, evidence, d, sheet, findings);
    let limit = sheet.capacity_limit(facts.purpose).0;
    if !reached || findings.blocked() {
        if reached {
            let code = ReasonCode::CapacityNotCompared;
            findings.add(Reason::against(code, d.capacity.0, limit));
        }
        return corrected;
    }
    if let Some(c) = &corrected {
        let measured = Measured {
            value: c.reference.0,
            standard: c.reference_standard.map(|u| u.0),
        };
        let code = match measured.at_least(limit) {
            Against::Fails => ReasonCode::CapacityBelow,
            Against::Close => ReasonCode::CapacityClose,
            Against::Meets => ReasonCode::CapacityMeets,
        };
        findings.add(Reason::against(code, c.reference.0, limit));
    }
    corrected
}

fn why_none(refused: Option<&RefusalReason>) -> Reason {
    match refused {
        None => Reason::plain(ReasonCode::NoCapacity),
        Some(RefusalReason::Gap { length, .. }) => Reason::of(ReasonCode::Gap, length.0),
        Some(RefusalReason::DropOutTooLong { length, .. }) => {
            Reason::of(ReasonCode::DropOutTooLong, length.0)
        }
        Some(_) => Reason::plain(ReasonCode::TraceGivesNone),
    }
}

fn temperature(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: &SheetLimits,
    findings: &mut Findings,
) {
    let (low, high) = sheet.temperature;
    let traced = evidence.temperature.map(|(a, b)| [a, b]);
    let mut known: Vec<Celsius> = traced
        .into_iter()
        .flatten()
        .chain(facts.unit_temperature)
        .collect();
    if known.is_empty() {
        // The room is better than nothing, and the reason says so.
        match facts.ambient {
            Some(ambient) => {
                findings.add(Reason::of(ReasonCode::RoomTemperature, ambient.0));
                known.push(ambient);
            }
            None => findings.add(Reason::plain(ReasonCode::NoTemperature)),
        }
    }
    let outside = known.iter().find_map(|t| {
        if t.0 < low.0 {
            Some((t.0, low.0))
        } else {
            (t.0 > high.0).then_some((t.0, high.0))
        }
    });
    if let Some((value, limit)) = outside {
        findings.add(Reason::against(
            ReasonCode::OutsideTemperature,
            value,
            limit,
        ));
    }
}

/// Whether the discharge ran to the end voltage of the sheet, and no further.
fn complete(d: &Discharged, sheet: &SheetLimits, findings: &mut Findings) -> bool {
    let end = sheet.end_voltage.0;
    match (d.reached_the_end, d.end_voltage) {
        (Some(true), _) => true,
        (Some(false), _) => {
            findings.add(Reason::of(ReasonCode::StoppedEarly, d.at_least.0));
            false
        }
        (None, None) => {
            findings.add(Reason::plain(ReasonCode::NoEndVoltage));
            false
        }
        (None, Some(v)) if v.0 > end * (1.0 + END_VOLTAGE) => {
            findings.add(Reason::of(ReasonCode::StoppedEarly, d.capacity.0));
            false
        }
        (None, Some(v)) if v.0 < end * (1.0 - END_VOLTAGE) => {
            findings.add(Reason::against(ReasonCode::EndedBelow, v.0, end));
            false
        }
        (None, Some(_)) => true,
    }
}

fn beginning(facts: &TestFacts, d: &Discharged, sheet: &SheetLimits, findings: &mut Findings) {
    match (d.began, facts.initial_state) {
        (Began::Partly { out: Some(out) }, _) => {
            findings.add(Reason::of(ReasonCode::BeganPartlyDischarged, out.0));
        }
        (Began::Partly { out: None }, _)
        | (Began::Unknown | Began::Charged, Some(InitialState::Partly)) => {
            findings.add(Reason::plain(ReasonCode::BeganNotFull));
        }
        (
            Began::Charged,
            Some(InitialState::Full | InitialState::FullRested | InitialState::NotAsked) | None,
        )
        | (
            Began::Unknown,
            Some(InitialState::Full | InitialState::FullRested | InitialState::NotAsked),
        ) => {}
        (Began::Unknown, None) => {
            let code = if sheet.start_state_waived {
                ReasonCode::StartNotStated
            } else {
                ReasonCode::NoInitialState
            };
            findings.add(Reason::plain(code));
        }
    }
}

fn current(d: &Discharged, sheet: &SheetLimits, findings: &mut Findings) {
    let (Some(used), Some((asked, tolerance))) = (d.current, sheet.test_current) else {
        return;
    };
    let tolerance = if tolerance > 0.0 { tolerance } else { CURRENT };
    if (used.0 - asked.0).abs() > tolerance * asked.0 {
        findings.add(Reason::against(ReasonCode::OtherCurrent, used.0, asked.0));
    }
}

fn tell(d: &Discharged, findings: &mut Findings) {
    if d.source == Source::Stated {
        findings.add(Reason::of(ReasonCode::AsStated, d.capacity.0));
    }
    if d.pieces > 1 {
        findings.add(Reason::of(ReasonCode::Interrupted, d.paused.0));
    }
    let expanded = d.standard.map_or(0.0, |u| COVERAGE_FACTOR * u.0);
    if expanded > TOO_SLOW * d.capacity.0 {
        findings.add(Reason::of(ReasonCode::SampledTooSlowly, expanded));
    }
}

/// `Q_ref = Q/f`, `f = 1 + c(ϑ − ϑ_ref)`; `u² = (u_Q/f)² + (Q_ref·c·u_ϑ/f)²` (JCGM 100, 5.1).
/// Beyond 15 K nothing is corrected, and the capacity cannot be compared.
fn correct(
    facts: &TestFacts,
    evidence: &Evidence,
    d: &Discharged,
    sheet: &SheetLimits,
    findings: &mut Findings,
) -> Option<JudgedCapacity> {
    let plain = JudgedCapacity {
        measured: d.capacity,
        measured_standard: d.standard,
        reference: d.capacity,
        reference_standard: d.standard,
        corrected: false,
    };
    let Some((coefficient, reference)) = sheet.coefficient else {
        return Some(plain);
    };
    let traced = evidence
        .discharged
        .as_ref()
        .and_then(|d| d.mean_temperature);
    let Some(mean) = traced.or(facts.unit_temperature).or(facts.ambient) else {
        findings.add(Reason::plain(ReasonCode::NoTemperature));
        return None;
    };
    let off = mean.0 - reference.0;
    let factor = 1.0 + coefficient * off;
    if off.abs() > FARTHEST_K || factor <= 0.0 {
        let code = ReasonCode::TooFarToCorrect;
        findings.add(Reason::against(code, off.abs(), FARTHEST_K));
        return Some(plain);
    }
    let value = d.capacity.0 / factor;
    let accuracy = match &facts.calibration {
        Calibration::InForce(accuracy) => accuracy.as_ref(),
        Calibration::None | Calibration::Ended(_) => None,
    };
    let by_temperature = accuracy.map_or(0.0, |a| {
        value * coefficient.abs() / factor * rectangular(a.temperature.0)
    });
    findings.add(Reason::against(ReasonCode::Corrected, value, d.capacity.0));
    Some(JudgedCapacity {
        reference: AmpHours(value),
        reference_standard: d
            .standard
            .map(|u| AmpHours((u.0 / factor).hypot(by_temperature))),
        corrected: true,
        ..plain
    })
}
