//! Recovery data: damage within the budget heals bit for bit, damage beyond it heals nothing.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::bundle::read_segment;
use carrylog_format::frame::{FrameReader, FrameType, FrameWriter};
use carrylog_format::recovery::{Percent, append, append_in_place};
use carrylog_format::refusal::{Fault, Rule};
use carrylog_format::salvage::{Healed, Healing, NotHealed};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use proptest::prelude::*;
use std::io::{self, Cursor, Read, Seek, SeekFrom};
use support::*;

fn segment() -> (Vec<u8>, TrustStore) {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    for i in 0..12 {
        log.push(test_entry(&format!("SN-{i:04}"), 60 + i));
    }
    log.seal(200);
    let trust = TrustStore::new([authority.key.public()]);
    (log.segment(0, &authority.chain), trust)
}

/// A file of about `kib` KiB that is a whole sequence of elements, though no bundle.
fn region(kib: usize) -> Vec<u8> {
    let mut frames = FrameWriter::new(Vec::new()).unwrap();
    let mut state = 0x2545_f491_4f6c_dd1d_u64;
    while (frames.bytes() as usize) < kib * 1024 {
        let payload: Vec<u8> = (0..977)
            .map(|_| {
                state ^= state << 13;
                state ^= state >> 7;
                state ^= state << 17;
                state as u8
            })
            .collect();
        frames.write(FrameType::Statement, &payload).unwrap();
    }
    frames.write(FrameType::End, &[]).unwrap();
    frames.finish().unwrap()
}

fn protect(region: &[u8], percent: u8) -> Vec<u8> {
    let mut file = region.to_vec();
    let percent = Percent::new(percent).unwrap();
    append(&mut Cursor::new(region), &mut file, percent).unwrap();
    file
}

fn heal(damaged: &[u8]) -> Result<(Vec<u8>, Healed), NotHealed> {
    let mut input = Cursor::new(damaged);
    let mut healing = Healing::find(&mut input)?;
    let mut out = Vec::new();
    healing.write_to(&mut out)?;
    Ok((out, healing.report()))
}

#[test]
fn a_bundle_with_recovery_data_passes_its_door_and_the_data_is_the_same_each_time() {
    let (bytes, trust) = segment();
    let file = protect(&bytes, 10);
    assert!(read_segment(&file[..], &trust, &mut |_| {}).is_ok());
    let mut in_place = Cursor::new(bytes.clone());
    let appended = append_in_place(&mut in_place, Percent::default()).unwrap();
    assert_eq!(in_place.into_inner(), file);
    assert_eq!(appended.region_bytes, bytes.len() as u64);
    assert_eq!(appended.bytes, (file.len() - bytes.len()) as u64);
}

#[test]
fn recovery_data_is_appended_once_and_only_to_a_whole_bundle() {
    let (bytes, _) = segment();
    for wrong in [&protect(&bytes, 10)[..], &bytes[..bytes.len() - 1], b""] {
        let error = append(&mut Cursor::new(wrong), &mut Vec::new(), Percent::default());
        assert_eq!(error.unwrap_err().kind(), io::ErrorKind::InvalidData);
    }
}

#[test]
fn overhead_nears_ten_percent_as_the_region_grows() {
    for (kib, most_percent) in [
        (2, 50.0),
        (4, 50.0),
        (64, 16.0),
        (256, 13.5),
        (1024, 12.0),
        (5000, 11.5),
    ] {
        let region = region(kib);
        let file = protect(&region, 10);
        let extra = file.len() - region.len();
        let percent = 100.0 * extra as f64 / region.len() as f64;
        println!(
            "region of {} bytes: {extra} bytes of recovery data, {percent:.1} %",
            region.len()
        );
        assert!(percent <= most_percent, "{kib} KiB: {percent}");
    }
}

#[test]
fn a_run_of_damage_up_to_the_budget_heals_wherever_it_falls() {
    let region = region(300);
    let file = protect(&region, 10);
    let report = heal(&file).unwrap().1;
    let shard = report.shard_bytes as usize;
    // One group of 38 blocks with four recovery blocks. A run of n blocks can touch n + 1 of them,
    // and one more across the end, where the last block is short.
    assert_eq!((report.shards, report.elements), (38, 4));
    for (blocks, reach) in [(2, file.len()), (3, region.len() - 4 * shard)] {
        for start in (0..reach).step_by(shard / 3) {
            let mut damaged = file.clone();
            let end = (start + blocks * shard).min(file.len());
            damaged[start..end].fill(0);
            let (healed, _) = heal(&damaged).unwrap_or_else(|e| panic!("from {start}: {e}"));
            assert_eq!(healed, file, "from {start}");
        }
    }
}

#[test]
fn neighbouring_blocks_belong_to_different_groups_in_a_long_file() {
    let region = region(5000);
    let file = protect(&region, 10);
    // 313 shards of 16 KiB in three groups with eleven recovery shards each: 33 in a row.
    let mut damaged = file.clone();
    damaged[20 * 16384..53 * 16384].fill(0xff);
    let (healed, report) = heal(&damaged).unwrap();
    assert_eq!(healed, file);
    assert_eq!((report.shards_restored, report.elements), (33, 33));
    damaged[53 * 16384..55 * 16384].fill(0xff);
    assert!(matches!(
        heal(&damaged),
        Err(NotHealed::BeyondBudget {
            damaged: 12,
            available: 11
        })
    ));
}

