//! Charge and energy by the trapezoid rule, and the crossing of an end voltage.
//!
//! Which rows count: an integral runs from the first row of a span to its last and takes in every
//! interval between them, none beyond. A span is a phase ([`crate::phases`]), so the interval from
//! a rest row to the first row under load, where the current jumps at an unknown time, belongs to
//! neither side. Positive charge and energy go into the unit.

use crate::quantity::{AmpHours, SECONDS_PER_HOUR, Seconds, WattHours};
use crate::samples::{Samples, Span};

/// Charge and energy moved over some rows; positive = into the unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Moved {
    /// `Q = 1/3600 · ∫ I dt` in ampere-hours.
    pub charge: AmpHours,
    /// `E = 1/3600 · ∫ U·I dt` in watt-hours.
    pub energy: WattHours,
}

/// Integrates over all rows of `span` by the trapezoid rule: `Σ (x_k + x_{k+1})/2 · (t_{k+1} − t_k)`
/// with `x = I` for charge and `x = U·I` for energy.
pub fn moved(span: &Span<'_>) -> Moved {
    moved_and_gap(span).0
}

/// The integrals and the longest interval, in one pass.
pub(crate) fn moved_and_gap(span: &Span<'_>) -> (Moved, Seconds) {
    let (t, i, u) = (span.time_s(), span.current_a(), span.voltage_v());
    let (mut charge, mut energy, mut longest) = (0.0, 0.0, 0.0_f64);
    let (mut t0, mut i0, mut p0) = (t[0], i[0], u[0] * i[0]);
    for ((&t1, &i1), &u1) in t.iter().zip(i).zip(u) {
        let dt = t1 - t0;
        let p1 = u1 * i1;
        charge += dt * (i1 + i0);
        energy += dt * (p1 + p0);
        longest = if dt > longest { dt } else { longest };
        (t0, i0, p0) = (t1, i1, p1);
    }
    let half_hours = 0.5 / SECONDS_PER_HOUR;
    let moved = Moved {
        charge: AmpHours(charge * half_hours),
        energy: WattHours(energy * half_hours),
    };
    (moved, Seconds(longest))
}

/// Where a voltage fell to the end voltage, between two neighbouring rows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Row of the trace before the crossing; the row itself if `fraction` is 0.
    pub row_before: usize,
    /// Part of the interval to the next row, 0 to 1, by linear interpolation of the voltage.
    pub fraction: f64,
    /// Time of the crossing.
    pub time: Seconds,
}

/// Finds where the voltage of a discharge first falls to `end_v` volts and stays there.
///
/// A single row under load at or below the end voltage whose successor under load lies above it
/// again is a sensor dip and no crossing. Rows whose current is at most `load_a` amperes count as
/// pauses, in which the voltage recovers. `None` if the voltage never gets there, or if the span
/// starts at or below the end voltage.
pub fn end_voltage_crossing(span: &Span<'_>, end_v: f64, load_a: f64) -> Option<Crossing> {
    let (t, i, u) = (span.time_s(), span.current_a(), span.voltage_v());
    if u.first().is_none_or(|&first| first <= end_v) {
        return None;
    }
    let stays = |row: usize| {
        let next = (row + 1..u.len()).find(|&k| i[k].abs() > load_a);
        next.is_none_or(|k| u[k] <= end_v)
    };
    let row = (1..u.len()).find(|&k| u[k] <= end_v && u[k - 1] > end_v && stays(k))?;
    let fraction = (u[row - 1] - end_v) / (u[row - 1] - u[row]);
    Some(Crossing {
        row_before: span.first_row() + row - 1,
        fraction,
        time: Seconds(t[row - 1] + fraction * (t[row] - t[row - 1])),
    })
}

/// How a discharge that crosses its end voltage is cut.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EndRule {
    /// At the linearly interpolated crossing (IEC 61960-3 practice; the rule used everywhere here).
    Interpolated,
    /// After the first row at or below the end voltage, as some published data sets count.
    FirstRowBelow,
}

/// Charge and energy from the first row of `span` to `crossing`, cut by `rule`.
///
/// Current and voltage at the interpolated crossing are those on the straight line between the two
/// rows. A crossing outside the span gives the whole span.
pub fn moved_to(span: &Span<'_>, crossing: &Crossing, rule: EndRule) -> Moved {
    moved_to_of(span, crossing, rule, moved)
}

