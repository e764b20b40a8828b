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
        assert_eq!(records.server.fleet().unwrap().fleet_log.size, 3);
    }
    assert!(matches!(records.deliver(&file), Outcome::Accepted(_)));
    // The opening, two statements, one seal.
    assert_eq!(records.server.fleet().unwrap().fleet_log.size, 4);
}

#[test]
fn a_second_program_that_opens_the_store_sees_only_whole_deliveries() {
    let (authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    let other = Server::beside(config(&records.dir, None)).unwrap();
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
            "UPDATE fleet_log SET leaf = zeroblob(32) WHERE idx = 2",
            "leaf 2 is no leaf",
        ),
        (
            "UPDATE fleet_log SET idx = 100 - idx",
            "leaf 0 does not open the log",
        ),
        (
            "DELETE FROM statements WHERE rowid = (SELECT max(rowid) FROM statements)",
            "leaf 2 names statement 1, which is gone",
        ),
        (
            "DELETE FROM fleet_log WHERE statement IS NOT NULL",
            "statement 0 has no leaf in the fleet log",
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

/// Writes a statement into the store past the server, as a program of another time might.
fn write_past(records: &Records, statement: &carrylog_format::statement::Statement) {
    let direct = rusqlite::Connection::open(records.dir.path().join("fleet.db")).unwrap();
    let sql = "INSERT INTO statements (digest, sign1, received_ms) VALUES (?1, ?2, 0)";
    let digest = *statement.digest().hash().as_bytes();
    let row = rusqlite::params![digest, statement.sign1()];
    assert_eq!(direct.execute(sql, row).unwrap(), 1);
}

#[test]
fn a_statement_written_past_a_running_server_acts_before_its_next_answer() {
    let (mut authority, records, mut station) = scene();
    authority.enrol_server(&records);
    records.deliver(&authority.whole_file());
    records.deliver(&station.whole(&[]));
    assert_eq!(records.server.fleet().unwrap().entries.accepted, 4);
    authority.revoke(station.id(), 2);
    write_past(&records, authority.chain.last().unwrap());
    // A question alone sees it, and no delivery ends in a fault.
    records.server.return_file(station.id()).unwrap();
    assert_eq!(records.server.fleet().unwrap().entries.accepted, 2);
    station.tests(&["A4"], 200);
    records.deliver(&station.whole(&[]));
    assert_eq!(records.server.fleet().unwrap().entries.accepted, 2);
    let fresh = Records::trusting(&authority);
    fresh.deliver(&authority.whole_file());
    fresh.deliver(&station.whole(&[]));
    assert_eq!(records.digest(), fresh.digest());
}

#[test]
fn an_enrolment_written_past_a_running_server_lets_the_waiting_file_in() {
    let mut authority = Authority::new(1);
    let mut station = Station::new(2);
    let records = Records::trusting(&authority);
    records.deliver(&authority.whole_file());
    station.tests(&["A1"], 100);
    let waits = records.deliver(&station.whole(&[]));
    assert!(matches!(waits, Outcome::Quarantined { .. }));
    authority.enrol(&station.key, Role::Station, "Bay 2 (invented)");
    write_past(&records, authority.chain.last().unwrap());
    records.server.return_file(station.id()).unwrap();
    assert_eq!(records.server.fleet().unwrap().entries.accepted, 2);
    let again = records.deliver(&station.whole(&[]));
    assert!(matches!(again, Outcome::Known(_)), "{again:?}");
}

#[test]
fn a_statement_written_while_the_server_was_away_acts_from_the_start() {
    let (mut authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    records.deliver(&station.whole(&[]));
    authority.revoke(station.id(), 1);
    write_past(&records, authority.chain.last().unwrap());
    let records = records.reopened();
    assert_eq!(records.server.fleet().unwrap().entries.accepted, 1);
}

#[test]
fn one_process_writes_in_a_folder_and_the_next_one_can_when_it_is_gone() {
    let (_, records, _) = scene();
    let second = Server::open(config(&records.dir, None));
    let error = second.err().unwrap().to_string();
    assert!(error.contains("carrylog deliver FILE --to URL"), "{error}");
    let Records { dir, server } = records;
    drop(server);
    Server::open(config(&dir, None)).unwrap();
}

#[test]
fn a_copy_of_the_database_file_alone_holds_everything_after_an_orderly_end() {
    let (authority, records, station) = scene();
    records.deliver(&authority.whole_file());
    records.deliver(&station.whole(&[]));
    let digest = records.digest();
    records.server.end().unwrap();
    let elsewhere = folder();
    for file in ["fleet.db", "server.key", "server.pub.json"] {
        std::fs::copy(records.dir.path().join(file), elsewhere.path().join(file)).unwrap();
    }
    let copy = Server::open(config(&elsewhere, None)).unwrap();
    assert_eq!(copy.fleet_digest().unwrap().to_string(), digest);
    assert_eq!(copy.fleet().unwrap().entries.accepted, 4);
    assert!(copy.audit().unwrap().is_sound());
}
