//! Fleet heads, consistency receipts, and unit histories from one server to another.

#![allow(clippy::unwrap_used, clippy::panic, reason = "helpers of tests")]

mod support;

use carrylog_format::bundle::{VerifiedHistory, read_history};
use carrylog_format::cose::parse_receipt;
use carrylog_format::fleet_log::head::{self as fleet_head, FleetHead};
use carrylog_format::record::Replacement;
use carrylog_format::refusal::Refusal;
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::UnitKey;
use carrylog_server::Outcome;
use support::*;

/// An authority, a server that trusts it, and an enrolled station with three sealed deliveries.
fn scene() -> (Authority, Records, Station) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    let records = Records::trusting(&authority);
    authority.enrol_server(&records);
    station.tests(&["A1", "A2"], 100);
    let wrong = test_entry("A1", 1990);
    station.push(wrong.clone());
    let right = Replacement::Test(Box::new(check("A1", 40.0, 1990)));
    let place = station.place(&wrong);
    station.push(correction(place, right, 1995));
    station.tests(&["A3", "A1", "A4"], 2000);
    station.tests(&["A1", "A2"], 4000);
    (authority, records, station)
}

/// Another operator's authority, which trusts the first one or not, and its server.
fn elsewhere(of: &Authority, trusts: bool) -> (Authority, Records) {
    let mut other = Authority::new(11);
    if trusts {
        other.state(trusted(of));
    }
    let records = Records::trusting(&other);
    records.deliver(&other.whole_file());
    (other, records)
}

fn trusted(of: &Authority) -> StatementBody {
    StatementBody::AuthorityTrusted {
        key: of.key.public(),
        name: name("Fjordline records office (invented)"),
        reason: remark("units on loan (invented)"),
    }
}

fn unit_key(serial: &str) -> UnitKey {
    unit(serial).key()
}

fn history(records: &Records, serial: &str) -> Vec<u8> {
    let file = records.server.unit_history_file(&unit_key(serial), true);
    file.unwrap().unwrap()
}

/// Reads a history with nothing but the authority's public key.
fn read(file: &[u8], authority: &Authority) -> Result<VerifiedHistory, Refusal> {
    let trust = TrustStore::new([authority.key.public()]);
    read_history(file, &trust, &mut |_| {})
}

fn head(records: &Records) -> FleetHead {
    let bytes = records.server.fleet_head().unwrap();
    fleet_head::verify(&bytes, records.server.public_key()).unwrap()
}

/// What an auditor checks: the receipt leads from the kept head to the new one.
fn only_grew(records: &Records, kept: &FleetHead, now: &FleetHead) -> bool {
    let Some(bytes) = records
        .server
        .fleet_consistency(kept.size, now.size)
        .unwrap()
    else {
        return false;
    };
    parse_receipt(&bytes)
        .unwrap()
        .verify_consistency(records.server.public_key(), &kept.root)
        .is_ok_and(|verified| verified.root() == now.root)
}

#[test]
fn a_kept_head_leads_to_every_later_one_while_the_fleet_log_only_grows() {
    let (authority, records, mut station) = scene();
    records.deliver(&station.whole(&authority.chain));
    let kept = head(&records);
    // The opening, three statements, three seals.
    assert_eq!(kept.size, 7);
    assert!(kept.root == head(&records).root);
    let size = station.len();
    station.tests(&["A5"], 6000);
    station.tests(&["A6"], 7000);
    records.deliver(&station.segment(size, station.len(), &[]));
    let now = head(&records);
    assert_eq!(now.size, 9);
    assert!(only_grew(&records, &kept, &now));
    for (from, to) in [(0, 5), (4, 3), (1, 10), (6, 6), (10, 11)] {
        let none = records.server.fleet_consistency(from, to).unwrap();
        assert_eq!(none, None, "{from} to {to}");
    }
}

/// The server's operator changes the database by hand and starts it again.
fn tampered(records: Records, sql: &str) -> Records {
    let path = records.dir.path().join("fleet.db");
    let Records { dir, server } = records;
    drop(server);
    let db = rusqlite::Connection::open(path).unwrap();
    db.execute_batch(sql).unwrap();
    drop(db);
    let server = carrylog_server::Server::open(config(&dir, None)).unwrap();
    Records {
        dir,
        server: std::sync::Arc::new(server),
    }
}

