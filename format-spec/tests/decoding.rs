//! The crate's decoder against a second opinion: what one accepts the other accepts, with one value.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    dead_code,
    unused_imports,
    unreachable_pub,
    missing_docs,
    reason = "a test fails by panicking"
)]

#[path = "support/cases/mod.rs"]
mod cases;
#[path = "support/item.rs"]
mod item;
#[path = "support/oracle.rs"]
mod oracle;
#[path = "support/records.rs"]
mod records;
mod support;

use carrylog_format::bundle::BundleHeader;
use carrylog_format::cbor::{self, CborError, Limits};
use carrylog_format::cose;
use carrylog_format::fleet_log::HeadFrame;
use carrylog_format::fleet_log::head::FleetHead;
use carrylog_format::frame::{Frame, FrameReader, FrameType};
use carrylog_format::ids::SealDigest;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::{Entry, EntryError, Record, SignOffContent};
use carrylog_format::seal::SealContent;
use carrylog_format::statement::StatementContent;
use carrylog_format::tree::Hash;
use item::Item;
use proptest::prelude::*;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use serde_bytes::ByteBuf;
use std::fmt::Debug;

const LIMITS: Limits = Limits {
    max_len: 1 << 20,
    max_depth: 16,
    allow_tags: false,
};

/// Compares the two decoders on `bytes` as a `T`; whether they accept them.
fn agree<T>(bytes: &[u8]) -> bool
where
    T: DeserializeOwned + Serialize + PartialEq + Debug,
{
    let ours = cbor::from_canonical::<T>(bytes, &LIMITS);
    let theirs = oracle::decode::<T>(bytes, &LIMITS);
    same(bytes, &ours, &theirs);
    ours.is_ok()
}

fn agree_on_entry(bytes: &[u8]) -> bool {
    let entry = Entry::parse(bytes);
    if let Ok(entry) = &entry {
        assert_eq!(entry.bytes(), bytes);
        assert_eq!(*entry.id().hash(), carrylog_format::tree::leaf_hash(bytes));
    }
    let ours = match entry {
        Ok(entry) => Ok((entry.head().clone(), entry.record().clone())),
        Err(EntryError::Cbor(e)) => Err(e),
        Err(EntryError::Structure(reason)) => Err(CborError::Decode { offset: 0, reason }),
        Err(e) => panic!("{e}"),
    };
    let theirs = oracle::entry(bytes).and_then(|(head, record)| {
        // What a sign-off holds is looked at beside the encoding.
        if let Record::SignOff(sign_off) = &record {
            carrylog_format::sign_off::content(sign_off).map_err(|e| CborError::Decode {
                offset: 0,
                reason: e.to_string(),
            })?;
        }
        if !oracle::named(&head.ext) {
            let reason = carrylog_format::record::EXTENSION_NAMES.to_owned();
            return Err(CborError::Decode { offset: 0, reason });
        }
        Ok((head, record))
    });
    same(bytes, &ours, &theirs);
    ours.is_ok()
}

/// Equal values, or the same refusal in the same words at the same place. One difference is allowed:
/// what is wrong in itself and stands in a second spelling may be refused for its spelling.
fn same<T>(bytes: &[u8], ours: &Result<T, CborError>, theirs: &Result<T, CborError>)
where
    T: PartialEq + Debug,
{
    let spelling = matches!(ours, Err(CborError::NotCanonicalForm { .. }))
        && matches!(theirs, Err(CborError::Decode { .. }));
    assert!(
        spelling || ours == theirs,
        "{ours:?}, not {theirs:?}: {}",
        hex::encode(bytes)
    );
}

/// Tries every variation of every node, with the pairs as they come and in canonical order.
fn vary(bytes: &[u8], agree: fn(&[u8]) -> bool) -> u64 {
    assert!(agree(bytes), "{}", hex::encode(bytes));
    let mut accepted = 0;
    let whole = Item::read(bytes);
    assert_eq!(whole.bytes(), bytes);
    for number in 0..whole.nodes() {
        for variation in whole.clone().node(number).variations() {
            let mut varied = whole.clone();
            *varied.node(number) = variation;
            let bytes = varied.bytes();
            accepted += u64::from(agree(&bytes));
            varied.sort();
            let sorted = varied.bytes();
            if sorted != bytes {
                accepted += u64::from(agree(&sorted));
            }
        }
    }
    accepted
}

#[test]
fn both_decoders_agree_on_every_variation_of_every_record() {
    let mut accepted = 0;
    for entry in records::all_entries() {
        accepted += vary(entry.bytes(), agree_on_entry);
    }
    assert!(
        accepted > 1000,
        "only refusals would prove little: {accepted}"
    );
}

