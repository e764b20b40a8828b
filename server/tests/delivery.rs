//! What becomes of delivered files: every case of the merge, bad input, and nothing half done.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::trust::TrustStore;
use carrylog_server::Outcome;
use support::*;

/// An authority, a server that trusts it, and an enrolled station with two sealed deliveries.
fn scene() -> (Authority, Records, Station) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    let records = Records::trusting(&authority);
    station.tests(&["A1", "A2"], 100);
    station.tests(&["A1", "A3", "A4"], 2000);
    (authority, records, station)
}

fn trust(authority: &Authority) -> TrustStore {
    let mut trust = TrustStore::new([authority.key.public()]);
    for statement in &authority.chain {
        trust.add(statement.sign1()).unwrap();
    }
    trust
}

/// The receipts that a return file holds, verified as a station does.
fn receipts(authority: &Authority, file: &[u8]) -> Vec<(u64, u64)> {
    let read = carrylog_format::bundle::read_return(file, &trust(authority), &mut |_| {}).unwrap();
    read.receipts()
        .iter()
        .map(|r| (r.seal().size, r.fleet_index()))
        .collect()
}

#[test]
fn a_first_delivery_is_accepted_and_answered_with_receipts_that_verify() {
    let (mut authority, records, station) = scene();
    authority.enrol_server(&records);
    let outcome = records.deliver(&station.whole(&authority.chain));
    let Outcome::Accepted(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(
        (
            merge.new_entries,
            merge.known_entries,
            merge.accepted_entries
        ),
        (6, 0, 6)
    );
    assert_eq!(merge.new_receipts, 2);
    let file = records.server.return_file(station.id()).unwrap().unwrap();
    assert_eq!(receipts(&authority, &file), [(3, 4), (6, 5)]);
}

#[test]
fn a_second_delivery_of_the_same_file_changes_nothing_and_gets_the_same_receipts() {
    let (authority, records, station) = scene();
    let file = station.whole(&authority.chain);
    records.deliver(&file);
    let (digest, back) = (
        records.digest(),
        records.server.return_file(station.id()).unwrap(),
    );
    let outcome = records.deliver(&file);
    let Outcome::Known(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(
        (merge.new_entries, merge.known_entries, merge.new_receipts),
        (0, 6, 0)
    );
    assert_eq!(records.digest(), digest);
    assert_eq!(records.server.return_file(station.id()).unwrap(), back);
}

#[test]
fn an_earlier_part_and_an_overlap_are_known() {
    let (authority, records, station) = scene();
    records.deliver(&station.whole(&authority.chain));
    for (from, to) in [(0, 3), (3, 6)] {
        let outcome = records.deliver(&station.segment(from, to, &[]));
        assert!(
            matches!(outcome, Outcome::Known(_)),
            "{from}..{to}: {outcome:?}"
        );
    }
}

#[test]
fn an_overlap_brings_only_what_is_new() {
    let (authority, records, station) = scene();
    records.deliver(&station.segment(0, 3, &authority.chain));
    let outcome = records.deliver(&station.whole(&[]));
    let Outcome::Accepted(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(
        (
            merge.new_entries,
            merge.known_entries,
            merge.accepted_entries
        ),
        (3, 3, 6)
    );
}

#[test]
fn a_gap_is_held_without_a_receipt_and_closes_when_the_missing_part_comes() {
    let (mut authority, records, station) = scene();
    authority.enrol_server(&records);
    let outcome = records.deliver(&station.segment(3, 6, &authority.chain));
    let Outcome::Held(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!((merge.new_entries, merge.accepted_entries), (3, 0));
    let file = records.server.return_file(station.id()).unwrap().unwrap();
    assert_eq!(receipts(&authority, &file), []);
    let outcome = records.deliver(&station.segment(0, 3, &[]));
    let Outcome::Accepted(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!((merge.accepted_entries, merge.new_receipts), (6, 2));
    let file = records.server.return_file(station.id()).unwrap().unwrap();
    assert_eq!(receipts(&authority, &file), [(3, 4), (6, 5)]);
}

#[test]
fn a_fork_keeps_both_versions_and_counts_neither_until_a_statement_chooses() {
    let (mut authority, records, mut station) = scene();
    let mut copy = station.copy();
    station.tests(&["A5"], 3000);
    copy.tests(&["A6"], 3001);
    records.deliver(&station.whole(&authority.chain));
    let outcome = records.deliver(&copy.whole(&[]));
    let Outcome::Fork(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(
        merge.accepted_entries, 6,
        "the common beginning still counts"
    );
    let root = copy.tree.root_at(7).unwrap();
    let reason = remark("the copy holds the real test (invented)");
    authority.state(StatementBody::BranchChosen {
        log: copy.id(),
        root,
        size: 7,
        reason,
    });
    let outcome = records.deliver(&authority.whole_file());
    assert_eq!(outcome, Outcome::Statements { new: 1, ignored: 0 });
    assert!(matches!(
        records.deliver(&copy.whole(&[])),
        Outcome::Known(_)
    ));
    assert!(matches!(
        records.deliver(&station.whole(&[])),
        Outcome::Fork(_)
    ));
}

#[test]
fn a_file_of_a_station_that_is_not_enrolled_waits_and_is_merged_when_it_is() {
    let (mut authority, records, _) = scene();
    let mut other = Station::new(9);
    other.tests(&["B1"], 100);
    let before = records.digest();
    let outcome = records.deliver(&other.whole(&[]));
    let Outcome::Quarantined { log, .. } = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(log, other.id());
    assert_eq!(records.digest(), before);
    authority.enrol(&other.key, Role::Station, "Bay 9 (invented)");
    records.deliver(&authority.whole_file());
    assert!(matches!(
        records.deliver(&other.whole(&[])),
        Outcome::Known(_)
    ));
}

#[test]
fn entries_after_a_revocation_are_kept_and_do_not_count_whichever_came_first() {
    let (mut authority, records, station) = scene();
    let enrolled = authority.chain.len();
    authority.revoke(station.id(), 3);
    records.deliver(&station.whole(&authority.chain[..enrolled]));
    records.deliver(&authority.whole_file());
    let late = records.digest();
    let early = Records::trusting(&authority);
    early.deliver(&authority.whole_file());
    let outcome = early.deliver(&station.whole(&[]));
    assert!(
        matches!(outcome, Outcome::Quarantined { .. }),
        "{outcome:?}"
    );
    assert_eq!(early.digest(), late);
}

#[test]
fn every_flipped_bit_and_every_cut_is_refused_and_leaves_nothing_behind() {
    let (authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    let before = records.digest();
    let file = station.segment(0, 3, &[]);
    let mut files: Vec<Vec<u8>> = (0..file.len())
        .step_by(7)
        .map(|i| {
            let mut changed = file.clone();
            changed[i] ^= 1 << (i % 8);
            changed
        })
        .collect();
    files.extend((0..file.len()).step_by(41).map(|end| file[..end].to_vec()));
    for (i, bad) in files.iter().enumerate() {
        let outcome = records.deliver(bad);
        let refused = matches!(&outcome, Outcome::Refused(r) if r.offset.is_some());
        assert!(refused, "file {i}: {outcome:?}");
        assert_eq!(records.digest(), before, "file {i}");
    }
    assert!(records.server.return_file(station.id()).unwrap().is_none());
    assert!(matches!(records.deliver(&file), Outcome::Accepted(_)));
}

#[test]
fn what_is_no_carrylog_file_is_refused_by_its_rule() {
    let (_, records, _) = scene();
    for (bytes, rule) in [
        (&b""[..], "B-1"),
        (b"%PDF-1.7", "B-1"),
        (b"\xd9\xd9\xf7\x01", "B-2"),
    ] {
        let outcome = records.deliver(bytes);
        let Outcome::Refused(refused) = outcome else {
            panic!("{outcome:?}")
        };
        assert_eq!(refused.rule, rule);
    }
}

#[test]
fn a_file_sealed_by_another_key_is_refused() {
    let (authority, records, station) = scene();
    let mut other = station.copy();
    other.key = key(8);
    other.seals.clear();
    other.seal(3000);
    let mut file = other.whole(&authority.chain);
    // The thief writes the victim's name and key over his own.
    let (theirs, ours) = (
        other.key.public().to_bytes(),
        station.key.public().to_bytes(),
    );
    let log = other.id();
    for (from, to) in [
        (&theirs[..], &ours[..]),
        (
            &log.hash().as_bytes()[..],
            &station.id().hash().as_bytes()[..],
        ),
    ] {
        if let Some(at) = file.windows(32).position(|w| w == from) {
            file[at..at + 32].copy_from_slice(to);
        }
    }
    let outcome = records.deliver(&file);
    assert!(matches!(outcome, Outcome::Refused(_)), "{outcome:?}");
}

#[test]
fn a_restart_finds_the_same_fleet_and_goes_on() {
    let (authority, records, mut station) = scene();
    records.deliver(&station.whole(&authority.chain));
    let before = records.digest();
    let records = records.reopened();
    assert_eq!(records.digest(), before);
    station.tests(&["A1"], 5000);
    let outcome = records.deliver(&station.segment(6, 7, &[]));
    let Outcome::Accepted(merge) = outcome else {
        panic!("{outcome:?}")
    };
    assert_eq!(merge.accepted_entries, 7);
}

#[test]
fn rebuilding_gives_the_same_digest_and_the_same_receipts() {
    let (authority, records, mut station) = scene();
    let mut copy = station.copy();
    station.tests(&["A5"], 3000);
    copy.tests(&["A6"], 3001);
    records.deliver(&station.whole(&authority.chain));
    records.deliver(&copy.whole(&[]));
    let back = records.server.return_file(station.id()).unwrap();
    let rebuilt = records.server.rebuild().unwrap();
    assert_eq!(rebuilt.before, rebuilt.after);
    assert_eq!(records.digest(), rebuilt.after.to_string());
    assert_eq!(records.server.return_file(station.id()).unwrap(), back);
}

#[test]
fn a_receipt_is_for_a_seal_and_not_for_a_changed_one() {
    let (mut authority, records, station) = scene();
    authority.enrol_server(&records);
    records.deliver(&station.whole(&authority.chain));
    let file = records.server.return_file(station.id()).unwrap().unwrap();
    let mut slips = Vec::new();
    carrylog_format::bundle::read_return(&file[..], &trust(&authority), &mut |item| {
        if let carrylog_format::bundle::ReturnItem::Receipt(r) = item {
            slips.push(r.slip().encode().unwrap());
        }
    })
    .unwrap();
    let good = &slips[0];
    for i in 0..good.len() {
        let mut bad = good.clone();
        bad[i] ^= 1;
        let verified = ReceiptSlip::parse(&bad).and_then(|s| s.verify(&trust(&authority)));
        assert!(verified.is_err(), "byte {i}");
    }
}
