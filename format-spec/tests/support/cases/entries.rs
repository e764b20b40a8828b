//! Chapter 4: entries. Rule E-1.

use super::Broken;
use super::edit::*;
use super::scene::Scene;
use crate::support::*;
use carrylog_format::cbor;
use carrylog_format::frame::FrameType;
use carrylog_format::record::{Entry, Record};
use carrylog_format::refusal::Rule;

pub const ROWS: &[Broken] = &[
    Broken::maker(
        Rule::EntryForm,
        "shortest",
        "an entry with a number in two bytes that fits one",
        // "v": 1 written as 18 01.
        |s| first_version_as(s, &[0x18, 1]),
    ),
    Broken::maker(
        Rule::EntryForm,
        "float",
        "an entry with a floating-point number",
        |s| first_version_as(s, &[0xf9, 0x3c, 0]),
    ),
    Broken::maker(
        Rule::EntryForm,
        "field",
        "a test with an unknown field",
        |s| {
            edit(&s.segment(), |list| {
                let (_, payload) = list
                    .iter_mut()
                    .find(|(_, p)| p.windows(7).any(|w| w == b"purpose"))
                    .unwrap();
                let at = find(payload, b"purpose");
                payload[at + 6] = b'f';
            })
        },
    ),
    Broken::maker(Rule::EntryForm, "phases", "a test with 65 phases", |s| {
        let mut record = full_test_record();
        let computed = record.computed.as_mut().unwrap();
        let phase = computed.phases[0].clone();
        computed.phases = vec![phase; 65];
        // Encoded by hand, since no entry of this kind can be made.
        let sound = Entry::new(head(60), Record::Test(Box::new(full_test_record()))).unwrap();
        let short = cbor::to_canonical(&full_test_record()).unwrap();
        let long = cbor::to_canonical(&record).unwrap();
        let at = find(sound.bytes(), &short);
        let rest = &sound.bytes()[at + short.len()..];
        let bytes = [&sound.bytes()[..at], &long, rest].concat();
        replace_entry(&s.segment(), 1, bytes)
    }),
    Broken::maker(
        Rule::EntryForm,
        "sign-off",
        "a sign-off of another content type",
        |s| {
            let mut bytes = s.log.entries[4].bytes().to_vec();
            let at = find(&bytes, b"+cb");
            bytes[at] = b'-';
            replace_entry(&s.segment(), 4, bytes)
        },
    ),
    Broken::maker(
        Rule::EntryForm,
        "line-feed",
        "a serial number with a line feed",
        |s| serial_with(s, "SN-\n0001"),
    ),
    Broken::maker(
        Rule::EntryForm,
        "override",
        "a serial number that turns what follows it",
        |s| serial_with(s, "SN\u{202e}001"),
    ),
    Broken::maker(
        Rule::EntryForm,
        "ext",
        "an extension field with a capital letter",
        |s| {
            // "ext": {"Fj": 1} between "by" and "body".
            let sound = s.log.entries[2].bytes();
            let at = find(sound, b"\x64body");
            let ext = b"\x63ext\xa1\x62Fj\x01";
            let mut bytes = [&sound[..at], ext, &sound[at..]].concat();
            bytes[0] += 1;
            replace_entry(&s.segment(), 2, bytes)
        },
    ),
];

/// The segment with another serial number of as many bytes in entry 2.
fn serial_with(scene: &Scene, serial: &str) -> Vec<u8> {
    let mut bytes = scene.log.entries[2].bytes().to_vec();
    let at = find(&bytes, b"SN-0002");
    let serial = serial.as_bytes();
    bytes.splice(at..at + 7, serial.iter().copied());
    bytes[at - 1] = 0x60 + serial.len() as u8;
    replace_entry(&scene.segment(), 2, bytes)
}

/// The segment with these bytes for the first entry's version number.
fn first_version_as(scene: &Scene, number: &[u8]) -> Vec<u8> {
    edit(&scene.segment(), |list| {
        let entry = position(list, FrameType::Entry);
        list[entry].1.splice(3..4, number.iter().copied());
    })
}
