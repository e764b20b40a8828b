//! Bundles through their doors: what is sound is verified, everything else is refused by rule.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::{HistoryItem, SegmentItem, read_history, read_return, read_segment};
use carrylog_format::refusal::{Fault, Refusal, Rule};
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::trust::TrustStore;
use support::*;

fn scene() -> (Authority, StationLog) {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    authority.enrol(&key(3), Role::Server, "Records office");
    log.push(test_entry("SN-0001", 60));
    log.seal(61);
    log.push(test_entry("SN-0002", 120));
    log.push(test_entry("SN-0001", 180));
    log.seal(181);
    (authority, log)
}

fn refuse(bytes: &[u8], trust: &TrustStore) -> Refusal {
    read_segment(bytes, trust, &mut |_| {}).unwrap_err()
}

#[test]
fn a_sound_segment_is_verified_and_hands_out_its_entries_in_order() {
    let (authority, log) = scene();
    let bytes = log.segment(0, &authority.chain);
    let mut indexes = Vec::new();
    // The reader holds the authority's key only; the enrolment travels with the entries.
    let trust = TrustStore::new([authority.key.public()]);
    let segment = read_segment(&bytes[..], &trust, &mut |item| {
        if let SegmentItem::Entry { index, .. } = item {
            indexes.push(index);
        }
    })
    .unwrap();
    assert_eq!(indexes, [0, 1, 2, 3]);
    assert_eq!(segment.seals().len(), 2);
    assert_eq!(segment.after().root(), log.tree.root_at(4).unwrap());
    assert_eq!(segment.standing().enrolment.name.as_str(), "Bay 1");
}

#[test]
fn a_later_segment_proves_that_it_extends_what_came_before() {
    let (authority, log) = scene();
    let bytes = log.segment(2, &authority.chain);
    let segment = read_segment(&bytes[..], &authority.trust(), &mut |_| {}).unwrap();
    assert_eq!(segment.before(), &log.frontier(2));
    assert_eq!(segment.header().from, 2);
}

#[test]
fn any_changed_byte_is_refused_at_an_offset_not_after_it() {
    let (authority, log) = scene();
    let bytes = log.segment(0, &authority.chain);
    let trust = TrustStore::new([authority.key.public()]);
    for position in 0..bytes.len() {
        for bit in 0..8 {
            let mut damaged = bytes.clone();
            damaged[position] ^= 1 << bit;
            let refusal = refuse(&damaged, &trust);
            let offset = refusal
                .offset
                .unwrap_or_else(|| panic!("byte {position}: {refusal}"));
            // A changed length head may only show where the frame should have ended.
            assert!(offset <= bytes.len() as u64, "byte {position}: {refusal}");
        }
    }
}

#[test]
fn every_truncation_is_refused() {
    let (authority, log) = scene();
    let bytes = log.segment(0, &authority.chain);
    let trust = TrustStore::new([authority.key.public()]);
    for length in 0..bytes.len() {
        assert_eq!(
            refuse(&bytes[..length], &trust).fault,
            Fault::Medium,
            "length {length}"
        );
    }
}

#[test]
fn an_unenrolled_station_is_not_trusted_but_not_called_damaged() {
    let (authority, log) = scene();
    let bytes = log.segment(0, &[]);
    let refusal = refuse(&bytes, &TrustStore::new([authority.key.public()]));
    assert_eq!(
        (refusal.rule, refusal.fault),
        (Rule::Enrolment, Fault::Trust)
    );
}

#[test]
fn a_segment_under_another_authority_is_not_trusted() {
    let (authority, log) = scene();
    let bytes = log.segment(0, &authority.chain);
    let refusal = refuse(&bytes, &TrustStore::new([key(77).public()]));
    assert_eq!(
        (refusal.rule, refusal.fault),
        (Rule::Enrolment, Fault::Trust)
    );
}

#[test]
fn an_authority_trusted_by_statement_opens_its_own_stations_and_no_further() {
    let (first, log) = scene();
    let bytes = log.segment(0, &first.chain);
    let mut second = Authority::new(5);
    let mut third = Authority::new(6);
    let trusts = |key: &carrylog_format::cose::SecretKey| StatementBody::AuthorityTrusted {
        key: key.public(),
        name: name("Another operator (invented)"),
        reason: carrylog_format::text::Remark::new("Units are exchanged.").unwrap(),
    };
    second.state(trusts(&first.key));
    assert!(read_segment(&bytes[..], &second.trust(), &mut |_| {}).is_ok());
    third.state(trusts(&second.key));
    let mut trust = third.trust();
    for statement in &second.chain {
        trust.add(statement.sign1()).unwrap();
    }
    assert_eq!(
        refuse(&bytes, &trust).rule,
        Rule::Enrolment,
        "trust goes one step only"
    );
}

#[test]
fn another_key_in_the_header_is_refused() {
    let (authority, log) = scene();
    let mut forged = StationLog::new(9);
    for entry in log.entries.iter().skip(1) {
        forged.push(entry.clone());
    }
    forged.seal(181);
    // The forger's own log is sound but unenrolled; with the station's header it is neither.
    let own = forged.segment(0, &authority.chain);
    assert_eq!(refuse(&own, &authority.trust()).fault, Fault::Trust);
    let spliced = StationLog {
        key: key(2),
        entries: forged.entries,
        tree: forged.tree,
        seals: forged.seals,
    }
    .segment(0, &authority.chain);
    assert_eq!(
        refuse(&spliced, &authority.trust()).rule,
        Rule::SealSignature
    );
}

