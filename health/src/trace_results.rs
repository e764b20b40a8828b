//! Everything that is computed from one trace: phases, the governing discharge, efficiency,
//! temperatures, charge times, cell spread, and what was refused with the reason.
//!
//! Owns the choice of what a figure stands for. Integration, phase finding and resistance have
//! modules of their own.

use crate::integrate::{self, Crossing};
use crate::phases::{self, Direction, PhaseRows, PhaseRules, Phases};
use crate::quantity::{AmpHours, Amps, Celsius, Seconds, Volts, WattHours};
use crate::resistance::{self, StepReading, StepRules};
use crate::samples::{Samples, Span};

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
            refused,
            notices,
            load_threshold: Amps(found.load_a),
        };
    }
    let complete = complete_discharges(samples, &phases, &found, rules.end_voltage);
    let governing = match governing(samples, &phases, &found, &complete, rules.end_voltage) {
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
        refused,
        notices,
        load_threshold: Amps(found.load_a),
    }
}

/// A discharge that ran to its end, with the crossing if there was one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CompleteDischarge {
    /// Index of the phase.
    pub(crate) phase: usize,
    /// Charge to its end.
    pub(crate) capacity: AmpHours,
    /// Energy to its end.
    pub(crate) energy: WattHours,
    pub(crate) end: DischargeEnd,
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

/// Part of the trace's voltage range within which a discharge counts as having reached the lowest
/// voltage. Common practice, no source.
const LOWEST_PART: f64 = 0.01;

fn complete_discharges(
    samples: &Samples,
    phases: &[Phase],
    found: &Phases,
    end_voltage: Option<Volts>,
) -> Vec<CompleteDischarge> {
    let discharges = || {
        let rows = phases.iter().enumerate();
        rows.filter(|(_, p)| p.rows.direction == Direction::Discharge)
    };
    let last_low = |p: &Phase| p.end_voltage.0;
    let lowest = discharges()
        .map(|(_, p)| last_low(p))
        .fold(f64::INFINITY, f64::min);
    let highest = phases
        .iter()
        .map(|p| p.start_voltage.0.max(p.end_voltage.0))
        .fold(lowest, f64::max);
    discharges()
        .filter_map(|(k, p)| {
            let span = samples.span(p.rows.first, p.rows.last)?;
            let whole = CompleteDischarge {
                phase: k,
                capacity: p.charge,
                energy: p.energy,
                end: DischargeEnd::NoEndVoltage,
            };
            let Some(end) = end_voltage else {
                let reached = last_low(p) <= lowest + LOWEST_PART * (highest - lowest);
                return reached.then_some(whole);
            };
            if let Some(crossing) = integrate::end_voltage_crossing(&span, end.0, found.load_a) {
                let whole = integrate::Moved {
                    charge: AmpHours(-p.charge.0),
                    energy: WattHours(-p.energy.0),
                };
                let moved = integrate::moved_to_known(&span, &crossing, whole);
                return Some(CompleteDischarge {
                    phase: k,
                    capacity: AmpHours((-moved.charge.0).max(0.0)),
                    energy: WattHours((-moved.energy.0).max(0.0)),
                    end: DischargeEnd::Crossed(crossing),
                });
            }
            reaches_within_one_interval(&span, end.0).then_some(CompleteDischarge {
                end: DischargeEnd::AtLastRow,
                ..whole
            })
        })
        .collect()
}

/// The station stops between two samples: the last row may stand a little above the end voltage.
fn reaches_within_one_interval(span: &Span<'_>, end_v: f64) -> bool {
    match span.voltage_v() {
        [.., before, last] => *last > end_v && last - (before - last).max(0.0) <= end_v,
        _ => false,
    }
}

fn governing(
    samples: &Samples,
    phases: &[Phase],
    found: &Phases,
    complete: &[CompleteDischarge],
    end_voltage: Option<Volts>,
) -> Result<GoverningDischarge, RefusalReason> {
    let largest = || {
        let discharges = phases
            .iter()
            .enumerate()
            .filter(|(_, p)| p.rows.direction == Direction::Discharge);
        discharges
            .max_by(|a, b| a.1.charge.0.total_cmp(&b.1.charge.0))
            .map(|(k, p)| {
                let end = match end_voltage {
                    Some(_) => DischargeEnd::AboveEndVoltage,
                    None => DischargeEnd::NoEndVoltage,
                };
                CompleteDischarge {
                    phase: k,
                    capacity: p.charge,
                    energy: p.energy,
                    end,
                }
            })
    };
    let chosen = complete
        .last()
        .copied()
        .or_else(largest)
        .ok_or(RefusalReason::NoDischarge)?;
    let phase = phases.get(chosen.phase).ok_or(RefusalReason::NoDischarge)?;
    let span = samples
        .span(phase.rows.first, phase.rows.last)
        .ok_or(RefusalReason::NoDischarge)?;
    if span
        .voltage_v()
        .first()
        .is_some_and(|&u| end_voltage.is_some_and(|e| u <= e.0))
    {
        return Err(RefusalReason::StartsBelowEndVoltage);
    }
    refuse_gap(&span, phase.longest_gap, found)?;
    if chosen.capacity.0 <= 0.0 {
        return Err(RefusalReason::NoCharge);
    }
    let duration = match chosen.end {
        DischargeEnd::Crossed(c) => Seconds(c.time.0 - span.time_s()[0]),
        _ => phase.duration,
    };
    Ok(GoverningDischarge {
        phase: chosen.phase,
        end: chosen.end,
        capacity: chosen.capacity,
        energy: chosen.energy,
        mean_voltage: Some(Volts(chosen.energy.0 / chosen.capacity.0)),
        mean_current: Amps(chosen.capacity.0 * crate::quantity::SECONDS_PER_HOUR / duration.0),
        end_voltage: match (chosen.end, end_voltage) {
            (DischargeEnd::Crossed(_), Some(end)) => end,
            _ => phase.end_voltage,
        },
        duration,
        mean_temperature: mean_temperature(samples, &phase.rows),
    })
}

