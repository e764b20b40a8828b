//! Compares a test with the limits sheet of its part number. Advisory, always.
//!
//! Owns the verdict, its reasons in words and what the sheet says comes next. Limits come from the
//! sheet and from nowhere else. Guard band after ILAC-G8 and JCGM 106: the band is the expanded
//! uncertainty `U = k·u`, `k = 2`; a result that meets its limit by less is *inside the guard band*.

mod capacity;
mod cautions;
mod conditions;
mod resistance;
mod storage;

pub use cautions::{ADVISORY, Caution};

use crate::gum::COVERAGE_FACTOR;
use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Date;
use carrylog_format::record::{
    Accuracy, Assessment, Computed, LimitsSheet, NextStep, Purpose, TestRecord, Verdict,
};
use carrylog_format::text::Remark;

/// The reason that an assessment gives when damage was reported.
pub const DAMAGE_REPORTED: &str = "Damage was reported: do not charge, discharge or ship the unit.";

/// What an assessment must know beside the test and the sheet.
#[derive(Debug, Clone, Copy, Default)]
pub struct Facts<'a> {
    /// Accuracies of the station, for results that it stated without a trace.
    pub accuracy: Option<&'a Accuracy>,
    /// Last day of the station's calibration, if it is known.
    pub calibration_due: Option<Date>,
    /// Someone saw damage: swelling, leak, smell, dents, heat without load.
    pub damage_reported: bool,
}

/// An assessment and the cautions to show with it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Assessed {
    /// The assessment as an entry holds it.
    pub assessment: Assessment,
    /// Cautions that apply, the gravest first.
    pub cautions: Vec<Caution>,
}

/// Compares `test` with `sheet`.
///
/// `computed` is what was computed from the trace of the test, if it has one; a capacity or
/// resistance without a trace is taken as the station stated it. The verdict is the gravest of its
/// parts: outside limits, not assessable, inside the guard band, within limits.
pub fn assess(
    test: &TestRecord,
    computed: Option<&Computed>,
    sheet: &LimitsSheet,
    sheet_id: StatementDigest,
    facts: &Facts<'_>,
) -> Assessed {
    let case = Case {
        test,
        computed,
        sheet,
        facts,
    };
    let mut findings = Findings::default();
    findings.say(format!(
        "Limits from {}, revision {}.",
        sheet.manual.reference, sheet.manual.revision
    ));
    let applies = conditions::check_sheet(&case, &mut findings);
    if applies {
        conditions::check_test(&case, &mut findings);
        capacity::check(&case, &mut findings);
        resistance::check(&case, &mut findings);
        storage::check(&case, &mut findings);
    }
    if facts.damage_reported {
        findings.conclude(Verdict::OutsideLimits, DAMAGE_REPORTED);
    }
    let verdict = findings.verdict.unwrap_or(Verdict::NotAssessable);
    if findings.verdict.is_none() {
        findings.say(format!(
            "The sheet gives no limit for a {} with what was recorded.",
            test.purpose.words()
        ));
    }
    findings.say(ADVISORY);
    Assessed {
        assessment: Assessment {
            next: next_steps(&case, verdict),
            sheet: sheet_id,
            reasons: findings.reasons,
            verdict,
        },
        cautions: cautions::cautions(&case, verdict),
    }
}

/// What is being assessed.
#[derive(Clone, Copy)]
struct Case<'a> {
    test: &'a TestRecord,
    computed: Option<&'a Computed>,
    sheet: &'a LimitsSheet,
    facts: &'a Facts<'a>,
}

impl Case<'_> {
    /// Purposes that stand or fall with a capacity.
    fn needs_capacity(&self) -> bool {
        matches!(
            self.test.purpose,
            Purpose::Commissioning | Purpose::PeriodicCheck
        )
    }

    /// Damage, or a discharge far below the end voltage: the unit must not be charged.
    fn must_not_be_charged(&self) -> bool {
        self.facts.damage_reported || self.over_discharged()
    }

    /// Any phase that ended below nine tenths of the end voltage. Common practice, no source.
    fn over_discharged(&self) -> bool {
        let limit = 0.9 * self.sheet.end_voltage_uv.volts();
        let phases = self
            .computed
            .map(|c| c.phases.as_slice())
            .unwrap_or_default();
        let declared = self.test.declared.end_voltage_uv;
        phases
            .iter()
            .map(|p| p.end_voltage_uv)
            .chain(declared)
            .any(|v| v.volts() < limit)
    }
}

/// Reasons and the gravest verdict so far.
#[derive(Default)]
struct Findings {
    reasons: Vec<Remark>,
    verdict: Option<Verdict>,
}

impl Findings {
    fn say(&mut self, sentence: impl AsRef<str>) {
        // Our own sentences are short and plain; what a record brought in was bounded text.
        if let Ok(remark) = Remark::new(sentence.as_ref()) {
            self.reasons.push(remark);
        }
    }

    fn conclude(&mut self, verdict: Verdict, sentence: impl AsRef<str>) {
        self.say(sentence);
        let graver = self
            .verdict
            .is_none_or(|so_far| gravity(verdict) > gravity(so_far));
        if graver {
            self.verdict = Some(verdict);
        }
    }
}

fn gravity(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::WithinLimits => 0,
        Verdict::InsideGuardBand => 1,
        Verdict::NotAssessable => 2,
        Verdict::OutsideLimits => 3,
    }
}

/// A measured value with its standard uncertainty, if that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Measured {
    value: f64,
    standard: Option<f64>,
}

impl Measured {
    fn expanded(self) -> f64 {
        COVERAGE_FACTOR * self.standard.unwrap_or(0.0)
    }

    /// Verdict against a limit that the value must not fall below.
    fn at_least(self, limit: f64) -> Verdict {
        self.by(self.value - limit)
    }

    /// Verdict against a limit that the value must not exceed.
    fn at_most(self, limit: f64) -> Verdict {
        self.by(limit - self.value)
    }

    fn by(self, margin: f64) -> Verdict {
        if margin < 0.0 {
            Verdict::OutsideLimits
        } else if margin < self.expanded() {
            Verdict::InsideGuardBand
        } else {
            Verdict::WithinLimits
        }
    }

    /// The guard band in words.
    fn band(self, unit: &str, decimals: usize) -> String {
        match self.standard {
            Some(_) => format!("U = {:.decimals$} {unit}, k = 2", self.expanded()),
            None => "uncertainty not stated, so without guard band".to_owned(),
        }
    }
}

fn next_steps(case: &Case<'_>, verdict: Verdict) -> Vec<NextStep> {
    if case.must_not_be_charged() {
        return vec![NextStep::Quarantine];
    }
    match verdict {
        Verdict::OutsideLimits if case.test.purpose == Purpose::StorageCharge => {
            vec![NextStep::StorageCharge]
        }
        Verdict::OutsideLimits => {
            let named = !case.sheet.complementary.is_empty();
            named
                .then_some(NextStep::ComplementaryTests)
                .into_iter()
                .chain([NextStep::Quarantine])
                .collect()
        }
        Verdict::NotAssessable if case.needs_capacity() => vec![NextStep::RepeatTest],
        Verdict::NotAssessable => Vec::new(),
        _ if case.needs_capacity() => {
            let storage = case.sheet.storage.as_ref().map(|_| NextStep::StorageCharge);
            [NextStep::ChargeForInstallation]
                .into_iter()
                .chain(storage)
                .collect()
        }
        _ => Vec::new(),
    }
}

#[cfg(test)]
pub(crate) mod tests;
