//! What a test is worth: plausible or not, comparable or not, inside or outside the sheet's limits.
//!
//! One function, [`judge`], answers it everywhere: when a test is recorded, when it is read again,
//! in every list. Order: what endangers first; is it possible at all; do station and trace agree;
//! were the conditions those of the sheet; then, and only then, the limits. Limits come from the
//! sheet and from nowhere else. Guard band after ILAC-G8 and JCGM 106: `U = k·u`, `k = 2`.
//!
//! [`UnitState`] turns verdicts into the one state of a unit, [`say`] a state into words.

mod agreement;
mod capacity;
mod evidence;
mod input;
mod others;
mod plausible;
mod reason;
mod resistance;
mod safety;
mod state;

pub(crate) use evidence::heating;
pub use evidence::{as_stated, from_trace};
pub use input::{
    Calibration, CellLimits, Discharged, Evidence, Fault, Finding, InitialState,
    MeasuredResistance, ResistanceLimitBand, SheetLimits, SheetProblem, Source, Stated,
    StorageLevel, TestFacts, needs_capacity,
};
pub use others::{SELF_DISCHARGE_POINTS, equivalent_cycles, self_discharge_a_month};
pub use reason::{Measure, Reason, ReasonCode, Weight};
pub use resistance::same_definition;
pub use state::{Caution, Context, Said, UnitState, say};

use crate::gum::COVERAGE_FACTOR;
use crate::quantity::AmpHours;
use carrylog_format::record::{Purpose, Verdict};

/// Version of these rules. A judgement under other rules is "the rules changed", no contradiction.
pub const RULES: u16 = 1;

/// A capacity as it stands in every comparison, trend and set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JudgedCapacity {
    /// As measured.
    pub measured: AmpHours,
    /// Its standard uncertainty.
    pub measured_standard: Option<AmpHours>,
    /// At the sheet's reference temperature; as measured if the sheet corrects nothing.
    pub reference: AmpHours,
    /// Its standard uncertainty.
    pub reference_standard: Option<AmpHours>,
    /// Whether it was corrected.
    pub corrected: bool,
}

/// What a test is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Judgement {
    /// The verdict; none without a sheet.
    pub verdict: Option<Verdict>,
    /// Reasons, the first cause first.
    pub reasons: Vec<Reason>,
    /// The capacity, if one was measured.
    pub capacity: Option<JudgedCapacity>,
    /// The state of the unit that this test alone asks for.
    pub state: UnitState,
    purpose: Purpose,
}

impl Judgement {
    /// The reason that decided the state, if any did.
    pub fn first(&self) -> Option<&Reason> {
        let weight = match self.verdict {
            _ if self.has(Weight::Danger) => Weight::Danger,
            Some(Verdict::NotAssessable) => Weight::Blocks,
            Some(Verdict::OutsideLimits) => Weight::Fails,
            Some(Verdict::InsideGuardBand) => Weight::Close,
            Some(Verdict::WithinLimits) => Weight::Meets,
            None => return None,
        };
        self.reasons.iter().find(|r| r.code.weight() == weight)
    }

    fn has(&self, weight: Weight) -> bool {
        self.reasons.iter().any(|r| r.code.weight() == weight)
    }
}

/// Whether a test counts in state of health, trend, forecast, chart, fleet, sets, station
/// comparison and lives, and clears due dates. The one answer to that question.
///
/// What is not assessable, stopped early, faulted or out of temperature is shown and marked, and
/// counts nowhere; neither does a capacity that nobody compared with a sheet.
pub fn counts_for_health(judgement: &Judgement) -> bool {
    let compared = match judgement.verdict {
        Some(Verdict::WithinLimits | Verdict::InsideGuardBand | Verdict::OutsideLimits) => true,
        Some(Verdict::NotAssessable) | None => false,
    };
    let asked =
        needs_capacity(judgement.purpose) || judgement.purpose == Purpose::ComplementaryTest;
    compared && asked && judgement.capacity.is_some() && !judgement.has(Weight::Blocks)
}

