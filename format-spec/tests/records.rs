//! Every record kind, with all its fields: one encoding, and back to the same value.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

mod support;

use carrylog_format::cbor;
use carrylog_format::ids::{EntryId, FileDigest, LogId};
use carrylog_format::quantity::Ppm;
use carrylog_format::record::*;
use carrylog_format::tree::Hash;
use support::*;

fn remark(text: &str) -> carrylog_format::text::Remark {
    carrylog_format::text::Remark::new(text).unwrap()
}

/// One of each record, every optional field present.
fn all_records() -> Vec<Record> {
    let digest = Hash::of(b"example");
    let log = LogId::from_hash(digest);
    let wing = OnWing {
        position: carrylog_format::text::Text::new("1L").unwrap(),
        registration: name("FJ-ABC"),
    };
    let mut records = vec![Record::Test(Box::new(full_test_record()))];
    let changes = [
        UnitChange::Commissioned,
        UnitChange::Installed(wing),
        UnitChange::Removed {
            reason: remark("check due"),
            registration: name("FJ-ABC"),
        },
        UnitChange::Received {
            place: name("Shop"),
        },
        UnitChange::Shipped {
            to: name("Store"),
            soc_ppm: Some(Ppm::from_percent(30.0).unwrap()),
        },
        UnitChange::Shipped {
            to: name("Store"),
            soc_ppm: None,
        },
        UnitChange::Stored {
            place: name("Shelf 4"),
        },
        UnitChange::StorageChargeDue,
        UnitChange::Repaired {
            work: remark("new connector"),
        },
        UnitChange::Retired {
            reason: remark("capacity"),
        },
        UnitChange::Transferred {
            to: name("Another operator (invented)"),
        },
    ];
    records.extend(changes.map(|event| {
        Record::UnitEvent(UnitEvent {
            unit: unit("SN-0001"),
            event,
            happened_ms: at(5),
            flight_cycles: Some(1),
            flight_minutes: Some(carrylog_format::quantity::FlightMinutes::new(60).unwrap()),
        })
    }));
    let changes = [
        StationChange::Opened {
            name: name("Bay 1"),
            slots: 16,
            continues: Some(log),
        },
        StationChange::Calibrated {
            due: "2027-01-31".parse().unwrap(),
            accuracy: Some(full_accuracy()),
            attachment: Some(FileDigest::from_hash(digest)),
            certificate: name("CAL-1 (invented)"),
        },
        StationChange::ClockSet {
            before_ms: at(1),
            after_ms: at(2),
        },
        StationChange::MemoryEmptied {
            slots: vec![1, 2, 3],
        },
        StationChange::KeySucceeded {
            reason: remark("lost"),
            successor: log,
        },
    ];
    records.extend(changes.map(|event| {
        Record::StationEvent(StationEvent {
            event,
            happened_ms: at(5),
        })
    }));
    let replacements = [
        Replacement::Withdrawn,
        Replacement::Test(Box::new(full_test_record())),
        Replacement::UnitEvent(Box::new(UnitEvent {
            unit: unit("SN-0001"),
            event: UnitChange::Commissioned,
            happened_ms: at(5),
            flight_cycles: None,
            flight_minutes: None,
        })),
    ];
    records.extend(replacements.map(|replacement| {
        Record::Correction(Correction {
            reason: remark("serial mistyped"),
            supersedes: EntryId::from_hash(digest),
            replacement,
        })
    }));
    let content = SignOffContent {
        role: SignOffRole::CertifyingStaff,
        at_ms: at(9),
        entry: EntryId::from_hash(digest),
        signer: name("Certifier 3 (invented)"),
        statement: remark("Work done as the manual states."),
    };
    records.push(Record::SignOff(
        carrylog_format::sign_off::sign(&key(9), &content).unwrap(),
    ));
    records
}

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
