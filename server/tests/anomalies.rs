//! Anomalies: each kind is found where it should be, nowhere else, and settled by a statement.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::ids::LogId;
use carrylog_format::quantity::MilliKelvin;
use carrylog_format::record::*;
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::text::Text;
use carrylog_format::trace::{self, Trace, TraceColumns};
use carrylog_format::unit_id::UnitKey;
use carrylog_server::Outcome;
use support::*;

/// A server with one enrolled station whose log holds `entries` behind its opening.
fn with(entries: Vec<Entry>) -> (Authority, Records, Station) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    authority.state(StatementBody::Limits(Box::new(sheet())));
    let records = Records::trusting(&authority);
    entries.into_iter().for_each(|e| station.push(e));
    station.seal(3000 * DAY);
    let outcome = records.deliver(&station.whole(&authority.chain));
    assert!(matches!(outcome, Outcome::Accepted(_)), "{outcome:?}");
    (authority, records, station)
}

/// The place of an entry in the log that [`with`] makes.
fn at(entry: &Entry, index: u64) -> EntryRef {
    EntryRef {
        log: LogId::of(&key(2).public()),
        entry: entry.id(),
        index,
    }
}

fn kinds(records: &Records) -> Vec<String> {
    let mut kinds: Vec<_> = records
        .server
        .anomalies(false)
        .unwrap()
        .anomalies
        .iter()
        .map(|a| a.kind.clone())
        .collect();
    kinds.sort();
    kinds
}

fn found(entries: Vec<Entry>) -> Vec<String> {
    kinds(&with(entries).1)
}

#[test]
fn an_ordinary_history_has_none() {
    let removed = UnitChange::Removed {
        reason: remark("check"),
        registration: name("LN-FJA"),
    };
    assert_eq!(
        found(vec![
            installed("1", "LN-FJA", 10),
            unit_event("1", removed, 400),
            test_entry("1", 500),
            installed("1", "LN-FJB", 600),
        ]),
        [""; 0]
    );
}

#[test]
fn a_unit_on_two_aircraft_is_found() {
    assert_eq!(
        found(vec![
            installed("1", "LN-FJA", 10),
            installed("1", "LN-FJB", 20)
        ]),
        ["installed_twice"]
    );
    let removed = UnitChange::Removed {
        reason: remark("check"),
        registration: name("LN-FJC"),
    };
    assert_eq!(
        found(vec![
            installed("1", "LN-FJA", 10),
            unit_event("1", removed, 20)
        ]),
        ["removed_elsewhere"]
    );
}

#[test]
fn stated_and_computed_capacity_may_differ_by_the_sheets_tolerance_and_no_more() {
    // The sheet says 2 %.
    for (stated, expected) in [
        (40.8, Vec::<&str>::new()),
        (40.81, vec!["declared_disagrees"]),
        (39.19, vec!["declared_disagrees"]),
    ] {
        let mut test = check("1", stated, 500);
        test.computed = Some(computed(40.0));
        assert_eq!(found(vec![entry(test)]), expected, "{stated}");
    }
    // Without a sheet for the part number: 1 %.
    let mut test = check("1", 40.5, 500);
    test.unit = carrylog_format::unit_id::UnitId::new("FJ001", "FB-OTHER", "1").unwrap();
    test.computed = Some(computed(40.0));
    assert_eq!(found(vec![entry(test)]), ["declared_disagrees"]);
}

#[test]
fn a_test_after_the_calibration_ran_out_is_found_by_the_order_of_the_log() {
    let calibrated = |due: &str, minutes| {
        let event = StationChange::Calibrated {
            due: due.parse().unwrap(),
            accuracy: None,
            attachment: None,
            certificate: name("C-1 (invented)"),
        };
        station_event(event, minutes)
    };
    assert_eq!(
        found(vec![calibrated("2026-01-03", 10), test_entry("1", 2 * DAY)]),
        [""; 0]
    );
    assert_eq!(
        found(vec![calibrated("2026-01-03", 10), test_entry("1", 3 * DAY)]),
        ["calibration_expired"]
    );
    let renewed = vec![
        calibrated("2026-01-03", 10),
        calibrated("2027-01-01", 20),
        test_entry("1", 3 * DAY),
    ];
    assert_eq!(found(renewed), [""; 0]);
    let late = vec![
        calibrated("2026-01-03", 10),
        test_entry("1", 3 * DAY),
        calibrated("2027-01-01", 4 * DAY),
    ];
    assert_eq!(found(late), ["calibration_expired"]);
}