/// Judges one test by what was measured and the sheet, if there is one.
pub fn judge(facts: &TestFacts, evidence: &Evidence, sheet: Option<&SheetLimits>) -> Judgement {
    let mut findings = Findings::default();
    safety::dangers(facts, evidence, sheet, &mut findings);
    for reason in plausible::implausible(facts, evidence, sheet) {
        findings.add(reason);
    }
    let capacity = match sheet {
        Some(sheet) => against_sheet(facts, evidence, sheet, &mut findings),
        None => evidence.discharged.map(|d| JudgedCapacity {
            measured: d.capacity,
            measured_standard: d.standard,
            reference: d.capacity,
            reference_standard: d.standard,
            corrected: false,
        }),
    };
    if sheet.is_some() && findings.heaviest() <= Some(Weight::Told) {
        findings.add(Reason::plain(ReasonCode::NothingLimited));
    }
    let verdict = sheet.map(|_| verdict(findings.heaviest()));
    Judgement {
        state: state::of_test(&findings.reasons, verdict),
        verdict,
        capacity,
        reasons: findings.reasons,
        purpose: facts.purpose,
    }
}

fn against_sheet(
    facts: &TestFacts,
    evidence: &Evidence,
    sheet: &SheetLimits,
    findings: &mut Findings,
) -> Option<JudgedCapacity> {
    match sheet.problem {
        Some(SheetProblem::OtherPart) => {
            findings.add(Reason::plain(ReasonCode::SheetOtherPart));
            return None;
        }
        Some(SheetProblem::NotInForce) => {
            findings.add(Reason::plain(ReasonCode::SheetNotInForce));
            return None;
        }
        None => {}
    }
    let possible = !findings.blocked();
    match facts.calibration {
        Calibration::None => findings.add(Reason::plain(ReasonCode::NoCalibration)),
        Calibration::Ended(day) => findings.add(Reason {
            code: ReasonCode::CalibrationEnded,
            value: day.start().ok().map(|i| i.millis()),
            limit: None,
        }),
        Calibration::InForce(_) => {}
    }
    if !facts.faults.is_empty() {
        findings.add(Reason::plain(ReasonCode::StationFault));
    }
    for reason in agreement::disagreements(facts, evidence, Some(sheet)) {
        findings.add(reason);
    }
    // What makes the whole record doubtful makes every comparison worthless; what makes only the
    // capacity incomparable leaves a resistance what it is. A cell below its minimum is a danger
    // wherever its reading is possible.
    let doubtful = findings.blocked();
    let capacity = capacity::check(facts, evidence, sheet, findings);
    if possible {
        others::cells(evidence, sheet, findings);
    }
    if !doubtful {
        resistance::check(facts, evidence, &sheet.resistance, findings);
        others::storage(facts, sheet, findings);
        others::further(facts, evidence, sheet, findings);
    }
    capacity
}

/// The gravest reason decides. A limit that is not met outweighs a condition of another part; a
/// capacity is not compared at all unless its own conditions are met.
fn verdict(heaviest: Option<Weight>) -> Verdict {
    match heaviest {
        Some(Weight::Danger | Weight::Fails) => Verdict::OutsideLimits,
        Some(Weight::Blocks | Weight::Told) | None => Verdict::NotAssessable,
        Some(Weight::Close) => Verdict::InsideGuardBand,
        Some(Weight::Meets) => Verdict::WithinLimits,
    }
}

/// Reasons so far.
#[derive(Default)]
struct Findings {
    reasons: Vec<Reason>,
}

impl Findings {
    fn add(&mut self, reason: Reason) {
        if !self.reasons.contains(&reason) {
            self.reasons.push(reason);
        }
    }

    fn blocked(&self) -> bool {
        let weights = self.reasons.iter().map(|r| r.code.weight());
        weights.into_iter().any(|w| w == Weight::Blocks)
    }

    fn heaviest(&self) -> Option<Weight> {
        self.reasons.iter().map(|r| r.code.weight()).max()
    }
}

/// A measured value with its standard uncertainty, if that is known.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Measured {
    value: f64,
    standard: Option<f64>,
}

/// A value against one limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Against {
    Meets,
    Close,
    Fails,
}

impl Measured {
    fn at_least(self, limit: f64) -> Against {
        self.by(self.value - limit)
    }

    fn at_most(self, limit: f64) -> Against {
        self.by(limit - self.value)
    }

    fn by(self, margin: f64) -> Against {
        if margin < 0.0 {
            Against::Fails
        } else if margin < COVERAGE_FACTOR * self.standard.unwrap_or(0.0) {
            Against::Close
        } else {
            Against::Meets
        }
    }
}
