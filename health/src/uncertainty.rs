//! Uncertainty of capacity, energy and resistance from the accuracies that a station states.
//!
//! Type B evaluation after JCGM 100: stated accuracies are half-widths of rectangular distributions
//! (4.3.7), resolutions are steps of the display (F.2.2.1). A gain or offset error is the same at
//! every row (fully correlated); a resolution is not. Standard uncertainties; expand with
//! [`crate::gum::COVERAGE_FACTOR`].

use crate::gum::{Input, combined, rectangular, resolution};
use crate::quantity::{AmpHours, Amps, Kelvins, Ohms, SECONDS_PER_HOUR, Seconds, Volts, WattHours};
use crate::resistance::StepReading;
use crate::samples::Samples;
use crate::trace_results::{DischargeEnd, GoverningDischarge};

/// What a station states about its accuracy; half-widths, and steps for resolutions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationAccuracy {
    /// Current, relative to the reading (0.001 = 0.1 %).
    pub current_relative: f64,
    /// Current, absolute part.
    pub current_offset: Amps,
    /// Step of the recorded current; 0 if not stated.
    pub current_resolution: Amps,
    /// Voltage, relative to the reading.
    pub voltage_relative: f64,
    /// Voltage, absolute part.
    pub voltage_offset: Volts,
    /// Step of the recorded voltage; 0 if not stated.
    pub voltage_resolution: Volts,
    /// Time, relative.
    pub time_relative: f64,
    /// Step of the recorded time; 0 if not stated.
    pub time_resolution: Seconds,
    /// Temperature.
    pub temperature: Kelvins,
}

/// The inputs of one result with their shares, and the combined standard uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Budget {
    /// Inputs; their contributions are in the unit of the result.
    pub inputs: Vec<Input>,
    /// Combined standard uncertainty in the unit of the result (coverage factor 1).
    pub standard: f64,
}

impl Budget {
    fn of(inputs: Vec<Input>) -> Self {
        Self {
            standard: combined(&inputs),
            inputs,
        }
    }
}

/// Uncertainty of the governing discharge.
#[derive(Debug, Clone, PartialEq)]
pub struct DischargeUncertainty {
    /// Standard uncertainty of the capacity.
    pub capacity: AmpHours,
    /// Standard uncertainty of the energy.
    pub energy: WattHours,
    /// How the capacity's comes about, in ampere-hours.
    pub capacity_budget: Budget,
    /// How the energy's comes about, in watt-hours.
    pub energy_budget: Budget,
}

