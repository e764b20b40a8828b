//! Traces of real cells against what their sources state (fixtures/published/README.md).
//!
//! Tolerances: 0.1 % of charge and 0.2 % of energy for a discharge, since the source counts at its
//! tester's inner rate and states four digits; 0.5 % for a charge, whose ramps are logged sparsely.
//! Data that may not stand in the repository is read from the data folder beside it; without that
//! folder the test prints a line that says so.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

mod support;

use carrylog_health::integrate::{EndRule, end_voltage_crossing, moved, moved_to, throughput};
use carrylog_health::phases::{Direction, PhaseRules, find_phases};
use carrylog_health::quantity::{Hertz, Ohms, Seconds, Volts};
use carrylog_health::refusal::{RefusalReason, ResultName};
use carrylog_health::resistance::{
    ImpedancePoint, Reading, StepRules, ohmic_resistance, step_reading, step_rows,
};
use carrylog_health::trace_results::{
    DischargeEnd, Phase, TraceResults, TraceRules, trace_results,
};
use support::{assert_close, beside, column, fixture, trace};

fn discharges(results: &TraceResults) -> Vec<&Phase> {
    results
        .phases
        .iter()
        .filter(|p| p.rows.direction == Direction::Discharge)
        .collect()
}

fn to(end_voltage: f64) -> TraceRules {
    TraceRules {
        end_voltage: Some(Volts(end_voltage)),
        ..TraceRules::default()
    }
}

#[test]
fn lfp_discharges_agree_with_the_testers_counter_with_and_without_step_column() {
    for with_step in [true, false] {
        let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), with_step);
        let results = trace_results(&samples, &TraceRules::default());
        let found = discharges(&results);
        assert_eq!(found.len(), 2);
        for (phase, (ah, wh)) in found
            .iter()
            .zip([(1.072360, 3.254231), (1.072909, 3.260661)])
        {
            assert_close(phase.charge.0, ah, 1e-3);
            assert_close(phase.energy.0, wh, 2e-3);
        }
        let governing = results.governing.unwrap();
        assert_eq!(
            results.phases[governing.phase].rows, found[1].rows,
            "the last complete one"
        );
    }
}

#[test]
fn lfp_charge_counts_within_its_steps_only() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let results = trace_results(&samples, &TraceRules::default());
    let cycle = results.cycles[0];
    assert_close(cycle.charge_in.0, 1.072532, 5e-3);
    assert_close(cycle.energy_in.0, 3.755826, 5e-3);
    // Bridging the steps to rest, as a naive integral does, adds 0.4 %.
    let naive = moved(&samples.span(860, 1606).unwrap());
    assert!(naive.charge.0 / cycle.charge_in.0 > 1.003);
}

#[test]
fn lfp_half_cycle_has_no_efficiency_and_the_whole_one_has() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let results = trace_results(&samples, &TraceRules::default());
    assert_eq!(results.cycles.len(), 1);
    assert_close(results.cycles[0].coulombic, 1.00035, 5e-3);
    assert_close(results.cycles[0].energy, 0.86816, 5e-3);
    assert_eq!(results.refused.len(), 1);
    assert_eq!(
        results.refused[0].result,
        ResultName::Efficiency { phase: 2 }
    );
    assert_eq!(results.refused[0].reason, RefusalReason::HalfCycle);
}

#[test]
fn lfp_temperatures_are_those_of_the_source() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let results = trace_results(&samples, &TraceRules::default());
    assert!((results.temperature.unwrap().max.0 - 32.248).abs() < 1e-3);
}

#[test]
fn lfp_onset_gives_a_resistance_and_the_tapered_cut_off_does_not() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let found = find_phases(&samples, &PhaseRules::default());
    let first_row = StepRules {
        reading: Reading::FirstRow,
        ..StepRules::default()
    };
    for (phase, ohms) in found
        .rows
        .iter()
        .filter(|p| p.direction == Direction::Discharge)
        .zip([0.019157, 0.018917])
    {
        let loose = StepRules {
            smallest_step: 0.0,
            ..first_row
        };
        let onset = step_reading(&samples, phase.first - 1, &found, &loose).unwrap();
        assert!((onset.resistance.0 - ohms).abs() < 1e-6);
        let cut_off = step_reading(&samples, phase.last, &found, &first_row);
        assert!(
            matches!(cut_off, Err(RefusalReason::StepTooSmall { .. })),
            "{cut_off:?}"
        );
    }
}

#[test]
fn lfp_held_at_its_end_voltage_counts_to_the_crossing_when_one_is_given() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let results = trace_results(&samples, &to(2.0));
    let governing = results.governing.unwrap();
    assert!(matches!(governing.end, DischargeEnd::Crossed(_)));
    // The source's counter goes on while the tester holds 2.0 V: 1.2 % more.
    assert!(governing.capacity.0 < 0.99 * 1.072909 && governing.capacity.0 > 0.98 * 1.072909);
}

