//! The entry: one deterministic-CBOR item, the unit of a log (SPEC.md, chapter "Entries").
//!
//! The envelope (`v`, `by`, `ext`, `body`, `kind`, `note`, `at_ms`, `clock`) is the same for every
//! kind and version; `v` and `kind` say how to read `body`. A kind or version that this reader does
//! not know is kept and carried on as it came. Bytes are never re-encoded: an [`Entry`] keeps them.

use crate::cbor::{self, CborError, Key, Limits};
use crate::ids::EntryId;
use crate::instant::Instant;
use crate::record::{Correction, Replacement, SignOff, StationEvent, TestRecord, UnitEvent};
use crate::sign_off;
use crate::text::{Name, Remark, Text};
use crate::tree;
use serde::de::{DeserializeOwned, IgnoredAny};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

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
#[non_exhaustive]
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
                _ => None,
            },
            _ => None,
        }
    }

    /// The unit event that the record states, in itself or as a correction's new content.
    pub fn unit_event(&self) -> Option<&UnitEvent> {
        match self {
            Self::UnitEvent(event) => Some(event),
            Self::Correction(c) => match &c.replacement {
                Replacement::UnitEvent(event) => Some(event),
                _ => None,
            },
            _ => None,
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
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum ExtensionValue {
    /// True or false.
    Bool(bool),
    /// A whole number.
    Int(i64),
    /// Text.
    Text(Text<400>),
}

/// The envelope. Fields stand in canonical key order.
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
        if bytes.len() > MAX_ENTRY_BYTES {
            return Err(EntryError::TooLarge { bytes: bytes.len() });
        }
        cbor::check(bytes, &LIMITS)?;
        let envelope: Envelope<IgnoredAny> =
            serde_cbor::from_slice(bytes).map_err(|e| EntryError::Structure(e.to_string()))?;
        let record = match (envelope.v, envelope.kind.as_str()) {
            (BODY_VERSION, "test") => Record::Test(body(bytes)?),
            (BODY_VERSION, "unit_event") => Record::UnitEvent(body(bytes)?),
            (BODY_VERSION, "station_event") => Record::StationEvent(body(bytes)?),
            (BODY_VERSION, "correction") => Record::Correction(body(bytes)?),
            (BODY_VERSION, "sign_off") => Record::SignOff(signed(body(bytes)?)?),
            (version, _) => Record::Unknown {
                kind: envelope.kind,
                version,
            },
        };
        let head = EntryHead {
            by: envelope.by,
            at: envelope.at_ms,
            clock: envelope.clock,
            note: envelope.note,
            ext: envelope.ext,
        };
        let id = EntryId::from_hash(tree::leaf_hash(bytes));
        Ok(Self {
            bytes: bytes.to_vec(),
            id,
            head,
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

/// Reads the body by its type. The typed value must encode to the same bytes: that refuses a
/// second spelling of the same record, such as a structure written as an array.
fn body<B: Serialize + DeserializeOwned>(bytes: &[u8]) -> Result<B, EntryError> {
    let envelope: Envelope<B> = cbor::from_canonical(bytes, &LIMITS)?;
    Ok(envelope.body)
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
