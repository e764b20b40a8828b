//! A unit whose truth is known: voltage from charge and current, so that every required value of the
//! judgement cases follows from arithmetic.
//!
//! `U = 26.4 − 2.6x − 50·max(0, x − 0.9) + 0.025·I`, `x` the charge out over `Q₀`, `I` below zero out;
//! a row's current holds to the next.
#![allow(dead_code, reason = "each test binary uses its own part")]

use carrylog_health::samples::{Columns, Samples, SignConvention};

/// Full capacity of the model unit in ampere-hours. At 34 A it gives 35.0775 Ah down to 20.0 V.
pub(crate) const Q0: f64 = 36.5;
pub(crate) const END_V: f64 = 20.0;

/// A unit under test, logged row by row.
#[derive(Debug, Clone)]
pub(crate) struct Bench {
    q0: f64,
    dt: f64,
    out_ah: f64,
    clock: f64,
    pub(crate) columns: Columns,
}

impl Bench {
    /// A full unit of capacity `q0`, a row each `dt` seconds.
    pub(crate) fn new(q0: f64, dt: f64) -> Self {
        Self {
            q0,
            dt,
            out_ah: 0.0,
            clock: 0.0,
            columns: Columns {
                temperature_c: vec![Vec::new()],
                ..Columns::default()
            },
        }
    }

    /// The model unit with 1 s rows.
    pub(crate) fn full() -> Self {
        Self::new(Q0, 1.0)
    }

    fn voltage(&self, current: f64) -> f64 {
        let x = self.out_ah / self.q0;
        26.4 - 2.6 * x - 50.0 * (x - 0.9).max(0.0) + 0.025 * current
    }

    fn row(&mut self, current: f64) -> f64 {
        let voltage = self.voltage(current);
        self.columns.time_s.push(self.clock);
        self.columns.current_a.push(current);
        self.columns.voltage_v.push(voltage);
        self.columns.temperature_c[0].push(22.0);
        self.out_ah -= current * self.dt / 3600.0;
        self.clock += self.dt;
        voltage
    }

    /// `current` for `seconds`.
    pub(crate) fn hold(mut self, current: f64, seconds: f64) -> Self {
        let rows = (seconds / self.dt).round() as usize;
        for _ in 0..rows {
            self.row(current);
        }
        self
    }

    pub(crate) fn rest(self, seconds: f64) -> Self {
        self.hold(0.0, seconds)
    }

    /// `current` until a row stands at or below the end voltage.
    pub(crate) fn until_end(mut self, current: f64) -> Self {
        while self.row(current) > END_V {}
        self
    }

    /// Changes the columns as a fault of the recording would.
    pub(crate) fn with(mut self, change: impl FnOnce(&mut Columns)) -> Self {
        change(&mut self.columns);
        self
    }

    /// Takes rows `from..to` out.
    pub(crate) fn without_rows(self, from: usize, to: usize) -> Self {
        self.with(|c| {
            c.time_s.drain(from..to);
            c.current_a.drain(from..to);
            c.voltage_v.drain(from..to);
            c.temperature_c[0].drain(from..to);
        })
    }

    /// Every `stride`th row from `phase` on: what a slower log sees of the same test.
    pub(crate) fn every(self, stride: usize, phase: usize) -> Self {
        let thin = |v: &Vec<f64>| v.iter().copied().skip(phase).step_by(stride).collect();
        self.with(|c| {
            c.time_s = thin(&c.time_s);
            c.current_a = thin(&c.current_a);
            c.voltage_v = thin(&c.voltage_v);
            c.temperature_c = c.temperature_c.iter().map(thin).collect();
        })
    }

    pub(crate) fn samples(self) -> Samples {
        Samples::parse(self.columns, SignConvention::PositiveCharges).expect("a sound trace")
    }
}

/// Case A1: 45 s rest, 34 A to the end voltage, 45 s rest.
pub(crate) fn a1() -> Bench {
    Bench::full().rest(45.0).until_end(-34.0).rest(45.0)
}
