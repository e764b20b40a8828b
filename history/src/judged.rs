//! What a test amounts to, computed anew from its trace, the sheet in force on its day and the
//! station's logged calibration.
//!
//! The station and everybody after it use the same function. A recorded result or verdict stands
//! beside the recomputed one and never counts against it; where nothing can be recomputed it is
//! shown as the station stated it.

use crate::sheets::{SheetInForce, Sheets};
use carrylog_format::ids::{StatementDigest, TraceDigest};
use carrylog_format::quantity::MicroVolts;
use carrylog_format::record::{Accuracy, Assessment, Computed, TestRecord, Verdict};
use carrylog_format::trace::Trace;
use carrylog_format::tree::Hash;
use carrylog_health::assess::{self, DAMAGE_REPORTED, Facts, KnownCalibration};
use carrylog_health::from_records::{self, COMPUTED_BY};
use carrylog_health::judgement::Said;
use serde::{Deserialize, Serialize};

/// What a test amounts to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Evaluation {
    /// Results of its trace.
    pub computed: Option<Computed>,
    /// The comparison with a sheet.
    pub assessment: Option<Assessment>,
    /// The state that it asks for, in words, with its cautions.
    pub said: Said,
}

/// Evaluates a test: results from its trace, verdict from its sheet.
pub fn evaluate(
    test: &TestRecord,
    trace: Option<&Trace>,
    sheet: Option<&SheetInForce>,
    calibration: KnownCalibration<'_>,
    damage_reported: bool,
) -> Evaluation {
    let computed = trace.map(|trace| {
        let accuracy = calibration.accuracy();
        from_records::compute(trace, sheet.map(|s| s.sheet.end_voltage_uv), accuracy)
    });
    assessed(test, computed, sheet, calibration, damage_reported)
}

fn assessed(
    test: &TestRecord,
    computed: Option<Computed>,
    sheet: Option<&SheetInForce>,
    calibration: KnownCalibration<'_>,
    damage_reported: bool,
) -> Evaluation {
    let facts = Facts {
        calibration,
        damage_reported,
        recorded: None,
    };
    let known = sheet.map(|s| (&s.sheet, s.digest));
    let assessed = assess::assess(test, computed.as_ref(), known, &facts);
    Evaluation {
        computed,
        assessment: assessed.assessment,
        said: assessed.said,
    }
}

/// What results are computed anew from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Recomputation<'a> {
    /// The trace.
    pub trace: TraceDigest,
    /// End voltage of the sheet.
    pub end_voltage: Option<MicroVolts>,
    /// Accuracies of the station.
    pub accuracy: Option<&'a Accuracy>,
}

impl Recomputation<'_> {
    /// Names the result: equal keys give equal results from this version of the program.
    pub fn key(&self) -> Hash {
        // Within one version the debug form of two accuracies is equal only if they are.
        let with = format!("{:?} {:?}", self.end_voltage, self.accuracy);
        let trace = self.trace.hash().as_bytes();
        let by = COMPUTED_BY.as_bytes();
        Hash::of_parts(&[b"carrylog computed 1\0", trace, by, b"\0", with.as_bytes()])
    }

    /// Computes from the trace itself.
    pub fn run(&self, trace: &Trace) -> Computed {
        from_records::compute(trace, self.end_voltage, self.accuracy)
    }
}

/// Gives the results of a trace; `None` if the trace is not known.
pub type Recompute<'r> = dyn FnMut(&Recomputation<'_>) -> Option<Computed> + 'r;

/// What a verdict or a result rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Computed anew from the trace.
    Trace,
    /// Compared anew, from the values that the station stated.
    StatedValues,
    /// As the station stated it: it cannot be recomputed here.
    AsStated,
}

impl Basis {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Trace => "computed anew from the trace",
            Self::StatedValues => "compared anew from the values that the station stated",
            Self::AsStated => "as the station stated it",
        }
    }
}

/// A result that is compared with its recomputation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ResultName {
    /// Capacity, µAh.
    Capacity,
    /// Its standard uncertainty, µAh.
    CapacityUncertainty,
    /// Energy, µWh.
    Energy,
    /// Its standard uncertainty, µWh.
    EnergyUncertainty,
    /// End voltage, µV.
    EndVoltage,
    /// Resistance by a current step, µΩ.
    Resistance,
}

impl ResultName {
    /// In words, with the unit of the stored step.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Capacity => ("capacity", "µAh"),
            Self::CapacityUncertainty => ("standard uncertainty of the capacity", "µAh"),
            Self::Energy => ("energy", "µWh"),
            Self::EnergyUncertainty => ("standard uncertainty of the energy", "µWh"),
            Self::EndVoltage => ("end voltage", "µV"),
            Self::Resistance => ("resistance", "µΩ"),
        }
    }
}

/// Where a record and its recomputation part.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Difference {
    /// Another verdict.
    Verdict {
        /// As recorded.
        recorded: Verdict,
        /// As recomputed.
        recomputed: Verdict,
    },
    /// Another result, in stored steps.
    Result {
        /// Which.
        result: ResultName,
        /// As recorded.
        recorded: i64,
        /// As recomputed; `None` if the trace does not give it.
        recomputed: Option<i64>,
    },
}

