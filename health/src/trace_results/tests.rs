//! A made-up pack of two cells, so that every figure is known.

use super::*;
use crate::resistance::{TwoStepRules, two_step, two_step_from_trace};
use crate::samples::{Columns, SignConvention};
use proptest::prelude::*;

/// Rest, 10 A discharge to 6.0 V, rest, 10 A charge to 8.4 V, taper, rest, discharge again; one row
/// a second, 0.02 Ω, two cells of which one lies 10 mV lower under load.
fn pack() -> Columns {
    let mut columns = Columns::default();
    let (mut high, mut low) = (Vec::new(), Vec::new());
    let mut charge_as = 36_000.0;
    let mut push = |current: f64, held: Option<f64>| {
        let k = columns.time_s.len() as f64;
        let open = 6.2 + 2.2 * charge_as / 36_000.0;
        let voltage = held.unwrap_or(open + 0.02 * current);
        columns.time_s.push(k);
        columns.current_a.push(current);
        columns.voltage_v.push(voltage);
        let lower = if current == 0.0 { 0.0 } else { 0.010 };
        high.push(0.5 * voltage + 0.5 * lower);
        low.push(0.5 * voltage - 0.5 * lower);
        charge_as += current;
        voltage
    };
    for cycle in 0..2 {
        (0..100).for_each(|_| {
            push(0.0, None);
        });
        while push(-10.0, None) > 6.0 {}
        if cycle == 1 {
            break;
        }
        (0..100).for_each(|_| {
            push(0.0, None);
        });
        while push(10.0, None) < 8.4 {}
        let mut current = 10.0;
        while current > 0.5 {
            current *= 0.99;
            push(current, Some(8.4));
        }
    }
    (0..50).for_each(|_| {
        push(0.0, None);
    });
    let rows = columns.time_s.len();
    columns.temperature_c = vec![(0..rows).map(|k| 20.0 + k as f64 * 1e-3).collect()];
    columns.cell_voltage_v = vec![high, low];
    columns
}

fn run(columns: Columns) -> TraceResults {
    let samples = Samples::parse(columns, SignConvention::PositiveCharges).unwrap();
    let rules = TraceRules {
        end_voltage: Some(Volts(6.0)),
        ..TraceRules::default()
    };
    trace_results(&samples, &rules)
}

#[test]
fn a_made_up_pack_gives_what_was_put_into_it() {
    let results = run(pack());
    let governing = results.governing.unwrap();
    // The charge reaches 8.4 V at 8.2 V open, 32,727 As; the taper adds Σ 10·0.99^k ≈ 940 As down
    // to 0.5 A; the discharge ends at 6.2 V open, 0 As: 33,667 As.
    assert!(
        (governing.capacity.0 - 33_667.0 / 3600.0).abs() < 0.01,
        "{:?}",
        governing.capacity
    );
    assert!((governing.mean_current.0 - 10.0).abs() < 1e-6);
    assert!(matches!(governing.end, DischargeEnd::Crossed(_)));
    assert_eq!(results.cycles.len(), 1);
    assert!(results.cycles[0].coulombic > 0.98 && results.cycles[0].coulombic < 1.02);
    let reading = results.resistance.unwrap();
    assert!((reading.resistance.0 - 0.02).abs() < 1e-4);
    let share = results.charge_shares[0];
    assert!(share.constant_current_charge > 0.9 && share.constant_current_charge < 1.0);
    assert!(share.constant_voltage_from.is_some());
    // 70 % of the capacity of the discharge before it, at 10 A: 2520 s.
    let time = results.charge_20_to_90.unwrap().duration.0;
    assert!((time - 2520.0).abs() < 5.0, "{time}");
    let spread = results.cell_spread.unwrap();
    assert!((spread.largest.0 - 0.010).abs() < 1e-12);
    assert!((spread.at_discharge_end.unwrap().0 - 0.010).abs() < 1e-12);
    assert!(results.notices.is_empty(), "{:?}", results.notices);
}

#[test]
fn a_temperature_drop_out_is_left_out_and_named() {
    let mut columns = pack();
    columns.temperature_c[0][5000] = -242.0;
    columns.temperature_c[0][5001] = 850.0;
    let results = run(columns);
    let kinds: Vec<_> = results.notices.iter().map(|n| (n.kind, n.rows)).collect();
    assert_eq!(kinds, [(NoticeKind::TemperatureDropOut { sensor: 0 }, 2)]);
    let range = results.temperature.unwrap();
    assert!(range.min.0 >= 20.0 && range.max.0 < 40.0);
    assert!(results.governing.unwrap().mean_temperature.unwrap().0 < 40.0);
}

#[test]
fn a_voltage_drop_out_is_named_and_does_not_end_the_discharge() {
    let clean = run(pack()).governing.unwrap().capacity.0;
    let mut columns = pack();
    let row = columns.time_s.len() - 2000;
    columns.voltage_v[row] = 0.0;
    let results = run(columns);
    let told = |n: &&Notice| n.kind == NoticeKind::VoltageDropOut && n.row == row;
    assert_eq!(results.notices.iter().filter(told).count(), 1);
    assert!((results.governing.unwrap().capacity.0 - clean).abs() < 1e-9);
}

