//! Everything that is computed from one trace: phases, the governing discharge, efficiency,
//! temperatures, charge times, cell spread, and what was refused with the reason.
//!
//! Owns the choice of what a figure stands for. Integration, phase finding and resistance have
//! modules of their own.

mod sensors;

pub(crate) use sensors::{extremes, mean_temperature};

use self::sensors::{cell_spread, temperature_range};
use crate::clean::clean;
use crate::discharge::{self, DischargeRules};
use crate::integrate;
use crate::phases::{self, Direction, PhaseRows, PhaseRules};
use crate::quantity::{AmpHours, Amps, Celsius, Seconds, Volts, WattHours};
use crate::resistance::{self, StepReading, StepRules, TwoStepReading, TwoStepRules};
use crate::samples::Samples;

pub use crate::charging::{ChargeShare, ChargeTime};
pub use crate::discharge::{Began, DischargeEnd, GoverningDischarge};
pub use crate::efficiency::Cycle;
pub use crate::refusal::{Notice, NoticeKind, Refusal, RefusalReason, ResultName};

/// What a trace is computed with.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct TraceRules {
    /// How phases are told apart.
    pub phases: PhaseRules,
    /// Voltage at which the capacity discharge ends. Without it a discharge counts with all its
    /// rows, and "complete" means that it reached the lowest voltage of the trace.
    pub end_voltage: Option<Volts>,
    /// What joins pieces into one discharge.
    pub discharge: DischargeRules,
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
/// Readings that cannot be are replaced first ([`TraceResults::notices`] names them). Nothing fails
/// as a whole: each result that cannot be given stands in [`TraceResults::refused`] with its reason.
pub fn trace_results(samples: &Samples, rules: &TraceRules) -> TraceResults {
    let cleaned = clean(samples, rules.end_voltage.map(|v| v.0));
    let samples = cleaned.samples.as_ref();
    let found = phases::find_phases(samples, &rules.phases);
    let phases: Vec<Phase> = found
        .rows
        .iter()
        .filter_map(|rows| phase(samples, rows))
        .collect();
    let mut results = TraceResults {
        phases,
        governing: None,
        cycles: Vec::new(),
        charge_shares: Vec::new(),
        charge_20_to_90: None,
        temperature: temperature_range(samples),
        cell_spread: None,
        resistance: None,
        two_step: None,
        refused: Vec::new(),
        notices: cleaned.notices,
        load_threshold: Amps(found.load_a),
    };
    if sign_looks_reversed(&results.phases) {
        for result in ResultName::FROM_CURRENT {
            results.refuse(result, RefusalReason::SignLooksReversed);
        }
        return results;
    }
    let discharges = discharge::find(
        samples,
        &results.phases,
        &found,
        rules.end_voltage,
        &rules.discharge,
    );
    results.notices.extend(discharges.notices);
    results.notices.sort_by_key(|n| n.row);
    let governing = match cleaned.fault {
        Some(fault) => Err(fault),
        None => discharges.governing,
    };
    results.governing = results.given(ResultName::Capacity, governing);
    if let (Some(g), Some(end)) = (results.governing, rules.end_voltage)
        && !g.reached_the_end()
    {
        results.refuse(
            ResultName::CapacityToEndVoltage,
            RefusalReason::EndVoltageNotReached {
                reached: g.end_voltage,
                wanted: end,
            },
        );
    }
    let (cycles, half) = crate::efficiency::cycles(&results.phases, &discharges.complete);
    results.cycles = cycles;
    results.refused.extend(half);
    results.charge_shares = crate::charging::shares(samples, &results.phases);
    let time = crate::charging::time_20_to_90(samples, &results.phases, &discharges.complete);
    results.charge_20_to_90 = results.given(ResultName::ChargeTime, time);
    let resistance = match results.governing {
        Some(g) => resistance::onset(
            samples,
            &results.phases[g.first_phase].rows,
            &found,
            &rules.step,
        ),
        None => Err(RefusalReason::NoDischarge),
    };
    results.resistance = results.given(ResultName::Resistance, resistance);
    results.two_step = resistance::two_step_from_trace(samples, &found, &rules.two_step).ok();
    results.cell_spread = cell_spread(samples, &results.phases, results.governing.as_ref());
    results
}

impl TraceResults {
    fn refuse(&mut self, result: ResultName, reason: RefusalReason) {
        self.refused.push(Refusal { result, reason });
    }

    /// The value, or none and its reason among the refused.
    fn given<T>(&mut self, result: ResultName, value: Result<T, RefusalReason>) -> Option<T> {
        value.map_err(|reason| self.refuse(result, reason)).ok()
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

#[cfg(test)]
mod tests;
