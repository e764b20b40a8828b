//! Files: missing, foreign, damaged, cut.

use crate::{VERIFY, packed};
use carrylog::station::{Access, Station};
use carrylog::verification::verify;
use carrylog_format::ids::LogId;
use carrylog_format::trust::TrustStore;
use carrylog_keys::NamedKey;
use std::fs;
use std::io::Cursor;

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
fn a_torn_file_on_the_stick_is_never_taken_for_a_bundle() {
    let bench = packed();
    let whole = fs::read(bench.on_stick("bay-2-")).unwrap();
    bench.file("stick/bay-2-0000.carrylog.part", &whole[..whole.len() / 2]);
    bench.ok(VERIFY);
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

#[test]
fn the_public_key_in_a_bundle_names_its_log() {
    let bench = packed();
    let station = Station::open(&bench.path("bay2"), Access::Read).unwrap();
    let named = NamedKey::read(&bench.path("bay2/station.pub.json")).unwrap();
    assert_eq!(station.log(), LogId::of(&named.key));
}
