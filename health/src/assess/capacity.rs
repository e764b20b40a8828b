//! The capacity against its limit.

use super::{Case, Findings, Measured};
use crate::from_records::station_accuracy;
use crate::quantity::{AmpHours, Seconds};
use crate::uncertainty;
use carrylog_format::record::{Computed, Purpose, Verdict};

/// Part of the end voltage by which a discharge may have ended off it. Common practice, no source.
const END_VOLTAGE_PART: f64 = 0.01;
/// Largest relative difference of declared and recomputed capacity if the sheet states none.
const RECOMPUTATION_TOLERANCE: f64 = 0.01;

pub(super) fn check(case: &Case<'_>, findings: &mut Findings) {
    let (limit, name) = limit(case);
    let Some((measured, source)) = measured(case, findings) else {
        if case.needs_capacity() {
            let sentence =
                "No usable capacity was recorded; a capacity of zero is a fault of the record.";
            findings.conclude(Verdict::NotAssessable, sentence);
        }
        return;
    };
    if !case.needs_capacity() && case.test.purpose != Purpose::ComplementaryTest {
        return;
    }
    let measured = corrected(case, measured, findings);
    let verdict = measured.at_least(limit);
    let relation = if verdict == Verdict::OutsideLimits {
        "is below"
    } else {
        "meets"
    };
    let sentence = format!(
        "Capacity {:.3} Ah ({source}) {relation} the {name} of {limit:.3} Ah ({}); {:.1} % of rated.",
        measured.value,
        measured.band("Ah", 3),
        100.0 * measured.value / case.sheet.rated_capacity_uah.amp_hours()
    );
    match end_voltage(case) {
        EndVoltage::AsTheSheetWants => findings.conclude(verdict, sentence),
        // A discharge that stopped early gives a lower bound: it can pass, it cannot fail.
        EndVoltage::Above(reached) if verdict != Verdict::OutsideLimits => {
            findings.conclude(verdict, sentence);
            findings.say(format!(
                "The discharge stopped at {reached:.3} V; the capacity is a lower bound."
            ));
        }
        EndVoltage::Above(reached) | EndVoltage::Below(reached) => {
            let wanted = case.sheet.end_voltage_uv.volts();
            let sentence = format!(
                "The discharge ended at {reached:.3} V, not at the sheet's {wanted:.3} V; its {:.3} Ah cannot be compared.",
                measured.value
            );
            findings.conclude(Verdict::NotAssessable, sentence);
        }
    }
    compare_declared(case, limit, findings);
}

fn limit(case: &Case<'_>) -> (f64, &'static str) {
    match (case.test.purpose, case.sheet.commissioning_capacity_uah) {
        (Purpose::Commissioning, Some(new)) => (new.amp_hours(), "commissioning capacity"),
        _ => (
            case.sheet.minimum_capacity_uah.amp_hours(),
            "minimum capacity",
        ),
    }
}

fn measured(case: &Case<'_>, findings: &mut Findings) -> Option<(Measured, &'static str)> {
    let from_trace = case.computed.and_then(|c: &Computed| {
        let value = c.capacity_uah?.amp_hours();
        let standard = c.capacity_std_uah.map(|u| u.amp_hours());
        (value > 0.0).then_some((Measured { value, standard }, "from the trace"))
    });
    if from_trace.is_some() {
        return from_trace;
    }
    for refused in case
        .computed
        .map(|c| c.refused.as_slice())
        .unwrap_or_default()
    {
        if refused.result.as_str() == "capacity" {
            findings.say(format!("The trace gives no capacity: {}.", refused.why));
        }
    }
    let value = case.test.declared.capacity_uah?.amp_hours();
    if value <= 0.0 {
        return None;
    }
    let length = (case.test.ended_ms.millis() - case.test.started_ms.millis()) as f64 / 1e3;
    let duration = (length > 0.0).then_some(Seconds(length));
    let standard = case.facts.accuracy.map(|a| {
        uncertainty::declared_capacity(AmpHours(value), duration, &station_accuracy(a)).standard
    });
    Some((Measured { value, standard }, "stated by the station"))
}

/// `Q_ref = Q / (1 + c·(ϑ − ϑ_ref))`, only with a coefficient from the sheet and a temperature.
fn corrected(case: &Case<'_>, measured: Measured, findings: &mut Findings) -> Measured {
    let sheet = case.sheet;
    let (Some(ppm), Some(reference)) = (
        sheet.capacity_coefficient_ppm_per_k,
        sheet.reference_temperature_mk,
    ) else {
        return measured;
    };
    let mean = case
        .computed
        .and_then(|c| c.temperature_mean_mk)
        .or(case.test.unit_temperature_mk);
    let Some(mean) = mean else {
        findings.say("No temperature to correct the capacity with; it stands as measured.");
        return measured;
    };
    let coefficient = ppm as f64 * 1e-6;
    let factor = 1.0 + coefficient * (mean.kelvin() - reference.kelvin());
    if factor <= 0.0 {
        findings.say("The sheet's temperature coefficient gives no sensible correction; the capacity stands as measured.");
        return measured;
    }
    let value = measured.value / factor;
    let by_temperature = case.facts.accuracy.map_or(0.0, |a| {
        let u = crate::gum::rectangular(a.temperature_mk.kelvin());
        value * coefficient.abs() / factor * u
    });
    findings.say(format!(
        "Corrected from {:.1} °C to {:.1} °C with the sheet's coefficient: {:.3} Ah becomes {value:.3} Ah.",
        mean.celsius(),
        reference.celsius(),
        measured.value
    ));
    let standard = measured
        .standard
        .map(|u| (u / factor).hypot(by_temperature));
    Measured { value, standard }
}

enum EndVoltage {
    AsTheSheetWants,
    Above(f64),
    Below(f64),
}

fn end_voltage(case: &Case<'_>) -> EndVoltage {
    let wanted = case.sheet.end_voltage_uv.volts();
    let from_trace = case
        .computed
        .filter(|c| c.capacity_uah.is_some())
        .and_then(|c| c.end_voltage_uv);
    let reached = from_trace.or(case.test.declared.end_voltage_uv);
    match reached.map(|v| v.volts()) {
        Some(v) if v > wanted * (1.0 + END_VOLTAGE_PART) => EndVoltage::Above(v),
        Some(v) if v < wanted * (1.0 - END_VOLTAGE_PART) => EndVoltage::Below(v),
        _ => EndVoltage::AsTheSheetWants,
    }
}

/// A station's own figure that disagrees with its trace makes the result doubtful.
fn compare_declared(case: &Case<'_>, limit: f64, findings: &mut Findings) {
    let declared = case.test.declared.capacity_uah.map(|c| c.amp_hours());
    let recomputed = case
        .computed
        .and_then(|c| c.capacity_uah)
        .map(|c| c.amp_hours());
    let (Some(declared), Some(recomputed)) = (declared, recomputed) else {
        return;
    };
    let tolerance = case.sheet.recomputation_tolerance_ppm;
    let tolerance = tolerance.map_or(RECOMPUTATION_TOLERANCE, |t| t.percent() / 100.0);
    let difference = (declared - recomputed).abs() / recomputed;
    if difference <= tolerance {
        return;
    }
    let sentence = format!(
        "The station states {declared:.3} Ah, its trace gives {recomputed:.3} Ah: {:.1} % apart, more than {:.1} %.",
        100.0 * difference,
        100.0 * tolerance
    );
    if (declared < limit) == (recomputed < limit) {
        findings.say(sentence);
    } else {
        findings.conclude(Verdict::NotAssessable, sentence);
    }
}
