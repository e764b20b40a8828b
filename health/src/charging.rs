//! How a charge went: constant-current and constant-voltage share, time from 20 % to 90 %.

use crate::discharge::CompleteDischarge;
use crate::phases::Direction;
use crate::quantity::{SECONDS_PER_HOUR, Seconds};
use crate::refusal::RefusalReason;
use crate::samples::{Samples, Span};
use crate::trace_results::Phase;

/// Shares of one charge phase. Without a constant-voltage part both shares are 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChargeShare {
    /// The phase, index in [`crate::trace_results::TraceResults::phases`].
    pub phase: usize,
    /// Row at which the constant-voltage part begins.
    pub constant_voltage_from: Option<usize>,
    /// Share of the time at constant current, 0 to 1.
    pub constant_current_time: f64,
    /// Share of the charge at constant current, 0 to 1.
    pub constant_current_charge: f64,
}

/// Time from 20 % to 90 % state of charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ChargeTime {
    /// Time on the clock, rests between included.
    pub duration: Seconds,
    /// The complete discharge before it, whose charge is the 100 %.
    pub discharge_phase: usize,
}

/// Part of the highest voltage within which the voltage counts as held. Common practice, no source.
const HELD_PART: f64 = 0.005;
/// The current has begun to taper below this part of its value at the held voltage.
const TAPER_BEGINS: f64 = 0.99;
/// A phase whose current ends above this part of it has no constant-voltage share.
const TAPER_NEEDED: f64 = 0.9;

pub(crate) fn shares(samples: &Samples, phases: &[Phase]) -> Vec<ChargeShare> {
    let charges = phases
        .iter()
        .enumerate()
        .filter(|(_, p)| p.rows.direction == Direction::Charge);
    charges
        .filter_map(|(k, p)| {
            let span = samples.span(p.rows.first, p.rows.last)?;
            Some(share(k, &span, p.charge.0))
        })
        .collect()
}

/// Whether a charge came to its end: the current tapered while the voltage was held.
pub(crate) fn came_to_its_end(samples: &Samples, k: usize, phase: &Phase) -> bool {
    let span = samples.span(phase.rows.first, phase.rows.last);
    span.is_some_and(|s| share(k, &s, phase.charge.0).constant_voltage_from.is_some())
}

/// The constant-voltage part is the end of the phase in which the voltage stays within 0.5 % of its
/// highest value and the current falls by more than a tenth; it begins where the current leaves 99 %
/// of its highest value there.
fn share(phase: usize, span: &Span<'_>, charge_ah: f64) -> ChargeShare {
    let (t, i, u) = (span.time_s(), span.current_a(), span.voltage_v());
    let whole = ChargeShare {
        phase,
        constant_voltage_from: None,
        constant_current_time: 1.0,
        constant_current_charge: 1.0,
    };
    let highest = u.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let held = u
        .iter()
        .rposition(|&v| v < highest * (1.0 - HELD_PART))
        .map_or(0, |k| k + 1);
    let most = i.iter().skip(held).copied().fold(0.0, f64::max);
    let Some(begin) = i
        .iter()
        .rposition(|&a| a >= TAPER_BEGINS * most)
        .filter(|&k| k >= held)
    else {
        return whole;
    };
    if i.last().is_none_or(|&last| last > TAPER_NEEDED * most) || charge_ah <= 0.0 {
        return whole;
    }
    let before = crate::integrate::moved(&span.until(begin));
    ChargeShare {
        phase,
        constant_voltage_from: Some(span.first_row() + begin),
        constant_current_time: (t[begin] - t[0]) / span.duration().0,
        constant_current_charge: before.charge.0 / charge_ah,
    }
}

/// Looks at the charge after each complete discharge, the last one first. The unit is at 0 % when
/// the discharge ends and at 100 % when what that discharge gave has been put in again.
pub(crate) fn time_20_to_90(
    samples: &Samples,
    phases: &[Phase],
    complete: &[CompleteDischarge],
) -> Result<ChargeTime, RefusalReason> {
    let mut reason = RefusalReason::NoChargeFromEmpty;
    for discharge in complete.iter().rev() {
        let Some(whole) = phases.get(discharge.phase).map(|p| p.charge.0) else {
            continue;
        };
        let after = phases.iter().skip(discharge.phase + 1);
        let charges: Vec<&Phase> = after
            .take_while(|p| p.rows.direction != Direction::Discharge)
            .filter(|p| p.rows.direction == Direction::Charge)
            .collect();
        if charges.is_empty() {
            continue;
        }
        match times_at(samples, &charges, [0.2 * whole, 0.9 * whole]) {
            Some([from, to]) => {
                return Ok(ChargeTime {
                    duration: Seconds(to - from),
                    discharge_phase: discharge.phase,
                });
            }
            None => reason = RefusalReason::ChargeStopsEarly,
        }
    }
    Err(reason)
}

/// Times at which the charge put in reaches each of two rising targets, linear between rows.
fn times_at(samples: &Samples, charges: &[&Phase], targets_ah: [f64; 2]) -> Option<[f64; 2]> {
    let mut sum = 0.0;
    let mut found = Vec::with_capacity(targets_ah.len());
    for phase in charges {
        let span = samples.span(phase.rows.first, phase.rows.last)?;
        let (t, i) = (span.time_s(), span.current_a());
        for k in 1..t.len() {
            let step = 0.5 * (i[k] + i[k - 1]) * (t[k] - t[k - 1]) / SECONDS_PER_HOUR;
            while let Some(target) = targets_ah.get(found.len())
                && sum + step >= *target
                && step > 0.0
            {
                found.push(t[k - 1] + (target - sum) / step * (t[k] - t[k - 1]));
            }
            if let [from, to] = found[..] {
                return Some([from, to]);
            }
            sum += step;
        }
    }
    None
}
