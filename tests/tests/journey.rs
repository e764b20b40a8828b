//! The journey of a record through the real programs: station, stick, server, history, receipt, station.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_tests::Bench;
use support::{AUTHORITY, bundles, office, station, test_form};

fn capture(bench: &Bench, folder: &str, serial: &str, slot: u16) {
    let form = test_form("FB-44-2", serial, "2026-03-01T07:00:00Z").replace(
        "\"unit_celsius\"",
        "\"capacity_ah\": 42.5, \"unit_celsius\"",
    );
    bench.file("test.json", form);
    bench.ok(&format!("capture {folder} test.json --slot {slot}"));
}

fn free(bench: &Bench, folder: &str) -> u64 {
    bench.json(&format!("slots {folder}"))["free"]
        .as_u64()
        .unwrap()
}

#[test]
fn slots_are_free_after_settle_and_not_before() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "bay1", "1", 1);
    capture(&bench, "bay1", "2", 2);
    assert_eq!(free(&bench, "bay1"), 14);
    bench.ok("pack bay1 stick");
    assert_eq!(free(&bench, "bay1"), 14, "packing frees nothing");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    assert_eq!(free(&bench, "bay1"), 14, "delivering frees nothing");
    bench.ok("settle bay1 stick");
    assert_eq!(free(&bench, "bay1"), 16);
}

#[test]
fn a_second_delivery_changes_nothing_and_gets_the_same_receipt() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "bay1", "1", 1);
    bench.ok("pack bay1 stick");
    let deliver = format!("deliver stick --to {}", server.url());
    bench.ok(&deliver);
    let before = server.get("/api/v1/fleet");
    let returned = std::fs::read_dir(bench.path("stick"))
        .unwrap()
        .map(|e| e.unwrap().path())
        .find(|p| {
            p.file_name()
                .unwrap()
                .to_str()
                .unwrap()
                .starts_with("return-")
        })
        .unwrap();
    let receipt = std::fs::read(&returned).unwrap();
    bench.ok(&deliver);
    assert_eq!(server.get("/api/v1/fleet"), before);
    // Signed anew with the head of now, for the same seal: nothing is new to the station.
    assert_ne!(std::fs::read(&returned).unwrap(), receipt);
    bench.file("first.carrylog", receipt);
    bench.ok("settle bay1 first.carrylog");
    let again = bench.json("settle bay1 stick");
    for file in again["files"].as_array().unwrap() {
        assert_eq!(file["receipts_new"].as_array().unwrap().len(), 0, "{again}");
    }
}

#[test]
fn any_one_byte_changed_is_refused_with_its_offset() {
    let bench = Bench::new();
    let _server = office(&bench);
    capture(&bench, "bay1", "1", 1);
    bench.ok("pack bay1 stick");
    let file = bundles(&bench, "stick").pop().unwrap();
    let good = std::fs::read(&file).unwrap();
    // Each byte is tried in the library's tests; here a spread of them through the program. The first
    // three say that the file is ours at all.
    for position in (3..good.len()).step_by(good.len() / 40 + 1) {
        let mut bytes = good.clone();
        bytes[position] ^= 0x40;
        bench.file("changed.carrylog", &bytes);
        let outcome = bench.fails(
            4,
            &format!("verify changed.carrylog --authority {AUTHORITY}"),
        );
        assert!(
            outcome.text().contains("at byte "),
            "byte {position}: {}",
            outcome.text()
        );
    }
}

#[test]
fn a_gap_is_held_and_closes_when_the_missing_stick_arrives() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "bay1", "1", 1);
    let first = bench.json("pack bay1 stick");
    let next = first["entry_last"].as_u64().unwrap() + 1;
    std::fs::rename(bench.path("stick"), bench.path("drawer")).unwrap();
    std::fs::create_dir(bench.path("stick")).unwrap();
    capture(&bench, "bay1", "2", 2);
    bench.ok(&format!("pack bay1 stick --from {next}"));
    bench.ok(&format!("deliver stick --to {}", server.url()));
    let anomalies = server.get("/api/v1/anomalies").to_string();
    assert!(anomalies.contains("gap"), "{anomalies}");
    bench.ok(&format!("deliver drawer --to {}", server.url()));
    let anomalies = server.get("/api/v1/anomalies").to_string();
    assert!(!anomalies.contains("gap"), "{anomalies}");
    bench.ok("settle bay1 drawer");
    assert_eq!(free(&bench, "bay1"), 16);
}

