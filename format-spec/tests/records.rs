//! Every record kind, with all its fields: one encoding, and back to the same value.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    dead_code,
    unreachable_pub,
    missing_docs,
    reason = "a test fails by panicking"
)]

#[path = "support/records.rs"]
mod records;
mod support;

use carrylog_format::cbor;
use carrylog_format::record::*;
use records::*;
use support::*;

#[test]
fn every_kind_has_one_encoding_and_reads_back_equal() {
    for record in all_records() {
        let mut head = head(7);
        head.note = Some(remark("noted"));
        head.ext
            .insert(cbor::Key::new("fj_ref"), ExtensionValue::Int(-7));
        head.ext
            .insert(cbor::Key::new("b"), ExtensionValue::Bool(true));
        let entry =
            Entry::new(head.clone(), record.clone()).unwrap_or_else(|e| panic!("{record:?}: {e}"));
        let again = Entry::parse(entry.bytes()).unwrap();
        assert_eq!(again.record(), &record);
        assert_eq!(again.head(), &head);
        assert_eq!(again.id(), entry.id());
    }
}

#[test]
fn a_limits_sheet_with_all_fields_has_one_encoding() {
    let sheet = full_limits_sheet();
    let bytes = cbor::to_canonical(&sheet).unwrap();
    let limits = cbor::Limits {
        max_len: 65536,
        max_depth: 8,
        allow_tags: false,
    };
    assert_eq!(
        cbor::from_canonical::<LimitsSheet>(&bytes, &limits).unwrap(),
        sheet
    );
}

#[test]
fn an_unknown_kind_or_version_is_kept_as_it_came() {
    let known = test_entry("SN-0001", 60);
    // "test" becomes "tesu": a kind nobody knows, with a body that only its maker can read.
    let position = known
        .bytes()
        .windows(5)
        .position(|w| w == b"\x64test")
        .unwrap();
    let mut bytes = known.bytes().to_vec();
    bytes[position + 4] = b'u';
    let entry = Entry::parse(&bytes).unwrap();
    assert!(matches!(entry.record(), Record::Unknown { version: 1, .. }));
    assert_eq!(entry.bytes(), bytes);
    // Version 2 of a known kind.
    let mut bytes = known.bytes().to_vec();
    let position = bytes.windows(3).position(|w| w == b"\x61v\x01").unwrap();
    bytes[position + 2] = 2;
    assert!(matches!(
        Entry::parse(&bytes).unwrap().record(),
        Record::Unknown { version: 2, .. }
    ));
}

#[test]
fn an_unknown_field_of_a_known_kind_is_refused() {
    let known = test_entry("SN-0001", 60);
    let position = known
        .bytes()
        .windows(8)
        .position(|w| w == b"\x67purpose")
        .unwrap();
    let mut bytes = known.bytes().to_vec();
    bytes[position + 7] = b'f';
    assert!(Entry::parse(&bytes).is_err());
}

#[test]
fn a_negative_capacity_in_a_record_is_refused() {
    let known = test_entry("SN-0001", 60);
    // capacity_uah: 41 500 000 is 1a 02793d60; 3a is the same argument as a negative number.
    let position = known
        .bytes()
        .windows(5)
        .position(|w| w == [0x1a, 0x02, 0x79, 0x3d, 0x60])
        .unwrap();
    let mut bytes = known.bytes().to_vec();
    bytes[position] = 0x3a;
    assert!(Entry::parse(&bytes).is_err());
}
