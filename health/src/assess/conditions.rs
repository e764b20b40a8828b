//! Does the sheet apply to the unit and day, and was the test run as the sheet wants it?

use super::{Case, Findings};
use carrylog_format::record::Verdict;
use carrylog_format::unit_id::UnitId;

/// Whether the sheet is for this part number and in force on the day of the test.
pub(super) fn check_sheet(case: &Case<'_>, findings: &mut Findings) -> bool {
    let (test, sheet) = (case.test, case.sheet);
    let of_sheet = UnitId::new(
        sheet.mfr.as_str(),
        sheet.part.as_str(),
        test.unit.serial.as_str(),
    );
    if of_sheet.is_ok_and(|id| id.key() != test.unit.key()) {
        let sentence = format!(
            "The sheet is for part number {}, the unit is {}.",
            sheet.part, test.unit.part
        );
        findings.conclude(Verdict::NotAssessable, sentence);
        return false;
    }
    let day = test.ended_ms.date();
    let before = is_before(day, sheet.valid_from);
    let after = sheet.valid_until.is_some_and(|until| is_before(until, day));
    if before || after {
        let until = sheet
            .valid_until
            .map_or("further notice".to_owned(), |d| d.to_string());
        let sentence = format!(
            "The test of {day} lies outside the sheet's validity, {} until {until}.",
            sheet.valid_from
        );
        findings.conclude(Verdict::NotAssessable, sentence);
        return false;
    }
    true
}

/// Calibration, temperature and fault codes.
pub(super) fn check_test(case: &Case<'_>, findings: &mut Findings) {
    let day = case.test.ended_ms.date();
    if let Some(due) = case.facts.calibration_due
        && is_before(due, day)
    {
        let sentence = format!("The station's calibration ended on {due}, before the test.");
        findings.conclude(Verdict::NotAssessable, sentence);
    }
    if !case.test.faults.is_empty() {
        let codes: Vec<&str> = case.test.faults.iter().map(|f| f.as_str()).collect();
        let sentence = format!("The station reported a fault: {}.", codes.join(", "));
        findings.conclude(Verdict::NotAssessable, sentence);
    }
    if case.needs_capacity() {
        check_temperature(case, findings);
    }
}

fn check_temperature(case: &Case<'_>, findings: &mut Findings) {
    let (low, high) = (
        case.sheet.test_min_temperature_mk,
        case.sheet.test_max_temperature_mk,
    );
    let trace = case
        .computed
        .map(|c| [c.temperature_min_mk, c.temperature_max_mk]);
    let measured = trace
        .into_iter()
        .flatten()
        .chain([case.test.unit_temperature_mk])
        .flatten();
    let mut values: Vec<_> = measured.collect();
    if values.is_empty() {
        // The room is better than nothing, and the reason says so.
        match case.test.ambient_mk {
            Some(ambient) => {
                findings.say("No temperature of the unit was recorded; that of the room counts.");
                values.push(ambient);
            }
            None => {
                findings.conclude(
                    Verdict::NotAssessable,
                    "No temperature was recorded, so the sheet's limits cannot be applied.",
                );
                return;
            }
        }
    }
    let outside = values
        .iter()
        .find(|t| t.raw() < low.raw() || t.raw() > high.raw());
    if let Some(t) = outside {
        let sentence = format!(
            "At {:.1} °C the unit was outside the permitted {:.1} °C to {:.1} °C.",
            t.celsius(),
            low.celsius(),
            high.celsius()
        );
        findings.conclude(Verdict::NotAssessable, sentence);
    }
}

fn is_before(a: carrylog_format::instant::Date, b: carrylog_format::instant::Date) -> bool {
    // Dates have one spelling of fixed width, but only start() orders them without guessing.
    match (a.start(), b.start()) {
        (Ok(a), Ok(b)) => a < b,
        _ => false,
    }
}
