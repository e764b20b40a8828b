//! Real cells whose capacity the source states, through the whole journey and back from the API.
//!
//! Stated values: the tester's own counters in the files. LFP cell: PyPI battery-data-toolkit 0.4.6,
//! one of its tests/files, Apache-2.0. EV cell: batterysim/equiv-circ-model, 1C discharge file, MIT
//! (PyPI celljar 0.2.1 carries the same bytes). See fixtures/published/README.md.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test fails by panicking and shows its figures"
)]

mod support;

use carrylog_tests::{Bench, repository};
use serde_json::Value;
use support::{office, test_form};

/// Carries one published file from the station to the server and gives what its API says was computed.
fn carried(part: &str, file: &str) -> Value {
    let bench = Bench::new();
    let server = office(&bench);
    let trace = repository().join("fixtures/published").join(file);
    bench.file(
        "test.json",
        test_form(part, "PUB-1", "2026-03-01T07:00:00Z"),
    );
    bench.ok(&format!(
        "capture bay1 test.json --trace {} --slot 1",
        trace.display()
    ));
    bench.ok("pack bay1 stick");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    bench.ok("settle bay1 stick");
    let unit = server.get(&format!("/api/v1/units/FJ001/{part}/PUB-1"));
    let test = unit["history"]
        .as_array()
        .unwrap()
        .iter()
        .find(|h| h["entry"]["kind"] == "test")
        .unwrap();
    assert_eq!(test["receipt"], true);
    test["entry"]["test"]["computed"].clone()
}

fn discharges(computed: &Value) -> Vec<(f64, f64)> {
    computed["phases"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|p| p["kind"] == "discharge")
        .map(|p| {
            (
                p["charge_ah"].as_f64().unwrap(),
                p["energy_wh"].as_f64().unwrap(),
            )
        })
        .collect()
}

fn close(ours: f64, stated: f64, relative: f64, what: &str) {
    let difference = (ours - stated).abs() / stated;
    println!(
        "{what}: ours {ours:.6}, stated {stated:.6}, difference {:.4} %",
        difference * 100.0
    );
    assert!(difference <= relative, "{what}: {ours} against {stated}");
}

#[test]
fn the_lfp_cell_shows_the_counter_of_its_tester_and_half_a_cycle_has_no_efficiency() {
    let computed = carried("CELL-L", "lfp_cell_2cycles.bdf.csv");
    let found = discharges(&computed);
    // Columns «Discharging Capacity / Ah» and «Discharging Energy / Wh» at the end of each cycle.
    let stated = [(1.072_360, 3.254_231), (1.072_909, 3.260_661)];
    assert_eq!(found.len(), stated.len(), "{found:?}");
    for (n, (ours, stated)) in found.iter().zip(stated).enumerate() {
        close(
            ours.0,
            stated.0,
            0.001,
            &format!("LFP discharge {} Ah", n + 1),
        );
        close(
            ours.1,
            stated.1,
            0.002,
            &format!("LFP discharge {} Wh", n + 1),
        );
    }
    // The file begins in the middle of a charge: cycle 1 has no efficiency, cycle 2 has one.
    let efficiency = computed["efficiency"].as_array().unwrap();
    assert_eq!(efficiency.len(), 1, "{efficiency:?}");
    let coulombic = efficiency[0]["coulombic_percent"].as_f64().unwrap();
    // Stated counters of cycle 2: 1.072909 / 1.072532 Ah. Tolerance of the charge: 0.5 %.
    close(
        coulombic / 100.0,
        1.072_909 / 1.072_532,
        0.005,
        "LFP cycle 2 coulombic efficiency",
    );
    let refused = computed["refused"].as_array().unwrap();
    assert!(
        refused
            .iter()
            .any(|r| r["result"].as_str().unwrap().contains("efficiency")),
        "the half cycle's efficiency is refused by name: {refused:?}"
    );
}

#[test]
fn the_ev_cell_shows_the_discharges_that_its_tester_counted() {
    let computed = carried("CELL-E", "ev_cell_1c_5discharges.bdf.csv");
    let found = discharges(&computed);
    // Last row of each DCHG step, columns «Step Capacity / Ah» and «Step Energy / Wh»; the file holds four.
    let stated = [
        (30.33, 113.84),
        (30.34, 113.85),
        (30.30, 113.70),
        (30.29, 113.66),
    ];
    assert_eq!(found.len(), stated.len(), "{found:?}");
    for (n, (ours, stated)) in found.iter().zip(stated).enumerate() {
        close(
            ours.0,
            stated.0,
            0.001,
            &format!("EV discharge {} Ah", n + 1),
        );
        close(
            ours.1,
            stated.1,
            0.002,
            &format!("EV discharge {} Wh", n + 1),
        );
    }
}
