//! What a judgement looks at, in plain values: the test, the sheet, and what was measured.
//!
//! [`crate::from_records`] is the one place where records become these; nothing here reads a record.

use crate::cells::CellEvidence;
use crate::discharge::Began;
use crate::quantity::{AmpHours, Amps, Celsius, Hertz, Ohms, Seconds, Volts, WattHours};
use crate::refusal::{Notice, RefusalReason};
use crate::uncertainty::StationAccuracy;
use carrylog_format::instant::{Date, Instant};
use carrylog_format::record::{Purpose, ResistanceMethod};

/// State of the unit when the test began, as the form states it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum InitialState {
    /// Fully charged and rested.
    FullRested,
    /// Fully charged.
    Full,
    /// Partly charged.
    Partly,
    /// The record has no place for it; taken as full.
    NotAsked,
}

/// The station's calibration on the day of the test.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Calibration {
    /// The log holds none.
    #[default]
    None,
    /// It ended before the test.
    Ended(Date),
    /// In force, with what the station states of its accuracy.
    InForce(Option<StationAccuracy>),
}

impl Calibration {
    /// The accuracies, whether or not the calibration is still in force.
    pub fn accuracy(&self) -> Option<&StationAccuracy> {
        match self {
            Self::InForce(accuracy) => accuracy.as_ref(),
            Self::None | Self::Ended(_) => None,
        }
    }
}

/// What a person saw on the unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// It in words.
    pub words: String,
    /// Heat without load, smoke or hissing: nobody goes near.
    pub heat_without_load: bool,
}

/// A fault code of the station or unit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Fault {
    /// The code as printed.
    pub code: String,
    /// It stays until somebody resets it.
    pub latched: bool,
    /// It speaks of too high a temperature.
    pub hot: bool,
}

/// A resistance with everything that makes it comparable.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MeasuredResistance {
    /// The value.
    pub value: Ohms,
    /// Standard uncertainty, if known.
    pub standard: Option<Ohms>,
    /// How it was measured.
    pub method: ResistanceMethod,
    /// Frequency of an alternating-current method.
    pub frequency: Option<Hertz>,
    /// Time from the step to the reading.
    pub delay: Option<Seconds>,
    /// Current of the step.
    pub current: Option<Amps>,
    /// State of charge in percent.
    pub charge_percent: Option<f64>,
    /// Temperature of the unit.
    pub temperature: Option<Celsius>,
}

/// What the station itself stated.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Stated {
    /// Discharged capacity.
    pub capacity: Option<AmpHours>,
    /// Discharged energy.
    pub energy: Option<WattHours>,
    /// Voltage at the end of the test.
    pub end_voltage: Option<Volts>,
    /// State of charge reached, percent.
    pub charge_percent: Option<f64>,
    /// Resistances.
    pub resistances: Vec<MeasuredResistance>,
    /// Charge that the unit accepted.
    pub charge_accepted: Option<AmpHours>,
}

/// One test as its form states it.
#[derive(Debug, Clone, PartialEq)]
pub struct TestFacts {
    /// Why it was done.
    pub purpose: Purpose,
    /// Start by the station's clock.
    pub started: Instant,
    /// End by the station's clock.
    pub ended: Instant,
    /// When it was recorded, if that is known.
    pub recorded: Option<Instant>,
    /// State of the unit when it began.
    pub initial_state: Option<InitialState>,
    /// What the station stated.
    pub stated: Stated,
    /// Temperature of the unit at the start.
    pub unit_temperature: Option<Celsius>,
    /// Temperature of the room.
    pub ambient: Option<Celsius>,
    /// Fault codes.
    pub faults: Vec<Fault>,
    /// What a person saw.
    pub findings: Vec<Finding>,
    /// The station's calibration.
    pub calibration: Calibration,
    /// State words that the unit itself reported.
    pub status: Option<String>,
    /// Insulation: lowest resistance found in kilohms and the voltage it was taken at.
    pub insulation: Option<(f64, Volts)>,
    /// Functions that were tested, and whether they passed.
    pub functions: Vec<(String, bool)>,
}

/// Where a capacity comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Source {
    /// Computed from the trace.
    Trace,
    /// As the station stated it.
    Stated,
}

/// A discharge to judge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Discharged {
    /// Where it comes from.
    pub source: Source,
    /// Capacity.
    pub capacity: AmpHours,
    /// Its standard uncertainty.
    pub standard: Option<AmpHours>,
    /// Energy.
    pub energy: Option<WattHours>,
    /// Voltage at its end.
    pub end_voltage: Option<Volts>,
    /// Lowest voltage under load, the crossing's row included.
    pub lowest_voltage: Option<Volts>,
    /// Whether it ran to the end voltage; none if only stated.
    pub reached_the_end: Option<bool>,
    /// What surely came out, for a discharge that stopped early.
    pub at_least: AmpHours,
    /// Its current, without sign.
    pub current: Option<Amps>,
    /// How it began.
    pub began: Began,
    /// Pieces it was put together from.
    pub pieces: usize,
    /// Length of the interruptions.
    pub paused: Seconds,
    /// Mean temperature to the end.
    pub mean_temperature: Option<Celsius>,
}

