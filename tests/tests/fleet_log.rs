//! A server whose store was restored from an old copy, or that shows two versions of its log: each is found
//! at a station by `settle` alone, and by the server itself from the next file. The real programs.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_test_kit::Cases;
use carrylog_tests::{Bench, Outcome, ServerProcess};
use std::fs;
use std::path::Path;
use support::{AUTHORITY, office, station, test_form};

/// Captures a test at a station and packs it onto a stick of its own.
fn packed(bench: &Bench, at: &str, stick: &str, slot: u16) {
    bench.file(
        "test.json",
        test_form("FB-44-2", &format!("{at}-{slot}"), "2026-03-01T07:00:00Z"),
    );
    bench.ok(&format!("capture {at} test.json --slot {slot}"));
    fs::create_dir_all(bench.path(stick)).unwrap();
    bench.ok(&format!("pack {at} {stick}"));
}

fn deliver(bench: &Bench, stick: &str, server: &ServerProcess) -> Outcome {
    bench.carrylog(&format!("deliver {stick} --to {}", server.url()))
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for file in fs::read_dir(from).unwrap() {
        let file = file.unwrap();
        fs::copy(file.path(), to.join(file.file_name())).unwrap();
    }
}

fn slots_taken(bench: &Bench) -> usize {
    let slots = bench.json("slots bay1");
    let list = slots["slots"].as_array().unwrap();
    list.iter().filter(|s| s["free"] == false).count()
}

/// A server with one settled test, and a copy of its folder from then.
fn copied(bench: &Bench) -> ServerProcess {
    let server = office(bench);
    packed(bench, "bay1", "first", 1);
    assert_eq!(deliver(bench, "first", &server).code, 0);
    let settled = bench.ok("settle bay1 first").out;
    assert!(settled.contains("first head of this server"), "{settled}");
    drop(server);
    copy(&bench.path("records"), &bench.path("copy"));
    bench.serve("records", "")
}

#[test]
fn a_server_restored_from_an_old_copy_is_found_by_the_station_and_by_itself() {
    let mut cases = Cases::named("trust");
    let bench = Bench::new();
    let server = copied(&bench);
    packed(&bench, "bay1", "second", 2);
    assert_eq!(deliver(&bench, "second", &server).code, 0);
    let grown = bench.ok("settle bay1 second").out;
    let required = "leaves are unchanged";
    cases.row("4.4 grown", required, &grown, grown.contains(required));
    drop(server);

    // The office puts its old copy back. The station collects for a stick that it handed in long ago.
    let server = bench.serve("copy", "");
    packed(&bench, "bay1", "third", 3);
    let taken = slots_taken(&bench);
    assert_eq!(deliver(&bench, "first", &server).code, 0);
    let refused = bench.carrylog("settle bay1 first");
    let required = "restored from an old copy";
    cases.row(
        "M15 station",
        format!("exit 4, {required}"),
        refused.text(),
        refused.code == 4 && refused.text().contains(required) && refused.text().contains("F-6"),
    );
    cases.equal("M15 nothing freed", taken, slots_taken(&bench));
    let evidence = fs::read_dir(bench.path("bay1/evidence")).map_or(0, Iterator::count);
    cases.equal("M15 evidence", 1, evidence);

    // The next file says which head the station has.
    let handed_in = deliver(&bench, "third", &server);
    let required = "I once signed size";
    cases.row(
        "M15 server",
        required,
        handed_in.text(),
        handed_in.text().contains(required) && handed_in.text().contains("Pack again from 2"),
    );
    let head = bench.carrylog(&format!(
        "audit keep --from {} --authority {AUTHORITY} --out now.head",
        server.url()
    ));
    cases.row(
        "M15 signs nothing more",
        "exit 8",
        head.text(),
        head.code == 8,
    );
    cases.finish();
}

#[test]
fn a_server_with_two_versions_of_its_log_is_found_by_the_station_and_by_itself() {
    let mut cases = Cases::named("trust");
    let bench = Bench::new();
    let server = copied(&bench);
    station(&bench, "bay2", "'Bay 2'");
    let statements = fs::read(bench.path("stick/office.carrylog")).unwrap();
    server.put("/api/v1/statements", &statements);
    packed(&bench, "bay1", "second", 2);
    assert_eq!(deliver(&bench, "second", &server).code, 0);
    bench.ok("settle bay1 second");
    drop(server);

    // The other face under the same key shows another station's seal in the same place.
    let server = bench.serve("copy", "");
    server.put("/api/v1/statements", &statements);
    packed(&bench, "bay2", "other", 1);
    assert_eq!(deliver(&bench, "other", &server).code, 0);
    assert_eq!(deliver(&bench, "first", &server).code, 0);
    let refused = bench.carrylog("settle bay1 first");
    let required = "two versions of the fleet log";
    cases.row(
        "M16 station",
        format!("exit 4, {required}"),
        refused.text(),
        refused.code == 4 && refused.text().contains(required),
    );
    packed(&bench, "bay1", "third", 3);
    let handed_in = deliver(&bench, "third", &server);
    let required = "two versions of the fleet log under one key";
    cases.row(
        "M16 server",
        required,
        handed_in.text(),
        handed_in.text().contains(required),
    );
    cases.finish();
}

#[test]
fn old_returns_and_returns_without_a_proof_take_nothing_and_say_what_next() {
    let mut cases = Cases::named("trust");
    let bench = Bench::new();
    let server = copied(&bench);
    let old = fs::read_dir(bench.path("first"))
        .unwrap()
        .map(|f| f.unwrap().path())
        .find(|p| {
            p.file_name()
                .unwrap()
                .to_str()
                .unwrap()
                .starts_with("return-")
        })
        .unwrap();
    let old_return = fs::read(old).unwrap();
    packed(&bench, "bay1", "second", 2);
    assert_eq!(deliver(&bench, "second", &server).code, 0);
    bench.ok("settle bay1 second");
    bench.file("again.carrylog", &old_return);
    let older = bench.carrylog("settle bay1 again.carrylog");
    let required = "older return: nothing new";
    cases.row(
        "4.4 older",
        format!("exit 0, {required}"),
        older.text(),
        older.code == 0 && older.text().contains(required),
    );

    // A station's folder restored from before the first return: it kept no head and takes the newest.
    let same = bench.carrylog("settle bay1 second");
    let required = "the same log as before";
    cases.row(
        "4.4 same",
        format!("exit 0, {required}"),
        same.text(),
        same.code == 0 && same.text().contains(required),
    );
    cases.finish();
}
