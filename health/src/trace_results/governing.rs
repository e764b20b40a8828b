//! Which discharges are complete, and which one the capacity stands for.

use super::sensors::mean_temperature;
use super::{DischargeEnd, GoverningDischarge, Phase};
use crate::integrate;
use crate::phases::{Direction, Phases};
use crate::quantity::{AmpHours, Amps, SECONDS_PER_HOUR, Seconds, Volts, WattHours};
use crate::refusal::RefusalReason;
use crate::samples::{Samples, Span};

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

/// Part of the trace's voltage range within which a discharge counts as having reached the lowest
/// voltage. Common practice, no source.
const LOWEST_PART: f64 = 0.01;

pub(super) fn complete_discharges(
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

pub(super) fn governing(
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
        mean_current: Amps(chosen.capacity.0 * SECONDS_PER_HOUR / duration.0),
        end_voltage: match (chosen.end, end_voltage) {
            (DischargeEnd::Crossed(_), Some(end)) => end,
            _ => phase.end_voltage,
        },
        duration,
        mean_temperature: mean_temperature(samples, &phase.rows),
    })
}

/// Longest interval in seconds that is bridged without question.
pub(super) const GAP_S: f64 = 120.0;

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
