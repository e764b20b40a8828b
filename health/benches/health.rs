//! How long the two heavy computations take: a million-row trace, a fleet of 100,000 units.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "criterion's macros; a bench may fail loudly"
)]

use carrylog_health::fleet::{FleetUnit, fleet_statistics};
use carrylog_health::quantity::{AmpHours, Volts};
use carrylog_health::samples::{Columns, Samples, SignConvention};
use carrylog_health::trace_results::{TraceRules, trace_results};
use carrylog_health::trend::CheckPoint;
use criterion::{BatchSize, Criterion, criterion_group, criterion_main};
use std::hint::black_box;

/// A small generator, so that every run sees the same numbers.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64 - 0.5
    }
}

/// Four cycles of rest, charge, rest and discharge with noise, two temperatures, a million rows.
fn million_rows() -> Samples {
    let rows = 1_000_000;
    let mut noise = Noise(1);
    let mut columns = Columns::default();
    let (mut sensor_a, mut sensor_b) = (Vec::new(), Vec::new());
    for k in 0..rows {
        let part = (k % (rows / 4)) as f64 / (rows / 4) as f64;
        let (current, voltage) = match part {
            p if p < 0.1 => (0.0, 21.0),
            p if p < 0.5 => (20.0, 21.0 + 8.0 * (p - 0.1) / 0.4),
            p if p < 0.6 => (0.0, 28.5),
            p => (-20.0, 28.0 - 8.1 * (p - 0.6) / 0.4),
        };
        columns.time_s.push(k as f64 * 0.1);
        columns.current_a.push(current + 0.01 * noise.next());
        columns.voltage_v.push(voltage + 0.005 * noise.next());
        sensor_a.push(22.0 + 5.0 * part);
        sensor_b.push(21.0 + 5.0 * part);
    }
    columns.temperature_c = vec![sensor_a, sensor_b];
    Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
}

fn fleet(units: usize, checks: usize) -> Vec<FleetUnit> {
    let mut noise = Noise(2);
    (0..units)
        .map(|k| {
            let fade = 0.4 + 0.2 * noise.next();
            let checks = (0..checks)
                .map(|c| CheckPoint {
                    day: 1000.0 + 180.0 * c as f64,
                    flight_hours: Some(150.0 * c as f64),
                    flight_cycles: None,
                    value: 44.0 - fade * c as f64 + 0.4 * noise.next(),
                    standard: None,
                })
                .collect();
            FleetUnit {
                unit: format!("FJ001/FB-44/{k:06}"),
                part: format!("FB-{}", k % 5),
                commissioned_day: Some(1000.0 - (k % 100) as f64),
                repair_days: Vec::new(),
                checks,
                rated: AmpHours(44.0),
                minimum: AmpHours(35.2),
            }
        })
        .collect()
}

fn benches(c: &mut Criterion) {
    let samples = million_rows();
    let rules = TraceRules {
        end_voltage: Some(Volts(20.0)),
        ..TraceRules::default()
    };
    assert!(trace_results(&samples, &rules).governing.is_some());
    c.bench_function("trace results, 1,000,000 rows", |b| {
        b.iter(|| trace_results(black_box(&samples), &rules));
    });
    let columns = samples.into_columns();
    c.bench_function("parse samples, 1,000,000 rows", |b| {
        b.iter_batched(
            || columns.clone(),
            |columns| Samples::parse(columns, SignConvention::PositiveCharges),
            BatchSize::LargeInput,
        );
    });
    let units = fleet(100_000, 20);
    let mut group = c.benchmark_group("fleet");
    group.sample_size(10);
    group.bench_function("statistics, 100,000 units of 20 checks, 2 threads", |b| {
        b.iter(|| fleet_statistics(black_box(&units), 2));
    });
    group.finish();
}

criterion_group!(all, benches);
criterion_main!(all);
