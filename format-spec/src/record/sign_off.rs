//! A sign-off: a person's own signature over an entry, carried inside a station's log.

use crate::instant::Instant;
use crate::record::EntryRef;
use crate::text::Remark;
use serde::{Deserialize, Serialize};

/// The body of a sign-off entry: a COSE_Sign1 (RFC 9052 §4.2) by an enrolled person's key whose
/// payload is a [`SignOffContent`] in deterministic CBOR.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignOff {
    /// The signed envelope.
    #[serde(with = "serde_bytes")]
    pub sign1: Vec<u8>,
}

/// What a person signs. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SignOffContent {
    /// The capacity in which the person signs.
    pub role: SignOffRole,
    /// When, by the clock of the machine used.
    pub at_ms: Instant,
    /// The entry that is signed off, at its place.
    pub entry: EntryRef,
    /// What the signature means: what the person vouches for.
    pub meaning: Remark,
}

/// The capacity in which a person signs.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SignOffRole {
    /// Did the work.
    Technician,
    /// Inspected it.
    Inspector,
    /// Certifies it under the rules of the operator's authority.
    CertifyingStaff,
    /// Reviews records for the quality team.
    Quality,
}

impl SignOffRole {
    /// The role in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Technician => "technician",
            Self::Inspector => "inspector",
            Self::CertifyingStaff => "certifying staff",
            Self::Quality => "quality reviewer",
        }
    }
}
