//! Records in, assessment out: one test, its trace, the sheet and the calibration go to
//! [`crate::judgement`], and what it answers becomes what an entry holds. Advisory, always.

use crate::from_records::judging;
use crate::judgement::{self, Context, Judgement, ReasonCode, Said, UnitState, needs_capacity};
use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::{Date, Instant};
use carrylog_format::record::{Accuracy, Assessment, Computed, LimitsSheet, NextStep, TestRecord};
use carrylog_format::text::Remark;

/// Stands with every assessment.
pub const ADVISORY: &str = "Advisory: the maintenance manual and certifying staff decide.";

/// The reason that an assessment gives when damage was reported.
pub const DAMAGE_REPORTED: &str = "Damage was seen.";

/// What is known of the station's calibration.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum KnownCalibration<'a> {
    /// The station's log holds none: nothing can be assessed.
    #[default]
    None,
    /// The last one of the station's log: its last day and the accuracies it states.
    Until(Date, Option<&'a Accuracy>),
    /// No station's log was looked at; whoever asks says so beside the answer.
    NotLookedAt,
}

impl<'a> KnownCalibration<'a> {
    /// The accuracies it states.
    pub fn accuracy(self) -> Option<&'a Accuracy> {
        match self {
            Self::Until(_, accuracy) => accuracy,
            Self::None | Self::NotLookedAt => None,
        }
    }
}

/// What an assessment must know beside the test and the sheet.
#[derive(Debug, Clone, Copy, Default)]
pub struct Facts<'a> {
    /// The station's calibration.
    pub calibration: KnownCalibration<'a>,
    /// Someone saw damage: swelling, leak, smell, dents, heat without load.
    pub damage_reported: bool,
    /// When the test was recorded, by the recording machine's clock.
    pub recorded: Option<Instant>,
}

/// What a test amounts to.
#[derive(Debug, Clone, PartialEq)]
pub struct Assessed {
    /// The assessment as an entry holds it, if there is a sheet.
    pub assessment: Option<Assessment>,
    /// What it is worth.
    pub judgement: Judgement,
    /// The state it asks for, in words.
    pub said: Said,
}

/// Judges `test` by what was computed from its trace and a sheet with its statement.
///
/// Without computed results what the station stated counts. Without a sheet nothing is judged, but
/// dangers are still named.
pub fn assess(
    test: &TestRecord,
    computed: Option<&Computed>,
    sheet: Option<(&LimitsSheet, StatementDigest)>,
    facts: &Facts<'_>,
) -> Assessed {
    let limits = sheet.map(|(sheet, _)| judging::sheet_limits(sheet, test));
    let of_test = judging::test_facts(test, facts);
    let evidence = match computed {
        Some(computed) => judging::recorded_evidence(computed, test),
        None => judgement::as_stated(&of_test),
    };
    let judgement = judgement::judge(&of_test, &evidence, limits.as_ref());
    let seen = of_test.findings.first().map(|f| f.words.as_str());
    let expanded = judgement.capacity.and_then(|c| c.reference_standard);
    let band = expanded.map(|u| format!(" ± {:.2} Ah", 2.0 * u.0));
    let charged_cold = judgement
        .reasons
        .iter()
        .any(|r| r.code == ReasonCode::ChargedCold);
    let context = Context {
        first: judgement.first(),
        sheet: limits.as_ref(),
        seen,
        band: band
            .as_deref()
            .filter(|_| judgement.state == UnitState::TooClose),
        charged_cold,
        ..Context::default()
    };
    let said = judgement::say(judgement.state, &context);
    let assessment = sheet
        .zip(judgement.verdict)
        .map(|((sheet, id), verdict)| Assessment {
            next: next_steps(test, sheet, judgement.state),
            sheet: id,
            reasons: reasons(sheet, &judgement),
            verdict,
        });
    Assessed {
        assessment,
        judgement,
        said,
    }
}

fn reasons(sheet: &LimitsSheet, judgement: &Judgement) -> Vec<Remark> {
    let from = format!(
        "Limits from {}, revision {}.",
        sheet.manual.reference, sheet.manual.revision
    );
    let lines = judgement.reasons.iter().map(judgement::Reason::line);
    let all = std::iter::once(from)
        .chain(lines)
        .chain([ADVISORY.to_owned()]);
    // Our own sentences are short and plain, so none is refused.
    all.filter_map(|line| Remark::new(line.as_str()).ok())
        .collect()
}

/// What carrylog suggests next, in the words of the record.
fn next_steps(test: &TestRecord, sheet: &LimitsSheet, state: UnitState) -> Vec<NextStep> {
    match state {
        UnitState::HeatWithoutLoad
        | UnitState::SetAsideDamage
        | UnitState::SetAsideOverDischarged
        | UnitState::SetAsideHot
        | UnitState::SetAsideDecided
        | UnitState::BelowTodaysLimit => vec![NextStep::Quarantine],
        UnitState::OutsideLimits => {
            let named = !sheet.complementary.is_empty();
            let tests = named.then_some(NextStep::ComplementaryTests);
            tests.into_iter().chain([NextStep::Quarantine]).collect()
        }
        UnitState::ChargeOff => vec![NextStep::StorageCharge],
        UnitState::NotAssessable
        | UnitState::NoCalibration
        | UnitState::TooClose
        | UnitState::Overdue
            if needs_capacity(test.purpose) =>
        {
            vec![NextStep::RepeatTest]
        }
        UnitState::WithinLimits if needs_capacity(test.purpose) => {
            let storage = sheet.storage.as_ref().map(|_| NextStep::StorageCharge);
            [NextStep::ChargeForInstallation]
                .into_iter()
                .chain(storage)
                .collect()
        }
        UnitState::NotAssessable
        | UnitState::NoCalibration
        | UnitState::TooClose
        | UnitState::Overdue
        | UnitState::WithinLimits
        | UnitState::NoSheet => Vec::new(),
    }
}

#[cfg(test)]
pub(crate) mod tests;
