//! Faults as a technician meets them: each with its exit code, its words, and nothing lost.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog::station::{Access, Station};
use carrylog::verification::verify;
use carrylog_format::bundle::write_return;
use carrylog_format::cose::SecretKey;
use carrylog_format::ids::LogId;
use carrylog_format::text::Name;
use carrylog_format::trust::TrustStore;
use carrylog_keys::{KeyRole, NamedKey, OwnedKey};
use std::fs;
use std::io::Cursor;
use std::path::Path;
use support::{Bench, office_server::OfficeServer, outcome, test_form, words};

const VERIFY: &str = "verify stick --authority office/authority.pub.json";

/// A station with one test packed to the stick.
fn packed() -> Bench {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay2 stick");
    bench
}

fn all_bytes(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .map(|p| (p.display().to_string(), fs::read(&p).unwrap()))
        .collect();
    files.sort();
    files
}

#[test]
fn a_missing_or_foreign_file_is_input_that_cannot_be_used() {
    let bench = packed();
    let missing = bench.ends(
        3,
        "verify nothing.carrylog --authority office/authority.pub.json",
    );
    assert!(
        missing
            .err
            .contains("nothing.carrylog: the file is not there"),
        "{}",
        missing.err
    );
    bench.file("letter.carrylog", "Dear Sir or Madam");
    let foreign = bench.ends(
        3,
        "verify letter.carrylog --authority office/authority.pub.json",
    );
    assert!(
        foreign
            .text()
            .contains("does not start as a carrylog file does"),
        "{}",
        foreign.text()
    );
    bench.file("empty.carrylog", "");
    bench.ends(
        3,
        "verify empty.carrylog --authority office/authority.pub.json",
    );
    bench.ends(3, "capture nowhere test.json");
    bench.ends(3, "capture bay2 nothing.json");
    bench.ends(3, "capture bay2 test.json --slot 2 --trace nothing.csv");
    bench.ends(2, "capture");
}

#[test]
fn a_bundle_with_any_one_byte_changed_is_refused_at_an_offset_up_to_it() {
    let bench = packed();
    let good = fs::read(bench.on_stick("bay-2-")).unwrap();
    let authority = NamedKey::read(&bench.path("office/authority.pub.json"))
        .unwrap()
        .key;
    let trust = TrustStore::new([authority]);
    assert!(verify(Cursor::new(&good), &trust, &mut || {}).is_ok());
    for at in 0..good.len() {
        for flip in [0x01, 0x80, 0xff] {
            let mut bad = good.clone();
            bad[at] ^= flip;
            let refusal = verify(Cursor::new(&bad), &trust, &mut || {}).unwrap_err();
            let offset = refusal
                .offset
                .unwrap_or_else(|| panic!("byte {at}: {refusal}"));
            assert!(offset <= at as u64, "byte {at}: {refusal}");
        }
    }
}

#[test]
fn a_bundle_cut_anywhere_is_refused_unless_it_lost_its_recovery_data_and_nothing_else() {
    let bench = packed();
    let good = fs::read(bench.on_stick("bay-2-")).unwrap();
    bench.ok("pack bay2 stick --recovery-percent 0");
    let bare = fs::read(bench.on_stick("bay-2-")).unwrap();
    let authority = NamedKey::read(&bench.path("office/authority.pub.json"))
        .unwrap()
        .key;
    let trust = TrustStore::new([authority]);
    for length in 0..good.len() {
        assert_eq!(
            verify(Cursor::new(&good[..length]), &trust, &mut || {}).is_ok(),
            length == bare.len(),
            "{length}"
        );
    }
}

#[test]
fn a_damaged_file_is_refused_with_rule_offset_fault_and_what_to_do() {
    let bench = packed();
    let path = bench.on_stick("bay-2-");
    let mut bytes = fs::read(&path).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 1;
    fs::write(&path, &bytes).unwrap();
    let refused = bench.ends(4, VERIFY);
    assert!(refused.text().contains("(rule B-4)"), "{}", refused.text());
    assert!(refused.text().contains("at byte "), "{}", refused.text());
    assert!(refused.text().contains("next: "), "{}", refused.text());
    let json = bench.ends(4, &format!("{VERIFY} --json")).json();
    let refusal = &json["files"][0]["refused"]["refusal"];
    assert_eq!(
        (&refusal["rule"], &refusal["fault"]),
        (&"B-4".into(), &"medium".into())
    );
    assert!(refusal["byte_offset"].as_u64().unwrap() <= middle as u64);
}

