//! Nothing half done, nothing lost: transactions given up, kept files, damage found by the audit.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod support;

use carrylog_format::ids::FileDigest;
use carrylog_format::statement::Role;
use carrylog_format::tree::Hash;
use carrylog_server::{ImportError, Outcome, Server};
use std::io::{self, Read, Seek, SeekFrom};
use support::*;

fn scene() -> (Authority, Records, Station) {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    let records = Records::trusting(&authority);
    station.tests(&["A1", "A2", "A3"], 100);
    (authority, records, station)
}

/// A file that cannot be read beyond a point, as on a stick with a bad sector.
struct BadSector<'a> {
    inner: io::Cursor<&'a [u8]>,
    until: u64,
}

impl Read for BadSector<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let left = self.until.saturating_sub(self.inner.position());
        if left == 0 {
            return Err(io::Error::other("bad sector"));
        }
        let most = into.len().min(left as usize);
        self.inner.read(&mut into[..most])
    }
}

impl Seek for BadSector<'_> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.inner.seek(to)
    }
}

#[test]
fn a_file_that_cannot_be_read_to_its_end_leaves_no_trace_and_is_taken_later() {
    let (authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    let before = records.digest();
    let file = station.whole(&[]);
    let digest = FileDigest::from_hash(Hash::of(&file));
    for until in (0..file.len() as u64).step_by(61) {
        let mut bad = BadSector {
            inner: io::Cursor::new(&file[..]),
            until,
        };
        let outcome = records.server.deliver(&mut bad, digest, file.len() as u64);
        // The refused file is kept aside, which reads it again and fails: then nothing is recorded.
        assert!(
            outcome.is_err() || matches!(outcome, Ok(Outcome::Refused(_))),
            "{until}: {outcome:?}"
        );
        assert_eq!(records.digest(), before, "{until}");
        assert_eq!(records.server.fleet().unwrap().fleet_log.size, 0);
    }
    assert!(matches!(records.deliver(&file), Outcome::Accepted(_)));
    assert_eq!(records.server.fleet().unwrap().fleet_log.size, 1);
}

#[test]
fn a_second_program_that_opens_the_store_sees_only_whole_deliveries() {
    let (authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    let other = Server::open(config(&records.dir, None)).unwrap();
    let mut bad = station.whole(&[]);
    let end = bad.len() - 40;
    bad[end] ^= 1;
    records.deliver(&bad);
    assert_eq!(other.fleet().unwrap().entries.accepted, 0);
    assert_eq!(other.fleet().unwrap().logs, 0);
    records.deliver(&station.whole(&[]));
    assert_eq!(other.fleet().unwrap().entries.accepted, 4);
}

#[test]
fn the_quarantine_turns_files_away_when_it_is_full_and_drops_none() {
    let (_, records, _) = scene();
    let files: Vec<Vec<u8>> = (20..24)
        .map(|n| {
            let mut stranger = Station::new(n);
            stranger.tests(&["B1"], 100);
            stranger.whole(&[])
        })
        .collect();
    let Records { dir, server } = records;
    drop(server);
    let mut small = config(&dir, None);
    small.keep.quarantined_bytes = files[0].len() as u64 * 5 / 2;
    let server = Server::open(small).unwrap();
    let results: Vec<_> = files.iter().map(|f| server.deliver_bytes(f)).collect();
    assert!(matches!(results[0], Ok(Outcome::Quarantined { .. })));
    assert!(matches!(results[1], Ok(Outcome::Quarantined { .. })));
    assert!(matches!(
        results[2],
        Err(ImportError::QuarantineFull { .. })
    ));
    assert!(matches!(
        results[3],
        Err(ImportError::QuarantineFull { .. })
    ));
    assert_eq!(server.fleet().unwrap().kept_files.quarantined, 2);
}

#[test]
fn refused_files_are_kept_up_to_a_count_the_oldest_going_first() {
    let (_, records, _) = scene();
    let Records { dir, server } = records;
    drop(server);
    let mut small = config(&dir, None);
    small.keep.refused_files = 3;
    small.keep.refused_file_bytes = 10;
    let server = Server::open(small).unwrap();
    for n in 0..8u8 {
        server.deliver_bytes(&[n; 9]).unwrap();
    }
    server.deliver_bytes(&[9; 11]).unwrap();
    assert_eq!(server.fleet().unwrap().kept_files.refused, 3);
}

#[test]
fn the_audit_finds_what_was_changed_in_the_database() {
    let changes = [
        (
            "UPDATE entries SET bytes = zeroblob(length(bytes)) WHERE idx = 2",
            "do not match its hash",
        ),
        (
            "DELETE FROM entries WHERE idx = 2",
            "4 entries are proven, 3 are stored",
        ),
        (
            "UPDATE entries SET idx = 7 WHERE idx = 3",
            "nothing proves it",
        ),
        (
            "UPDATE segments SET leaves = zeroblob(length(leaves))",
            "no seal over the segment",
        ),
        (
            "UPDATE seals SET sign1 = zeroblob(length(sign1))",
            "does not verify",
        ),
        (
            "UPDATE fleet_log SET slip = zeroblob(length(slip))",
            "does not verify",
        ),
        (
            "UPDATE fleet_log SET leaf = zeroblob(32)",
            "does not verify",
        ),
    ];
    for (change, expected) in changes {
        let (authority, records, station) = scene();
        records.deliver(&station.whole(&authority.chain));
        assert!(records.server.audit().unwrap().is_sound());
        let direct = rusqlite::Connection::open(records.dir.path().join("fleet.db")).unwrap();
        assert!(direct.execute(change, []).unwrap() > 0, "{change}");
        let faults = records.server.audit().unwrap().faults;
        let hit = faults.iter().any(|f| f.contains(expected));
        assert!(hit, "{change}: {faults:?}");
    }
}
