//! Computed results and the assessment as an entry holds them: numbers of a fixed scale, no floats.

use crate::cbor;
use crate::ids::StatementDigest;
use crate::quantity::{
    DurationMs, MicroAmpHours, MicroOhms, MicroVolts, MicroWattHours, MilliKelvin, Ppm,
};
use crate::text::{Remark, Text};
use serde::{Deserialize, Serialize};

/// What was computed from a trace. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Computed {
    /// The program and version that computed.
    pub by: Text<64>,
    /// Phases found in the trace, in order; the first 64.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "at_most_64_phases"
    )]
    pub phases: Vec<Phase>,
    /// What could not be computed, with the reason.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub refused: Vec<Refused>,
    /// Efficiency of each complete charge and discharge.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub efficiency: Vec<Efficiency>,
    /// Discharged energy of the governing discharge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub energy_uwh: Option<MicroWattHours>,
    /// Resistance by a current step in the trace.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub resistance: Option<StepResistance>,
    /// Discharged capacity of the governing discharge, to the end voltage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_uah: Option<MicroAmpHours>,
    /// Voltage at which the governing discharge ended.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end_voltage_uv: Option<MicroVolts>,
    /// Standard uncertainty of the energy (JCGM 100), coverage factor 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub energy_std_uwh: Option<MicroWattHours>,
    /// Index in `phases` of the discharge that the capacity stands for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub governing_phase: Option<u16>,
    /// Standard uncertainty of the capacity (JCGM 100), coverage factor 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_std_uah: Option<MicroAmpHours>,
    /// Time from 20 % to 90 % state of charge while charging.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub charge_20_to_90_ms: Option<DurationMs>,
    /// Highest temperature of the unit in the trace.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_max_mk: Option<MilliKelvin>,
    /// Lowest temperature of the unit in the trace.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_min_mk: Option<MilliKelvin>,
    /// Mean temperature over time of the governing discharge.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub temperature_mean_mk: Option<MilliKelvin>,
}

/// Largest number of phases that a record holds.
pub const MAX_PHASES: usize = 64;

fn at_most_64_phases<'de, D: serde::Deserializer<'de>>(from: D) -> Result<Vec<Phase>, D::Error> {
    let phases: Vec<Phase> = cbor::filled(from)?;
    if phases.len() > MAX_PHASES {
        return Err(serde::de::Error::invalid_length(
            phases.len(),
            &"at most 64 phases",
        ));
    }
    Ok(phases)
}

/// One phase of a trace: a run of rows with one direction of current.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Phase {
    /// Direction of the current.
    pub kind: PhaseKind,
    /// Last row, counted from 0, included.
    pub row_last: u64,
    /// First row, counted from 0.
    pub row_first: u64,
    /// Charge moved, without sign.
    pub charge_uah: MicroAmpHours,
    /// Energy moved, without sign.
    pub energy_uwh: MicroWattHours,
    /// Length of the phase.
    pub duration_ms: DurationMs,
    /// Voltage at the end.
    pub end_voltage_uv: MicroVolts,
    /// Voltage at the start.
    pub start_voltage_uv: MicroVolts,
}

/// Direction of the current in a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PhaseKind {
    /// Current into the unit.
    Charge,
    /// Current out of the unit.
    Discharge,
    /// No current.
    Rest,
}

/// Efficiency of one charge and the discharge that followed it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Efficiency {
    /// Discharged energy over charged energy.
    pub energy_ppm: Ppm,
    /// Last phase of the cycle, index in `phases`.
    pub phase_last: u16,
    /// First phase of the cycle, index in `phases`.
    pub phase_first: u16,
    /// Discharged charge over charged charge.
    pub coulombic_ppm: Ppm,
}

/// A resistance read from a current step.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StepResistance {
    /// Row before the step.
    pub row: u64,
    /// The value.
    pub uohm: MicroOhms,
    /// Time from the step to the reading.
    pub delay_ms: DurationMs,
    /// Standard uncertainty (JCGM 100), coverage factor 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub std_uohm: Option<MicroOhms>,
}

/// A result that was not given, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Refused {
    /// Why it was not given.
    pub why: Text<400>,
    /// The result's name.
    pub result: Text<64>,
}

/// The comparison of a result with a limits sheet. Advisory: certifying staff decide.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Assessment {
    /// What the sheet says comes next.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "cbor::filled"
    )]
    pub next: Vec<NextStep>,
    /// The limits sheet's statement.
    pub sheet: StatementDigest,
    /// Reasons in words, each a sentence.
    pub reasons: Vec<Remark>,
    /// The verdict.
    pub verdict: Verdict,
}

/// Verdict of an assessment, with the measurement uncertainty as guard band (JCGM 106, ILAC-G8).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Every limit is met with the guard band to spare.
    WithinLimits,
    /// Every limit is met, one of them by less than its guard band.
    InsideGuardBand,
    /// A limit is not met.
    OutsideLimits,
    /// The record does not allow a comparison; the reasons say why.
    NotAssessable,
}

impl Verdict {
    /// The verdict in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::WithinLimits => "within limits",
            Self::InsideGuardBand => "within limits, inside guard band",
            Self::OutsideLimits => "outside limits",
            Self::NotAssessable => "not assessable",
        }
    }
}

/// What the limits sheet says comes next. Advisory.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum NextStep {
    /// Charge for installation.
    ChargeForInstallation,
    /// Storage charge to the sheet's level.
    StorageCharge,
    /// The complementary tests that the sheet names.
    ComplementaryTests,
    /// Repeat the test under the sheet's conditions.
    RepeatTest,
    /// Set aside; do not charge; certifying staff decide.
    Quarantine,
}

impl NextStep {
    /// The step in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::ChargeForInstallation => "charge for installation",
            Self::StorageCharge => "storage charge",
            Self::ComplementaryTests => "complementary tests named by the sheet",
            Self::RepeatTest => "repeat the test under the sheet's conditions",
            Self::Quarantine => "set the unit aside; certifying staff decide",
        }
    }
}
