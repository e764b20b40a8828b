//! The strict checker against the published items of RFC 8949 and an independent CBOR library.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "tests, and helpers of tests"
)]

use carrylog_format::cbor::{CborError, Limits, check, write_bytes, write_head, write_text};
use coset::cbor::value::Value;
use proptest::prelude::*;

const LIMITS: Limits = Limits {
    max_len: 1 << 20,
    max_depth: 16,
    allow_tags: false,
};

fn load(text: &str) -> serde_json::Value {
    serde_json::from_str(text).unwrap()
}

fn bytes_of(hex_text: &serde_json::Value) -> Vec<u8> {
    hex::decode(hex_text.as_str().unwrap()).unwrap()
}

/// Source: RFC 8949 Appendix A, Table 6. Our subset takes the 37 items that are deterministic and
/// hold neither floats, tags, undefined nor other simple values; all others are refused.
#[test]
fn the_items_of_rfc_8949_appendix_a_are_accepted_or_refused_for_the_stated_reason() {
    let file = load(include_str!("../vectors/published/rfc8949_appendix_a.json"));
    let items = file["items"].as_array().unwrap();
    let mut accepted = 0;
    for item in items {
        let outcome = check(&bytes_of(&item["hex"]), &LIMITS);
        let as_stated = match item["verdict"].as_str().unwrap() {
            "accepted" => {
                accepted += 1;
                outcome == Ok(())
            }
            "float" => matches!(outcome, Err(CborError::Float { .. })),
            "tag" => matches!(outcome, Err(CborError::Tag { .. })),
            "simple" => matches!(outcome, Err(CborError::Simple { .. })),
            "indefinite" => matches!(outcome, Err(CborError::Indefinite { .. })),
            other => panic!("unknown verdict {other}"),
        };
        assert!(as_stated, "{item}: {outcome:?}");
    }
    assert_eq!((items.len(), accepted), (81, 37));
}

/// Source: RFC 8949 Appendix F.
#[test]
fn the_items_of_rfc_8949_appendix_f_that_are_not_well_formed_are_refused() {
    let file = load(include_str!("../vectors/published/rfc8949_appendix_f.json"));
    let mut seen = 0;
    for group in file["groups"].as_array().unwrap() {
        for item in group["hex"].as_array().unwrap() {
            seen += 1;
            assert!(
                check(&bytes_of(item), &LIMITS).is_err(),
                "{}: {item}",
                group["kind"]
            );
        }
    }
    assert_eq!(seen, 94);
}

/// An item of our subset, with its encoding written by hand from RFC 8949 §3.
fn any_item() -> impl Strategy<Value = Vec<u8>> {
    let head = |major: u8| {
        prop_oneof![0_u64..40, any::<u16>().prop_map(u64::from), any::<u64>()].prop_map(move |n| {
            let mut out = Vec::new();
            write_head(&mut out, major, n);
            out
        })
    };
    let leaf = prop_oneof![
        head(0),
        head(1),
        prop::collection::vec(any::<u8>(), 0..40).prop_map(|bytes| {
            let mut out = Vec::new();
            write_bytes(&mut out, &bytes);
            out
        }),
        ".{0,12}".prop_map(|text| {
            let mut out = Vec::new();
            write_text(&mut out, &text);
            out
        }),
        (20_u8..23).prop_map(|simple| vec![0xe0 | simple]),
    ];
    leaf.prop_recursive(4, 40, 6, |inner| {
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..6).prop_map(|items| {
                let mut out = Vec::new();
                write_head(&mut out, 4, items.len() as u64);
                out.extend(items.concat());
                out
            }),
            // A BTreeMap over encoded keys sorts them exactly as §4.2.1 asks.
            prop::collection::btree_map(inner.clone(), inner, 0..6).prop_map(|pairs| {
                let mut out = Vec::new();
                write_head(&mut out, 5, pairs.len() as u64);
                for (key, value) in pairs {
                    out.extend(key);
                    out.extend(value);
                }
                out
            }),
        ]
    })
}

/// Decodes with the independent library and encodes again, keeping the order of map pairs.
fn reencode(bytes: &[u8]) -> Vec<u8> {
    let value: Value = coset::cbor::from_reader(bytes).unwrap();
    let mut out = Vec::new();
    coset::cbor::into_writer(&value, &mut out).unwrap();
    out
}

proptest! {
    #[test]
    fn every_item_of_the_subset_is_accepted_and_every_truncation_refused(item in any_item()) {
        prop_assert_eq!(check(&item, &LIMITS), Ok(()));
        prop_assert_eq!(reencode(&item), item.clone());
        for cut in 0..item.len() {
            prop_assert!(check(&item[..cut], &LIMITS).is_err());
        }
    }

    #[test]
    fn every_byte_flip_is_refused_or_the_only_encoding_of_another_value(item in any_item()) {
        for at in 0..item.len() {
            for bit in 0..8 {
                let mut flipped = item.clone();
                flipped[at] ^= 1 << bit;
                if check(&flipped, &LIMITS).is_ok() {
                    prop_assert_eq!(reencode(&flipped), flipped);
                }
            }
        }
    }

    #[test]
    fn arbitrary_bytes_never_panic_and_what_is_accepted_is_the_only_encoding(
        bytes in prop::collection::vec(any::<u8>(), 0..64), allow_tags in any::<bool>(),
    ) {
        if check(&bytes, &Limits { allow_tags, ..LIMITS }).is_ok() {
            prop_assert_eq!(reencode(&bytes), bytes);
        }
    }
}