/// [`moved_to`] for a span whose integral is known: only the shorter side of the crossing is summed.
pub(crate) fn moved_to_known(span: &Span<'_>, crossing: &Crossing, whole: Moved) -> Moved {
    moved_to_of(span, crossing, EndRule::Interpolated, |before| {
        if before.rows() * 2 < span.rows() {
            return moved(before);
        }
        let after = moved(&span.from(before.rows() - 1));
        Moved {
            charge: AmpHours(whole.charge.0 - after.charge.0),
            energy: WattHours(whole.energy.0 - after.energy.0),
        }
    })
}

fn moved_to_of(
    span: &Span<'_>,
    crossing: &Crossing,
    rule: EndRule,
    integral: impl Fn(&Span<'_>) -> Moved,
) -> Moved {
    let Some(k) = crossing.row_before.checked_sub(span.first_row()) else {
        return moved(span);
    };
    let (t, i, u) = (span.time_s(), span.current_a(), span.voltage_v());
    if k + 1 >= t.len() {
        return moved(span);
    }
    let f = match rule {
        EndRule::Interpolated => crossing.fraction,
        EndRule::FirstRowBelow => 1.0,
    };
    let (i_end, u_end) = (i[k] + f * (i[k + 1] - i[k]), u[k] + f * (u[k + 1] - u[k]));
    let half_hours = 0.5 * f * (t[k + 1] - t[k]) / SECONDS_PER_HOUR;
    let before = integral(&span.until(k));
    Moved {
        charge: AmpHours(before.charge.0 + half_hours * (i[k] + i_end)),
        energy: WattHours(before.energy.0 + half_hours * (u[k] * i[k] + u_end * i_end)),
    }
}

/// Charge and energy that went each way over a whole trace, each without sign.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Throughput {
    /// Charge into the unit.
    pub charge_in: AmpHours,
    /// Charge out of the unit.
    pub charge_out: AmpHours,
    /// Energy into the unit.
    pub energy_in: WattHours,
    /// Energy out of the unit.
    pub energy_out: WattHours,
}