/// Uncertainty of capacity and energy of the governing discharge.
///
/// Inputs: gain, offset and resolution of current and voltage; gain and resolution of the clock; the
/// end voltage (a voltage error moves the end by that error over `|dU/dt|`); and what lay unseen at
/// the edges of its pieces ([`crate::discharge`]).
///
/// `None` if the discharge is not one of this trace.
pub fn discharge(
    samples: &Samples,
    governing: &GoverningDischarge,
    accuracy: &StationAccuracy,
) -> Option<DischargeUncertainty> {
    let (first, last) = (governing.first_row, governing.last_row);
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    let (q, e) = (governing.capacity.0, governing.energy.0);
    let hours = governing.duration.0 / SECONDS_PER_HOUR;
    let rows = (last - first + 1) as f64;
    let mean_u = if q > 0.0 { e / q } else { 0.0 };
    let mean_i = if hours > 0.0 { q / hours } else { 0.0 };

    // One volt of error moves the end of the discharge by this many ampere-hours.
    let ah_per_volt = match governing.end {
        DischargeEnd::Crossed(crossing) if crossing.fraction > 0.0 => {
            let k = crossing.row_before;
            let slope = (u.get(k)? - u.get(k + 1)?) / (t.get(k + 1)? - t.get(k)?);
            i.get(k)?.abs() / slope / SECONDS_PER_HOUR
        }
        DischargeEnd::Crossed(_)
        | DischargeEnd::AtLastRow
        | DischargeEnd::AboveEndVoltage
        | DischargeEnd::NoEndVoltage => 0.0,
    };
    let end_u = governing.end_voltage.0;
    // Both ends of the integral stand on time stamps of this step.
    let clock_s = resolution(accuracy.time_resolution.0) * 2f64.sqrt();
    // Rounding of single rows averages out over them.
    let per_row = |step: f64| resolution(step) / rows.sqrt();
    let (edge_ah, edge_wh) = (governing.edge_standard.0, governing.edge_energy_standard.0);

    let input = Input::bounded;
    let current_gain = rectangular(accuracy.current_relative);
    let current_offset = rectangular(accuracy.current_offset.0);
    let voltage_gain = rectangular(accuracy.voltage_relative);
    let voltage_offset = rectangular(accuracy.voltage_offset.0);
    let voltage_step = resolution(accuracy.voltage_resolution.0);
    let clock_rate = rectangular(accuracy.time_relative);
    let capacity_budget = Budget::of(vec![
        input("current gain", q, current_gain),
        input("current offset", hours, current_offset),
        input(
            "current resolution",
            hours,
            per_row(accuracy.current_resolution.0),
        ),
        input("voltage gain", end_u * ah_per_volt, voltage_gain),
        input("voltage offset", ah_per_volt, voltage_offset),
        input("voltage resolution at the end", ah_per_volt, voltage_step),
        input("clock rate", q, clock_rate),
        input("clock resolution", mean_i / SECONDS_PER_HOUR, clock_s),
        input("edges between rows", 1.0, edge_ah),
    ]);
    // A voltage that reads high counts for more energy and ends the discharge later: one error, so
    // its two effects add before they are squared.
    let wh_per_volt = end_u * ah_per_volt;
    let energy_budget = Budget::of(vec![
        input("current gain", e, current_gain),
        input("current offset", mean_u * hours, current_offset),
        input(
            "current resolution",
            mean_u * hours,
            per_row(accuracy.current_resolution.0),
        ),
        input("voltage gain", e + end_u * wh_per_volt, voltage_gain),
        input("voltage offset", q + wh_per_volt, voltage_offset),
        input(
            "voltage resolution",
            q,
            per_row(accuracy.voltage_resolution.0),
        ),
        input("voltage resolution at the end", wh_per_volt, voltage_step),
        input("clock rate", e, clock_rate),
        input(
            "clock resolution",
            mean_u * mean_i / SECONDS_PER_HOUR,
            clock_s,
        ),
        input("edges between rows", 1.0, edge_wh),
    ]);
    Some(DischargeUncertainty {
        capacity: AmpHours(capacity_budget.standard),
        energy: WattHours(energy_budget.standard),
        capacity_budget,
        energy_budget,
    })
}

/// Uncertainty of a capacity that a station only stated, without a trace: gains and the offset over
/// `duration`, if it is known.
pub fn declared_capacity(
    capacity: AmpHours,
    duration: Option<Seconds>,
    accuracy: &StationAccuracy,
) -> Budget {
    let hours = duration.map_or(0.0, |d| d.0 / SECONDS_PER_HOUR);
    Budget::of(vec![
        Input::bounded(
            "current gain",
            capacity.0,
            rectangular(accuracy.current_relative),
        ),
        Input::bounded(
            "current offset",
            hours,
            rectangular(accuracy.current_offset.0),
        ),
        Input::bounded(
            "clock rate",
            capacity.0,
            rectangular(accuracy.time_relative),
        ),
    ])
}

/// Uncertainty of a step resistance `R = ΔU/ΔI`: gains act on R as a whole, offsets cancel, each
/// difference carries two roundings.
pub fn step_resistance(reading: &StepReading, accuracy: &StationAccuracy) -> Budget {
    let change = (reading.current_after.0 - reading.current_before.0).abs();
    let r = reading.resistance.0;
    let two = 2f64.sqrt();
    Budget::of(vec![
        Input::bounded("voltage gain", r, rectangular(accuracy.voltage_relative)),
        Input::bounded("current gain", r, rectangular(accuracy.current_relative)),
        Input::bounded(
            "voltage resolution",
            1.0 / change,
            two * resolution(accuracy.voltage_resolution.0),
        ),
        Input::bounded(
            "current resolution",
            r / change,
            two * resolution(accuracy.current_resolution.0),
        ),
    ])
}