#[test]
fn a_current_that_drops_out_for_a_few_rows_is_a_pause_and_named() {
    let mut columns = pack();
    let row = columns.time_s.len() - 2000;
    columns.current_a[row..row + 3].fill(0.0);
    let results = run(columns);
    assert!(
        results
            .notices
            .iter()
            .any(|n| matches!(n.kind, NoticeKind::Pause { .. }) && n.rows == 4)
    );
    assert_eq!(results.cycles.len(), 1, "the discharge is still one");
}

#[test]
fn only_a_discharge_asks_for_no_efficiency_and_only_a_rest_has_no_capacity() {
    let rows = 500;
    let columns = |current: f64| Columns {
        time_s: (0..rows).map(f64::from).collect(),
        current_a: (0..rows)
            .map(|k| if k < 50 { 0.0 } else { current })
            .collect(),
        voltage_v: (0..rows).map(|k| 8.0 - 0.001 * f64::from(k)).collect(),
        ..Columns::default()
    };
    let discharge = run(columns(-5.0));
    assert!(discharge.governing.is_some());
    assert!(
        !discharge
            .refused
            .iter()
            .any(|r| matches!(r.result, ResultName::Efficiency { .. }))
    );
    let rest = run(columns(0.0));
    assert!(rest.governing.is_none());
    assert!(rest.refused.contains(&Refusal {
        result: ResultName::Capacity,
        reason: RefusalReason::NoDischarge
    }));
}

#[test]
fn the_two_step_method_gives_the_worked_example() {
    // 44 Ah: 26.10 V at 8.8 A, 25.58 V at 44.0 A: 0.52 V / 35.2 A = 14.773 mΩ (own arithmetic on
    // the formula of IEC 61960-3).
    let r = two_step(Volts(26.10), Volts(25.58), Amps(8.8), Amps(44.0)).unwrap();
    assert!((r.0 - 14.773e-3).abs() < 1e-6);
    assert_eq!(
        two_step(Volts(26.0), Volts(25.0), Amps(44.0), Amps(8.8)),
        Err(RefusalReason::NoTwoSteps)
    );
    assert_eq!(
        two_step(Volts(25.0), Volts(26.0), Amps(8.8), Amps(44.0)),
        Err(RefusalReason::NotPositive)
    );
}

/// 60 s rest, `first_hold` s at 8.8 A, then 44 A; ten rows a second; 14.773 mΩ.
fn two_step_trace(first_hold: usize) -> Samples {
    let currents = [(0.0, 600), (-8.8, first_hold * 10), (-44.0, 30), (0.0, 600)];
    let current: Vec<f64> = currents
        .iter()
        .flat_map(|&(i, rows)| std::iter::repeat_n(i, rows))
        .collect();
    let columns = Columns {
        time_s: (0..current.len()).map(|k| k as f64 * 0.1).collect(),
        voltage_v: current.iter().map(|i| 26.23 + 14.773e-3 * i).collect(),
        current_a: current,
        ..Columns::default()
    };
    Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
}

#[test]
fn a_two_step_discharge_is_found_in_its_trace() {
    let samples = two_step_trace(10);
    let found = phases::find_phases(&samples, &PhaseRules::default());
    let reading = two_step_from_trace(&samples, &found, &TwoStepRules::default()).unwrap();
    assert!((reading.resistance.0 - 14.773e-3).abs() < 1e-9);
    assert_eq!(
        (reading.first_current, reading.second_current),
        (Amps(8.8), Amps(44.0))
    );
    assert!((reading.second_delay.0 - 1.0).abs() < 1e-9);
    assert!((reading.first_hold.0 - 9.9).abs() < 1e-9);
    let short = two_step_trace(5);
    let found = phases::find_phases(&short, &PhaseRules::default());
    assert_eq!(
        two_step_from_trace(&short, &found, &TwoStepRules::default()),
        Err(RefusalReason::NoTwoSteps)
    );
    let results = trace_results(&samples, &TraceRules::default());
    assert!(results.two_step.is_some());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    #[test]
    fn capacity_scales_with_the_current_and_ignores_the_clocks_zero(
        scale in 0.05..20.0_f64, shift in 0.0..1e5_f64,
    ) {
        let plain = run(pack());
        let mut columns = pack();
        columns.current_a.iter_mut().for_each(|i| *i *= scale);
        columns.time_s.iter_mut().for_each(|t| *t += shift);
        let scaled = run(columns);
        let (a, b) = (plain.governing.unwrap(), scaled.governing.unwrap());
        prop_assert_eq!(a.phase, b.phase);
        prop_assert!((a.capacity.0 * scale / b.capacity.0 - 1.0).abs() < 1e-9);
        prop_assert!((a.energy.0 * scale / b.energy.0 - 1.0).abs() < 1e-9);
        prop_assert!((plain.cycles[0].energy / scaled.cycles[0].energy - 1.0).abs() < 1e-9);
        let (r, s) = (plain.resistance.unwrap(), scaled.resistance.unwrap());
        prop_assert!((r.resistance.0 / scale / s.resistance.0 - 1.0).abs() < 1e-9);
    }

    #[test]
    fn the_order_of_the_sensors_changes_nothing(swap in any::<bool>()) {
        let mut columns = pack();
        if swap {
            columns.cell_voltage_v.reverse();
        }
        prop_assert_eq!(run(pack()).cell_spread, run(columns).cell_spread);
    }
}