/// What was measured, from the trace or as recorded.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Evidence {
    /// The discharge.
    pub discharged: Option<Discharged>,
    /// Why the trace gives no discharge.
    pub refused: Option<RefusalReason>,
    /// Lowest and highest temperature.
    pub temperature: Option<(Celsius, Celsius)>,
    /// A reading that no sensor gives, as the trace holds it.
    pub odd_temperature: Option<Celsius>,
    /// Rise without load, kelvins a minute, if one was seen.
    pub heating: Option<f64>,
    /// Highest and lowest voltage of the trace.
    pub voltage: Option<(Volts, Volts)>,
    /// Lowest voltage at the end of any phase.
    pub lowest_end: Option<Volts>,
    /// Length of the trace.
    pub length: Option<Seconds>,
    /// Temperature of the unit while it was charged, lowest.
    pub charge_temperature: Option<Celsius>,
    /// Charge that went in.
    pub charged: Option<AmpHours>,
    /// Coulombic efficiency over one, and its expanded uncertainty.
    pub efficiency: Option<(f64, f64)>,
    /// Cells.
    pub cells: CellEvidence,
    /// Resistances from the trace.
    pub resistances: Vec<MeasuredResistance>,
    /// What was mended or is to be told.
    pub notices: Vec<Notice>,
}

/// A limit of a resistance and where it applies.
#[derive(Debug, Clone, PartialEq)]
pub struct ResistanceLimitBand {
    /// How it is measured.
    pub method: ResistanceMethod,
    /// The most that passes.
    pub most: Ohms,
    /// The least that passes.
    pub least: Option<Ohms>,
    /// Resistance of a new unit.
    pub new: Option<Ohms>,
    /// Temperatures at which it applies, lowest and highest.
    pub temperature: (Celsius, Celsius),
    /// Frequency it is measured at.
    pub frequency: Option<Hertz>,
    /// Delay it is read after.
    pub delay: Option<Seconds>,
    /// Current of the step.
    pub current: Option<Amps>,
    /// State of charge at which it applies, percent.
    pub charge_percent: Option<(f64, f64)>,
}

/// The level of a storage charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StorageLevel {
    /// State of charge in percent.
    pub percent: f64,
    /// Permitted difference.
    pub tolerance: f64,
}

/// Limits of single cells.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct CellLimits {
    /// Lowest voltage of a cell under load.
    pub minimum: Option<Volts>,
    /// Largest spread at rest.
    pub spread_rest: Option<Volts>,
    /// Largest spread at the end of a discharge.
    pub spread_end: Option<Volts>,
}

/// Why a sheet does not apply to a test.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SheetProblem {
    /// It is for another part number.
    OtherPart,
    /// The test lies outside its validity.
    NotInForce,
}

/// A limits sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetLimits {
    /// Revision of the manual.
    pub revision: String,
    /// Why it does not apply, if it does not.
    pub problem: Option<SheetProblem>,
    /// Rated capacity.
    pub rated: AmpHours,
    /// Smallest capacity that passes.
    pub minimum: AmpHours,
    /// Smallest capacity of a new unit.
    pub first: Option<AmpHours>,
    /// Voltage at which a discharge ends.
    pub end_voltage: Volts,
    /// Temperatures at which a test counts.
    pub temperature: (Celsius, Celsius),
    /// Change of capacity a kelvin, and the temperature it is referred to.
    pub coefficient: Option<(f64, Celsius)>,
    /// Relative difference of stated and computed values that is accepted.
    pub agreement: Option<f64>,
    /// Current of the discharge and its tolerance, relative.
    pub test_current: Option<(Amps, f64)>,
    /// A check counts though nobody stated how it began.
    pub start_state_waived: bool,
    /// Longest rest within one discharge.
    pub longest_pause: Option<Seconds>,
    /// Resistance limits.
    pub resistance: Vec<ResistanceLimitBand>,
    /// The storage charge.
    pub storage: Option<StorageLevel>,
    /// Limits of cells.
    pub cell: CellLimits,
    /// Highest temperature of the unit.
    pub unit_max_temperature: Option<Celsius>,
    /// Lowest temperature at which it is charged.
    pub charge_min_temperature: Option<Celsius>,
    /// Highest state of charge for shipping by air, percent.
    pub air_percent: Option<f64>,
    /// States that the unit may report.
    pub status_must_be: Vec<String>,
    /// Least insulation in kilohms.
    pub insulation: Option<f64>,
    /// Functions that must pass.
    pub functions: Vec<String>,
    /// Least charge that the unit must accept.
    pub charge_accepted: Option<AmpHours>,
    /// The sheet's cautions, word for word.
    pub cautions: Vec<String>,
    /// Tests that the sheet asks for when a limit is not met.
    pub further_tests: Vec<String>,
}

impl SheetLimits {
    /// The capacity that a test of this purpose is held to.
    pub fn capacity_limit(&self, purpose: Purpose) -> AmpHours {
        match (purpose, self.first) {
            (Purpose::Commissioning, Some(first)) => first,
            _ => self.minimum,
        }
    }
}

/// Purposes that stand or fall with a capacity.
pub fn needs_capacity(purpose: Purpose) -> bool {
    match purpose {
        Purpose::Commissioning | Purpose::PeriodicCheck => true,
        Purpose::StorageCharge
        | Purpose::Charge
        | Purpose::Discharge
        | Purpose::StatusCheck
        | Purpose::ComplementaryTest => false,
    }
}