#[test]
fn a_server_that_rewrote_dropped_or_reordered_its_fleet_log_is_caught() {
    for (how, sql) in [
        (
            "rewrote",
            "UPDATE fleet_log SET leaf = zeroblob(32) WHERE idx = 1",
        ),
        (
            "dropped the last",
            "DELETE FROM fleet_log WHERE idx = (SELECT max(idx) FROM fleet_log)",
        ),
        (
            "dropped one within",
            "DELETE FROM fleet_log WHERE idx = 1; UPDATE fleet_log SET idx = 1 WHERE idx = (SELECT max(idx) FROM fleet_log)",
        ),
        (
            "reordered",
            "UPDATE fleet_log SET idx = 1000 WHERE idx = 0; UPDATE fleet_log SET idx = 0 WHERE idx = 1; UPDATE fleet_log SET idx = 1 WHERE idx = 1000",
        ),
        ("nothing", ""),
    ] {
        let (authority, records, mut station) = scene();
        records.deliver(&station.whole(&authority.chain));
        let kept = head(&records);
        let records = tampered(records, sql);
        let size = station.len();
        for minutes in [6000, 7000] {
            station.tests(&["A5"], minutes);
        }
        records.deliver(&station.segment(size, station.len(), &[]));
        let caught = !only_grew(&records, &kept, &head(&records));
        assert_eq!(caught, how != "nothing", "{how}");
    }
}

#[test]
fn a_history_verifies_alone_with_nothing_but_the_authoritys_key() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    records.deliver(&authority.whole_file());
    let file = history(&records, "A1");
    let read_back = read(&file, &authority).unwrap();
    // Four tests and the correction of one.
    assert_eq!(read_back.entries(), 5);
    assert_eq!(read_back.receipts(), 1);
    let part = &read_back.logs()[&station.id()];
    assert_eq!(
        (part.sealed_size, part.receipted_size),
        (station.len(), station.len())
    );
    assert!(read(&file, &Authority::new(11)).is_err());
    let none = records.server.unit_history_file(&unit_key("ZZ"), true);
    assert_eq!(none.unwrap(), None);
}

#[test]
fn a_history_is_merged_where_its_authority_is_trusted_and_its_origin_stays_visible() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    records.deliver(&authority.whole_file());
    let file = history(&records, "A1");
    let (_, there) = elsewhere(&authority, true);
    let Outcome::History(merge) = there.deliver(&file) else {
        panic!("not merged")
    };
    assert_eq!((merge.new_entries, merge.known_entries), (5, 0));
    assert_eq!(merge.origins.len(), 1);
    assert_eq!(merge.origins[0].station, "Bay 2 (invented)");
    assert!(!merge.origins[0].forked);
    let shown = there.server.unit(&unit_key("A1")).unwrap().unwrap();
    assert_eq!(shown.history.len(), 5);
    assert_eq!(shown.history.iter().filter(|h| h.counts).count(), 4);
    for entry in &shown.history {
        assert_eq!(entry.station, "Bay 2 (invented)");
        assert_eq!(
            entry.authority.as_deref(),
            Some("Fjordline records office (invented)")
        );
    }
    let digest = there.digest();
    let Outcome::History(again) = there.deliver(&file) else {
        panic!("not merged")
    };
    assert_eq!((again.new_entries, again.known_entries), (0, 5));
    assert_eq!(there.digest(), digest);
    let rebuilt = there.server.rebuild().unwrap();
    assert_eq!(rebuilt.before, rebuilt.after);
    assert_eq!(there.digest(), digest);
    let audit = there.server.audit().unwrap();
    assert_eq!(audit.faults, Vec::<String>::new());
}

#[test]
fn a_history_of_an_authority_that_is_not_trusted_waits_for_the_statement() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    let file = history(&records, "A1");
    let (mut other, there) = elsewhere(&authority, false);
    let before = there.digest();
    let outcome = there.deliver(&file);
    assert!(
        matches!(outcome, Outcome::HistoryQuarantined { .. }),
        "{outcome:?}"
    );
    assert_eq!(there.digest(), before);
    assert!(there.server.unit(&unit_key("A1")).unwrap().is_none());
    other.state(trusted(&authority));
    there.deliver(&other.whole_file());
    let shown = there.server.unit(&unit_key("A1")).unwrap().unwrap();
    assert_eq!(shown.history.len(), 5);
}