#[test]
fn both_decoders_agree_on_every_variation_of_what_is_signed() {
    let scene = cases::Scene::new();
    for statement in &scene.authority.chain {
        let signed = cose::parse_sign1(statement.sign1()).unwrap();
        vary(signed.payload(), agree::<StatementContent>);
    }
    for seal in &scene.log.seals {
        vary(seal.payload(), agree::<SealContent>);
    }
    for slip in &scene.slips {
        vary(&slip.encode().unwrap(), agree::<ReceiptSlip>);
    }
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct End {
    bytes: u64,
    frames: u64,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Proven {
    seal: SealDigest,
    entry: ByteBuf,
    proof: ByteBuf,
}

#[derive(Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Recovery {
    v: u64,
    at: u64,
    group: u64,
    index: u64,
    shard: ByteBuf,
    table: ByteBuf,
    whole: Hash,
    length: u64,
    percent: u8,
}

/// Compares the decoders on what a frame holds; the number of payloads that were compared.
fn agree_on_frame(frame: &Frame) -> u64 {
    let signed = |bytes: &[u8], agree: fn(&[u8]) -> bool| match cose::parse_sign1(bytes) {
        Ok(signed) => {
            agree(signed.payload());
            1
        }
        Err(_) => 0,
    };
    let bytes = &frame.payload;
    match frame.kind {
        FrameType::Entry => {
            agree_on_entry(bytes);
            match Entry::parse(bytes).map(|e| e.record().clone()) {
                Ok(Record::SignOff(s)) => 1 + signed(&s.sign1, agree::<SignOffContent>),
                _ => 1,
            }
        }
        FrameType::ProvenEntry => {
            if agree::<Proven>(bytes) {
                agree_on_entry(
                    &cbor::from_canonical::<Proven>(bytes, &LIMITS)
                        .unwrap()
                        .entry,
                );
            }
            2
        }
        FrameType::Header => u64::from(agree::<BundleHeader>(bytes)),
        FrameType::Frontier => u64::from(agree::<Vec<Hash>>(bytes)),
        FrameType::Receipt => u64::from(agree::<ReceiptSlip>(bytes)),
        FrameType::End => u64::from(agree::<End>(bytes)),
        FrameType::Recovery => u64::from(agree::<Recovery>(bytes)),
        FrameType::Statement => signed(bytes, agree::<StatementContent>),
        FrameType::Seal => signed(bytes, agree::<SealContent>),
        FrameType::Head => {
            let frame = cbor::from_canonical::<HeadFrame>(bytes, &LIMITS);
            let of_head = frame.map_or(0, |f| signed(f.head(), agree::<FleetHead>));
            u64::from(agree::<HeadFrame>(bytes)) + of_head
        }
        // No structure of serde's: columns, and what is encrypted.
        FrameType::Trace | FrameType::Sealed => 0,
    }
}

#[test]
fn both_decoders_agree_on_every_element_of_every_vector() {
    let mut compared = 0;
    for case in cases::all() {
        let Ok(mut frames) = FrameReader::new(&case.bytes[..]) else {
            continue;
        };
        while let Ok(Some(frame)) = frames.next_frame() {
            compared += agree_on_frame(&frame);
        }
    }
    assert!(compared > 500, "{compared}");
}

/// Bytes that a record was made of and that were changed in up to three ways.
fn damaged() -> impl Strategy<Value = Vec<u8>> {
    let all: Vec<Vec<u8>> = records::all_entries()
        .iter()
        .map(|e| e.bytes().to_vec())
        .collect();
    let change = (
        any::<prop::sample::Index>(),
        any::<prop::sample::Index>(),
        0..6_u8,
        any::<u8>(),
    );
    let changes = prop::collection::vec(change, 1..=3);
    (prop::sample::select(all), changes).prop_map(|(mut bytes, changes)| {
        for (at, other, how, byte) in changes {
            let (at, other) = (at.index(bytes.len()), other.index(bytes.len()));
            match how {
                0 => bytes[at] ^= 1 << (byte % 8),
                1 => bytes[at] = byte,
                2 => bytes.insert(at, byte),
                3 if bytes.len() > 1 => drop(bytes.remove(at)),
                4 => bytes.swap(at, other),
                _ => {
                    let mut item = Item::Map(vec![]);
                    if agree_on_entry(&bytes) {
                        item = Item::read(&bytes);
                    }
                    let variations = item.node(at % item.nodes()).variations();
                    let number = at % item.nodes();
                    *item.node(number) = variations[other % variations.len()].clone();
                    item.sort();
                    bytes = item.bytes();
                }
            }
        }
        bytes
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn both_decoders_agree_on_damaged_entries(bytes in damaged()) {
        agree_on_entry(&bytes);
    }

    #[test]
    fn both_decoders_agree_on_arbitrary_bytes(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        agree_on_entry(&bytes);
        agree::<StatementContent>(&bytes);
        agree::<SealContent>(&bytes);
        agree::<BundleHeader>(&bytes);
        agree::<Vec<Hash>>(&bytes);
        agree::<Recovery>(&bytes);
    }
}
