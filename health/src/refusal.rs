//! Results that were not given, with the reason; and notices about a trace that was used.

use crate::quantity::{AmpHours, Amps, Seconds, Volts};
use std::fmt;

/// A result that is not given.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Refusal {
    /// The result.
    pub result: ResultName,
    /// Why.
    pub reason: RefusalReason,
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} not given: {}", self.result, self.reason)
    }
}

/// A result by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ResultName {
    /// Capacity and energy of the governing discharge.
    Capacity,
    /// Capacity counted to the end voltage.
    CapacityToEndVoltage,
    /// Efficiency of the cycle that ends with the discharge in this phase.
    Efficiency {
        /// Index of the phase.
        phase: usize,
    },
    /// Time from 20 % to 90 % state of charge.
    ChargeTime,
    /// Resistance by a current step.
    Resistance,
    /// Resistance by the two-step method.
    TwoStepResistance,
}

impl ResultName {
    /// The results that need the sign of the current.
    pub(crate) const FROM_CURRENT: [Self; 3] = [Self::Capacity, Self::ChargeTime, Self::Resistance];
}

impl fmt::Display for ResultName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Capacity => f.write_str("capacity"),
            Self::CapacityToEndVoltage => f.write_str("capacity to the end voltage"),
            Self::Efficiency { phase } => write!(f, "efficiency of the cycle to phase {phase}"),
            Self::ChargeTime => f.write_str("charge time from 20 % to 90 %"),
            Self::Resistance => f.write_str("resistance by current step"),
            Self::TwoStepResistance => f.write_str("two-step resistance"),
        }
    }
}

/// Why a result is not given.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum RefusalReason {
    /// The voltage moves against the declared direction of the current.
    #[error("the voltage falls while the declared current charges; check the sign of the current")]
    SignLooksReversed,
    /// The trace holds no discharge.
    #[error("the trace holds no discharge")]
    NoDischarge,
    /// The discharge moved no charge.
    #[error("the discharge moved no charge; a capacity of zero is a fault of the record")]
    NoCharge,
    /// The first row under load already lies at or below the end voltage.
    #[error("the discharge begins at or below the end voltage")]
    StartsBelowEndVoltage,
    /// The discharge ended early.
    #[error(
        "the discharge ended at {reached:.3}, above the end voltage of {wanted:.3}; the capacity is a lower bound"
    )]
    EndVoltageNotReached {
        /// Voltage of the last row.
        reached: Volts,
        /// End voltage.
        wanted: Volts,
    },
    /// Rows are missing where they matter.
    #[error("no row for {length:.0} after row {row} of the discharge")]
    Gap {
        /// Last row before the gap.
        row: usize,
        /// Its length.
        length: Seconds,
    },
    /// The voltage was away for longer than a drop-out may last.
    #[error("the voltage drops out at row {row} for {length:.0}; longer than is bridged")]
    DropOutTooLong {
        /// First row without a believable voltage.
        row: usize,
        /// How long.
        length: Seconds,
    },
    /// The cycle has no known starting point.
    #[error("half cycle: no complete discharge precedes it, so the charge put in is not all known")]
    HalfCycle,
    /// No charge lies between two discharges.
    #[error("no charge lies between the two discharges")]
    NoChargeInCycle,
    /// More came out than can have been put in.
    #[error("more than 1.1 times the charge put in came out; the trace misses part of the charge")]
    MoreOutThanIn,
    /// No charge follows a complete discharge.
    #[error("no charge follows a complete discharge, so the state of charge is not known")]
    NoChargeFromEmpty,
    /// The charge stopped before 90 %.
    #[error("the charge ended before 90 % of the capacity of the discharge before it")]
    ChargeStopsEarly,
    /// The current before the step was not steady.
    #[error("no steady current lies before the step at row {row}")]
    NotSteadyBefore {
        /// First row after the step.
        row: usize,
    },
    /// The current never settled after the step.
    #[error("the current does not settle after the step at row {row}")]
    NotSteadyAfter {
        /// First row after the step.
        row: usize,
    },
    /// The step is too small to read a resistance from.
    #[error(
        "the current changes by only {change:.3}, less than {needed:.3}; too little for a resistance"
    )]
    StepTooSmall {
        /// Change of current.
        change: Amps,
        /// Change needed.
        needed: Amps,
    },
    /// The stated delay cannot be read from the rows.
    #[error(
        "no row lies within {wanted:.3} after the step; the first steady one comes after {first:.3}"
    )]
    DelayNotResolved {
        /// Delay asked for.
        wanted: Seconds,
        /// Time to the first usable row.
        first: Seconds,
    },
    /// The current did not hold until the reading.
    #[error("the current does not hold for {wanted:.3} after the step")]
    CurrentDoesNotHold {
        /// Delay asked for.
        wanted: Seconds,
    },
    /// The voltage moved against the current.
    #[error("the voltage does not follow the current; the step gives no positive resistance")]
    NotPositive,
    /// No two-step discharge was found.
    #[error("the trace holds no discharge at a lower and then, without pause, at a higher current")]
    NoTwoSteps,
}