/// Longest interval in seconds that is bridged without question.
const GAP_S: f64 = 120.0;

/// A gap is an interval longer than 120 s and than ten typical ones. With the same current (1 %) on
/// both sides and at most a twentieth of the discharge, the straight line across it counts; else
/// the capacity is refused. Common practice, no source.
fn refuse_gap(span: &Span<'_>, longest: Seconds, found: &Phases) -> Result<(), RefusalReason> {
    let limit = GAP_S.max(10.0 * found.interval_s);
    if longest.0 <= limit {
        return Ok(());
    }
    let (t, i) = (span.time_s(), span.current_a());
    let whole = span.duration().0;
    for k in 1..t.len() {
        let dt = t[k] - t[k - 1];
        if dt > limit {
            let same_current = (i[k] - i[k - 1]).abs() <= 0.01 * i[k].abs().max(i[k - 1].abs());
            if !same_current || dt > 0.05 * whole {
                let row = span.first_row() + k - 1;
                return Err(RefusalReason::Gap {
                    row,
                    length: Seconds(dt),
                });
            }
        }
    }
    Ok(())
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

/// Temperatures outside this range are a broken sensor wire, not a battery.
const SENSOR_RANGE_C: std::ops::RangeInclusive<f64> = -80.0..=400.0;

fn temperature_range(samples: &Samples, notices: &mut Vec<Notice>) -> Option<TemperatureRange> {
    let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
    for (sensor, column) in samples.temperature_c().iter().enumerate() {
        let (low, high) = extremes(column);
        if SENSOR_RANGE_C.contains(&low) && SENSOR_RANGE_C.contains(&high) {
            (min, max) = (min.min(low), max.max(high));
            continue;
        }
        let good = || {
            column
                .iter()
                .copied()
                .filter(|v| SENSOR_RANGE_C.contains(v))
        };
        min = good().fold(min, f64::min);
        max = good().fold(max, f64::max);
        let rows = column.len() - good().count();
        notices.push(Notice::TemperatureDropOut { sensor, rows });
    }
    (min <= max).then_some(TemperatureRange {
        min: Celsius(min),
        max: Celsius(max),
    })
}

/// Lowest and highest value; lanes of eight keep the comparison off the critical path.
fn extremes(values: &[f64]) -> (f64, f64) {
    let mut low = [f64::INFINITY; 8];
    let mut high = [f64::NEG_INFINITY; 8];
    let (chunks, rest) = values.as_chunks::<8>();
    for chunk in chunks {
        for (lane, &v) in chunk.iter().enumerate() {
            low[lane] = if v < low[lane] { v } else { low[lane] };
            high[lane] = if v > high[lane] { v } else { high[lane] };
        }
    }
    let low = low
        .iter()
        .chain(rest)
        .copied()
        .fold(f64::INFINITY, f64::min);
    let high = high
        .iter()
        .chain(rest)
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    (low, high)
}

/// `1/T · ∫ ϑ dt` over the rows of a phase by the trapezoid rule, mean of all sensors; intervals
/// next to a drop-out are left out.
fn mean_temperature(samples: &Samples, rows: &PhaseRows) -> Option<Celsius> {
    let time = samples.time_s().get(rows.first..=rows.last)?;
    let (mut sum, mut length) = (0.0, 0.0);
    for column in samples.temperature_c() {
        let values = column.get(rows.first..=rows.last)?;
        for k in 1..values.len() {
            if SENSOR_RANGE_C.contains(&values[k]) && SENSOR_RANGE_C.contains(&values[k - 1]) {
                let dt = time[k] - time[k - 1];
                sum += 0.5 * dt * (values[k] + values[k - 1]);
                length += dt;
            }
        }
    }
    (length > 0.0).then(|| Celsius(sum / length))
}

fn cell_spread(
    samples: &Samples,
    phases: &[Phase],
    governing: Option<&GoverningDischarge>,
) -> Option<CellSpread> {
    let cells = samples.cell_voltage_v();
    if cells.len() < 2 {
        return None;
    }
    let spread = |row: usize| {
        let values = cells.iter().filter_map(|c| c.get(row));
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &v| {
            (low.min(v), high.max(v))
        });
        high - low
    };
    let mut widest = (0, spread(0));
    for row in 1..samples.rows() {
        let here = spread(row);
        if here > widest.1 {
            widest = (row, here);
        }
    }
    let last_charge = phases
        .iter()
        .rfind(|p| p.rows.direction == Direction::Charge);
    Some(CellSpread {
        largest: Volts(widest.1),
        row: widest.0,
        at_discharge_end: governing
            .and_then(|g| phases.get(g.phase))
            .map(|p| Volts(spread(p.rows.last))),
        at_charge_end: last_charge.map(|p| Volts(spread(p.rows.last))),
    })
}
