//! Proofs through the real programs: a unit that goes to another operator, an auditor, a damaged stick.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_tests::{Bench, words};
use support::{AUTHORITY, bundles, office, test_form};

fn capture(bench: &Bench, serial: &str, slot: u16, capacity_ah: f64) {
    let form = test_form("FB-44-2", serial, "2026-03-01T07:00:00Z").replace(
        "\"flight_hours\"",
        &format!("\"capacity_ah\": {capacity_ah}, \"flight_hours\""),
    );
    bench.file("test.json", form);
    bench.ok(&format!("capture bay1 test.json --slot {slot}"));
}

#[test]
fn a_units_history_is_proven_with_a_public_key_alone_and_merges_at_another_operator() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "5", 1, 43.0);
    capture(&bench, "6", 2, 42.0);
    bench.ok("event bay1 transferred --mfr FJ001 --part FB-44-2 --serial 5 --to 'Other operator (invented)'");
    bench.ok("pack bay1 stick");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    bench.ok(&format!(
        "history fetch FJ001/FB-44-2/5 --from {} --out unit-5.carrylog --authority {AUTHORITY}",
        server.url()
    ));
    let history = std::fs::read(bench.path("unit-5.carrylog")).unwrap();
    let key = std::fs::read(bench.path(AUTHORITY)).unwrap();
    drop(server);

    // A machine with nothing but the program, the file and the public key.
    let alone = Bench::new();
    alone.file("unit-5.carrylog", &history);
    alone.file("key.pub.json", &key);
    let shown = alone
        .ok("verify unit-5.carrylog --authority key.pub.json")
        .out;
    assert!(
        shown.contains("sound") && shown.contains("Bay 1"),
        "{shown}"
    );
    let mut changed = history.clone();
    let middle = changed.len() / 2;
    changed[middle] ^= 1;
    alone.file("changed.carrylog", changed);
    alone.fails(4, "verify changed.carrylog --authority key.pub.json");

    // Another operator, with an authority of its own.
    let other = Bench::new();
    let server = office(&other);
    other.file("unit/unit-5.carrylog", &history);
    other.file("first.pub.json", &key);
    other.fails(
        5,
        &format!("deliver unit/unit-5.carrylog --to {}", server.url()),
    );
    assert!(
        !server
            .get("/api/v1/units")
            .to_string()
            .contains("FB-44-2/5")
    );
    other.ok("authority trust office --key first.pub.json --reason 'units are exchanged'");
    other.ok("authority publish office stick/trust.carrylog");
    server.put(
        "/api/v1/statements",
        &std::fs::read(other.path("stick/trust.carrylog")).unwrap(),
    );
    // What was kept aside counted by itself once trust changed; delivered again it is known.
    let again = other.ok(&format!(
        "deliver unit/unit-5.carrylog --to {}",
        server.url()
    ));
    assert!(again.out.contains("0 new entries"), "{}", again.out);
    let unit = server.get("/api/v1/units/FJ001/FB-44-2/5");
    let entries = unit["history"].as_array().unwrap();
    assert_eq!(entries.len(), 2, "{unit}");
    for entry in entries {
        assert_eq!(
            (&entry["station"], &entry["status"]),
            (&"Bay 1".into(), &"accepted".into()),
            "{entry}"
        );
    }
    assert!(
        !server
            .get("/api/v1/units")
            .to_string()
            .contains("FB-44-2/6"),
        "only this unit went along"
    );
}

#[test]
fn an_auditor_sees_that_the_fleet_log_only_grew_and_catches_one_that_was_made_anew() {
    let bench = Bench::new();
    let server = office(&bench);
    capture(&bench, "1", 1, 43.0);
    bench.ok("pack bay1 stick");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    bench.ok(&format!(
        "audit keep --from {} --authority {AUTHORITY} --out kept.head",
        server.url()
    ));
    capture(&bench, "2", 2, 42.0);
    bench.ok("pack bay1 stick");
    bench.ok(&format!("deliver stick --to {}", server.url()));
    bench.ok(&format!(
        "audit check kept.head --from {} --authority {AUTHORITY}",
        server.url()
    ));
    drop(server);

    // The same key with a store made anew: the first seal is left out, the later one is there.
    let made = bench.run(
        "carrylog-server",
        &words("init rewritten --name 'Records server (invented)'"),
    );
    assert_eq!(made.code, 0, "{}", made.text());
    for file in ["server.key", "server.pub.json"] {
        std::fs::copy(
            bench.path("records").join(file),
            bench.path("rewritten").join(file),
        )
        .unwrap();
    }
    let trusted = bench.run(
        "carrylog-server",
        &words(&format!(
            "trust rewritten stick/office.carrylog --authority {AUTHORITY}"
        )),
    );
    assert_eq!(trusted.code, 0, "{}", trusted.text());
    support::station(&bench, "bay2", "'Bay 2'");
    let server = bench.serve("rewritten", "");
    server.put(
        "/api/v1/statements",
        &std::fs::read(bench.path("stick/office.carrylog")).unwrap(),
    );
    std::fs::create_dir(bench.path("stick2")).unwrap();
    bench.file(
        "test.json",
        test_form("FB-44-2", "8", "2026-03-01T07:00:00Z"),
    );
    bench.ok("capture bay2 test.json --slot 1");
    bench.ok("pack bay2 stick2");
    bench.ok(&format!("deliver stick2 --to {}", server.url()));
    let caught = bench.fails(
        4,
        &format!(
            "audit check kept.head --from {} --authority {AUTHORITY}",
            server.url()
        ),
    );
    assert!(caught.text().contains("rewritten"), "{}", caught.text());
}

#[test]
fn a_damaged_stick_heals_bit_for_bit_and_an_encrypted_one_says_nothing() {
    let bench = Bench::new();
    let _server = office(&bench);
    capture(&bench, "1", 1, 43.0);
    bench.ok("pack bay1 stick");
    let file = bundles(&bench, "stick").pop().unwrap();
    let good = std::fs::read(&file).unwrap();
    let mut damaged = good.clone();
    for byte in &mut damaged[700..760] {
        *byte = 0;
    }
    bench.file("damaged.carrylog", &damaged);
    bench.fails(
        4,
        &format!("verify damaged.carrylog --authority {AUTHORITY}"),
    );
    std::fs::create_dir(bench.path("healed")).unwrap();
    bench.ok(&format!(
        "salvage damaged.carrylog --authority {AUTHORITY} --out healed"
    ));
    let healed = bundles(&bench, "healed").pop().unwrap();
    assert_eq!(std::fs::read(healed).unwrap(), good);

    bench.ok("key recipient reader --name 'Records office (invented)'");
    std::fs::create_dir(bench.path("secret")).unwrap();
    bench.ok("pack bay1 secret --encrypt-to reader.pub.json");
    let locked = bundles(&bench, "secret").pop().unwrap();
    let bytes = std::fs::read(&locked).unwrap();
    for word in [&b"FB-44-2"[..], b"Tech 7", b"periodic_check"] {
        assert!(
            good.windows(word.len()).any(|w| w == word),
            "the open file has the word"
        );
        assert!(
            !bytes.windows(word.len()).any(|w| w == word),
            "the locked one does not"
        );
    }
    let shown = bench
        .ok(&format!("verify secret --authority {AUTHORITY}"))
        .out;
    assert!(shown.contains("not checked"), "{shown}");
    std::fs::create_dir(bench.path("opened")).unwrap();
    let locked = locked.display();
    bench.ok(&format!(
        "open {locked} --key reader.key --out opened --authority {AUTHORITY}"
    ));
    bench.ok(&format!("verify opened --authority {AUTHORITY}"));
}
