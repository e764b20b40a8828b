//! Reads the open data for tests.
#![allow(dead_code, reason = "each test binary uses its own part")]

mod data;
pub(crate) mod unit_model;

#[allow(unused_imports, reason = "each test binary uses its own part")]
pub(crate) use data::{beside, column, csv, fixture};

use carrylog_health::samples::{Columns, Samples, SignConvention};
use std::path::Path;

/// A trace in Battery Data Format columns; the step column only if `with_step`.
pub(crate) fn trace(path: &Path, with_step: bool) -> Samples {
    let (header, columns) = csv(path);
    let get = |name: &str| {
        header
            .iter()
            .position(|h| h == name)
            .map(|k| columns[k].clone())
    };
    let step = get("Step Index / 1").filter(|_| with_step);
    let columns = Columns {
        time_s: get("Test Time / s").unwrap(),
        current_a: get("Current / A").unwrap(),
        voltage_v: get("Voltage / V").unwrap(),
        temperature_c: get("Temperature T1 / degC").into_iter().collect(),
        step: step.map(|s| s.into_iter().map(|v| v as i64).collect()),
        ..Columns::default()
    };
    Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
}

#[track_caller]
pub(crate) fn assert_close(ours: f64, reference: f64, relative: f64) {
    let difference = (ours - reference).abs() / reference.abs();
    assert!(
        difference <= relative,
        "ours {ours}, reference {reference}: relative difference {difference:e} > {relative:e}"
    );
}
