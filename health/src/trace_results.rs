//! Everything that is computed from one trace: phases, the governing discharge, efficiency,
//! temperatures, charge times, cell spread, and what was refused with the reason.
//!
//! Owns the choice of what a figure stands for. Integration, phase finding and resistance have
//! modules of their own.

mod governing;
mod sensors;

pub(crate) use governing::CompleteDischarge;

use self::governing::{GAP_S, complete_discharges};
use self::sensors::{cell_spread, extremes, temperature_range};
use crate::integrate::{self, Crossing};
use crate::phases::{self, Direction, PhaseRows, PhaseRules};
use crate::quantity::{AmpHours, Amps, Celsius, Seconds, Volts, WattHours};
use crate::resistance::{self, StepReading, StepRules, TwoStepReading, TwoStepRules};
use crate::samples::Samples;

pub use crate::charging::{ChargeShare, ChargeTime};
pub use crate::efficiency::Cycle;
pub use crate::refusal::{Notice, Refusal, RefusalReason, ResultName};

/// What a trace is computed with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TraceRules {
    /// How phases are told apart.
    pub phases: PhaseRules,
    /// Voltage at which the capacity discharge ends. Without it a discharge counts with all its
    /// rows, and "complete" means that it reached the lowest voltage of the trace.
    pub end_voltage: Option<Volts>,
    /// How a current step is read as a resistance.
    pub step: StepRules,
    /// How a two-step discharge is read.
    pub two_step: TwoStepRules,
}

/// One phase and what it moved.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Phase {
    /// Its rows.
    pub rows: PhaseRows,
    /// Charge moved, without sign.
    pub charge: AmpHours,
    /// Energy moved, without sign.
    pub energy: WattHours,
    /// From the first row to the last.
    pub duration: Seconds,
    /// Voltage of the first row.
    pub start_voltage: Volts,
    /// Voltage of the last row.
    pub end_voltage: Volts,
    /// Longest interval without a row.
    pub longest_gap: Seconds,
}

/// How the governing discharge ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DischargeEnd {
    /// It crossed the end voltage; charge and energy count to the interpolated crossing.
    Crossed(Crossing),
    /// Its last row is within one sampling interval of the end voltage; all rows count.
    AtLastRow,
    /// It ended above the end voltage: the capacity is at least what was measured.
    AboveEndVoltage,
    /// No end voltage was given; all rows count.
    NoEndVoltage,
}

/// The discharge that the capacity stands for: the last complete one, else the largest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GoverningDischarge {
    /// Index in [`TraceResults::phases`].
    pub phase: usize,
    /// How it ended.
    pub end: DischargeEnd,
    /// Capacity: charge out of the unit to the end.
    pub capacity: AmpHours,
    /// Energy out of the unit to the end.
    pub energy: WattHours,
    /// Mean voltage, energy over capacity.
    pub mean_voltage: Option<Volts>,
    /// Mean current over time, positive number for a discharge.
    pub mean_current: Amps,
    /// Voltage at the end.
    pub end_voltage: Volts,
    /// Time from the first row to the end.
    pub duration: Seconds,
    /// Mean temperature over time, all sensors alike.
    pub mean_temperature: Option<Celsius>,
}

/// Lowest and highest temperature of all sensors over a trace.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TemperatureRange {
    /// Lowest.
    pub min: Celsius,
    /// Highest.
    pub max: Celsius,
}

/// Spread of the cell voltages, highest less lowest cell of one row.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellSpread {
    /// Largest spread of any row.
    pub largest: Volts,
    /// Row of the largest spread.
    pub row: usize,
    /// Spread at the last row of the governing discharge.
    pub at_discharge_end: Option<Volts>,
    /// Spread at the last row of the last charge.
    pub at_charge_end: Option<Volts>,
}

/// Everything computed from one trace.
#[derive(Debug, Clone, PartialEq)]
pub struct TraceResults {
    /// Phases in order.
    pub phases: Vec<Phase>,
    /// The discharge that the capacity stands for.
    pub governing: Option<GoverningDischarge>,
    /// Complete cycles with their efficiencies.
    pub cycles: Vec<Cycle>,
    /// Constant-current and constant-voltage share of each charge.
    pub charge_shares: Vec<ChargeShare>,
    /// Time from 20 % to 90 % state of charge of the last charge that began empty.
    pub charge_20_to_90: Option<ChargeTime>,
    /// Temperatures over the whole trace.
    pub temperature: Option<TemperatureRange>,
    /// Cell voltages.
    pub cell_spread: Option<CellSpread>,
    /// Resistance from the current step at the onset of the governing discharge.
    pub resistance: Option<StepReading>,
    /// Resistance by the two-step method, if the trace holds such a discharge.
    pub two_step: Option<TwoStepReading>,
    /// What could not be given, and why.
    pub refused: Vec<Refusal>,
    /// What a person should know about the trace.
    pub notices: Vec<Notice>,
    /// Thresholds used by the phase finder.
    pub load_threshold: Amps,
}