/// Something a person should know about a trace that was used, with its place.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Notice {
    /// What it is.
    pub kind: NoticeKind,
    /// First row, counted from 0.
    pub row: usize,
    /// How many rows.
    pub rows: usize,
    /// Time of the first row.
    pub at: Seconds,
}

/// What a [`Notice`] tells.
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub enum NoticeKind {
    /// A pause within a discharge.
    Pause {
        /// From the last row under load to the next.
        length: Seconds,
    },
    /// Charge put back within a discharge and subtracted.
    PutBack {
        /// How much.
        charge: AmpHours,
    },
    /// A long interval under load was bridged by a straight line.
    LongInterval {
        /// Its length.
        length: Seconds,
    },
    /// The voltage dropped out and came back; bridged by a straight line.
    VoltageDropOut,
    /// The voltage dipped below the end voltage and came back at the same current.
    VoltageDip,
    /// The current read far more than the test used; bridged by a straight line.
    WildCurrent,
    /// Readings of a temperature sensor were left out as implausible.
    TemperatureDropOut {
        /// The sensor, from 0.
        sensor: usize,
    },
    /// A discharge after the end voltage was reached; it does not count.
    AfterTheEnd {
        /// How much came out.
        charge: AmpHours,
    },
    /// Rows are so far apart that the uncertainty is large: record more often.
    SampledTooSlowly,
}

impl NoticeKind {
    /// The notice as records name it.
    pub fn code(self) -> &'static str {
        match self {
            Self::Pause { .. } => "pause",
            Self::PutBack { .. } => "put_back",
            Self::LongInterval { .. } => "long_interval",
            Self::VoltageDropOut => "voltage_drop_out",
            Self::VoltageDip => "voltage_dip",
            Self::WildCurrent => "wild_current",
            Self::TemperatureDropOut { .. } => "temperature_drop_out",
            Self::AfterTheEnd { .. } => "after_the_end",
            Self::SampledTooSlowly => "sampled_too_slowly",
        }
    }
}

impl fmt::Display for Notice {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (row, rows, at) = (self.row, self.rows, self.at);
        match self.kind {
            NoticeKind::Pause { length } => {
                write!(
                    f,
                    "pause of {length:.0} in the discharge after row {row} ({at:.0})"
                )
            }
            NoticeKind::PutBack { charge } => {
                write!(
                    f,
                    "{charge:.3} were put back from row {row} ({at:.0}) and are subtracted"
                )
            }
            NoticeKind::LongInterval { length } => write!(
                f,
                "no row for {length:.0} after row {row} ({at:.0}); bridged by a straight line"
            ),
            NoticeKind::VoltageDropOut => write!(
                f,
                "the voltage dropped out for {rows} rows from row {row} ({at:.0}); bridged by a straight line"
            ),
            NoticeKind::VoltageDip => write!(
                f,
                "the voltage dipped below the end voltage for {rows} rows from row {row} ({at:.0}) and came back"
            ),
            NoticeKind::WildCurrent => write!(
                f,
                "a wild current for {rows} rows from row {row} ({at:.0}); bridged by a straight line"
            ),
            NoticeKind::TemperatureDropOut { sensor } => write!(
                f,
                "{rows} rows of temperature sensor {sensor} from row {row} ({at:.0}) are implausible and left out"
            ),
            NoticeKind::AfterTheEnd { charge } => write!(
                f,
                "{charge:.3} came out after the end voltage was reached, from row {row} ({at:.0}); not counted"
            ),
            NoticeKind::SampledTooSlowly => write!(
                f,
                "rows are too far apart for this current: record more often"
            ),
        }
    }
}