#[test]
fn a_station_that_nobody_enrolled_is_not_trusted_but_its_stick_is_written() {
    let bench = Bench::new();
    bench.ok("authority create office --name 'Fjordline records office'");
    bench.ok("station create bay2 --name 'Bay 2' --authority office/authority.pub.json");
    fs::create_dir(bench.path("stick")).unwrap();
    let packed = bench.ok("pack bay2 stick");
    assert!(packed.out.contains("it is not enrolled"), "{}", packed.out);
    let refused = bench.ends(5, VERIFY);
    assert!(refused.text().contains("(rule T-2)"), "{}", refused.text());
    assert!(
        refused
            .text()
            .contains("ask the authority to enrol this key"),
        "{}",
        refused.text()
    );
}

#[test]
fn another_authority_s_key_trusts_nothing_here() {
    let bench = packed();
    bench.ok("authority create other --name 'Somebody else'");
    bench.ends(5, "verify stick --authority other/authority.pub.json");
}

#[test]
fn entries_after_a_revocation_do_not_count() {
    let bench = packed();
    bench.ok(
        "authority revoke office --key bay2/station.pub.json --from-size 1 --reason 'key lost'",
    );
    bench.ok("authority publish office published.carrylog");
    bench.ok("station adopt bay2 published.carrylog");
    bench.ok("pack bay2 stick");
    let verdict = bench.ends(5, VERIFY);
    assert!(
        verdict.out.contains("does not count    entries 1 to 1"),
        "{}",
        verdict.out
    );
}

#[test]
fn records_that_cannot_be_are_refused_and_nothing_is_written() {
    let bench = Bench::with_station(2);
    let before = all_bytes(&bench.path("bay2"));
    for (form, words) in [
        (test_form("7", 1, -1.0), "«capacity_ah»"),
        (test_form(" ", 1, 1.0), "«serial»"),
        (
            test_form("7", 1, 1.0).replace("\"serial\": \"7\",", ""),
            "«serial» is missing",
        ),
        (
            test_form("7", 1, 1.0).replace("capacity_ah", "capacity"),
            "«capacity_ah» may be meant",
        ),
        (
            test_form("7", 1, 1.0).replace("2026-03-01T07:30", "2026-03-01T05:30"),
            "«ended»",
        ),
        ("{".into(), "not one JSON object"),
    ] {
        bench.file("bad.json", form);
        let refused = bench.ends(3, "capture bay2 bad.json");
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
        assert!(refused.err.contains("next: "), "{}", refused.err);
    }
    bench.ends(6, "capture bay2 test.json --slot 3");
    assert_eq!(all_bytes(&bench.path("bay2")), before);
}

#[test]
fn faults_of_a_table_are_named_by_line_and_column_and_nothing_is_written() {
    let bench = Bench::with_station(2);
    let before = all_bytes(&bench.path("bay2"));
    let head = "Test Time / s,Voltage / V,Current / A\n";
    for (table, words) in [
        (String::new(), "the table is empty"),
        (head.to_owned(), "no rows"),
        (
            "Test Time / s,Current / A\n0,1\n".into(),
            "no column for voltage",
        ),
        (
            format!("{head}0,3.3,1\n1,three,1\n"),
            "line 3, column «Voltage / V»: «three»",
        ),
        (
            format!("{head}0,3.3,1\n1,NaN,1\n"),
            "line 3, column «Voltage / V»: «NaN»",
        ),
        (
            format!("{head}5,3.3,1\n4,3.3,1\n"),
            "line 3: time runs backwards, from 5 s to 4 s",
        ),
        (format!("{head}0,3.3\n"), "line 2 has 2 cells"),
    ] {
        bench.file("bad.csv", table);
        let refused = bench.ends(3, "capture bay2 test.json --trace bad.csv");
        assert!(refused.err.contains(words), "{words}: {}", refused.err);
    }
    assert_eq!(all_bytes(&bench.path("bay2")), before);
}

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
fn a_stick_that_is_not_there_leaves_the_log_as_it_was() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    let refused = bench.ends(7, "pack bay2 elsewhere");
    assert!(
        refused.err.contains("elsewhere is not there"),
        "{}",
        refused.err
    );
    bench.ok("pack bay2 stick");
}