/// Computes everything that `samples` allow.
///
/// Nothing fails as a whole: each result that cannot be given stands in
/// [`TraceResults::refused`] with its reason.
pub fn trace_results(samples: &Samples, rules: &TraceRules) -> TraceResults {
    let found = phases::find_phases(samples, &rules.phases);
    let phases: Vec<Phase> = found
        .rows
        .iter()
        .filter_map(|rows| phase(samples, rows))
        .collect();
    let mut refused = Vec::new();
    let mut notices = notices(&phases, samples);
    if sign_looks_reversed(&phases) {
        for result in ResultName::FROM_CURRENT {
            refused.push(Refusal {
                result,
                reason: RefusalReason::SignLooksReversed,
            });
        }
        return TraceResults {
            temperature: temperature_range(samples, &mut notices),
            cell_spread: None,
            phases,
            governing: None,
            cycles: Vec::new(),
            charge_shares: Vec::new(),
            charge_20_to_90: None,
            resistance: None,
            two_step: None,
            refused,
            notices,
            load_threshold: Amps(found.load_a),
        };
    }
    let complete = complete_discharges(samples, &phases, &found, rules.end_voltage);
    let governing =
        match governing::governing(samples, &phases, &found, &complete, rules.end_voltage) {
            Ok(governing) => Some(governing),
            Err(reason) => {
                refused.push(Refusal {
                    result: ResultName::Capacity,
                    reason,
                });
                None
            }
        };
    if let (Some(g), Some(end)) = (&governing, rules.end_voltage)
        && g.end == DischargeEnd::AboveEndVoltage
    {
        refused.push(Refusal {
            result: ResultName::CapacityToEndVoltage,
            reason: RefusalReason::EndVoltageNotReached {
                reached: g.end_voltage,
                wanted: end,
            },
        });
    }
    let (cycles, half) = crate::efficiency::cycles(&phases, &complete);
    refused.extend(half);
    let charge_shares = crate::charging::shares(samples, &phases);
    let charge_20_to_90 = match crate::charging::time_20_to_90(samples, &phases, &complete) {
        Ok(time) => Some(time),
        Err(reason) => {
            refused.push(Refusal {
                result: ResultName::ChargeTime,
                reason,
            });
            None
        }
    };
    let resistance = match governing {
        Some(g) => resistance::onset(samples, &phases[g.phase].rows, &found, &rules.step),
        None => Err(RefusalReason::NoDischarge),
    };
    let resistance = resistance
        .map_err(|reason| {
            refused.push(Refusal {
                result: ResultName::Resistance,
                reason,
            })
        })
        .ok();
    TraceResults {
        temperature: temperature_range(samples, &mut notices),
        cell_spread: cell_spread(samples, &phases, governing.as_ref()),
        phases,
        governing,
        cycles,
        charge_shares,
        charge_20_to_90,
        resistance,
        two_step: resistance::two_step_from_trace(samples, &found, &rules.two_step).ok(),
        refused,
        notices,
        load_threshold: Amps(found.load_a),
    }
}

fn phase(samples: &Samples, rows: &PhaseRows) -> Option<Phase> {
    let span = samples.span(rows.first, rows.last)?;
    let (moved, longest_gap) = integrate::moved_and_gap(&span);
    // Charge and energy without sign; a rest keeps what its offset current made of it.
    let out = if rows.direction == Direction::Discharge {
        -1.0
    } else {
        1.0
    };
    Some(Phase {
        rows: *rows,
        charge: AmpHours((out * moved.charge.0).max(0.0)),
        energy: WattHours((out * moved.energy.0).max(0.0)),
        duration: span.duration(),
        start_voltage: Volts(*span.voltage_v().first()?),
        end_voltage: Volts(*span.voltage_v().last()?),
        longest_gap,
    })
}

/// Voltage rises while a unit is charged and falls while it is discharged. If, weighted by charge,
/// the opposite holds, the declared sign of the current is wrong, and nothing is computed with it.
fn sign_looks_reversed(phases: &[Phase]) -> bool {
    let (mut score, mut total) = (0.0, 0.0);
    for phase in phases {
        let rise = phase.end_voltage.0 - phase.start_voltage.0;
        let expected = match phase.rows.direction {
            Direction::Charge => rise,
            Direction::Discharge => -rise,
            Direction::Rest => continue,
        };
        score += phase.charge.0 * expected.signum();
        total += phase.charge.0;
    }
    total > 0.0 && score < -0.5 * total
}

fn notices(phases: &[Phase], samples: &Samples) -> Vec<Notice> {
    let mut notices = Vec::new();
    for phase in phases {
        let rows = phase.rows;
        if rows.direction == Direction::Rest {
            continue;
        }
        if rows.pause_rows > 0 {
            notices.push(Notice::Pauses {
                first_row: rows.first,
                rows: rows.pause_rows,
            });
        }
        if phase.longest_gap.0 > GAP_S && phase.longest_gap.0 > 0.01 * phase.duration.0 {
            notices.push(Notice::LongInterval {
                first_row: rows.first,
                length: phase.longest_gap,
            });
        }
    }
    let u = samples.voltage_v();
    let (lowest, highest) = extremes(u);
    if lowest >= 0.5 * highest {
        return notices;
    }
    for k in 1..u.len().saturating_sub(1) {
        let (a, b, c) = (u[k - 1], u[k], u[k + 1]);
        // No cell chemistry halves its voltage for one row and has it back in the next.
        if b < 0.5 * a && b < 0.5 * c {
            notices.push(Notice::VoltageDropOut { row: k });
        }
    }
    notices
}

#[cfg(test)]
mod tests;