#[test]
fn lost_recovery_elements_are_made_again() {
    let (bytes, _) = segment();
    let file = protect(&bytes, 100);
    let (_, whole) = heal(&file).unwrap();
    let one = (file.len() - bytes.len()) / whole.elements as usize;
    for cut in [1, one, one + 1] {
        let (healed, report) = heal(&file[..file.len() - cut]).unwrap();
        assert_eq!(healed, file);
        assert!(report.elements_restored >= 1 && report.shards_restored == 0);
    }
}

#[test]
fn without_recovery_data_nothing_is_healed() {
    let (bytes, _) = segment();
    assert!(matches!(heal(&bytes), Err(NotHealed::NoRecoveryData)));
    assert!(matches!(heal(b""), Err(NotHealed::NoRecoveryData)));
}

#[test]
fn recovery_data_of_another_file_is_refused_and_does_not_heal() {
    let (bytes, trust) = segment();
    let other = {
        let mut log = StationLog::new(2);
        log.push(test_entry("SN-0099", 60));
        log.seal(200);
        log.segment(0, &[])
    };
    let foreign = protect(&other, 10).split_off(other.len());
    let file = [&bytes[..], &foreign].concat();
    let refusal = read_segment(&file[..], &trust, &mut |_| {}).unwrap_err();
    assert_eq!(refusal.rule, Rule::Recovery);
    assert!(heal(&file).is_err());
}

#[test]
fn recovery_data_that_stops_early_or_is_out_of_order_is_refused_by_rule() {
    let (bytes, trust) = segment();
    let file = protect(&bytes, 100);
    let mut starts = Vec::new();
    let mut frames = FrameReader::new(&file[..]).unwrap();
    while let Some(frame) = frames.next_frame().unwrap() {
        if frame.kind == FrameType::Recovery {
            starts.push(frame.offset as usize);
        }
    }
    assert!(starts.len() > 3);
    let refusal = read_segment(&file[..starts[2]], &trust, &mut |_| {}).unwrap_err();
    assert_eq!(
        (refusal.rule, refusal.fault),
        (Rule::Recovery, Fault::Medium)
    );
    let (a, b, c) = (starts[0], starts[1], starts[2]);
    let swapped = [&file[..a], &file[b..c], &file[a..b], &file[c..]].concat();
    let refusal = read_segment(&swapped[..], &trust, &mut |_| {}).unwrap_err();
    assert_eq!(refusal.rule, Rule::Recovery);
    let extra = [&file[..], &file[a..b]].concat();
    let refusal = read_segment(&extra[..], &trust, &mut |_| {}).unwrap_err();
    assert_eq!(refusal.rule, Rule::Recovery);
}

/// A medium with sectors that cannot be read.
struct BadSectors {
    inner: Cursor<Vec<u8>>,
    bad: Vec<u64>,
}

impl Read for BadSectors {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let from = self.inner.position();
        let to = from + buffer.len() as u64;
        if self
            .bad
            .iter()
            .any(|b| b * 512 < to && (b + 1) * 512 > from)
        {
            return Err(io::Error::other("medium error"));
        }
        self.inner.read(buffer)
    }
}

impl Seek for BadSectors {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

#[test]
fn sectors_that_the_medium_refuses_to_read_heal_as_well() {
    let (bytes, _) = segment();
    let file = protect(&bytes, 30);
    let mut medium = BadSectors {
        inner: Cursor::new(file.clone()),
        bad: vec![1, 6],
    };
    let mut out = Vec::new();
    let mut healing = Healing::find(&mut medium).unwrap();
    healing.write_to(&mut out).unwrap();
    assert_eq!(out, file);
}

fn damage(file: &mut [u8], bursts: &[(prop::sample::Index, usize, u8)]) {
    for (start, length, with) in bursts {
        let start = start.index(file.len());
        let end = (start + length).min(file.len());
        file[start..end]
            .iter_mut()
            .for_each(|b| *b = b.wrapping_add(*with));
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn bursts_within_the_budget_heal_bit_for_bit(
        kib in 1usize..120,
        bursts in prop::collection::vec((any::<prop::sample::Index>(), 1usize..400, 1u8..), 1..4),
    ) {
        // Three bursts of under one block touch two blocks each: six, data or recovery. With as
        // many recovery blocks as data that is always within the budget from six blocks on.
        let region = region(kib);
        let file = protect(&region, 100);
        let mut damaged = file.clone();
        damage(&mut damaged, &bursts);
        match heal(&damaged) {
            Ok((healed, _)) => prop_assert_eq!(healed, file),
            Err(e) => prop_assert!(kib < 6, "{} KiB: {}", kib, e),
        }
    }

    #[test]
    fn beyond_the_budget_a_wrong_file_is_never_written(
        kib in 1usize..60,
        bursts in prop::collection::vec((any::<prop::sample::Index>(), 1usize..9000, 1u8..), 1..12),
        cut in any::<prop::sample::Index>(),
    ) {
        let file = protect(&region(kib), 10);
        let mut damaged = file[..cut.index(file.len() + 1).max(1)].to_vec();
        damage(&mut damaged, &bursts);
        if let Ok((healed, _)) = heal(&damaged) {
            prop_assert_eq!(healed, file);
        }
    }

    #[test]
    fn random_bytes_never_panic(bytes in prop::collection::vec(any::<u8>(), 0..4000)) {
        prop_assert!(heal(&bytes).is_err());
    }
}
