//! The second opinion on decoding: the checker, a general-purpose decoder, and the comparison of what
//! that decoder's value encodes to. Slower than the crate's own decoder and written apart from it.

use carrylog_format::cbor::{CborError, Limits, check};
use carrylog_format::instant::Instant;
use carrylog_format::record::*;
use carrylog_format::text::{Name, Remark, Text};
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

pub fn decode<T: DeserializeOwned + Serialize>(
    bytes: &[u8],
    limits: &Limits,
) -> Result<T, CborError> {
    check(bytes, limits)?;
    let value: T = serde_cbor::from_slice(bytes).map_err(|e| CborError::Decode {
        offset: e.offset(),
        reason: e.to_string(),
    })?;
    let again = serde_cbor::to_vec(&value).unwrap();
    if again != bytes {
        let same = again.iter().zip(bytes).take_while(|(a, b)| a == b).count();
        return Err(CborError::NotCanonicalForm {
            offset: same as u64,
        });
    }
    Ok(value)
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Envelope<B> {
    v: u64,
    by: Name,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    ext: Extension,
    body: B,
    kind: Text<32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<Remark>,
    at_ms: Instant,
    clock: ClockQuality,
}

const LIMITS: Limits = Limits {
    max_len: MAX_ENTRY_BYTES,
    max_depth: 16,
    allow_tags: false,
};

/// What an entry says, by the second opinion.
pub fn entry(bytes: &[u8]) -> Result<(EntryHead, Record), CborError> {
    check(bytes, &LIMITS)?;
    let outer: Envelope<serde::de::IgnoredAny> =
        serde_cbor::from_slice(bytes).map_err(|e| CborError::Decode {
            offset: e.offset(),
            reason: e.to_string(),
        })?;
    match (outer.v, outer.kind.as_str()) {
        (1, "test") => read(bytes, |_, body| Record::Test(body)),
        (1, "unit_event") => read(bytes, |_, body| Record::UnitEvent(body)),
        (1, "station_event") => read(bytes, |_, body| Record::StationEvent(body)),
        (1, "correction") => read(bytes, |_, body| Record::Correction(body)),
        (1, "sign_off") => read(bytes, |_, body| Record::SignOff(body)),
        (version, _) => read(bytes, |kind, _: serde_cbor::Value| Record::Unknown {
            kind,
            version,
        }),
    }
}

fn read<B: DeserializeOwned + Serialize>(
    bytes: &[u8],
    record: impl FnOnce(Text<32>, B) -> Record,
) -> Result<(EntryHead, Record), CborError> {
    let envelope: Envelope<B> = decode(bytes, &LIMITS)?;
    let head = EntryHead {
        at: envelope.at_ms,
        by: envelope.by,
        ext: envelope.ext,
        note: envelope.note,
        clock: envelope.clock,
    };
    Ok((head, record(envelope.kind, envelope.body)))
}

/// Whether extension fields are few and named as the text says.
pub fn named(ext: &Extension) -> bool {
    let good = |key: &str| {
        let rest = |c: char| matches!(c, 'a'..='z' | '0'..='9' | '_');
        key.len() <= 32
            && key.starts_with(|c: char| c.is_ascii_lowercase())
            && key.chars().all(rest)
    };
    ext.len() <= 16 && ext.keys().all(|key| good(key.as_str()))
}