#[test]
fn histories_and_segments_give_one_fleet_in_any_order() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    records.deliver(&authority.whole_file());
    let (one, two) = (history(&records, "A1"), history(&records, "A2"));
    let early = station.segment(0, 3, &authority.chain);
    let late = station.segment(3, station.len(), &authority.chain);
    let files = [one, two, early, late];
    let orders = [
        [0, 1, 2, 3],
        [3, 2, 1, 0],
        [2, 0, 3, 1],
        [3, 0, 1, 2],
        [1, 2, 0, 3],
        [2, 3, 0, 1],
    ];
    // After any two files, the set of what was delivered decides; after all, everything is whole.
    let run = |order: &[usize]| {
        let (_, there) = elsewhere(&authority, true);
        for file in order {
            there.deliver(&files[*file]);
        }
        let digest = there.digest();
        let rebuilt = there.server.rebuild().unwrap();
        assert_eq!(rebuilt.after.to_string(), digest, "{order:?}");
        digest
    };
    for taken in 2..=4 {
        let mut by_set = std::collections::BTreeMap::new();
        for order in orders {
            let mut set = order[..taken].to_vec();
            set.sort_unstable();
            let mut reversed = order[..taken].to_vec();
            reversed.reverse();
            let digest = run(&order[..taken]);
            assert_eq!(digest, run(&reversed), "{order:?}");
            assert_eq!(by_set.entry(set).or_insert_with(|| digest.clone()), &digest);
        }
    }
    let whole = run(&[2, 3]);
    assert_eq!(run(&[0, 1, 2, 3]), whole, "nothing single is left over");
}

#[test]
fn a_history_that_contradicts_a_known_log_is_evidence_of_a_fork() {
    let (authority, records, station) = scene();
    let mut copy = station.copy();
    let mut station = station;
    station.tests(&["A7"], 9000);
    copy.tests(&["A1"], 9001);
    records.deliver(&copy.whole(&authority.chain));
    records.deliver(&authority.whole_file());
    let file = history(&records, "A1");
    let whole = station.whole(&authority.chain);
    let mut digests = Vec::new();
    for order in [[&file, &whole], [&whole, &file]] {
        let (_, there) = elsewhere(&authority, true);
        order.iter().for_each(|f| drop(there.deliver(f)));
        let Outcome::History(merge) = there.deliver(&file) else {
            panic!("not merged")
        };
        assert!(merge.origins[0].forked);
        let shown = there.server.unit(&unit_key("A1")).unwrap().unwrap();
        let disputed = shown
            .history
            .iter()
            .filter(|h| h.status == carrylog_history::log::EntryStatus::Disputed);
        assert_eq!(disputed.count(), 1);
        digests.push(there.digest());
    }
    assert_eq!(digests[0], digests[1]);
}

/// Status, content type and body of an answer.
async fn get(records: &Records, path: &str) -> (u16, String, Vec<u8>) {
    use tower::ServiceExt;
    let app = carrylog_server::router(std::sync::Arc::clone(&records.server), true);
    let request = axum::http::Request::get(format!("/api/v1/{path}"));
    let request = request.body(axum::body::Body::empty()).unwrap();
    let answer = app.oneshot(request).await.unwrap();
    let kind = answer.headers()["content-type"]
        .to_str()
        .unwrap()
        .to_owned();
    let status = answer.status().as_u16();
    let body = axum::body::to_bytes(answer.into_body(), 1 << 24).await;
    (status, kind, body.unwrap().to_vec())
}

#[tokio::test]
async fn heads_consistency_receipts_and_histories_are_answered_over_http() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    let (status, kind, body) = get(&records, "fleet-log/head").await;
    assert_eq!((status, kind.as_str()), (200, "application/cose"));
    let signed = fleet_head::verify(&body, records.server.public_key()).unwrap();
    assert_eq!((signed.size, signed.root), (7, head(&records).root));
    let (status, kind, body) = get(&records, "fleet-log/consistency?from=1&to=3").await;
    assert_eq!((status, kind.as_str()), (200, "application/cose"));
    assert!(parse_receipt(&body).is_ok());
    for wrong in [
        "from=0&to=3",
        "from=3&to=2",
        "from=1&to=8",
        "from=1",
        "from=x&to=2",
    ] {
        let (status, kind, _) = get(&records, &format!("fleet-log/consistency?{wrong}")).await;
        assert_eq!((status, kind.as_str()), (400, "application/problem+json"));
    }
    let (status, _, whole) = get(&records, "histories/FJ001/FB-44-2/A1").await;
    assert_eq!(status, 200);
    assert_eq!(read(&whole, &authority).unwrap().entries(), 5);
    let (status, _, _) = get(&records, "histories/FJ001/FB-44-2/A1?traces=no").await;
    assert_eq!(status, 200);
    let (status, kind, _) = get(&records, "histories/FJ001/FB-44-2/ZZ").await;
    assert_eq!((status, kind.as_str()), (404, "application/problem+json"));
}
