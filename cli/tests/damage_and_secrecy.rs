//! Sticks that get damaged or lost: recovery data heals, salvage saves, encryption keeps secret.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod support;

use std::fs;
use support::{Bench, test_form};

const AUTHORITY: &str = "--authority office/authority.pub.json";

/// A station with one test captured, not packed yet.
fn captured() -> Bench {
    let bench = Bench::with_station(4);
    bench.ok("capture bay2 test.json");
    bench
}

#[test]
fn a_packed_file_carries_recovery_data_unless_told_otherwise() {
    let bench = captured();
    bench.ok("pack bay2 stick --recovery-percent 0");
    let path = bench.on_stick("bay-2-");
    let bare = fs::read(&path).unwrap();
    let packed = bench.json("pack bay2 stick");
    let with = fs::read(&path).unwrap();
    assert_eq!(packed["recovery_percent"], 10);
    assert_eq!(packed["file_bytes"], with.len());
    assert!(with.len() > bare.len());
    assert_eq!(
        with[..bare.len()],
        bare,
        "recovery data stands after the bundle's end"
    );
    bench.ok(&format!("verify stick {AUTHORITY}"));
    bench.ends(2, "pack bay2 stick --recovery-percent 101");
}

#[test]
fn an_encrypted_file_reveals_nothing_and_opens_to_the_same_bundle_for_its_recipient_only() {
    let bench = captured();
    bench.ok("key recipient records --name 'Fjordline records office'");
    bench.ok("key recipient other --name 'Somebody else'");
    fs::create_dir(bench.path("opened")).unwrap();
    bench.ok("pack bay2 stick --recovery-percent 0");
    let path = bench.on_stick("bay-2-");
    let plain = fs::read(&path).unwrap();
    let packed = bench.json("pack bay2 stick --encrypt-to records.pub.json");
    assert_eq!(packed["enrolled"], true);
    assert_eq!(packed["entries"], 2);
    let sealed = fs::read(&path).unwrap();
    for secret in ["FB-1-1", "Bay 2", "Ada Invented"] {
        let shown = |bytes: &[u8]| bytes.windows(secret.len()).any(|w| w == secret.as_bytes());
        assert!(shown(&plain), "{secret}");
        assert!(!shown(&sealed), "{secret}");
    }

    let verdict = bench.json(&format!("verify stick {AUTHORITY}"));
    assert_eq!(verdict["files"][0]["verdict"], "whole");
    let words = bench.ok(&format!("verify stick {AUTHORITY}")).out;
    assert!(words.contains("can be opened"), "{words}");
    assert!(words.contains("everything inside"), "{words}");

    let file = path.display();
    let stranger = bench.ends(3, &format!("open {file} --key other.key --out opened"));
    assert!(
        stranger.err.contains("cannot be opened with this key"),
        "{}",
        stranger.err
    );
    let opened = bench.ok(&format!(
        "open {file} --key records.key --out opened {AUTHORITY}"
    ));
    assert!(opened.out.contains("sound"), "{}", opened.out);
    let out = fs::read_dir(bench.path("opened"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    assert_eq!(fs::read(out.path()).unwrap(), plain);
    let again = bench.ends(3, &format!("open {file} --key records.key --out opened"));
    assert!(again.err.contains("there already"), "{}", again.err);
    fs::remove_file(out.path()).unwrap();
    let unchecked = bench.ok(&format!("open {file} --key records.key --out opened"));
    assert!(
        unchecked.out.contains("who signed was not checked"),
        "{}",
        unchecked.out
    );
}

#[test]
fn a_damaged_envelope_is_refused_from_outside_and_leaves_no_half_opened_file() {
    let bench = captured();
    bench.ok("key recipient records --name 'Fjordline records office'");
    fs::create_dir(bench.path("opened")).unwrap();
    bench.ok("pack bay2 stick --encrypt-to records.pub.json --recovery-percent 0");
    let path = bench.on_stick("bay-2-");
    let good = fs::read(&path).unwrap();
    for at in [good.len() / 2, good.len() - 20] {
        let mut bad = good.clone();
        bad[at] ^= 1;
        fs::write(&path, bad).unwrap();
        bench.ends(4, &format!("verify stick {AUTHORITY}"));
        bench.ends(
            4,
            &format!("open {} --key records.key --out opened", path.display()),
        );
        assert_eq!(
            fs::read_dir(bench.path("opened")).unwrap().count(),
            0,
            "byte {at}"
        );
    }
    let foreign = bench.path("records.pub.json");
    bench.ends(
        3,
        &format!(
            "pack bay2 stick --encrypt-to {}",
            foreign.with_extension("no").display()
        ),
    );
    bench.ends(2, "pack bay2 stick --encrypt-to age1nonsense");
}

#[test]
fn salvage_heals_a_damaged_file_bit_for_bit() {
    let bench = captured();
    bench.ok("pack bay2 stick");
    let path = bench.on_stick("bay-2-");
    let good = fs::read(&path).unwrap();
    fs::create_dir(bench.path("healed")).unwrap();
    let salvage = format!("salvage {} {AUTHORITY} --out healed", path.display());
    let mut bad = good.clone();
    for byte in &mut bad[600..604] {
        *byte ^= 0xff;
    }
    fs::write(&path, &bad).unwrap();
    bench.ends(4, &format!("verify stick {AUTHORITY}"));
    let healed = bench.json(&salvage);
    assert_eq!(healed["outcome"], "healed");
    assert!(healed["blocks_restored"].as_u64().unwrap() >= 1);
    let out = fs::read_dir(bench.path("healed"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    assert_eq!(fs::read(out.path()).unwrap(), good);
    assert_eq!(
        fs::read(&path).unwrap(),
        bad,
        "the damaged file stays as it is"
    );
    bench.ends(3, &salvage);
}

#[test]
fn salvage_beyond_healing_saves_the_sound_part_and_lists_what_is_lost() {
    let bench = captured();
    bench.ok("pack bay2 stick --recovery-percent 0");
    bench.file("second.json", test_form("8", 2, 1.0));
    bench.ok("capture bay2 second.json");
    bench.file("third.json", test_form("9", 3, 1.0));
    bench.ok("capture bay2 third.json");
    fs::remove_file(bench.on_stick("bay-2-")).unwrap();
    bench.ok("pack bay2 stick --recovery-percent 0");
    let path = bench.on_stick("bay-2-");
    let mut bad = fs::read(&path).unwrap();
    // In the third test's entry: its unit's serial number, «9» as a CBOR text.
    let needle = b"\x61\x39".as_slice();
    let at = bad.windows(needle.len()).position(|w| w == needle).unwrap();
    bad[at + needle.len() - 1] ^= 0x40;
    fs::write(&path, &bad).unwrap();
    fs::create_dir(bench.path("saved")).unwrap();
    let salvage = format!("salvage {} {AUTHORITY} --out saved", path.display());
    let outcome = bench.ends(4, &format!("{salvage} --json"));
    let saved = outcome.json();
    assert_eq!(saved["outcome"], "saved");
    assert_eq!(saved["lost"], serde_json::json!([[3, 3]]), "{saved}");
    let count = |field: &str| saved[field].as_array().unwrap().len();
    assert_eq!(count("proven") + count("unproven"), 3, "{saved}");
    let out = fs::read_dir(bench.path("saved"))
        .unwrap()
        .next()
        .unwrap()
        .unwrap();
    let verdict = bench.json(&format!("verify {} {AUTHORITY}", out.path().display()));
    assert_eq!(verdict["files"][0]["verdict"], "sound");
    assert_eq!(verdict["files"][0]["entries"], 2);
    fs::remove_file(out.path()).unwrap();
    let words = bench.ends(4, &salvage).out;
    assert!(words.contains("lost"), "{words}");
    assert!(words.contains("sound part"), "{words}");

    bench.file("noise.carrylog", "nothing of ours");
    bench.ends(
        4,
        &format!("salvage noise.carrylog {AUTHORITY} --out saved"),
    );
}
