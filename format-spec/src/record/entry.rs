//! The entry: one deterministic-CBOR item, the unit of a log (SPEC.md, chapter "Entries").
//!
//! The envelope (`v`, `by`, `ext`, `body`, `kind`, `note`, `at_ms`, `clock`) is the same for every
//! kind and version; `v` and `kind` say how to read `body`. A kind or version that this reader does
//! not know is kept and carried on as it came. Bytes are never re-encoded: an [`Entry`] keeps them.

use crate::cbor::{self, CborError, Key, Limits, Place};
use crate::ids::EntryId;
use crate::instant::Instant;
use crate::record::{Correction, Replacement, SignOff, StationEvent, TestRecord, UnitEvent};
use crate::sign_off;
use crate::text::{Name, Remark, Text};
use crate::tree::{self, Hash};
use serde::de::{self, IgnoredAny, Unexpected, Visitor};
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;
use std::fmt;

/// Largest entry in bytes.
pub const MAX_ENTRY_BYTES: usize = 64 * 1024;
/// Version of the bodies in this crate.
const BODY_VERSION: u64 = 1;
const LIMITS: Limits = Limits {
    max_len: MAX_ENTRY_BYTES,
    max_depth: 16,
    allow_tags: false,
};

/// An entry: its bytes as received, its name, and what it says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    id: EntryId,
    head: EntryHead,
    bytes: Vec<u8>,
    record: Record,
}

/// What every entry says, whatever its kind.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EntryHead {
    /// When, by the clock of the machine that made it.
    pub at: Instant,
    /// Who made the entry.
    pub by: Name,
    /// Fields that are not part of this version and may be ignored.
    pub ext: Extension,
    /// Free remark.
    pub note: Option<Remark>,
    /// What is known of that clock.
    pub clock: ClockQuality,
}

/// What an entry says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Record {
    /// A test of a unit.
    Test(Box<TestRecord>),
    /// An event of a unit.
    UnitEvent(UnitEvent),
    /// An event of the station.
    StationEvent(StationEvent),
    /// New content for an earlier entry.
    Correction(Correction),
    /// A person's signature over an entry.
    SignOff(SignOff),
    /// A kind or version that this reader does not know; kept and carried on.
    Unknown {
        /// The kind's name.
        kind: Text<32>,
        /// The version of its body.
        version: u64,
    },
}

impl Record {
    /// The name of the kind on the wire.
    pub fn kind(&self) -> &str {
        match self {
            Self::Test(_) => "test",
            Self::UnitEvent(_) => "unit_event",
            Self::StationEvent(_) => "station_event",
            Self::Correction(_) => "correction",
            Self::SignOff(_) => "sign_off",
            Self::Unknown { kind, .. } => kind.as_str(),
        }
    }

    /// The test that the record states, in itself or as a correction's new content.
    pub fn test(&self) -> Option<&TestRecord> {
        match self {
            Self::Test(test) => Some(test),
            Self::Correction(c) => match &c.replacement {
                Replacement::Test(test) => Some(test),
                Replacement::UnitEvent(_) | Replacement::Withdrawn => None,
            },
            Self::UnitEvent(_)
            | Self::StationEvent(_)
            | Self::SignOff(_)
            | Self::Unknown { .. } => None,
        }
    }

    /// The unit event that the record states, in itself or as a correction's new content.
    pub fn unit_event(&self) -> Option<&UnitEvent> {
        match self {
            Self::UnitEvent(event) => Some(event),
            Self::Correction(c) => match &c.replacement {
                Replacement::UnitEvent(event) => Some(event),
                Replacement::Test(_) | Replacement::Withdrawn => None,
            },
            Self::Test(_) | Self::StationEvent(_) | Self::SignOff(_) | Self::Unknown { .. } => None,
        }
    }
}

/// What is known of the clock that an instant came from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClockQuality {
    /// Compared with a reference that day.
    Checked,
    /// Set at some time and running.
    Running,
    /// Known to be wrong or never set.
    Doubtful,
}

