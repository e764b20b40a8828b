//! The office, a station and a server of an invented operator, made with the real programs.
#![allow(
    dead_code,
    clippy::unwrap_used,
    unreachable_pub,
    missing_docs,
    reason = "each test file uses its own part"
)]

use carrylog_tests::{Bench, ServerProcess, words};

pub const AUTHORITY: &str = "office/authority.pub.json";

pub fn limits(part: &str, rated_ah: f64, end_v: f64) -> String {
    format!(
        r#"{{"mfr": "FJ001", "part": "{part}", "manual_reference": "Manual {part} (invented)", "manual_revision": "1",
        "valid_from": "2026-01-01", "rated_capacity_ah": {rated_ah}, "minimum_capacity_ah": {}, "end_voltage_v": {end_v},
        "test_celsius_min": 10, "test_celsius_max": 45, "interval_days": 180}}"#,
        rated_ah * 0.8
    )
}

pub fn test_form(part: &str, serial: &str, ended: &str) -> String {
    format!(
        r#"{{"mfr": "FJ001", "part": "{part}", "serial": "{serial}", "purpose": "periodic_check",
        "started": "2026-03-01T01:00:00Z", "ended": "{ended}", "unit_celsius": 22, "flight_hours": 100}}"#
    )
}

/// An authority with a server and one enrolled station, the statements taken in.
pub fn office(bench: &Bench) -> ServerProcess {
    bench.ok("authority create office --name 'Fjordline records office (invented)'");
    for (part, rated, end) in [
        ("FB-44-2", 44.0, 21.0),
        ("CELL-L", 1.1, 2.0),
        ("CELL-E", 33.1, 3.0),
    ] {
        bench.file("limits.json", limits(part, rated, end));
        bench.ok("authority limits office limits.json");
    }
    let made = bench.run(
        "carrylog-server",
        &words("init records --name 'Records server (invented)'"),
    );
    assert_eq!(made.code, 0, "{}", made.text());
    bench.ok("authority enrol office --key records/server.pub.json --role server");
    station(bench, "bay1", "'Bay 1'");
    let server = bench.serve("records", &format!("--authority {AUTHORITY}"));
    let statements = std::fs::read(bench.path("stick/office.carrylog")).unwrap();
    server.put("/api/v1/statements", &statements);
    server
}

/// A further station, enrolled, with the statements taken in.
pub fn station(bench: &Bench, folder: &str, name: &str) {
    bench.ok(&format!(
        "station create {folder} --name {name} --slots 16 --authority {AUTHORITY}"
    ));
    bench.ok(&format!(
        "authority enrol office --key {folder}/station.pub.json --role station"
    ));
    std::fs::create_dir_all(bench.path("stick")).unwrap();
    bench.ok("authority publish office stick/office.carrylog");
    bench.ok(&format!("station adopt {folder} stick/office.carrylog"));
}

/// The bundle files of a folder, without returns and statements.
pub fn bundles(bench: &Bench, folder: &str) -> Vec<std::path::PathBuf> {
    let mut files: Vec<_> = std::fs::read_dir(bench.path(folder))
        .unwrap()
        .map(|e| e.unwrap().path())
        .filter(|p| {
            let name = p.file_name().unwrap().to_str().unwrap();
            name.ends_with(".carrylog")
                && !name.starts_with("return-")
                && !name.starts_with("office")
        })
        .collect();
    files.sort();
    files
}