#[test]
fn lfp_that_stops_above_its_end_voltage_is_a_lower_bound_and_says_so() {
    let samples = trace(&fixture("lfp_cell_2cycles.bdf.csv"), false);
    let results = trace_results(&samples, &to(1.8));
    assert_eq!(
        results.governing.unwrap().end,
        DischargeEnd::AboveEndVoltage
    );
    assert!(
        results
            .refused
            .iter()
            .any(|r| r.result == ResultName::CapacityToEndVoltage)
    );
    assert!(results.cycles.is_empty());
}

#[test]
fn ev_discharges_agree_with_the_stated_step_counters() {
    let stated = [
        (30.33, 113.84),
        (30.34, 113.85),
        (30.30, 113.70),
        (30.29, 113.66),
    ];
    for with_step in [true, false] {
        let samples = trace(&fixture("ev_cell_1c_5discharges.bdf.csv"), with_step);
        let results = trace_results(&samples, &to(3.0));
        let found = discharges(&results);
        assert_eq!(found.len(), 4);
        for (phase, (ah, wh)) in found.iter().zip(stated) {
            assert_close(phase.charge.0, ah, 1e-3);
            assert_close(phase.energy.0, wh, 2e-3);
        }
        let governing = results.governing.unwrap();
        assert_close(governing.capacity.0, 30.29, 1e-3);
        assert_close(governing.energy.0, 113.66, 2e-3);
        assert_eq!(
            results.cycles.len(),
            3,
            "the first cycle has no known beginning"
        );
    }
}

#[test]
fn ev_onsets_give_the_resistances_computed_independently() {
    let samples = trace(&fixture("ev_cell_1c_5discharges.bdf.csv"), false);
    let results = trace_results(&samples, &to(3.0));
    let found = find_phases(&samples, &PhaseRules::default());
    for (phase, milliohm) in discharges(&results)
        .iter()
        .zip([1.993, 2.026, 1.993, 2.026])
    {
        let onset = step_reading(
            &samples,
            phase.rows.first - 1,
            &found,
            &StepRules::default(),
        );
        assert!((onset.unwrap().resistance.0 * 1e3 - milliohm).abs() < 1e-3);
    }
}

#[test]
fn reversed_sign_is_refused_not_guessed() {
    use carrylog_health::samples::{Samples, SignConvention};
    let columns = trace(&fixture("ev_cell_1c_5discharges.bdf.csv"), false).into_columns();
    let wrong = Samples::parse(columns, SignConvention::PositiveDischarges).unwrap();
    let results = trace_results(&wrong, &to(3.0));
    assert!(results.governing.is_none());
    assert_eq!(results.refused[0].reason, RefusalReason::SignLooksReversed);
}

#[test]
fn a_gap_in_a_discharge_is_refused_with_its_row() {
    use carrylog_health::samples::{Samples, SignConvention};
    let mut columns = trace(&fixture("ev_cell_1c_5discharges.bdf.csv"), false).into_columns();
    for t in &mut columns.time_s[1800..] {
        *t += 900.0;
    }
    let samples = Samples::parse(columns, SignConvention::PositiveCharges).unwrap();
    let results = trace_results(&samples, &to(3.0));
    let refusal = results
        .refused
        .iter()
        .find(|r| r.result == ResultName::Capacity)
        .unwrap();
    assert!(
        matches!(refusal.reason, RefusalReason::Gap { row: 1799, .. }),
        "{refusal}"
    );
    assert!(results.governing.is_none());
}

#[test]
fn ev_pulses_give_the_stated_resistances_at_each_delay() {
    let Some(path) = beside("ev_cell_pulses_25C.bdf.csv") else {
        return;
    };
    let samples = trace(&path, false);
    let found = find_phases(&samples, &PhaseRules::default());
    // Time of the first row under load; milliohms at the first row, after 10 s, after 30 s.
    let stated = [
        (15445.1, [1.7667, 2.6000, 3.3333]),
        (20205.2, [1.5661, 2.1326, 2.6325]),
        (24965.3, [1.5661, 2.1993, 2.8657]),
        (29725.4, [1.5333, 2.0000, 2.4667]),
        (34485.5, [1.5661, 2.0327, 2.5325]),
        (39245.6, [1.5661, 2.0327, 2.5325]),
        (44005.7, [1.5661, 2.0327, 2.5325]),
        (48765.8, [1.5661, 2.0327, 2.5325]),
        (53525.9, [1.5667, 2.0667, 2.5667]),
        (58286.0, [1.6661, 2.5325, 3.9653]),
    ];
    for (time, milliohms) in stated {
        let row = samples
            .time_s()
            .iter()
            .position(|t| (t - time).abs() < 0.05)
            .unwrap()
            - 1;
        let readings = [
            Reading::FirstRow,
            Reading::Delay(Seconds(10.0)),
            Reading::Delay(Seconds(30.0)),
        ];
        for (reading, milliohm) in readings.into_iter().zip(milliohms) {
            let rules = StepRules {
                reading,
                ..StepRules::default()
            };
            let r = step_reading(&samples, row, &found, &rules)
                .unwrap()
                .resistance;
            assert!(
                (r.0 * 1e3 - milliohm).abs() < 6e-5,
                "{time} {reading:?}: {r}"
            );
        }
        let too_long = StepRules {
            reading: Reading::Delay(Seconds(60.0)),
            ..StepRules::default()
        };
        assert!(step_reading(&samples, row, &found, &too_long).is_err());
    }
}

