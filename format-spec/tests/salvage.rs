//! Salvage beyond healing: every entry that is still proven is saved, and nothing else is called so.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::{HistoryItem, read_history, read_return, read_segment};
use carrylog_format::frame::{Frame, FrameReader, FrameType};
use carrylog_format::ids::EntryId;
use carrylog_format::salvage::{Salvaged, SavedKind, save};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use proptest::prelude::*;
use std::collections::BTreeSet;
use std::io::Cursor;
use support::*;

/// Eleven entries under three seals: of sizes 4, 8 and 11.
fn scene() -> (Authority, StationLog) {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    authority.enrol(&key(3), Role::Server, "Records office");
    for i in 1..11 {
        log.push(test_entry(&format!("SN-{:04}", i % 3), 60 * i));
        if [3, 7, 10].contains(&i) {
            log.seal(60 * i + 1);
        }
    }
    (authority, log)
}

fn frames(bytes: &[u8]) -> Vec<Frame> {
    let mut reader = FrameReader::new(bytes).unwrap();
    let mut frames = Vec::new();
    while let Some(frame) = reader.next_frame().unwrap() {
        frames.push(frame);
    }
    frames
}

fn nth(bytes: &[u8], kind: FrameType, n: usize) -> Frame {
    frames(bytes)
        .into_iter()
        .filter(|f| f.kind == kind)
        .nth(n)
        .unwrap()
}

fn salvage(bytes: &[u8], trust: &TrustStore) -> Salvaged {
    save(&mut Cursor::new(bytes), trust, None).unwrap()
}

fn indexes(entries: &[carrylog_format::salvage::SavedEntry]) -> Vec<Option<u64>> {
    entries.iter().map(|e| e.index()).collect()
}

fn some(range: impl IntoIterator<Item = u64>) -> Vec<Option<u64>> {
    range.into_iter().map(Some).collect()
}

#[test]
fn an_undamaged_segment_is_saved_whole() {
    let (authority, log) = scene();
    let trust = TrustStore::new([authority.key.public()]);
    let bytes = log.segment(0, &authority.chain);
    let saved = salvage(&bytes, &trust);
    assert_eq!(saved.kind(), SavedKind::Segment);
    assert_eq!(indexes(saved.proven()), some(0..11));
    assert!(saved.unproven().is_empty() && saved.lost().is_empty() && saved.damage().is_empty());
    assert_eq!(saved.standing().unwrap().enrolment.name.as_str(), "Bay 1");
    let entry = saved
        .read_entry(&mut Cursor::new(&bytes), &saved.proven()[5])
        .unwrap();
    assert_eq!(entry, log.entries[5]);
    let mut out = Vec::new();
    assert!(
        saved
            .write_sound_part(&mut Cursor::new(&bytes), &mut out)
            .unwrap()
    );
    assert_eq!(out, bytes);
}

#[test]
fn a_lost_entry_does_not_take_the_proof_of_the_others_along() {
    let (authority, log) = scene();
    let trust = TrustStore::new([authority.key.public()]);
    let mut bytes = log.segment(0, &authority.chain);
    let hit = nth(&bytes, FrameType::Entry, 5);
    let at = hit.payload_offset as usize;
    bytes[at + 10..at + 60].fill(0);
    let saved = salvage(&bytes, &trust);
    assert_eq!(indexes(saved.proven()), some((0..11).filter(|i| *i != 5)));
    assert!(saved.unproven().is_empty());
    assert_eq!(saved.lost(), std::slice::from_ref(&(5..6)));
    // A bundle of its own needs every entry: it stops at the seal before the loss.
    let mut out = Vec::new();
    assert!(
        saved
            .write_sound_part(&mut Cursor::new(&bytes), &mut out)
            .unwrap()
    );
    let part = read_segment(&out[..], &trust, &mut |_| {}).unwrap();
    assert_eq!((part.header().from, part.header().to), (0, 4));
}

#[test]
fn two_lost_entries_before_different_seals_are_both_named() {
    let (authority, log) = scene();
    let mut bytes = log.segment(0, &authority.chain);
    for n in [2, 9] {
        let hit = nth(&log.segment(0, &authority.chain), FrameType::Entry, n);
        bytes[hit.payload_offset as usize + 3] ^= 1;
    }
    let saved = salvage(&bytes, &authority.trust());
    assert_eq!(
        indexes(saved.proven()),
        some((0..11).filter(|i| *i != 2 && *i != 9))
    );
    assert_eq!(saved.lost(), [2..3, 9..10]);
}

