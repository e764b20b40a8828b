//! Resistance of a unit: by a current step at a stated delay, by the two-step discharge method, and
//! alternating-current values as recorded.
//!
//! `R = (U_after − U_before) / (I_after − I_before)`, currents with their sign. The step happens at
//! an unknown time between two rows; delays count from the last row before it, so the true delay is
//! the stated one or up to one sampling interval less. Values by different methods are never
//! compared with each other.

use crate::phases::{PhaseRows, Phases};
use crate::quantity::{Amps, Hertz, Ohms, Seconds, Volts};
use crate::refusal::RefusalReason;
use crate::samples::Samples;

/// When after a step the voltage is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reading {
    /// At the first row after the step, whatever the current does next.
    FirstRow,
    /// At the first row after the step from which the current holds.
    FirstSteadyRow,
    /// A stated time after the step, interpolated between the rows around it.
    Delay(Seconds),
}

/// How a current step is read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepRules {
    /// When the voltage is read.
    pub reading: Reading,
    /// Smallest change of current, as a part of the working current of the trace. A tapered tail
    /// that is cut off changes too little and is refused.
    pub smallest_step: f64,
}

impl Default for StepRules {
    fn default() -> Self {
        Self {
            reading: Reading::FirstSteadyRow,
            smallest_step: 0.1,
        }
    }
}

/// A resistance read from a current step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepReading {
    /// Last row before the step.
    pub row_before: usize,
    /// Time from that row to the reading.
    pub delay: Seconds,
    /// The resistance.
    pub resistance: Ohms,
    /// Current before the step.
    pub current_before: Amps,
    /// Current at the reading.
    pub current_after: Amps,
    /// Voltage before the step.
    pub voltage_before: Volts,
    /// Voltage at the reading.
    pub voltage_after: Volts,
}

/// Part of the change of current within which a current counts as steady.
const STEADY: f64 = 0.05;
/// Longest search for a steady current after a step, in seconds and in rows.
const RAMP_S: f64 = 5.0;
const RAMP_ROWS: usize = 64;

/// Reads the step from `row_before` to the rows after it.
///
/// # Errors
/// [`RefusalReason`]: the step is too small (a cut-off taper is no step), the current before or
/// after it is not steady, the delay cannot be read from the rows, or the result is not positive.
pub fn step_reading(
    samples: &Samples,
    row_before: usize,
    found: &Phases,
    rules: &StepRules,
) -> Result<StepReading, RefusalReason> {
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    let row = row_before + 1;
    if row >= t.len() {
        return Err(RefusalReason::NotSteadyBefore { row });
    }
    let needed = rules.smallest_step * found.working_a;
    let (t0, i0, u0) = (t[row_before], i[row_before], u[row_before]);
    let steady = first_steady_row(samples, row_before, needed);
    let (time, current, voltage) = match rules.reading {
        Reading::FirstRow => (t[row], i[row], u[row]),
        Reading::FirstSteadyRow => {
            let k = steady?;
            (t[k], i[k], u[k])
        }
        Reading::Delay(delay) => read_at(samples, row_before, steady?, delay)?,
    };
    let change = current - i0;
    if change.abs() < needed {
        return Err(RefusalReason::StepTooSmall {
            change: Amps(change.abs()),
            needed: Amps(needed),
        });
    }
    if row_before > 0 && (i0 - i[row_before - 1]).abs() > STEADY * change.abs() {
        return Err(RefusalReason::NotSteadyBefore { row });
    }
    let resistance = (voltage - u0) / change;
    if resistance <= 0.0 {
        return Err(RefusalReason::NotPositive);
    }
    Ok(StepReading {
        row_before,
        delay: Seconds(time - t0),
        resistance: Ohms(resistance),
        current_before: Amps(i0),
        current_after: Amps(current),
        voltage_before: Volts(u0),
        voltage_after: Volts(voltage),
    })
}

