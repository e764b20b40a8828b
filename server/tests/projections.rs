//! A projection that does not follow from the entries is told by the audit, by log or unit.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::statement::{Role, StatementBody};
use rusqlite::Connection;
use support::*;

fn records() -> Records {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    authority.state(StatementBody::Limits(Box::new(sheet())));
    let records = Records::trusting(&authority);
    station.push(installed("1", "LN-FJA", 10));
    station.push(installed("1", "LN-FJB", 20));
    station.tests(&["2", "3"], 500);
    records.deliver(&station.whole(&authority.chain));
    records
}

fn faults_after(sql: &str) -> Vec<String> {
    let records = records();
    assert_eq!(records.server.audit().unwrap().faults, [""; 0]);
    let edited = Connection::open(records.dir.path().join("fleet.db")).unwrap();
    assert_eq!(edited.execute(sql, []).unwrap(), 1, "{sql}");
    drop(edited);
    let faults = records.server.audit().unwrap().faults;
    records.server.rebuild().unwrap();
    assert_eq!(records.server.audit().unwrap().faults, [""; 0], "{sql}");
    faults
}

#[test]
fn an_untouched_store_is_sound_and_everything_was_derived_anew() {
    let report = records().server.audit().unwrap();
    assert_eq!((report.logs, report.units, report.faults.len()), (1, 3, 0));
}

#[test]
fn an_edited_unit_summary_is_told_by_its_unit() {
    let faults = faults_after(
        "UPDATE units SET summary = replace(summary, '41.5', '43.5') WHERE key = 'FJ001/FB-44-2/2'",
    );
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert!(faults[0].contains("unit FJ001/FB-44-2/2"), "{faults:?}");
}

#[test]
fn an_edited_status_is_told_by_its_station_log_and_entry() {
    let faults = faults_after("UPDATE entries SET status = 3 WHERE idx = 3");
    let told = faults
        .iter()
        .any(|f| f.contains("Bay 2 (invented)") && f.contains("entry 3"));
    assert!(told, "{faults:?}");
}

#[test]
fn a_query_that_was_taken_out_is_told_by_its_unit() {
    let faults = faults_after("DELETE FROM queries");
    assert!(faults[0].contains("unit FJ001/FB-44-2/1"), "{faults:?}");
}

#[test]
fn a_column_of_the_list_that_was_edited_is_told() {
    let faults =
        faults_after("UPDATE units SET next_due = '2099-01-01' WHERE key = 'FJ001/FB-44-2/3'");
    assert!(faults[0].contains("unit FJ001/FB-44-2/3"), "{faults:?}");
}