#[test]
fn a_copied_station_makes_a_fork_that_is_seen_and_kept_out_of_the_history() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "bay1", "1", 1);
    // The station's folder is copied, as a disk image would be, and both go on.
    let copy = bench.path("copy");
    std::fs::create_dir(&copy).unwrap();
    for entry in std::fs::read_dir(bench.path("bay1")).unwrap() {
        let path = entry.unwrap().path();
        std::fs::copy(&path, copy.join(path.file_name().unwrap())).unwrap();
    }
    capture(&bench, "bay1", "2", 2);
    capture(&bench, "copy", "3", 2);
    for folder in ["bay1", "copy"] {
        std::fs::create_dir_all(bench.path(&format!("stick-{folder}"))).unwrap();
        bench.ok(&format!("pack {folder} stick-{folder}"));
        // The second delivery may be answered as a fork; both are kept.
        let _ = bench.carrylog(&format!("deliver stick-{folder} --to {}", server.url()));
    }
    let anomalies = server.get("/api/v1/anomalies").to_string();
    assert!(anomalies.contains("fork"), "{anomalies}");
    let unit = server.get("/api/v1/units/FJ001/FB-44-2/2");
    let entry = &unit["history"][0];
    assert_eq!(
        (&entry["status"], &entry["counts"]),
        (&"disputed".into(), &false.into()),
        "{entry}"
    );
}

#[test]
fn an_unenrolled_station_is_quarantined_and_counts_when_it_is_enrolled() {
    let bench = Bench::new();
    let server = office(&bench);
    bench.ok(&format!(
        "station create stray --name Stray --slots 4 --authority {AUTHORITY}"
    ));
    capture(&bench, "stray", "7", 1);
    std::fs::create_dir_all(bench.path("stray-stick")).unwrap();
    bench.ok("pack stray stray-stick");
    bench.fails(5, &format!("verify stray-stick --authority {AUTHORITY}"));
    let _ = bench.carrylog(&format!("deliver stray-stick --to {}", server.url()));
    assert!(
        !server
            .get("/api/v1/units")
            .to_string()
            .contains("FB-44-2/7")
    );
    bench.ok("authority enrol office --key stray/station.pub.json --role station");
    bench.ok("authority publish office stick/office.carrylog");
    server.put(
        "/api/v1/statements",
        &std::fs::read(bench.path("stick/office.carrylog")).unwrap(),
    );
    assert!(
        server
            .get("/api/v1/units")
            .to_string()
            .contains("FB-44-2/7")
    );
}

#[test]
fn two_stations_make_one_history_of_a_unit() {
    let bench = Bench::new();
    let server = office(&bench);
    station(&bench, "bay2", "'Bay 2'");
    capture(&bench, "bay1", "5", 1);
    capture(&bench, "bay2", "5", 1);
    for folder in ["bay1", "bay2"] {
        bench.ok(&format!("pack {folder} stick"));
    }
    bench.ok(&format!("deliver stick --to {}", server.url()));
    let unit = server.get("/api/v1/units/FJ001/FB-44-2/5");
    let stations: Vec<&str> = unit["history"]
        .as_array()
        .unwrap()
        .iter()
        .map(|h| h["station"].as_str().unwrap())
        .collect();
    assert_eq!(stations.len(), 2, "{stations:?}");
    assert_ne!(stations[0], stations[1]);
}

#[test]
fn bad_input_is_refused_with_its_exit_code_and_nothing_is_lost() {
    let bench = Bench::new();
    let _server = office(&bench);
    let size = bench.json("station show bay1")["entries"].clone();
    bench.file(
        "ours.json",
        test_form("FB-44-2", "1", "2026-03-01T07:00:00Z"),
    );
    bench.file("columns.csv", "Test Time / s,Voltage / V\n0,26\n1,25\n");
    bench.file(
        "text.csv",
        "Test Time / s,Voltage / V,Current / A\n0,26,-44\n1,much,-44\n",
    );
    bench.file(
        "back.csv",
        "Test Time / s,Voltage / V,Current / A\n5,26,-44\n1,25,-44\n",
    );
    bench.file("empty.csv", "");
    for (table, word) in [
        ("columns", "Current"),
        ("text", "much"),
        ("back", "back"),
        ("empty", "empty"),
    ] {
        let outcome = bench.fails(3, &format!("capture bay1 ours.json --trace {table}.csv"));
        assert!(outcome.text().contains(word), "{table}: {}", outcome.text());
    }
    bench.file(
        "negative.json",
        test_form("FB-44-2", "1", "2026-03-01T07:00:00Z")
            .replace("\"flight_hours\": 100", "\"capacity_ah\": -1"),
    );
    bench.file(
        "nameless.json",
        test_form("FB-44-2", "", "2026-03-01T07:00:00Z"),
    );
    bench.fails(3, "capture bay1 negative.json");
    bench.fails(3, "capture bay1 nameless.json");
    bench.fails(3, "capture bay1 missing.json");
    bench.file("not-ours.carrylog", "a letter");
    bench.fails(
        3,
        &format!("verify not-ours.carrylog --authority {AUTHORITY}"),
    );
    bench.fails(
        3,
        &format!("verify nowhere.carrylog --authority {AUTHORITY}"),
    );
    capture(&bench, "bay1", "1", 1);
    bench.fails(6, "capture bay1 ours.json --slot 1");
    bench.fails(7, "pack bay1 no-such-stick");
    bench.ok("pack bay1 stick");
    bench.fails(8, "deliver stick --to http://127.0.0.1:9");
    let now = bench.json("station show bay1")["entries"].as_u64().unwrap();
    assert_eq!(
        Some(now),
        size.as_u64().map(|s| s + 1),
        "one capture succeeded, nothing else was written"
    );
}