/// A limit on file sizes stands for a full stick: the system's writes fail in the middle.
#[cfg(unix)]
#[test]
fn a_stick_that_fills_up_keeps_its_older_file_and_no_torn_one() {
    let bench = packed();
    // Sealed before, so that nothing but the stick is written.
    for serial in 10..40 {
        let form = test_form(&serial.to_string(), 1, 1.0).replace("\"slot\": 1,", "");
        bench.file("more.json", form);
        bench.ok("capture bay2 more.json");
    }
    fs::create_dir(bench.path("other")).unwrap();
    bench.ok("pack bay2 other");
    let (stick, log) = (
        all_bytes(&bench.path("stick")),
        all_bytes(&bench.path("bay2")),
    );
    let mut limited = std::process::Command::new("sh");
    // 8 blocks are 4 or 8 KiB, by the shell; the segment is larger than both.
    limited
        .args([
            "-c",
            "trap '' XFSZ; ulimit -f 8; exec \"$0\" pack bay2 stick",
        ])
        .arg(env!("CARGO_BIN_EXE_carrylog"))
        .current_dir(bench.path("."))
        .env("CARRYLOG_NOW", "2026-03-01T12:00:00Z");
    let refused = outcome(&mut limited);
    assert_eq!(refused.code, 7, "{}", refused.text());
    assert!(
        refused.err.contains("there is no room left"),
        "{}",
        refused.err
    );
    assert!(refused.err.contains("take another one"), "{}", refused.err);
    assert_eq!(all_bytes(&bench.path("stick")), stick);
    assert_eq!(all_bytes(&bench.path("bay2")), log);
}

/// A real file system of 16 KiB, and then read-only; needs the right to mount, and says so if not.
#[cfg(target_os = "linux")]
#[test]
fn a_really_full_and_a_really_read_only_medium_are_called_what_they_are() {
    let bench = packed();
    for serial in 10..60 {
        let form = test_form(&serial.to_string(), 1, 1.0).replace("\"slot\": 1,", "");
        bench.file("more.json", form);
        bench.ok("capture bay2 more.json");
    }
    let stick = bench.path("stick");
    let mount = |options: &str| {
        let mut command = std::process::Command::new("mount");
        command
            .args(["-t", "tmpfs", "-o", options, "tmpfs"])
            .arg(&stick);
        command.output().is_ok_and(|o| o.status.success())
    };
    let unmount = || {
        let done = std::process::Command::new("umount").arg(&stick).status();
        assert!(done.unwrap().success());
    };
    if !mount("size=16k") {
        eprintln!("skipped: this user may not mount a small file system");
        return;
    }
    let full = bench.run("pack bay2 stick");
    let left = fs::read_dir(&stick).unwrap().count();
    unmount();
    assert!(mount("ro"));
    let read_only = bench.run("pack bay2 stick");
    unmount();
    assert_eq!(full.code, 7, "{}", full.text());
    assert!(full.err.contains("there is no room left"), "{}", full.err);
    assert_eq!(left, 0, "the torn file is removed");
    assert_eq!(read_only.code, 7, "{}", read_only.text());
    assert!(read_only.err.contains("is read-only"), "{}", read_only.err);
    bench.ok("pack bay2 stick");
}

#[test]
fn a_torn_file_on_the_stick_is_never_taken_for_a_bundle() {
    let bench = packed();
    let whole = fs::read(bench.on_stick("bay-2-")).unwrap();
    bench.file("stick/bay-2-0000.carrylog.part", &whole[..whole.len() / 2]);
    bench.ok(VERIFY);
}

#[test]
fn a_server_that_is_away_leaves_the_stick_as_it_was() {
    let bench = packed();
    let before = all_bytes(&bench.path("stick"));
    // The port was free a moment ago: nobody listens there.
    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    let refused = bench.ends(8, &format!("deliver stick --to http://127.0.0.1:{port}"));
    assert!(refused.err.contains("cannot be reached"), "{}", refused.err);
    assert!(
        refused.err.contains("the stick is unchanged"),
        "{}",
        refused.err
    );
    assert_eq!(all_bytes(&bench.path("stick")), before);
    bench.ends(2, "deliver stick --to office.example");
}