#[test]
fn entries_added_dropped_or_swapped_break_the_sealed_root() {
    let (authority, log) = scene();
    let trust = authority.trust();
    let swapped = {
        let mut entries = log.entries.clone();
        entries.swap(2, 3);
        StationLog {
            key: key(2),
            entries,
            tree: log.tree.clone(),
            seals: log.seals.clone(),
        }
    };
    assert_eq!(
        refuse(&swapped.segment(0, &authority.chain), &trust).rule,
        Rule::SealRoot
    );
    let replaced = {
        let mut entries = log.entries.clone();
        entries[3] = test_entry("SN-0009", 180);
        StationLog {
            key: key(2),
            entries,
            tree: log.tree.clone(),
            seals: log.seals.clone(),
        }
    };
    assert_eq!(
        refuse(&replaced.segment(0, &authority.chain), &trust).rule,
        Rule::SealRoot
    );
}

#[test]
fn a_dropped_or_foreign_seal_breaks_the_chain() {
    let (authority, mut log) = scene();
    log.seals.remove(0);
    assert_eq!(
        refuse(&log.segment(0, &authority.chain), &authority.trust()).rule,
        Rule::SealChain
    );
}

#[test]
fn return_bundles_carry_receipts_that_verify_alone() {
    let (authority, log) = scene();
    let bytes = return_of(log.id(), &authority.chain, &log.seals, 300);
    let trust = TrustStore::new([authority.key.public()]);
    let back = read_return(&bytes[..], &trust, &mut |_| {}).unwrap();
    assert_eq!(back.receipts().len(), 2);
    assert_eq!(back.receipts()[1].seal().size, 4);
    assert_eq!(back.receipts()[1].server_name(), "Records office");
    for position in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[position] ^= 0x10;
        assert!(
            read_return(&damaged[..], &trust, &mut |_| {}).is_err(),
            "byte {position}"
        );
    }
    for length in 0..bytes.len() {
        assert!(read_return(&bytes[..length], &trust, &mut |_| {}).is_err());
    }
}

#[test]
fn a_receipt_by_an_unenrolled_server_does_not_count() {
    let (mut authority, log) = scene();
    authority.chain.truncate(2);
    let bytes = return_of(log.id(), &authority.chain, &log.seals, 300);
    let trust = TrustStore::new([authority.key.public()]);
    let refusal = read_return(&bytes[..], &trust, &mut |_| {}).unwrap_err();
    assert_eq!((refusal.rule, refusal.fault), (Rule::Receipt, Fault::Trust));
}

#[test]
fn a_unit_history_verifies_alone_and_names_its_origin() {
    let (authority, log) = scene();
    let bytes = log.history(
        &unit("SN-0001"),
        &authority.chain,
        &receipts(&log.seals, 300),
    );
    let trust = TrustStore::new([authority.key.public()]);
    let mut indexes = Vec::new();
    let history = read_history(&bytes[..], &trust, &mut |item| {
        if let HistoryItem::Entry { index, revoked, .. } = item {
            indexes.push((index, revoked));
        }
    })
    .unwrap();
    assert_eq!(indexes, [(1, false), (3, false)]);
    let part = &history.logs()[&log.id()];
    assert_eq!(
        (
            part.station.as_str(),
            part.entries,
            part.sealed_size,
            part.receipted_size
        ),
        ("Bay 1", 2, 4, 4)
    );
    for position in 0..bytes.len() {
        let mut damaged = bytes.clone();
        damaged[position] ^= 0x04;
        assert!(
            read_history(&damaged[..], &trust, &mut |_| {}).is_err(),
            "byte {position}"
        );
    }
    for length in 0..bytes.len() {
        assert!(read_history(&bytes[..length], &trust, &mut |_| {}).is_err());
    }
}

#[test]
fn a_unit_history_that_holds_another_unit_is_refused() {
    let (authority, log) = scene();
    let bytes = log.history(&unit("SN-0001"), &authority.chain, &[]);
    let other = log.history(&unit("SN-0002"), &authority.chain, &[]);
    // The header of one with the entries of the other: the digest of each frame still holds.
    let split = |b: &[u8]| {
        let mut frames = carrylog_format::frame::FrameReader::new(b).unwrap();
        let first = frames.next_frame().unwrap().unwrap();
        (first, b.to_vec())
    };
    let (head, _) = split(&bytes);
    let mut frames = carrylog_format::frame::FrameReader::new(&other[..]).unwrap();
    frames.next_frame().unwrap();
    let mut out = carrylog_format::frame::FrameWriter::new(Vec::new()).unwrap();
    out.write(head.kind, &head.payload).unwrap();
    while let Some(frame) = frames.next_frame().unwrap() {
        out.write(frame.kind, &frame.payload).unwrap();
    }
    let spliced = out.finish().unwrap();
    let refusal = read_history(&spliced[..], &authority.trust(), &mut |_| {}).unwrap_err();
    assert_eq!(refusal.rule, Rule::Foreign);
}

#[test]
fn revocation_marks_entries_from_a_size_whatever_the_clock_says() {
    let (mut authority, log) = scene();
    authority.state(StatementBody::Revoked {
        log: log.id(),
        root: None,
        reason: carrylog_format::text::Remark::new("Laptop stolen.").unwrap(),
        from_size: 3,
    });
    let bytes = log.segment(0, &authority.chain);
    let segment = read_segment(&bytes[..], &authority.trust(), &mut |_| {}).unwrap();
    assert_eq!(segment.standing().revoked_from, Some(3));
}
