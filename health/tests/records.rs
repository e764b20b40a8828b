//! From a record's trace to a record's results, on the published cells (fixtures/published).
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

mod support;

use carrylog_format::quantity::{DurationMs, MicroAmps, MicroVolts, MilliKelvin, Ppm};
use carrylog_format::record::{Accuracy, PhaseKind};
use carrylog_format::trace::{Trace, TraceColumns};
use carrylog_health::from_records::compute;
use support::{assert_close, fixture, trace};

fn record_trace(name: &str) -> Trace {
    let columns = trace(&fixture(name), true).into_columns();
    let scaled = |v: &Vec<f64>, scale: f64| v.iter().map(|x| (x * scale).round() as i64).collect();
    let kelvin = |v: &Vec<f64>| {
        v.iter()
            .map(|x| ((x + 273.15) * 1e3).round() as i64)
            .collect()
    };
    Trace::new(TraceColumns {
        time_us: scaled(&columns.time_s, 1e6),
        current_ua: scaled(&columns.current_a, 1e6),
        voltage_uv: scaled(&columns.voltage_v, 1e6),
        temperature_mk: columns.temperature_c.iter().map(kelvin).collect(),
        step: columns.step,
        ..TraceColumns::default()
    })
    .unwrap()
}

fn accuracy() -> Accuracy {
    Accuracy {
        time_ppm: Ppm::new(50).unwrap(),
        current_ppm: Ppm::new(1_000).unwrap(),
        voltage_ppm: Ppm::new(500).unwrap(),
        temperature_mk: MilliKelvin::new(1_000).unwrap(),
        current_offset_ua: MicroAmps::new(1_000).unwrap(),
        voltage_offset_uv: MicroVolts::new(1_000).unwrap(),
        time_resolution_ms: Some(DurationMs::new(100).unwrap()),
        current_resolution_ua: None,
        voltage_resolution_uv: Some(MicroVolts::new(1_000).unwrap()),
    }
}

#[test]
fn lfp_results_in_a_record_agree_with_the_stated_counters() {
    let computed = compute(
        &record_trace("lfp_cell_2cycles.bdf.csv"),
        None,
        Some(&accuracy()),
    );
    let discharges: Vec<_> = computed
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Discharge)
        .collect();
    for (phase, (ah, wh)) in discharges
        .iter()
        .zip([(1.072360, 3.254231), (1.072909, 3.260661)])
    {
        assert_close(phase.charge_uah.amp_hours(), ah, 1e-3);
        assert_close(phase.energy_uwh.watt_hours(), wh, 2e-3);
    }
    assert_eq!(computed.governing_phase, Some(7));
    assert_close(computed.capacity_uah.unwrap().amp_hours(), 1.072909, 1e-3);
    assert_eq!(computed.efficiency.len(), 1);
    assert_eq!(computed.refused.len(), 1);
    assert!(computed.refused[0].why.as_str().starts_with("half cycle"));
    // 0.1 % of current over √3 leads; the rest is small.
    let relative = computed.capacity_std_uah.unwrap().amp_hours() / 1.072909;
    assert!(relative > 5.7e-4 && relative < 8e-4, "{relative}");
    assert!(computed.energy_std_uwh.is_some() && computed.resistance.unwrap().std_uohm.is_some());
}

#[test]
fn ev_results_in_a_record_agree_with_the_stated_counters() {
    let end = MicroVolts::from_volts(3.0).unwrap();
    let computed = compute(
        &record_trace("ev_cell_1c_5discharges.bdf.csv"),
        Some(end),
        None,
    );
    let stated = [
        (30.33, 113.84),
        (30.34, 113.85),
        (30.30, 113.70),
        (30.29, 113.66),
    ];
    let discharges: Vec<_> = computed
        .phases
        .iter()
        .filter(|p| p.kind == PhaseKind::Discharge)
        .collect();
    assert_eq!(discharges.len(), 4);
    for (phase, (ah, wh)) in discharges.iter().zip(stated) {
        assert_close(phase.charge_uah.amp_hours(), ah, 1e-3);
        assert_close(phase.energy_uwh.watt_hours(), wh, 2e-3);
    }
    assert_close(computed.capacity_uah.unwrap().amp_hours(), 30.29, 1e-3);
    assert_close(computed.energy_uwh.unwrap().watt_hours(), 113.66, 2e-3);
    assert!(
        computed.capacity_std_uah.is_none(),
        "no accuracy, no uncertainty"
    );
}

#[test]
fn a_trace_at_one_instant_gives_nothing_and_says_why() {
    let columns = TraceColumns {
        time_us: vec![5, 5],
        current_ua: vec![-1, -1],
        voltage_uv: vec![3, 3],
        ..TraceColumns::default()
    };
    let computed = compute(&Trace::new(columns).unwrap(), None, None);
    assert!(computed.capacity_uah.is_none());
    assert_eq!(
        computed.refused[0].why.as_str(),
        "every row has the same time"
    );
}