#[test]
fn an_entry_whose_digest_or_head_alone_is_damaged_is_still_proven() {
    let (authority, log) = scene();
    let whole = log.segment(0, &authority.chain);
    let entry = nth(&whole, FrameType::Entry, 5);
    let digest = entry.payload_offset as usize + entry.payload.len();
    for position in
        (entry.offset as usize..entry.payload_offset as usize).chain(digest..digest + 34)
    {
        let mut bytes = whole.clone();
        bytes[position] ^= 0x40;
        let saved = salvage(&bytes, &authority.trust());
        assert_eq!(indexes(saved.proven()), some(0..11), "byte {position}");
        let read = saved
            .read_entry(&mut Cursor::new(&bytes), &saved.proven()[5])
            .unwrap();
        assert_eq!(read, log.entries[5]);
    }
}

#[test]
fn when_a_whole_element_is_gone_what_was_sealed_before_stays_proven() {
    let (authority, log) = scene();
    let whole = log.segment(0, &authority.chain);
    let hit = nth(&whole, FrameType::Entry, 5);
    let end = hit.payload_offset as usize + hit.payload.len() + 34;
    let mut bytes = whole.clone();
    bytes[hit.offset as usize..end].fill(0);
    let saved = salvage(&bytes, &authority.trust());
    assert_eq!(indexes(saved.proven()), some(0..4));
    assert_eq!(indexes(saved.unproven()), some([4, 6, 7, 8, 9, 10]));
    assert_eq!(saved.lost(), std::slice::from_ref(&(5..6)));
    // Cut out instead of overwritten: the seal's size tells that one is missing, not which.
    let cut = [&whole[..hit.offset as usize], &whole[end..]].concat();
    let saved = salvage(&cut, &authority.trust());
    assert_eq!(indexes(saved.proven()), some(0..4));
    assert_eq!(saved.unproven().len(), 6);
}

#[test]
fn a_file_cut_short_keeps_what_its_last_whole_seal_proves() {
    let (authority, log) = scene();
    let whole = log.segment(0, &authority.chain);
    let trust = TrustStore::new([authority.key.public()]);
    let cut = nth(&whole, FrameType::Entry, 9).payload_offset as usize + 5;
    let saved = salvage(&whole[..cut], &trust);
    assert_eq!(indexes(saved.proven()), some(0..8));
    assert_eq!(indexes(saved.unproven()), some([8]));
    assert_eq!(saved.lost(), std::slice::from_ref(&(9..11)));
    let mut out = Vec::new();
    assert!(
        saved
            .write_sound_part(&mut Cursor::new(&whole[..cut]), &mut out)
            .unwrap()
    );
    let part = read_segment(&out[..], &trust, &mut |_| {}).unwrap();
    assert_eq!((part.header().from, part.header().to), (0, 8));
}

#[test]
fn without_its_header_a_segment_is_proven_under_an_enrolled_or_known_key() {
    let (authority, log) = scene();
    for from in [0, 4] {
        let mut bytes = log.segment(from, &authority.chain);
        let header = nth(&bytes, FrameType::Header, 0);
        bytes[..header.payload_offset as usize + 40].fill(0);
        let saved = salvage(&bytes, &authority.trust());
        assert_eq!(indexes(saved.proven()), some(from..11));
        let mut out = Vec::new();
        assert!(
            saved
                .write_sound_part(&mut Cursor::new(&bytes), &mut out)
                .unwrap()
        );
        assert_eq!(out, log.segment(from, &authority.chain));
        // The file without statements, a reader without trust, but with the key.
        let mut bare = log.segment(from, &[]);
        bare[..header.payload_offset as usize + 40].fill(0);
        let nobody = TrustStore::default();
        assert!(salvage(&bare, &nobody).proven().is_empty());
        let known = save(&mut Cursor::new(&bare), &nobody, Some(&log.key.public())).unwrap();
        assert_eq!(indexes(known.proven()), some(from..11));
        assert!(known.standing().is_none());
    }
}

#[test]
fn a_lost_frontier_leaves_nothing_proven_unless_the_log_begins_there() {
    let (authority, log) = scene();
    for (from, proven) in [(0, 11), (4, 0)] {
        let mut bytes = log.segment(from, &authority.chain);
        let frontier = nth(&bytes, FrameType::Frontier, 0);
        bytes[frontier.payload_offset as usize] ^= 0x10;
        let saved = salvage(&bytes, &authority.trust());
        assert_eq!(saved.proven().len(), proven);
        assert_eq!(indexes(saved.unproven()), some(from + proven as u64..11));
    }
}

#[test]
fn entries_that_the_station_did_not_seal_are_never_called_proven() {
    let (authority, log) = scene();
    let forged = {
        let mut entries = log.entries.clone();
        entries[5] = test_entry("SN-0009", 300);
        StationLog {
            key: key(2),
            entries,
            tree: log.tree.clone(),
            seals: log.seals.clone(),
        }
    };
    let saved = salvage(&forged.segment(0, &authority.chain), &authority.trust());
    assert_eq!(indexes(saved.proven()), some(0..4));
    assert_eq!(indexes(saved.unproven()), some(4..11));
}

