//! One of each record with every optional field present: what the encoder and the decoders must agree on.

use super::support::*;
use carrylog_format::cbor;
use carrylog_format::ids::{EntryId, FileDigest, LogId};
use carrylog_format::quantity::Ppm;
use carrylog_format::record::*;
use carrylog_format::tree::Hash;

/// One of each record, every optional field present.
pub fn all_records() -> Vec<Record> {
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
            supersedes: place(),
            replacement,
        })
    }));
    let content = SignOffContent {
        role: SignOffRole::CertifyingStaff,
        at_ms: at(9),
        entry: place(),
        meaning: remark("Work done as the manual states."),
    };
    records.push(Record::SignOff(
        carrylog_format::sign_off::sign(&key(9), &content).unwrap(),
    ));
    records
}

/// An entry of each record, with and without the optional fields of the envelope.
pub fn all_entries() -> Vec<Entry> {
    let bare = head(7);
    let mut full = head(7);
    full.note = Some(remark("noted"));
    full.ext
        .insert(cbor::Key::new("fj_ref"), ExtensionValue::Int(-7));
    full.ext
        .insert(cbor::Key::new("b"), ExtensionValue::Bool(true));
    full.ext.insert(
        cbor::Key::new("t"),
        ExtensionValue::Text(carrylog_format::text::Text::new("x").unwrap()),
    );
    all_records()
        .into_iter()
        .enumerate()
        .map(|(number, record)| {
            let head = if number % 2 == 0 { &full } else { &bare };
            Entry::new(head.clone(), record.clone()).unwrap_or_else(|e| panic!("{record:?}: {e}"))
        })
        .collect()
}

fn place() -> EntryRef {
    EntryRef {
        log: LogId::of(&key(2).public()),
        entry: EntryId::from_hash(Hash::of(b"example")),
        index: 7,
    }
}
