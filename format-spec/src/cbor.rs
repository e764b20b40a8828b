//! Deterministic CBOR (RFC 8949 §4.2.1): the only module that knows raw CBOR bytes.
//!
//! [`check`] accepts the one encoding of an item and refuses every other one. [`to_canonical`] and
//! [`from_canonical`] carry serde types over that border; reading refuses in one pass what `check`
//! refuses and every second spelling of a value. Hashed bytes hold no floats, so floats are refused
//! altogether.

mod check;
mod decoder;
mod error;
mod head;
mod key;
mod reader;

use serde::Serialize;

pub use check::{Limits, MAX_DEPTH, check};
pub use decoder::from_canonical;
pub(crate) use decoder::{Place, filled, from_place};
pub use error::CborError;
pub use head::{Head, MAX_HEAD_LEN, major, read_head, write_bytes, write_head, write_text};
pub use key::Key;
pub use reader::Reader;

/// Length most entries stay below, bytes.
const USUAL_ENTRY_LEN: usize = 1024;

/// Encodes a value as deterministic CBOR: structs as maps with named fields.
///
/// Struct fields must be declared in canonical order (shorter name first, then by bytes) and text
/// maps keyed by [`Key`]; the output is checked, so a type that breaks this cannot produce bytes.
///
/// # Errors
/// [`CborError::Encode`] if the value cannot be serialised, otherwise what [`check`] found.
pub fn to_canonical<T: Serialize>(value: &T) -> Result<Vec<u8>, CborError> {
    let bytes = encode(value, USUAL_ENTRY_LEN)?;
    let limits = Limits {
        max_len: usize::MAX,
        max_depth: MAX_DEPTH,
        allow_tags: false,
    };
    check(&bytes, &limits)?;
    Ok(bytes)
}

/// Writing into a buffer of about the right size halves the time of growing one from empty.
fn encode<T: Serialize>(value: &T, expected_len: usize) -> Result<Vec<u8>, CborError> {
    let mut out = Vec::with_capacity(expected_len);
    match serde_cbor::to_writer(&mut out, value) {
        Ok(()) => Ok(out),
        Err(e) => Err(CborError::Encode {
            reason: e.to_string(),
        }),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;
    use std::collections::BTreeMap;

    const LIMITS: Limits = Limits {
        max_len: 1 << 16,
        max_depth: 16,
        allow_tags: false,
    };

    #[derive(Debug, PartialEq, Serialize, Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Sample {
        a: u32,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        bb: Option<String>,
    }

    #[derive(Serialize)]
    struct OutOfOrder {
        bb: u32,
        a: u32,
    }

    #[test]
    fn a_struct_goes_out_as_a_map_with_named_fields_and_comes_back() {
        let value = Sample {
            a: 1,
            bb: Some("x".into()),
        };
        let bytes = to_canonical(&value).unwrap();
        assert_eq!(hex::encode(&bytes), "a2616101626262".to_owned() + "6178");
        assert_eq!(from_canonical::<Sample>(&bytes, &LIMITS).unwrap(), value);
    }

    #[test]
    fn a_struct_given_as_an_array_is_refused() {
        let bytes = hex::decode("82016178").unwrap();
        assert!(
            serde_cbor::from_slice::<Sample>(&bytes).is_ok(),
            "the trap this guards against"
        );
        assert_eq!(
            from_canonical::<Sample>(&bytes, &LIMITS),
            Err(CborError::NotCanonicalForm { offset: 0 })
        );
    }

    #[test]
    fn integer_keys_for_named_fields_are_refused() {
        let bytes = hex::decode("a100182a").unwrap();
        assert!(
            serde_cbor::from_slice::<Sample>(&bytes).is_ok(),
            "the trap this guards against"
        );
        assert_eq!(
            from_canonical::<Sample>(&bytes, &LIMITS),
            Err(CborError::NotCanonicalForm { offset: 1 })
        );
    }

    #[test]
    fn an_explicit_null_for_an_absent_field_is_refused() {
        let bytes = hex::decode("a2616101626262f6").unwrap();
        assert_eq!(
            from_canonical::<Sample>(&bytes, &LIMITS),
            Err(CborError::NotCanonicalForm { offset: 0 })
        );
    }

    #[test]
    fn an_unknown_field_is_refused() {
        let bytes = hex::decode("a2616101617a01").unwrap();
        assert!(matches!(
            from_canonical::<Sample>(&bytes, &LIMITS),
            Err(CborError::Decode { .. })
        ));
    }

    #[test]
    fn a_type_with_fields_out_of_order_cannot_be_encoded() {
        assert_eq!(
            to_canonical(&OutOfOrder { bb: 1, a: 2 }),
            Err(CborError::UnsortedKey { offset: 5 })
        );
    }

    #[test]
    fn a_float_cannot_be_encoded() {
        assert_eq!(to_canonical(&1.5_f64), Err(CborError::Float { offset: 0 }));
    }

    #[test]
    fn a_map_keyed_by_key_is_canonical_where_plain_text_keys_are_not() {
        let plain: BTreeMap<String, u8> = [("aa".to_owned(), 1), ("b".to_owned(), 2)].into();
        assert_eq!(
            to_canonical(&plain),
            Err(CborError::UnsortedKey { offset: 5 })
        );
        let keyed: BTreeMap<Key, u8> = plain.into_iter().map(|(k, v)| (Key::new(k), v)).collect();
        let bytes = to_canonical(&keyed).unwrap();
        assert_eq!(
            from_canonical::<BTreeMap<Key, u8>>(&bytes, &LIMITS).unwrap(),
            keyed
        );
    }
}