#[test]
fn pulses_are_no_cycles() {
    let Some(path) = beside("ev_cell_pulses_25C.bdf.csv") else {
        return;
    };
    let results = trace_results(&trace(&path, false), &TraceRules::default());
    assert!(results.cycles.is_empty());
    // The tester's own step counters, cut to 0.01 Ah, add up to 31.07 Ah over 20 steps. A trapezoid
    // over the step edges would give 31.93 Ah: the rows before each rest are 60 s apart.
    let counted = -counters(&path);
    let ours: f64 = discharges(&results).iter().map(|p| p.charge.0).sum();
    assert!((counted - 31.07).abs() < 1e-9);
    assert!(
        ours >= counted && ours <= counted + 20.0 * 0.01,
        "{ours} against {counted}"
    );
    assert!(throughput(&trace(&path, false)).charge_out.0 > 31.9);
}

/// Sum of the last value of the step counter in each discharge step.
fn counters(path: &std::path::Path) -> f64 {
    let step = column(path, "Step Index / 1");
    let counter = column(path, "Step Capacity / Ah");
    let current = column(path, "Current / A");
    let last = (0..step.len()).filter(|&k| k + 1 == step.len() || step[k + 1] != step[k]);
    // The counter stands still through the rest that follows.
    last.filter(|&k| current[k] < -1.0)
        .map(|k| counter[k])
        .sum()
}

#[test]
fn an_exact_resistor_gives_its_resistance_and_pins_the_sign_convention() {
    let Some(path) = beside("single_resistor_pulses.bdf.csv") else {
        return;
    };
    let samples = trace(&path, false);
    let found = find_phases(&samples, &PhaseRules::default());
    let rules = StepRules {
        reading: Reading::FirstRow,
        ..StepRules::default()
    };
    let rows = step_rows(&samples, &found, &rules);
    let ohms: Vec<f64> = rows
        .iter()
        .map(|&row| {
            step_reading(&samples, row, &found, &rules)
                .unwrap()
                .resistance
                .0
        })
        .collect();
    assert_eq!(ohms.len(), 4);
    for (ours, stated) in ohms.iter().zip([0.100370, 0.100278, 0.099444, 0.100278]) {
        assert!((ours - stated).abs() < 1e-6);
    }
    let both = throughput(&samples);
    assert!((both.charge_in.0 - 1.0552315).abs() < 1e-7);
    assert!((both.charge_out.0 - 1.0546759).abs() < 1e-7);
    assert!((both.charge_in.0 - both.charge_out.0 - 0.00055556).abs() < 1e-8);
}

#[test]
fn nasa_capacities_are_the_trapezoid_to_the_first_row_below_2_7_v() {
    for (name, ah, wh) in [
        ("nasa_B0028_discharge01.bdf.csv", 1.804685, 6.426629),
        ("nasa_B0029_discharge01.bdf.csv", 1.697507, 5.744606),
        ("nasa_B0032_discharge01.bdf.csv", 1.704864, 5.638287),
        ("nasa_B0032_discharge40.bdf.csv", 1.635800, 5.446032),
    ] {
        let Some(path) = beside(name) else { continue };
        let samples = trace(&path, false);
        let whole = samples.whole();
        let crossing = end_voltage_crossing(&whole, 2.7, 0.01).unwrap();
        let stated = moved_to(&whole, &crossing, EndRule::FirstRowBelow);
        assert_close(-stated.charge.0, ah, 1e-5);
        assert_close(-stated.energy.0, wh, 2e-5);
        // Ours leaves out the step edge at the onset and what lies below the crossing: both at
        // most one sampling interval of 12 s.
        let governing = trace_results(&samples, &to(2.7)).governing.unwrap();
        assert!(governing.capacity.0 < ah && governing.capacity.0 > 0.985 * ah);
    }
}

#[test]
fn the_spectrum_crosses_the_real_axis_where_it_was_computed() {
    let Some(path) = beside("impedance_spectrum_66.csv") else {
        return;
    };
    let text = std::fs::read_to_string(path).unwrap();
    let points: Vec<ImpedancePoint> = text
        .lines()
        .map(|line| {
            let v: Vec<f64> = line.split(',').map(|c| c.trim().parse().unwrap()).collect();
            ImpedancePoint {
                frequency: Hertz(v[0]),
                real: Ohms(v[1]),
                imaginary: Ohms(v[2]),
            }
        })
        .collect();
    assert_eq!(points.len(), 66);
    assert!((ohmic_resistance(&points).unwrap().0 - 0.015688).abs() < 1e-6);
}

#[test]
fn time_runs_only_forwards_in_every_published_trace() {
    let time = column(&fixture("lfp_cell_2cycles.bdf.csv"), "Test Time / s");
    assert!(time.windows(2).all(|w| w[1] >= w[0]));
}