/// Uncertainty of a resistance that a station only stated: gains of voltage and current.
pub fn declared_resistance(resistance: Ohms, accuracy: &StationAccuracy) -> Budget {
    Budget::of(vec![
        Input::bounded(
            "voltage gain",
            resistance.0,
            rectangular(accuracy.voltage_relative),
        ),
        Input::bounded(
            "current gain",
            resistance.0,
            rectangular(accuracy.current_relative),
        ),
    ])
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Columns, SignConvention};
    use crate::trace_results::{TraceRules, trace_results};

    fn accuracy() -> StationAccuracy {
        StationAccuracy {
            current_relative: 1e-3,
            current_offset: Amps(0.01),
            current_resolution: Amps(1e-3),
            voltage_relative: 5e-4,
            voltage_offset: Volts(2e-3),
            voltage_resolution: Volts(1e-3),
            time_relative: 1e-4,
            time_resolution: Seconds(1.0),
            temperature: Kelvins(1.0),
        }
    }

    /// One hour at 10 A after a rest, 4.0 V falling to 3.0 V, one row a second.
    fn hour() -> Samples {
        let rows = 3700;
        let load = |k: usize| k >= 60;
        let columns = Columns {
            time_s: (0..rows).map(|k| k as f64).collect(),
            current_a: (0..rows)
                .map(|k| if load(k) { -10.0 } else { 0.0 })
                .collect(),
            voltage_v: (0..rows)
                .map(|k| {
                    if load(k) {
                        4.0 - (k as f64 - 60.0) / 3600.0
                    } else {
                        4.1
                    }
                })
                .collect(),
            ..Columns::default()
        };
        Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
    }

    #[test]
    fn a_capacity_budget_is_the_sum_worked_by_hand() {
        let samples = hour();
        let rules = TraceRules {
            end_voltage: Some(Volts(3.0)),
            ..TraceRules::default()
        };
        let results = trace_results(&samples, &rules);
        let governing = results.governing.unwrap();
        // The log is driven by a clock of 1 s: half an interval at 10 A is added before the first row.
        assert!((governing.capacity.0 - (10.0 + 5.0 / 3600.0)).abs() < 1e-6);
        let u = discharge(&samples, &governing, &accuracy()).unwrap();
        let share = |name: &str| {
            u.capacity_budget
                .inputs
                .iter()
                .find(|i| i.name == name)
                .unwrap()
                .contribution()
        };
        let root3 = 3f64.sqrt();
        let q = governing.capacity.0;
        assert!((share("current gain") - q * 1e-3 / root3).abs() < 1e-8);
        assert!((share("current offset") - 0.01 * (1.0 + 0.5 / 3600.0) / root3).abs() < 1e-8);
        assert!((share("clock rate") - q * 1e-4 / root3).abs() < 1e-8);
        // At 3.0 V and 1/3600 V/s, one volt is an hour at 10 A: gain 1.5 mV, offset 2 mV, step 1 mV.
        assert!((share("voltage gain") - 10.0 * 1.5e-3 / root3).abs() < 1e-6);
        assert!((share("voltage offset") - 10.0 * 2e-3 / root3).abs() < 1e-6);
        assert!((share("voltage resolution at the end") - 10.0 * 1e-3 / 12f64.sqrt()).abs() < 1e-6);
        // Half a second each: the edge before the first row, the place of the crossing.
        let half = 5.0 / 3600.0 / root3;
        assert!((share("edges between rows") - half * 2f64.sqrt()).abs() < 1e-9);
        let sum: f64 = u
            .capacity_budget
            .inputs
            .iter()
            .map(|i| i.contribution().powi(2))
            .sum();
        assert!((u.capacity.0 - sum.sqrt()).abs() < 1e-15);
        assert!(
            u.energy.0 > 3.0 * u.capacity.0 * 0.9,
            "energy carries the voltage as well"
        );
    }

    #[test]
    fn a_resistance_carries_gains_and_two_roundings() {
        let reading = StepReading {
            row_before: 0,
            delay: Seconds(1.0),
            resistance: Ohms(0.02),
            current_before: Amps(0.0),
            current_after: Amps(-30.0),
            voltage_before: Volts(4.2),
            voltage_after: Volts(3.6),
        };
        let budget = step_resistance(&reading, &accuracy());
        // 1 mV twice over √12 at 30 A: 13.6 µΩ.
        let share = budget
            .inputs
            .iter()
            .find(|i| i.name == "voltage resolution")
            .unwrap();
        assert!((share.contribution() - 1e-3 * (2.0_f64 / 12.0).sqrt() / 30.0).abs() < 1e-12);
    }
}
