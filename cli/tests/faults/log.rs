//! The station's own log.

use crate::support::{Bench, office_server::OfficeServer, test_form, words};
use crate::{VERIFY, packed};
use carrylog::station::{Access, Station};

#[test]
fn a_second_writer_is_told_that_the_station_is_in_use() {
    let bench = Bench::with_station(2);
    let first = Station::open(&bench.path("bay2"), Access::Write).unwrap();
    let refused = bench.ends(6, "capture bay2 test.json");
    assert!(
        refused.err.contains("another program is using the station"),
        "{}",
        refused.err
    );
    drop(first);
    bench.ok("capture bay2 test.json");
}

/// Killed without warning at moments spread over a whole run, from before the first write to after
/// the last: what was acknowledged is there, and the log opens whole.
#[test]
fn a_program_killed_at_any_moment_leaves_a_whole_log() {
    let bench = Bench::with_station(0);
    let form = test_form("7", 1, 1.0).replace("\"slot\": 1,", "");
    bench.file("free.json", form);
    let started = std::time::Instant::now();
    bench.ok("capture bay2 free.json");
    let whole_run = started.elapsed();
    let mut acknowledged = 2;
    for step in 0..24u32 {
        let mut child = bench
            .command()
            .args(words("capture bay2 free.json --quiet"))
            .stdout(std::process::Stdio::null())
            .stderr(std::process::Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole_run * step / 20);
        let _ = child.kill();
        let done = child.wait().unwrap().success();
        let entries = bench.json("station show bay2")["entries"].as_u64().unwrap();
        let expected = acknowledged + u64::from(done);
        assert!(
            entries == expected || (!done && entries == expected + 1),
            "{step}: {entries}"
        );
        acknowledged = entries;
    }
    bench.ok("pack bay2 stick");
    bench.ok(VERIFY);
}

#[test]
fn a_log_whose_entry_was_changed_is_not_opened() {
    let bench = packed();
    let db = rusqlite::Connection::open(bench.path("bay2/station.db")).unwrap();
    let mut bytes: Vec<u8> = db
        .query_row("SELECT bytes FROM entries WHERE idx = 1", [], |r| r.get(0))
        .unwrap();
    let at = bytes.windows(2).position(|w| w == b"FJ").unwrap();
    bytes[at] = b'G';
    db.execute("UPDATE entries SET bytes = ?1 WHERE idx = 1", [&bytes])
        .unwrap();
    drop(db);
    let refused = bench.ends(4, "log bay2");
    assert!(
        refused.err.contains("does not hold together"),
        "{}",
        refused.err
    );
    bench.ends(4, "pack bay2 stick");
}

#[test]
fn an_entry_that_vanished_from_the_log_is_noticed() {
    let bench = packed();
    let db = rusqlite::Connection::open(bench.path("bay2/station.db")).unwrap();
    db.execute("DELETE FROM entries WHERE idx = 1", []).unwrap();
    drop(db);
    let refused = bench.ends(4, "slots bay2");
    assert!(
        refused
            .err
            .contains("seal 0 covers 2 entries, but there are 1"),
        "{}",
        refused.err
    );
}

#[test]
fn a_file_that_is_no_station_is_said_so() {
    let bench = Bench::new();
    bench.file(
        "bay2/station.db",
        "this is not a database, and long enough to be looked at",
    );
    let refused = bench.ends(3, "log bay2");
    assert!(
        refused
            .err
            .contains("not the database of a carrylog station"),
        "{}",
        refused.err
    );
}

#[test]
fn nothing_to_pack_is_said_so_and_the_whole_log_still_packs() {
    let bench = Bench::with_station(2);
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("authority publish office published.carrylog");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    bench.ok("pack bay2 stick");
    bench.ok(&format!("deliver stick --to {}", server.url));
    bench.ok("settle bay2 stick");
    let refused = bench.ends(6, "pack bay2 stick");
    assert!(
        refused.err.contains("there is nothing to pack"),
        "{}",
        refused.err
    );
    bench.ok("pack bay2 stick --from-start");
}
