//! The resistance against the limit of its own method, at the temperatures where the limit applies.

use super::{Case, Findings, Measured};
use crate::from_records::station_accuracy;
use crate::quantity::Ohms;
use crate::uncertainty;
use carrylog_format::quantity::MilliKelvin;
use carrylog_format::record::{Purpose, ResistanceLimit, ResistanceMethod, Verdict};

pub(super) fn check(case: &Case<'_>, findings: &mut Findings) {
    let limits = &case.sheet.resistance;
    if limits.is_empty() || case.test.purpose == Purpose::StorageCharge {
        return;
    }
    let mut compared = 0;
    for limit in limits {
        let Some(measured) = measured(case, limit.method) else {
            continue;
        };
        compared += 1;
        compare(case, limit, measured, findings);
    }
    if compared == 0 && case.needs_capacity() {
        let methods: Vec<&str> = limits.iter().map(|l| l.method.words()).collect();
        let sentence = format!(
            "The sheet limits the resistance by {}; no such value was recorded.",
            methods.join(" or ")
        );
        findings.conclude(Verdict::NotAssessable, sentence);
    }
}

/// A value by the same method, in milliohms. Values by other methods are never compared.
fn measured(case: &Case<'_>, method: ResistanceMethod) -> Option<Measured> {
    if let Some(declared) = case
        .test
        .declared
        .resistance
        .as_ref()
        .filter(|r| r.method == method)
    {
        let value = declared.uohm.milliohms();
        let standard = case
            .facts
            .accuracy
            .map(|a| uncertainty::declared_resistance(Ohms(value), &station_accuracy(a)).standard);
        return Some(Measured { value, standard });
    }
    let step = case.computed.and_then(|c| c.resistance.as_ref());
    step.filter(|_| method == ResistanceMethod::DcStep)
        .map(|step| Measured {
            value: step.uohm.milliohms(),
            standard: step.std_uohm.map(|u| u.milliohms()),
        })
}

fn compare(case: &Case<'_>, limit: &ResistanceLimit, measured: Measured, findings: &mut Findings) {
    let words = limit.method.words();
    let Some(temperature) = temperature(case) else {
        let sentence = format!("No temperature was recorded for the resistance by {words}.");
        findings.conclude(Verdict::NotAssessable, sentence);
        return;
    };
    let range = limit.min_temperature_mk.raw()..=limit.max_temperature_mk.raw();
    if !range.contains(&temperature.raw()) {
        let sentence = format!(
            "The resistance by {words} was taken at {:.1} °C; its limit applies from {:.1} °C to {:.1} °C.",
            temperature.celsius(),
            limit.min_temperature_mk.celsius(),
            limit.max_temperature_mk.celsius()
        );
        findings.conclude(Verdict::NotAssessable, sentence);
        return;
    }
    let most = limit.max_uohm.milliohms();
    let verdict = measured.at_most(most);
    let relation = if verdict == Verdict::OutsideLimits {
        "exceeds"
    } else {
        "meets"
    };
    let growth = limit
        .new_uohm
        .filter(|n| n.raw() > 0)
        .map_or(String::new(), |new| {
            let percent = 100.0 * (measured.value / new.milliohms() - 1.0);
            format!("; {percent:+.0} % against a new unit")
        });
    let sentence = format!(
        "Resistance by {words} {:.3} mΩ {relation} the limit of {most:.3} mΩ ({}){growth}.",
        measured.value,
        measured.band("mΩ", 3)
    );
    findings.conclude(verdict, sentence);
}

/// Resistance is read at the start of a discharge, so the temperature at the start counts.
fn temperature(case: &Case<'_>) -> Option<MilliKelvin> {
    let trace = case.computed.and_then(|c| c.temperature_min_mk);
    case.test
        .unit_temperature_mk
        .or(trace)
        .or(case.test.ambient_mk)
}