/// Sums what went each way, each interval split where the current passes zero on the straight line
/// between its rows. Unlike a capacity it takes in the intervals across step edges.
///
/// Vocabulary: capacity and energy throughput, Regulation (EU) 2023/1542, Annex VII, part B.
pub fn throughput(samples: &Samples) -> Throughput {
    let span = samples.whole();
    let (t, i, u) = (span.time_s(), span.current_a(), span.voltage_v());
    let mut sums = [0.0; 4];
    let mut add = |dt: f64, i0: f64, i1: f64, u0: f64, u1: f64| {
        let charge = 0.5 * dt * (i0 + i1);
        let energy = 0.5 * dt * (u0 * i0 + u1 * i1);
        let side = if charge >= 0.0 { 0 } else { 1 };
        sums[side] += charge.abs();
        sums[side + 2] += energy.abs();
    };
    for k in 1..t.len() {
        let dt = t[k] - t[k - 1];
        if i[k - 1] * i[k] < 0.0 {
            let f = i[k - 1] / (i[k - 1] - i[k]);
            let u_zero = u[k - 1] + f * (u[k] - u[k - 1]);
            add(f * dt, i[k - 1], 0.0, u[k - 1], u_zero);
            add((1.0 - f) * dt, 0.0, i[k], u_zero, u[k]);
        } else {
            add(dt, i[k - 1], i[k], u[k - 1], u[k]);
        }
    }
    let [charge_in, charge_out, energy_in, energy_out] = sums.map(|s| s / SECONDS_PER_HOUR);
    Throughput {
        charge_in: AmpHours(charge_in),
        charge_out: AmpHours(charge_out),
        energy_in: WattHours(energy_in),
        energy_out: WattHours(energy_out),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Columns, SignConvention};
    use proptest::prelude::*;

    fn samples(time_s: Vec<f64>, current_a: Vec<f64>, voltage_v: Vec<f64>) -> Samples {
        let columns = Columns {
            time_s,
            current_a,
            voltage_v,
            ..Columns::default()
        };
        Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
    }

    #[test]
    fn a_constant_current_gives_current_times_time() {
        let s = samples(
            vec![0.0, 1800.0, 3600.0],
            vec![-2.0; 3],
            vec![4.0, 3.5, 3.0],
        );
        let moved = moved(&s.whole());
        assert_eq!(moved.charge, AmpHours(-2.0));
        assert_eq!(moved.energy, WattHours(-7.0));
    }

    #[test]
    fn the_end_voltage_crossing_lies_between_two_rows() {
        let s = samples(vec![0.0, 10.0, 20.0], vec![-1.0; 3], vec![3.2, 3.1, 2.9]);
        let crossing = end_voltage_crossing(&s.whole(), 3.0, 0.01).unwrap();
        assert_eq!(crossing.row_before, 1);
        assert!((crossing.time.0 - 15.0).abs() < 1e-9);
        let to = moved_to(&s.whole(), &crossing, EndRule::Interpolated);
        assert!((to.charge.0 + 15.0 / 3600.0).abs() < 1e-12);
        let row = moved_to(&s.whole(), &crossing, EndRule::FirstRowBelow);
        assert!((row.charge.0 + 20.0 / 3600.0).abs() < 1e-12);
    }

    #[test]
    fn one_dip_of_the_sensor_does_not_end_a_discharge() {
        let voltage = vec![3.2, 0.0, 3.1, 3.05, 2.9, 2.8];
        let s = samples((0..6).map(f64::from).collect(), vec![-1.0; 6], voltage);
        let crossing = end_voltage_crossing(&s.whole(), 3.0, 0.01).unwrap();
        assert_eq!(crossing.row_before, 3);
    }

    #[test]
    fn a_discharge_in_pulses_recovers_between_them_and_still_ends() {
        let current = vec![-2.0, 0.0, -2.0, 0.0, -2.0];
        let voltage = vec![3.2, 3.4, 2.9, 3.3, 2.8];
        let s = samples((0..5).map(f64::from).collect(), current, voltage);
        let crossing = end_voltage_crossing(&s.whole(), 3.0, 0.01).unwrap();
        assert_eq!(crossing.row_before, 1);
    }

    fn trace() -> impl Strategy<Value = Samples> {
        prop::collection::vec((0.01..20.0_f64, -50.0..50.0_f64, 2.0..30.0_f64), 3..200).prop_map(
            |rows| {
                let mut t = 0.0;
                let time = rows.iter().map(|r| {
                    t += r.0;
                    t
                });
                let time = time.collect();
                let current = rows.iter().map(|r| r.1).collect();
                samples(time, current, rows.iter().map(|r| r.2).collect())
            },
        )
    }

    /// Sum of magnitudes: the scale that rounding is relative to.
    fn scale(s: &Samples) -> f64 {
        let t = throughput(s);
        1e-12 * (1.0 + t.charge_in.0 + t.charge_out.0 + t.energy_in.0 + t.energy_out.0)
    }

    proptest! {
        #[test]
        fn charge_and_energy_over_a_split_add_up(s in trace(), at in 0.0..1.0_f64) {
            let last = s.rows() - 1;
            let cut = ((last as f64) * at) as usize;
            let whole = moved(&s.whole());
            let a = moved(&s.span(0, cut).unwrap());
            let b = moved(&s.span(cut, last).unwrap());
            prop_assert!((a.charge.0 + b.charge.0 - whole.charge.0).abs() <= scale(&s));
            prop_assert!((a.energy.0 + b.energy.0 - whole.energy.0).abs() <= scale(&s));
        }

        #[test]
        fn charge_scales_with_the_current_and_with_the_time(s in trace(), c in 0.1..10.0_f64) {
            let whole = moved(&s.whole());
            let mut columns = s.clone().into_columns();
            columns.current_a.iter_mut().for_each(|i| *i *= c);
            columns.time_s.iter_mut().for_each(|t| *t *= 2.0);
            let scaled = Samples::parse(columns, SignConvention::PositiveCharges).unwrap();
            let ours = moved(&scaled.whole());
            prop_assert!((ours.charge.0 - 2.0 * c * whole.charge.0).abs() <= 20.0 * scale(&s));
            prop_assert!((ours.energy.0 - 2.0 * c * whole.energy.0).abs() <= 20.0 * scale(&s));
        }

        #[test]
        fn a_shift_of_the_clock_changes_nothing(s in trace(), shift in 0.0..1e6_f64) {
            let whole = moved(&s.whole());
            let mut columns = s.clone().into_columns();
            columns.time_s.iter_mut().for_each(|t| *t += shift);
            let shifted = Samples::parse(columns, SignConvention::PositiveCharges).unwrap();
            // Times of 1e6 s keep ten digits of a second.
            prop_assert!((moved(&shifted.whole()).charge.0 - whole.charge.0).abs() <= 1e-6);
        }

        #[test]
        fn what_went_in_less_what_went_out_is_the_net_charge(s in trace()) {
            let both = throughput(&s);
            let net = moved(&s.whole()).charge.0;
            prop_assert!((both.charge_in.0 - both.charge_out.0 - net).abs() <= scale(&s));
        }
    }
}