/// Reads the step at the onset of a phase.
///
/// # Errors
/// As [`step_reading`]; [`RefusalReason::NotSteadyBefore`] if the trace begins with the phase.
pub fn onset(
    samples: &Samples,
    phase: &PhaseRows,
    found: &Phases,
    rules: &StepRules,
) -> Result<StepReading, RefusalReason> {
    match phase.first.checked_sub(1) {
        Some(row_before) => step_reading(samples, row_before, found, rules),
        None => Err(RefusalReason::NotSteadyBefore { row: phase.first }),
    }
}

/// Rows before every change of current from one row to the next that is large enough for `rules`.
pub fn step_rows(samples: &Samples, found: &Phases, rules: &StepRules) -> Vec<usize> {
    let needed = rules.smallest_step * found.working_a;
    let pairs = samples.current_a().windows(2).enumerate();
    pairs
        .filter(|(_, w)| (w[1] - w[0]).abs() >= needed)
        .map(|(row, _)| row)
        .collect()
}

fn first_steady_row(
    samples: &Samples,
    row_before: usize,
    needed: f64,
) -> Result<usize, RefusalReason> {
    let (t, i) = (samples.time_s(), samples.current_a());
    let i0 = i[row_before];
    let mut largest = 0.0_f64;
    for k in row_before + 1..t.len().min(row_before + RAMP_ROWS) {
        let change = (i[k] - i0).abs();
        largest = largest.max(change);
        let holds = i
            .get(k + 1)
            .is_none_or(|&next| (next - i[k]).abs() <= STEADY * change);
        if change >= needed && holds {
            return Ok(k);
        }
        if t[k] - t[row_before] > RAMP_S && k > row_before + 1 {
            break;
        }
    }
    if largest < needed {
        Err(RefusalReason::StepTooSmall {
            change: Amps(largest),
            needed: Amps(needed),
        })
    } else {
        Err(RefusalReason::NotSteadyAfter {
            row: row_before + 1,
        })
    }
}

/// Time, current and voltage `delay` after `row_before`, on the line between the rows around it.
fn read_at(
    samples: &Samples,
    row_before: usize,
    steady: usize,
    delay: Seconds,
) -> Result<(f64, f64, f64), RefusalReason> {
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    let (t0, i0) = (t[row_before], i[row_before]);
    // A thousandth of the delay is rounding of the time column.
    let slack = 1e-3 * delay.0;
    let wanted = t0 + delay.0;
    if t[steady] > wanted + slack {
        return Err(RefusalReason::DelayNotResolved {
            wanted: delay,
            first: Seconds(t[steady] - t0),
        });
    }
    let after = t
        .iter()
        .skip(steady)
        .position(|&time| time >= wanted - slack);
    let b = steady + after.ok_or(RefusalReason::CurrentDoesNotHold { wanted: delay })?;
    let change = (i[steady] - i0).abs();
    if i[steady..=b]
        .iter()
        .any(|&x| (x - i[steady]).abs() > STEADY * change)
    {
        return Err(RefusalReason::CurrentDoesNotHold { wanted: delay });
    }
    if b == steady || t[b] <= wanted + slack {
        return Ok((t[b], i[b], u[b]));
    }
    let f = (wanted - t[b - 1]) / (t[b] - t[b - 1]);
    Ok((
        wanted,
        i[b - 1] + f * (i[b] - i[b - 1]),
        u[b - 1] + f * (u[b] - u[b - 1]),
    ))
}

/// Times of the two-step discharge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoStepRules {
    /// How long the lower current is held before the step.
    pub first_hold: Seconds,
    /// How long after the step the second voltage is read.
    pub second_delay: Seconds,
}

impl Default for TwoStepRules {
    /// IEC 61960-3: 10 s at 0.2 It, then 1 s at 1.0 It (from secondary text; check the standard).
    fn default() -> Self {
        Self {
            first_hold: Seconds(10.0),
            second_delay: Seconds(1.0),
        }
    }
}