#[test]
fn something_that_is_no_carrylog_server_is_said_so() {
    use std::io::{Read, Write};
    let bench = packed();
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let mut seen = [0u8; 65_536];
            let _ = stream.read(&mut seen);
            let _ = stream.write_all(
                b"HTTP/1.1 200 OK\r\ncontent-length: 5\r\nconnection: close\r\n\r\nhello",
            );
        }
    });
    let refused = bench.ends(8, &format!("deliver stick --to {url}"));
    assert!(refused.err.contains("cannot be"), "{}", refused.err);
}

#[test]
fn a_return_for_another_station_frees_nothing_here() {
    let bench = Bench::with_station(2);
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("station create bay3 --name 'Bay 3' --authority office/authority.pub.json");
    bench.ok("authority enrol office --key bay3/station.pub.json --role station");
    bench.ok("authority publish office published.carrylog");
    bench.ok("station adopt bay2 published.carrylog");
    bench.ok("station adopt bay3 published.carrylog");
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay3 stick");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    bench.ok(&format!("deliver stick --to {}", server.url));
    let file = bench.on_stick("return-");
    let before = all_bytes(&bench.path("bay2"));
    let refused = bench.ends(3, &format!("settle bay2 '{}'", file.display()));
    assert!(
        refused.err.contains("not for this station"),
        "{}",
        refused.err
    );
    bench.ends(3, "settle bay2 stick");
    assert_eq!(all_bytes(&bench.path("bay2")), before);
    assert_eq!(bench.json("slots bay2")["free"], 1);
}

#[test]
fn receipts_of_a_server_that_nobody_enrolled_free_nothing() {
    let bench = packed();
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    bench.ok(&format!("deliver stick --to {}", server.url));
    let refused = bench.ends(5, "settle bay2 stick");
    assert!(
        refused.err.contains("no trusted authority has enrolled"),
        "{}",
        refused.err
    );
    assert_eq!(bench.json("slots bay2")["free"], 1);
}

#[test]
fn a_receipt_for_a_seal_that_this_station_never_made_is_an_alarm() {
    let bench = Bench::with_station(2);
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("authority publish office published.carrylog");
    bench.ok("station adopt bay2 published.carrylog");
    // The same station continued from a copy: two logs under one key.
    let copy = bench.path("copy");
    fs::create_dir(&copy).unwrap();
    for name in ["station.key", "station.pub.json", "station.db"] {
        fs::copy(bench.path("bay2").join(name), copy.join(name)).unwrap();
    }
    bench.ok("capture copy test.json");
    bench.ok("pack copy stick");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    bench.ok(&format!("deliver stick --to {}", server.url));
    bench.file("other.json", test_form("8", 1, 1.0));
    bench.ok("capture bay2 other.json");
    let refused = bench.ends(4, "settle bay2 stick");
    assert!(refused.err.contains("never made"), "{}", refused.err);
    assert!(
        refused.err.contains("do not free any memory"),
        "{}",
        refused.err
    );
    assert_eq!(bench.json("slots bay2")["free"], 1);
}

#[test]
fn a_return_file_with_any_one_byte_changed_changes_nothing() {
    let bench = Bench::with_station(2);
    let path = bench.path("published.carrylog");
    let good = fs::read(&path).unwrap();
    let mut station = Station::open(&bench.path("bay2"), Access::Write).unwrap();
    let head = |at: &str| carrylog_format::record::EntryHead {
        by: Name::new("Ada Invented").unwrap(),
        at: at.parse().unwrap(),
        clock: carrylog_format::record::ClockQuality::Running,
        note: None,
        ext: Default::default(),
    };
    let size = station.size();
    for at in 0..good.len() {
        let mut bad = good.clone();
        bad[at] ^= 0x01;
        assert!(
            station
                .settle(bad.as_slice(), head("2026-03-01T12:00:00Z"))
                .is_err(),
            "byte {at}"
        );
    }
    assert_eq!(station.size(), size);
}

