//! Coulombic and energy efficiency over complete cycles; a half cycle is refused.
//!
//! A cycle runs from the end of one complete discharge to the end of the next, so it begins and
//! ends in the same state. Without a complete discharge before it, nobody knows what was put in.

use crate::discharge::CompleteDischarge;
use crate::phases::Direction;
use crate::quantity::{AmpHours, WattHours};
use crate::refusal::{Refusal, RefusalReason, ResultName};
use crate::trace_results::Phase;

/// One complete cycle: everything after one complete discharge up to the end of the next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cycle {
    /// First phase, index in [`crate::trace_results::TraceResults::phases`].
    pub first_phase: usize,
    /// Last phase: the discharge that ends the cycle.
    pub last_phase: usize,
    /// Charge put in, all charge phases.
    pub charge_in: AmpHours,
    /// Charge taken out, all discharge phases.
    pub charge_out: AmpHours,
    /// Energy put in.
    pub energy_in: WattHours,
    /// Energy taken out.
    pub energy_out: WattHours,
    /// Coulombic efficiency `Q_out / Q_in`, a ratio.
    pub coulombic: f64,
    /// Energy efficiency `E_out / E_in`, a ratio.
    pub energy: f64,
}

/// A coulombic efficiency above this misses part of the charge. Common practice, no source.
const IMPOSSIBLE: f64 = 1.1;

pub(crate) fn cycles(
    phases: &[Phase],
    complete: &[CompleteDischarge],
) -> (Vec<Cycle>, Vec<Refusal>) {
    let mut cycles = Vec::new();
    let mut refused = Vec::new();
    let mut begin: Option<usize> = None;
    for discharge in complete {
        let last = discharge.phase;
        let outcome = match begin {
            Some(first) => cycle(phases, first, last),
            None => {
                let mut before = phases.iter().take(last);
                // A trace that holds nothing but a discharge asks for no efficiency.
                if before.any(|p| p.rows.direction == Direction::Charge) {
                    Err(RefusalReason::HalfCycle)
                } else {
                    Ok(None)
                }
            }
        };
        match outcome {
            Ok(found) => cycles.extend(found),
            Err(reason) => {
                refused.push(Refusal {
                    result: ResultName::Efficiency { phase: last },
                    reason,
                });
            }
        }
        begin = Some(last + 1);
    }
    (cycles, refused)
}

fn cycle(phases: &[Phase], first: usize, last: usize) -> Result<Option<Cycle>, RefusalReason> {
    let inside = phases.get(first..=last).unwrap_or_default();
    let sum = |direction, value: fn(&Phase) -> f64| -> f64 {
        inside
            .iter()
            .filter(|p| p.rows.direction == direction)
            .map(value)
            .sum()
    };
    let charge_in = sum(Direction::Charge, |p| p.charge.0);
    let charge_out = sum(Direction::Discharge, |p| p.charge.0);
    let energy_in = sum(Direction::Charge, |p| p.energy.0);
    let energy_out = sum(Direction::Discharge, |p| p.energy.0);
    if charge_in <= 0.0 || energy_in <= 0.0 {
        return Err(RefusalReason::NoChargeInCycle);
    }
    let coulombic = charge_out / charge_in;
    if coulombic > IMPOSSIBLE {
        return Err(RefusalReason::MoreOutThanIn);
    }
    Ok(Some(Cycle {
        first_phase: first,
        last_phase: last,
        charge_in: AmpHours(charge_in),
        charge_out: AmpHours(charge_out),
        energy_in: WattHours(energy_in),
        energy_out: WattHours(energy_out),
        coulombic,
        energy: energy_out / energy_in,
    }))
}