/// A resistance by the two-step discharge method.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoStepReading {
    /// Last row at the lower current.
    pub row_before: usize,
    /// The resistance.
    pub resistance: Ohms,
    /// Lower discharge current, without sign.
    pub first_current: Amps,
    /// Higher discharge current, without sign.
    pub second_current: Amps,
    /// How long the lower current was held.
    pub first_hold: Seconds,
    /// Time from the step to the second voltage.
    pub second_delay: Seconds,
}

/// `R = (U1 − U2) / (I2 − I1)`: discharge at the lower current `i1` with voltage `u1` at its end,
/// then without pause at the higher current `i2` with voltage `u2`; currents without sign.
///
/// Source: IEC 61960-3, direct-current internal resistance (formula and times from secondary text).
///
/// # Errors
/// [`RefusalReason::NoTwoSteps`] unless `i2 > i1 > 0`, [`RefusalReason::NotPositive`] for `u2 ≥ u1`.
pub fn two_step(u1: Volts, u2: Volts, i1: Amps, i2: Amps) -> Result<Ohms, RefusalReason> {
    if !(i1.0 > 0.0 && i2.0 > i1.0) {
        return Err(RefusalReason::NoTwoSteps);
    }
    let resistance = (u1.0 - u2.0) / (i2.0 - i1.0);
    if resistance > 0.0 {
        Ok(Ohms(resistance))
    } else {
        Err(RefusalReason::NotPositive)
    }
}

/// Finds the first two-step discharge of a trace and reads it.
///
/// # Errors
/// [`RefusalReason::NoTwoSteps`] if there is none; otherwise what kept the first one from being read.
pub fn two_step_from_trace(
    samples: &Samples,
    found: &Phases,
    rules: &TwoStepRules,
) -> Result<TwoStepReading, RefusalReason> {
    let (t, i) = (samples.time_s(), samples.current_a());
    let step = StepRules {
        reading: Reading::Delay(rules.second_delay),
        smallest_step: 0.1,
    };
    let mut first_reason = RefusalReason::NoTwoSteps;
    for row in step_rows(samples, found, &step) {
        if !(i[row] < -found.load_a && i[row + 1] < 1.5 * i[row]) {
            continue;
        }
        let held = i[..=row]
            .iter()
            .rposition(|&x| (x - i[row]).abs() > STEADY * i[row].abs());
        let first_hold = t[row] - t[held.map_or(0, |k| k + 1)];
        // One sampling interval is lost before the first row at the lower current.
        if first_hold + found.interval_s < 0.99 * rules.first_hold.0 {
            continue;
        }
        match step_reading(samples, row, found, &step) {
            Ok(reading) => {
                return Ok(TwoStepReading {
                    row_before: row,
                    resistance: reading.resistance,
                    first_current: Amps(-reading.current_before.0),
                    second_current: Amps(-reading.current_after.0),
                    first_hold: Seconds(first_hold),
                    second_delay: reading.delay,
                });
            }
            Err(reason) if first_reason == RefusalReason::NoTwoSteps => first_reason = reason,
            Err(_) => {}
        }
    }
    Err(first_reason)
}

/// One point of an impedance spectrum, as recorded.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ImpedancePoint {
    /// Frequency.
    pub frequency: Hertz,
    /// Real part.
    pub real: Ohms,
    /// Imaginary part; negative where the unit behaves as a capacitor.
    pub imaginary: Ohms,
}

/// Ohmic resistance of a spectrum: the real part where the imaginary part passes zero, on the
/// straight line between the two points around it. `None` if no two neighbouring points do.
///
/// Common practice, no source; it lies below the series resistance of a fitted circuit wherever the
/// spectrum is inductive at its upper end.
pub fn ohmic_resistance(spectrum: &[ImpedancePoint]) -> Option<Ohms> {
    spectrum.windows(2).find_map(|pair| {
        let [a, b] = pair else { return None };
        let (x, y) = (a.imaginary.0, b.imaginary.0);
        if x == y || (x > 0.0) == (y > 0.0) {
            return None;
        }
        let f = x / (x - y);
        Some(Ohms(a.real.0 + f * (b.real.0 - a.real.0)))
    })
}
