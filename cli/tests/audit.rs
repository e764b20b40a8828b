//! A server under audit: one that only grew, and ones that rewrote, dropped or reordered.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod support;

use support::{Bench, office_server::OfficeServer};

/// An office with an enrolled server whose fleet log holds `a`, `b`, `c`.
fn office() -> (Bench, OfficeServer, String) {
    let bench = Bench::new();
    bench.ok("authority create office --name 'Fjordline records office'");
    let key = OfficeServer::key(&bench.path("server.pub.json"));
    bench.ok("authority enrol office --key server.pub.json --role server");
    bench.ok("authority publish office published.carrylog");
    let server = OfficeServer::start(
        &bench.path("office/authority.pub.json"),
        &bench.path("published.carrylog"),
        key,
    );
    server.rewrite(&[b"a", b"b", b"c"]);
    let from = format!(
        "--from {} --authority office/authority.pub.json",
        server.url
    );
    (bench, server, from)
}

#[test]
fn a_log_that_only_grew_is_said_so_and_its_new_head_can_be_kept() {
    let (bench, server, from) = office();
    let kept = bench.json(&format!("audit keep {from} --out first.cose"));
    assert_eq!(kept["head"]["leaves"], 3);
    let same = bench.ok(&format!("audit check first.cose {from}"));
    assert!(same.out.contains("the same 3 leaves"), "{}", same.out);
    for leaf in [b"d", b"e", b"f"] {
        server.grow(leaf);
        let grown = bench.json(&format!("audit check first.cose {from}"));
        assert_eq!(grown["only_grew"], true, "{grown}");
    }
    bench.ok(&format!("audit check first.cose {from} --out second.cose"));
    server.grow(b"g");
    let words = bench.ok(&format!("audit check second.cose {from}")).out;
    assert!(
        words.contains("first 6 leaves are unchanged and 1 were added"),
        "{words}"
    );
    bench.ends(3, &format!("audit keep {from} --out first.cose"));
}

#[test]
fn a_server_that_changed_dropped_or_reordered_anything_is_caught() {
    let (bench, server, from) = office();
    bench.ok(&format!("audit keep {from} --out first.cose"));
    let rewritten: [&[&[u8]]; 5] = [
        &[b"a", b"x", b"c"],
        &[b"b", b"a", b"c"],
        &[b"a", b"b"],
        &[b"a", b"c", b"d", b"e"],
        &[b"a", b"b", b"x", b"d"],
    ];
    for leaves in rewritten {
        server.rewrite(leaves);
        let caught = bench.ends(4, &format!("audit check first.cose {from}"));
        assert!(
            caught.out.contains("the server's log was rewritten"),
            "{}",
            caught.text()
        );
    }
    server.rewrite(&[b"a", b"b", b"c", b"d"]);
    bench.ok(&format!("audit check first.cose {from}"));
}

#[test]
fn a_changed_head_or_a_server_that_nobody_enrolled_proves_nothing() {
    let (bench, _server, from) = office();
    bench.ok(&format!("audit keep {from} --out first.cose"));
    let mut bytes = std::fs::read(bench.path("first.cose")).unwrap();
    let last = bytes.len() - 1;
    bytes[last] ^= 1;
    bench.file("changed.cose", bytes);
    bench.ends(4, &format!("audit check changed.cose {from}"));

    let stranger = Bench::new();
    stranger.ok("authority create other --name 'Somebody else'");
    let other = stranger.path("other/authority.pub.json");
    let untrusted = from.replace("office/authority.pub.json", other.to_str().unwrap());
    bench.ends(5, &format!("audit keep {untrusted} --out other.cose"));
    assert!(!bench.path("other.cose").exists());
}

/// The history and its authority are the format's frozen vector.
#[test]
fn a_fetched_history_is_kept_only_if_it_verifies_and_is_of_the_unit_asked_for() {
    let (bench, server, _) = office();
    let vectors = concat!(env!("CARGO_MANIFEST_DIR"), "/../format-spec/vectors");
    let manifest: serde_json::Value =
        serde_json::from_slice(&std::fs::read(format!("{vectors}/manifest.json")).unwrap())
            .unwrap();
    let vector = manifest["vectors"]
        .as_array()
        .unwrap()
        .iter()
        .find(|v| v["file"] == "good/unit-history.carrylog")
        .unwrap();
    let key = vector["authorities"][0].as_str().unwrap();
    bench.file(
        "origin.pub.json",
        format!(
            r#"{{"carrylog": "public-key", "role": "authority", "name": "Origin", "key": "{key}"}}"#
        ),
    );
    let history = std::fs::read(format!("{vectors}/good/unit-history.carrylog")).unwrap();
    let header = carrylog_format::bundle::peek_header(history.as_slice()).unwrap();
    let carrylog_format::bundle::BundleHeader::UnitHistory(header) = header else {
        panic!("{header:?}");
    };
    let unit = header.unit.key();
    let fetch = format!(
        "history fetch '{}' --from {} --authority origin.pub.json --out unit.carrylog",
        unit.as_str(),
        server.url
    );
    bench.ends(8, &fetch);
    server.give_history(&history);
    let fetched = bench.json(&fetch);
    assert_eq!(fetched["verdict"], "sound", "{fetched}");
    assert_eq!(std::fs::read(bench.path("unit.carrylog")).unwrap(), history);
    let words = bench
        .ok("verify unit.carrylog --authority origin.pub.json")
        .out;
    for said in [
        "history of",
        "enrolled by",
        "whether something was left out",
    ] {
        assert!(words.contains(said), "{words}");
    }

    std::fs::remove_file(bench.path("unit.carrylog")).unwrap();
    bench.ends(8, &fetch.replace(unit.as_str(), "FJ001/OTHER/1"));
    assert!(!bench.path("unit.carrylog").exists());
    let mut bad = history.clone();
    let middle = bad.len() / 2;
    bad[middle] ^= 1;
    server.give_history(&bad);
    bench.ends(4, &format!("{fetch} --without-traces"));
    assert!(
        !bench.path("unit.carrylog").exists(),
        "what proves nothing is not kept"
    );
}
