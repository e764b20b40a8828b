//! The server, and what comes back from it.

use crate::support::{Bench, office_server::OfficeServer, test_form};
use crate::{all_bytes, packed};
use carrylog::station::{Access, Station};
use carrylog_format::text::Name;
use std::fs;

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