/// A test judged anew.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// What the verdict rests on.
    pub basis: Basis,
    /// The sheet in force on the day of the test.
    pub sheet: Option<StatementDigest>,
    /// Results of the trace; `None` if the trace is not known here.
    pub computed: Option<Computed>,
    /// The verdict that counts: recomputed, or as stated where that cannot be.
    pub assessment: Option<Assessment>,
    /// Where the record parts from it.
    pub differences: Vec<Difference>,
}

/// Judges a test anew.
pub fn judge(
    test: &TestRecord,
    sheets: &Sheets,
    calibration: KnownCalibration<'_>,
    recompute: &mut Recompute<'_>,
) -> Judged {
    let sheet = sheets.in_force(&test.unit, test.ended_ms.date());
    let accuracy = calibration.accuracy();
    let mut anew = |end_voltage| {
        let trace = test.trace.as_ref()?.sha256;
        let mut computed = recompute(&Recomputation {
            trace,
            end_voltage,
            accuracy,
        })?;
        if calibration == KnownCalibration::NotLookedAt {
            take_stated_uncertainty(&mut computed, test.computed.as_ref());
        }
        Some(computed)
    };
    let end_voltage = sheet.map(|s| s.sheet.end_voltage_uv);
    let computed = anew(end_voltage);
    // A record is compared with what its station could know: the sheet that it names, or none.
    let known_there = match &test.assessment {
        None => None,
        Some(a) => sheets
            .named(a.sheet)
            .map(|s| s.sheet.end_voltage_uv)
            .or(end_voltage),
    };
    let comparable = if known_there == end_voltage {
        computed.clone()
    } else {
        anew(known_there)
    };
    let mut differences = Vec::new();
    if let (Some(recorded), Some(recomputed)) = (&test.computed, &comparable) {
        differences.extend(result_differences(recorded, recomputed));
    }
    let from_trace = computed.is_some();
    let results = computed.clone().or_else(|| test.computed.clone());
    let damage = test.assessment.as_ref().is_some_and(says_damage);
    let assessment = assessed(test, results, sheet, calibration, damage).assessment;
    // Without the trace only a definite verdict stands against the one that was stated.
    let assessment = assessment.filter(|a| from_trace || is_definite(a.verdict));
    if let (Some(recorded), Some(recomputed)) = (&test.assessment, &assessment)
        && recorded.verdict != recomputed.verdict
    {
        differences.push(Difference::Verdict {
            recorded: recorded.verdict,
            recomputed: recomputed.verdict,
        });
    }
    Judged {
        basis: match (&assessment, from_trace) {
            (Some(_), true) => Basis::Trace,
            (Some(_), false) => Basis::StatedValues,
            (None, _) => Basis::AsStated,
        },
        sheet: sheet.map(|s| s.digest),
        computed,
        assessment: assessment.or_else(|| test.assessment.clone()),
        differences,
    }
}

/// Damage is seen by a person and cannot be computed: what the station was told stands.
fn says_damage(assessment: &Assessment) -> bool {
    let mut reasons = assessment.reasons.iter();
    reasons.any(|r| r.as_str() == DAMAGE_REPORTED)
}

fn is_definite(verdict: Verdict) -> bool {
    match verdict {
        Verdict::WithinLimits | Verdict::InsideGuardBand | Verdict::OutsideLimits => true,
        Verdict::NotAssessable => false,
    }
}

/// Without the station's calibration its uncertainties stand as stated.
fn take_stated_uncertainty(computed: &mut Computed, recorded: Option<&Computed>) {
    if let Some(recorded) = recorded {
        computed.capacity_std_uah = recorded.capacity_std_uah;
        computed.energy_std_uwh = recorded.energy_std_uwh;
    }
}

fn figures(c: &Computed) -> [(ResultName, Option<i64>); 6] {
    [
        (ResultName::Capacity, c.capacity_uah.map(|v| v.raw())),
        (
            ResultName::CapacityUncertainty,
            c.capacity_std_uah.map(|v| v.raw()),
        ),
        (ResultName::Energy, c.energy_uwh.map(|v| v.raw())),
        (
            ResultName::EnergyUncertainty,
            c.energy_std_uwh.map(|v| v.raw()),
        ),
        (ResultName::EndVoltage, c.end_voltage_uv.map(|v| v.raw())),
        (
            ResultName::Resistance,
            c.resistance.as_ref().map(|r| r.uohm.raw()),
        ),
    ]
}

fn result_differences<'a>(
    recorded: &'a Computed,
    recomputed: &'a Computed,
) -> impl Iterator<Item = Difference> + 'a {
    let pairs = figures(recorded).into_iter().zip(figures(recomputed));
    pairs.filter_map(|((result, recorded), (_, recomputed))| {
        let recorded = recorded?;
        let same = recomputed.is_some_and(|anew| agree(recorded, anew));
        (!same).then_some(Difference::Result {
            result,
            recorded,
            recomputed,
        })
    })
}

/// Two stored steps or a millionth, whichever is more: what another machine's rounding may do.
fn agree(recorded: i64, recomputed: i64) -> bool {
    let apart = (i128::from(recorded) - i128::from(recomputed)).abs();
    apart <= 2 || apart * 1_000_000 <= i128::from(recomputed).abs()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn two_steps_or_a_millionth_is_the_same_result() {
        assert!(agree(100, 102) && !agree(100, 103));
        assert!(agree(40_000_040, 40_000_000) && !agree(40_000_041, 40_000_000));
        assert!(!agree(3, -3));
    }
}
