//! Files long enough to be read ahead on several threads: nothing depends on how these run.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    dead_code,
    unreachable_pub,
    missing_docs,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::{SegmentItem, read_segment};
use carrylog_format::frame::{FrameReader, FrameType, FrameWriter};
use carrylog_format::refusal::{Refusal, Rule};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use support::*;

const ENTRIES: u64 = 3000;

/// A segment of many entries and the trust to read it.
fn long_segment() -> (Vec<u8>, TrustStore) {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    for number in 1..ENTRIES {
        log.push(test_entry(&format!("SN-{number}"), number as i64));
        if number % 700 == 0 {
            log.seal(number as i64);
        }
    }
    log.seal(ENTRIES as i64);
    (log.segment(0, &authority.chain), authority.trust())
}

/// What a reader hands out before its verdict, and the verdict.
fn read(bytes: &[u8], trust: &TrustStore) -> (Vec<(u64, String)>, Result<u64, Refusal>) {
    let mut seen = Vec::new();
    let verdict = read_segment(bytes, trust, &mut |item| match item {
        SegmentItem::Entry { index, entry } => seen.push((index, entry.id().to_string())),
        SegmentItem::Seal(seal) => seen.push((seal.content().size, "seal".to_owned())),
        _ => {}
    });
    (seen, verdict.map(|segment| segment.entries()))
}

/// The file with other payloads in place of some frames', each under a digest of its own.
fn replaced(bytes: &[u8], other: impl Fn(u64, &[u8]) -> Option<Vec<u8>>) -> Vec<u8> {
    let mut frames = FrameReader::new(bytes).unwrap();
    let mut writer = FrameWriter::new(Vec::new()).unwrap();
    let mut index = 0;
    while let Some(frame) = frames.next_frame().unwrap() {
        let payload = (frame.kind == FrameType::Entry)
            .then(|| {
                index += 1;
                other(index - 1, &frame.payload)
            })
            .flatten();
        let payload = payload.unwrap_or(frame.payload);
        writer.write(frame.kind, &payload).unwrap();
    }
    writer.finish().unwrap()
}

#[test]
fn a_long_file_is_handed_out_in_its_order_every_time() {
    let (bytes, trust) = long_segment();
    let (first, verdict) = read(&bytes, &trust);
    assert_eq!(verdict, Ok(ENTRIES));
    let indices = first.iter().filter(|(_, what)| what != "seal");
    assert!(indices.map(|(index, _)| *index).eq(0..ENTRIES));
    for _ in 0..5 {
        assert_eq!(read(&bytes, &trust).0, first);
    }
}

#[test]
fn of_many_faults_the_first_in_the_file_is_named() {
    let (bytes, trust) = long_segment();
    for bad in [1, 255, 256, 1500, 2047, 2999] {
        // Everything from there on is no entry, and further on the bytes are damaged as well.
        let mut broken = replaced(&bytes, |index, _| (index >= bad).then(|| vec![0xf6]));
        let len = broken.len();
        broken[len - 200] ^= 1;
        let (seen, verdict) = read(&broken, &trust);
        let refusal = verdict.unwrap_err();
        assert_eq!((refusal.rule, refusal.entry), (Rule::EntryForm, Some(bad)));
        let entries = seen.iter().filter(|(_, what)| what != "seal").count();
        assert_eq!(
            entries as u64, bad,
            "nothing behind the fault is handed out"
        );
    }
}

#[test]
fn a_long_file_that_was_cut_is_refused_at_the_cut_and_what_is_before_it_handed_out() {
    let (bytes, trust) = long_segment();
    let cut = bytes.len() / 2;
    let (seen, verdict) = read(&bytes[..cut], &trust);
    assert_eq!(verdict.unwrap_err().rule, Rule::FrameForm);
    assert!(seen.len() > 1000, "{}", seen.len());
}

#[test]
fn a_panic_of_the_taker_comes_out_and_ends_the_threads() {
    let (bytes, trust) = long_segment();
    let taken = std::panic::catch_unwind(|| {
        let _ = read_segment(&bytes[..], &trust, &mut |item| {
            if matches!(item, SegmentItem::Entry { index: 900, .. }) {
                panic!("taken no further");
            }
        });
    });
    assert!(taken.is_err());
}