/// Extension fields: ignored by a reader that does not know them, kept because bytes are kept.
pub type Extension = BTreeMap<Key, ExtensionValue>;

/// A value of an extension field.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(untagged)]
pub enum ExtensionValue {
    /// True or false.
    Bool(bool),
    /// A whole number.
    Int(i64),
    /// Text.
    Text(Text<400>),
}

/// Told apart by the type of the item itself. Serde's own way for such an enum would buffer the
/// item and take bytes for text.
impl<'de> Deserialize<'de> for ExtensionValue {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Scalar;
        impl Visitor<'_> for Scalar {
            type Value = ExtensionValue;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("true, false, a whole number of 64 bits or a text of at most 400 bytes")
            }
            fn visit_bool<E: de::Error>(self, value: bool) -> Result<ExtensionValue, E> {
                Ok(ExtensionValue::Bool(value))
            }
            fn visit_i64<E: de::Error>(self, value: i64) -> Result<ExtensionValue, E> {
                Ok(ExtensionValue::Int(value))
            }
            fn visit_u64<E: de::Error>(self, value: u64) -> Result<ExtensionValue, E> {
                let value = i64::try_from(value)
                    .map_err(|_| E::invalid_value(Unexpected::Unsigned(value), &self))?;
                Ok(ExtensionValue::Int(value))
            }
            fn visit_str<E: de::Error>(self, value: &str) -> Result<ExtensionValue, E> {
                Text::try_from(value.to_owned())
                    .map(ExtensionValue::Text)
                    .map_err(E::custom)
            }
        }
        from.deserialize_any(Scalar)
    }
}

/// The envelope. Fields stand in canonical key order.
#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Envelope<B> {
    v: u64,
    by: Name,
    #[serde(
        default,
        skip_serializing_if = "BTreeMap::is_empty",
        deserialize_with = "cbor::filled"
    )]
    ext: Extension,
    body: B,
    kind: Text<32>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    note: Option<Remark>,
    at_ms: Instant,
    clock: ClockQuality,
}

impl Entry {
    /// Makes an entry from what it is to say.
    ///
    /// # Errors
    /// [`EntryError::TooLarge`] beyond [`MAX_ENTRY_BYTES`]; [`EntryError::UnknownKind`] for
    /// [`Record::Unknown`], which is carried but never made here.
    pub fn new(head: EntryHead, record: Record) -> Result<Self, EntryError> {
        let bytes = match &record {
            Record::Test(body) => encode(&head, "test", body)?,
            Record::UnitEvent(body) => encode(&head, "unit_event", body)?,
            Record::StationEvent(body) => encode(&head, "station_event", body)?,
            Record::Correction(body) => encode(&head, "correction", body)?,
            Record::SignOff(body) => encode(&head, "sign_off", body)?,
            Record::Unknown { .. } => return Err(EntryError::UnknownKind),
        };
        Self::parse(&bytes)
    }

    /// Parses the bytes of one entry: strict, bounded, and kept as they are.
    ///
    /// # Errors
    /// [`EntryError`] with the byte offset within the entry where there is one.
    pub fn parse(bytes: &[u8]) -> Result<Self, EntryError> {
        Self::from_named(bytes.to_vec(), tree::leaf_hash(bytes))
    }

    /// As [`Entry::parse`], for bytes whose leaf hash is known: the digest of the frame they came in.
    ///
    /// # Errors
    /// As [`Entry::parse`].
    pub(crate) fn from_named(bytes: Vec<u8>, leaf: Hash) -> Result<Self, EntryError> {
        let (head, record) = read(&bytes)?;
        Ok(Self {
            id: EntryId::from_hash(leaf),
            head,
            bytes,
            record,
        })
    }

    /// The entry's bytes, exactly as made or received.
    pub fn bytes(&self) -> &[u8] {
        &self.bytes
    }

    /// The entry's name: its leaf hash.
    pub fn id(&self) -> EntryId {
        self.id
    }

    /// Who, when, by which clock.
    pub fn head(&self) -> &EntryHead {
        &self.head
    }

    /// What the entry says.
    pub fn record(&self) -> &Record {
        &self.record
    }
}