#[test]
fn statements_of_an_unknown_authority_are_left_out_and_said_so() {
    let bench = Bench::with_station(2);
    let stranger = SecretKey::from_seed([5; 32]);
    let founded = carrylog_format::statement::Statement::sign(
        &stranger,
        0,
        None,
        "2026-03-01T12:00:00Z".parse().unwrap(),
        carrylog_format::statement::StatementBody::Founded {
            name: Name::new("Stranger").unwrap(),
        },
    )
    .unwrap();
    let bytes = write_return(Vec::new(), None, [&founded], &[]).unwrap();
    bench.file("strange.carrylog", bytes);
    let settled = bench.json("station adopt bay2 strange.carrylog");
    assert_eq!(settled["files"][0]["statements_ignored"], 1);
    assert_eq!(
        settled["files"][0]["statements_new"]
            .as_array()
            .unwrap()
            .len(),
        0
    );
}

#[test]
fn a_clock_that_runs_behind_is_noted_and_the_order_stays() {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    let event = "event bay2 stored --mfr FJ001 --part FB-1-1 --serial 7 --place 'Shelf 4' --now 2026-02-01T00:00:00Z";
    bench.ok(event);
    let log = bench.json("log bay2");
    assert_eq!(log["entries"][2]["clock"], "doubtful");
    assert_eq!(log["entries"][2]["index"], 2);
    bench.ok("pack bay2 stick");
    let verdict = bench.ok(VERIFY);
    assert!(
        verdict.out.contains("1 entry is older than the one before"),
        "{}",
        verdict.out
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

#[test]
fn a_segment_from_any_entry_verifies_and_says_what_it_leaves_open() {
    let bench = packed();
    bench.ok("event bay2 stored --mfr FJ001 --part FB-1-1 --serial 7 --place 'Shelf 4'");
    bench.ok("event bay2 commissioned --mfr FJ001 --part FB-1-1 --serial 8");
    fs::create_dir(bench.path("late")).unwrap();
    bench.ends(3, "pack bay2 late --from 1");
    for from in 2..4 {
        let packed = bench.json(&format!("pack bay2 late --from {from}"));
        assert_eq!(packed["entry_first"], from);
        assert_eq!(packed["entry_last"], 3);
    }
    let verdict = bench.ok("verify late --authority office/authority.pub.json");
    assert!(
        verdict
            .out
            .contains("entries 0 to 2: they are not in this file"),
        "{}",
        verdict.out
    );
    bench.ends(3, "pack bay2 late --from 4");
    bench.ends(2, "pack bay2 late --from 1 --from-start");
}

#[cfg(unix)]
#[test]
fn a_secret_key_that_others_can_read_is_not_used() {
    use std::os::unix::fs::PermissionsExt;
    let bench = Bench::with_station(2);
    let key = bench.path("bay2/station.key");
    fs::set_permissions(&key, fs::Permissions::from_mode(0o644)).unwrap();
    let refused = bench.ends(3, "pack bay2 stick");
    assert!(refused.err.contains("chmod 600"), "{}", refused.err);
}

#[test]
fn another_key_in_the_station_s_folder_seals_nothing() {
    let bench = Bench::with_station(2);
    let name = Name::new("Bay 2").unwrap();
    let other = OwnedKey {
        role: KeyRole::Station,
        name,
        secret: SecretKey::from_seed([6; 32]),
    };
    fs::remove_file(bench.path("bay2/station.key")).unwrap();
    other
        .write_new(&bench.path("bay2/station.key"), None)
        .unwrap();
    let refused = bench.ends(4, "pack bay2 stick");
    assert!(
        refused.err.contains("not the key of this station's log"),
        "{}",
        refused.err
    );
}

#[test]
fn an_entry_needs_the_name_of_a_person() {
    let bench = Bench::with_station(2);
    let refused = outcome(
        bench
            .command()
            .env_remove("CARRYLOG_OPERATOR")
            .args(words("capture bay2 test.json")),
    );
    assert_eq!(refused.code, 2);
    assert!(refused.err.contains("--by NAME"), "{}", refused.err);
}

#[test]
fn the_public_key_in_a_bundle_names_its_log() {
    let bench = packed();
    let station = Station::open(&bench.path("bay2"), Access::Read).unwrap();
    let named = NamedKey::read(&bench.path("bay2/station.pub.json")).unwrap();
    assert_eq!(station.log(), LogId::of(&named.key));
}