#[test]
fn a_damaged_history_keeps_every_entry_that_is_proven_by_itself() {
    let (authority, log) = scene();
    let trust = TrustStore::new([authority.key.public()]);
    let mut bytes = log.history(
        &unit("SN-0001"),
        &authority.chain,
        &receipts(&log.seals, 900),
    );
    let hit = nth(&bytes, FrameType::ProvenEntry, 1);
    let at = hit.payload_offset as usize;
    bytes[at..at + 30].fill(0xee);
    let saved = salvage(&bytes, &trust);
    assert_eq!(saved.kind(), SavedKind::UnitHistory);
    assert_eq!(indexes(saved.proven()), some([1, 7, 10]));
    assert_eq!(saved.receipts().len(), 3);
    assert_eq!(saved.damage().len(), 1);
    let mut out = Vec::new();
    assert!(
        saved
            .write_sound_part(&mut Cursor::new(&bytes), &mut out)
            .unwrap()
    );
    let mut read = Vec::new();
    read_history(&out[..], &trust, &mut |item| {
        if let HistoryItem::Entry { index, .. } = item {
            read.push(index);
        }
    })
    .unwrap();
    assert_eq!(read, [1, 7, 10]);
}

#[test]
fn a_damaged_return_bundle_keeps_its_other_receipts() {
    let (authority, log) = scene();
    let trust = TrustStore::new([authority.key.public()]);
    let mut bytes = return_of(log.id(), &authority.chain, &log.seals, 900);
    let hit = nth(&bytes, FrameType::Receipt, 1);
    bytes[hit.payload_offset as usize + 9] ^= 1;
    let saved = salvage(&bytes, &trust);
    assert_eq!(
        (saved.kind(), saved.receipts().len()),
        (SavedKind::Return, 2)
    );
    let mut out = Vec::new();
    assert!(
        saved
            .write_sound_part(&mut Cursor::new(&bytes), &mut out)
            .unwrap()
    );
    assert_eq!(
        read_return(&out[..], &trust, &mut |_| {})
            .unwrap()
            .receipts()
            .len(),
        2
    );
}

#[test]
fn bytes_made_to_look_like_endless_elements_are_given_up_on_and_said_so() {
    // Each six bytes claim an element of 16 MiB with a digest where it should be.
    let mut bytes: Vec<u8> = [0x83, 5, 0x5a, 0, 0x40, 0].repeat(1_000_000);
    for i in (0..bytes.len() - 1).step_by(997) {
        bytes[i] = 0x58;
        bytes[i + 1] = 0x20;
    }
    let saved = salvage(&bytes, &TrustStore::default());
    assert!(saved.proven().is_empty() && !saved.search_complete());
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn whatever_is_damaged_only_what_was_sealed_is_called_proven(
        bursts in prop::collection::vec((any::<prop::sample::Index>(), 1usize..300, 1u8..), 1..5),
        cut in any::<prop::sample::Index>(),
        shorten in any::<bool>(),
    ) {
        let (authority, log) = scene();
        let mut bytes = log.segment(0, &authority.chain);
        if shorten {
            bytes.truncate(cut.index(bytes.len()));
        }
        for (start, length, with) in bursts {
            if bytes.is_empty() {
                break;
            }
            let start = start.index(bytes.len());
            let end = (start + length).min(bytes.len());
            bytes[start..end].iter_mut().for_each(|b| *b = b.wrapping_add(with));
        }
        let saved = salvage(&bytes, &authority.trust());
        let mut seen = BTreeSet::new();
        for entry in saved.proven() {
            let index = entry.index().unwrap();
            let real = &log.entries[index as usize];
            prop_assert_eq!(entry.id(), real.id());
            prop_assert_eq!(&saved.read_entry(&mut Cursor::new(&bytes), entry).unwrap(), real);
            prop_assert!(seen.insert(index));
            prop_assert!(saved.lost().iter().all(|lost| !lost.contains(&index)));
        }
        // Intact entries are never dropped, proven or not.
        let ids: BTreeSet<EntryId> =
            saved.proven().iter().chain(saved.unproven()).map(|e| e.id()).collect();
        prop_assert!(ids.len() <= log.entries.len());
        for entry in saved.unproven() {
            if let Some(index) = entry.index() {
                prop_assert_eq!(entry.id(), log.entries[index as usize].id());
            }
        }
        let mut out = Vec::new();
        if saved.write_sound_part(&mut Cursor::new(&bytes), &mut out).unwrap() {
            let part = read_segment(&out[..], &authority.trust(), &mut |_| {}).unwrap();
            prop_assert_eq!(part.header().from, 0);
        }
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..3000)) {
        let _ = salvage(&bytes, &TrustStore::default());
    }
}