fn encode<B: Serialize>(head: &EntryHead, kind: &str, body: B) -> Result<Vec<u8>, EntryError> {
    let kind = Text::new(kind).map_err(|e| EntryError::Structure(e.to_string()))?;
    let envelope = Envelope {
        v: BODY_VERSION,
        by: head.by.clone(),
        ext: head.ext.clone(),
        body,
        kind,
        note: head.note.clone(),
        at_ms: head.at,
        clock: head.clock,
    };
    Ok(cbor::to_canonical(&envelope)?)
}

/// How extension fields are named, in words.
pub const EXTENSION_NAMES: &str =
    "an extension has at most 16 fields, each named a-z, then a-z, 0-9 or _, 32 at most";
/// Largest number of extension fields.
const MAX_EXTENSIONS: usize = 16;

fn extension_name(key: &Key) -> bool {
    let bytes = key.as_str().as_bytes();
    bytes.len() <= 32
        && bytes.first().is_some_and(u8::is_ascii_lowercase)
        && bytes
            .iter()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || *b == b'_')
}

/// The typed head and record of an entry's bytes. The kind stands after the body in canonical order,
/// so the body is passed over first and read when its type is known.
fn read(bytes: &[u8]) -> Result<(EntryHead, Record), EntryError> {
    if bytes.len() > MAX_ENTRY_BYTES {
        return Err(EntryError::TooLarge { bytes: bytes.len() });
    }
    let envelope: Envelope<Place> =
        cbor::from_canonical(bytes, &LIMITS).map_err(|error| match error {
            CborError::Decode { reason, .. } => EntryError::Structure(reason),
            other => EntryError::Cbor(other),
        })?;
    let place = envelope.body;
    let record = match (envelope.v, envelope.kind.as_str()) {
        (BODY_VERSION, "test") => Record::Test(body(bytes, place)?),
        (BODY_VERSION, "unit_event") => Record::UnitEvent(body(bytes, place)?),
        (BODY_VERSION, "station_event") => Record::StationEvent(body(bytes, place)?),
        (BODY_VERSION, "correction") => Record::Correction(body(bytes, place)?),
        (BODY_VERSION, "sign_off") => Record::SignOff(signed(body(bytes, place)?)?),
        (version, _) => {
            let IgnoredAny = body(bytes, place)?;
            Record::Unknown {
                kind: envelope.kind,
                version,
            }
        }
    };
    if envelope.ext.len() > MAX_EXTENSIONS || !envelope.ext.keys().all(extension_name) {
        return Err(EntryError::Structure(EXTENSION_NAMES.to_owned()));
    }
    let head = EntryHead {
        by: envelope.by,
        at: envelope.at_ms,
        clock: envelope.clock,
        note: envelope.note,
        ext: envelope.ext,
    };
    Ok((head, record))
}

fn body<'de, B: Deserialize<'de>>(bytes: &'de [u8], place: Place) -> Result<B, EntryError> {
    Ok(cbor::from_place(bytes, place, &LIMITS)?)
}

/// A sign-off must hold what a sign-off holds; whether its signature counts is a matter of trust.
fn signed(sign_off: SignOff) -> Result<SignOff, EntryError> {
    match sign_off::content(&sign_off) {
        Ok(_) => Ok(sign_off),
        Err(e) => Err(EntryError::Structure(e.to_string())),
    }
}

/// Why bytes are no entry.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum EntryError {
    /// More than 64 KiB.
    #[error("the entry is {bytes} bytes long; at most {MAX_ENTRY_BYTES} are allowed")]
    TooLarge {
        /// Length found.
        bytes: usize,
    },
    /// Not deterministic CBOR, or a known kind with a field that does not fit.
    #[error(transparent)]
    Cbor(#[from] CborError),
    /// Not an entry's envelope.
    #[error("the entry's structure is not as specified: {0}")]
    Structure(String),
    /// An unknown kind can be carried on but not made.
    #[error("an entry of an unknown kind cannot be made here")]
    UnknownKind,
}