#[test]
fn one_slot_and_one_start_twice_is_found_but_not_a_correction_of_it() {
    let first = check("1", 40.0, 500);
    let mut again = first.clone();
    again.declared.capacity_uah = Some(ah(40.1));
    assert_eq!(
        found(vec![entry(first.clone()), entry(again.clone())]),
        ["double_capture"]
    );
    let wrong = entry(first);
    let right = correction(at(&wrong, 1), Replacement::Test(Box::new(again)), 510);
    assert_eq!(found(vec![wrong, right]), [""; 0]);
}

/// A trace of two rows, compressed, with its digest.
fn small_trace() -> (carrylog_format::ids::TraceDigest, Vec<u8>) {
    let columns = TraceColumns {
        time_us: vec![0, 1_000_000],
        current_ua: vec![-1_000_000, -1_000_000],
        voltage_uv: vec![27_000_000, 26_900_000],
        ..TraceColumns::default()
    };
    let canonical = Trace::new(columns).unwrap().to_canonical().unwrap();
    let compressed = trace::compress(&canonical).unwrap();
    let (digest, _) = trace::digest_compressed(&compressed, 1 << 20).unwrap();
    (digest, compressed)
}

#[test]
fn one_trace_behind_tests_of_two_units_is_found_at_both() {
    let (sha256, compressed) = small_trace();
    let traced = |serial: &str, minutes| {
        let mut test = check(serial, 40.0, minutes);
        test.trace = Some(TraceRef { rows: 2, sha256 });
        // Nothing read off: two rows give next to no capacity to compare it with.
        test.declared.capacity_uah = None;
        entry(test)
    };
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    let records = Records::trusting(&authority);
    station.push(traced("1", 100));
    station.traces.push((1, compressed));
    station.seal(200);
    records.deliver(&station.whole(&authority.chain));
    assert_eq!(kinds(&records), [""; 0]);
    station.push(traced("2", 300));
    station.seal(400);
    records.deliver(&station.segment(2, 3, &[]));
    assert_eq!(kinds(&records), ["double_capture", "double_capture"]);
    let units: Vec<_> = records
        .server
        .anomalies(false)
        .unwrap()
        .anomalies
        .into_iter()
        .filter_map(|a| a.unit)
        .collect();
    assert_eq!(units.len(), 2);
    // An authority says which one repeats the other.
    let (entry, of) = (station.entries[2].id(), station.entries[1].id());
    let reason = remark("wrong serial picked (invented)");
    authority.state(StatementBody::DuplicateOf {
        of: EntryRef {
            log: station.id(),
            entry: of,
            index: 1,
        },
        entry: EntryRef {
            log: station.id(),
            entry,
            index: 2,
        },
        reason,
    });
    records.deliver(&authority.whole_file());
    assert_eq!(kinds(&records), [""; 0]);
    assert_eq!(records.server.audit().unwrap().traces, 1);
}

#[test]
fn doubtful_clocks_are_found() {
    assert_eq!(
        found(vec![test_entry("1", 500), test_entry("2", 400)]),
        ["clock_backwards"]
    );
    assert_eq!(
        found(vec![
            test_entry("1", 4001 * DAY),
            test_entry("2", 4002 * DAY)
        ]),
        ["clock_ahead"]
    );
}

#[test]
fn two_corrections_of_one_entry_are_found_and_the_last_one_holds() {
    let wrong = test_entry("1", 500);
    let to = |capacity, minutes| {
        let right = Replacement::Test(Box::new(check("1", capacity, 500)));
        correction(at(&wrong, 1), right, minutes)
    };
    let (_, records, _) = with(vec![wrong.clone(), to(39.0, 510), to(38.0, 520)]);
    assert_eq!(kinds(&records), ["competing_corrections"]);
    let unit = records.server.unit(&unit("1").key()).unwrap().unwrap();
    let superseded = unit
        .history
        .iter()
        .find(|h| h.superseded_by.is_some())
        .unwrap();
    assert_eq!(
        superseded.entry.test.as_ref().unwrap().declared.capacity_ah,
        Some(41.5)
    );
}

#[test]
fn a_missing_statement_is_found_and_gone_when_it_comes() {
    let (mut authority, records, _) = with(vec![]);
    authority.state(StatementBody::Limits(Box::new(sheet())));
    authority.state(StatementBody::Limits(Box::new(sheet())));
    let last = authority.chain.len() - 1;
    records.deliver(&authority.file(&authority.chain[last..]));
    assert_eq!(kinds(&records), ["statement_missing"]);
    records.deliver(&authority.whole_file());
    assert_eq!(kinds(&records), [""; 0]);
}

#[test]
fn an_anomaly_is_settled_by_its_name_and_stays_visible() {
    let (mut authority, records, _) = with(vec![
        installed("1", "LN-FJA", 10),
        installed("1", "LN-FJB", 20),
    ]);
    let id = records.server.anomalies(false).unwrap().anomalies[0]
        .id
        .clone();
    let key = UnitKey::parse("FJ001/FB-44-2/1").unwrap();
    assert_eq!(
        records
            .server
            .unit(&key)
            .unwrap()
            .unwrap()
            .unit
            .open_anomalies,
        1
    );
    let reason = remark("the removal was on paper (invented)");
    authority.state(StatementBody::Resolved {
        query: Text::new(&id).unwrap(),
        reason,
    });
    records.deliver(&authority.whole_file());
    assert_eq!(kinds(&records), [""; 0]);
    let all = records.server.anomalies(true).unwrap().anomalies;
    assert_eq!(
        all[0].settled.as_deref(),
        Some("the removal was on paper (invented)")
    );
    assert_eq!(
        records
            .server
            .unit(&key)
            .unwrap()
            .unwrap()
            .unit
            .open_anomalies,
        0
    );
    records.server.rebuild().unwrap();
    assert_eq!(kinds(&records), [""; 0]);
}

#[test]
fn a_withdrawn_test_no_longer_counts() {
    let good = {
        let mut test = check("1", 42.0, 400);
        test.ambient_mk = Some(MilliKelvin::from_celsius(21.0).unwrap());
        entry(test)
    };
    let wrong = entry(check("1", 4.2, 500));
    let withdrawn = correction(at(&wrong, 2), Replacement::Withdrawn, 510);
    let (_, records, _) = with(vec![good, wrong, withdrawn]);
    let unit = records.server.unit(&unit("1").key()).unwrap().unwrap();
    assert_eq!(unit.unit.last_capacity_ah, Some(42.0));
    assert!(unit.history.iter().any(|h| h.withdrawn && !h.counts));
}

#[test]
fn two_spellings_are_one_unit_once_an_authority_says_so() {
    let (mut authority, records, _) = with(vec![test_entry("00123", 100), test_entry("123", 200)]);
    assert_eq!(records.server.fleet().unwrap().units, 2);
    authority.state(StatementBody::Alias {
        unit: unit("123"),
        same_as: unit("00123"),
    });
    records.deliver(&authority.whole_file());
    assert_eq!(records.server.fleet().unwrap().units, 1);
    let shown = records.server.unit(&unit("123").key()).unwrap().unwrap();
    assert_eq!(shown.unit.key, "FJ001/FB-44-2/00123");
    assert_eq!(shown.other_spellings, ["FJ001/FB-44-2/123"]);
    assert_eq!(shown.history.len(), 2);
}
