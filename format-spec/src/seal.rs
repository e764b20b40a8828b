//! Seals: one signature over a log's size and Merkle root, chained by the previous seal's digest.
//!
//! SPEC.md, chapter "Seals". A seal is named by the SHA-256 of its payload, never of its envelope.

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, PublicKey, SecretKey};
use crate::ids::{LogId, SealDigest};
use crate::instant::Instant;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};

/// COSE content type of a seal; keeps a seal from being taken for any other signed thing.
pub const SEAL_CONTENT_TYPE: &str = "application/vnd.carrylog.seal+cbor";
/// Largest signed seal in bytes.
pub const MAX_SEAL_BYTES: usize = 1024;
const LIMITS: Limits = Limits {
    max_len: MAX_SEAL_BYTES,
    max_depth: 2,
    allow_tags: false,
};

/// What a seal states. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SealContent {
    /// The log.
    pub log: LogId,
    /// Seal number, from 0, without gaps.
    pub seq: u64,
    /// The previous seal; absent for seal 0 only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prev: Option<SealDigest>,
    /// RFC 9162 root over the first `size` entries.
    pub root: Hash,
    /// The name of the fleet head that the station last took: shows that a courier stripped it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<Hash>,
    /// Number of entries sealed.
    pub size: u64,
    /// When it was sealed, by the station's clock: a claim.
    pub at_ms: Instant,
}

/// A seal whose signature holds under the key that its log is named after.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    content: SealContent,
    payload: Vec<u8>,
    sign1: Vec<u8>,
    digest: SealDigest,
}

impl Seal {
    /// Signs `content` with the log's key.
    ///
    /// # Errors
    /// [`SealError::WrongKey`] if the log is not named after `key`; [`SealError::Chain`] if `seq`
    /// and `prev` do not fit each other.
    pub fn sign(key: &SecretKey, content: &SealContent) -> Result<Self, SealError> {
        let payload = cbor::to_canonical(content)?;
        let sign1 = cose::sign1(key, SEAL_CONTENT_TYPE, &payload);
        Self::verify(&sign1, &key.public())
    }

    /// Parses a signed seal and verifies it under `key`.
    ///
    /// # Errors
    /// [`SealError`] for a wrong envelope, key, signature or payload.
    pub fn verify(sign1: &[u8], key: &PublicKey) -> Result<Self, SealError> {
        if sign1.len() > MAX_SEAL_BYTES {
            return Err(SealError::TooLarge { bytes: sign1.len() });
        }
        let envelope = cose::parse_sign1(sign1)?;
        if envelope.content_type() != SEAL_CONTENT_TYPE {
            return Err(SealError::NotASeal);
        }
        let payload = envelope.verify_as(SEAL_CONTENT_TYPE, key)?.to_vec();
        let content: SealContent = cbor::from_canonical(&payload, &LIMITS)?;
        if content.log != LogId::of(key) {
            return Err(SealError::WrongKey);
        }
        if (content.seq == 0) != content.prev.is_none() {
            return Err(SealError::Chain { seq: content.seq });
        }
        let digest = SealDigest::from_hash(Hash::of(&payload));
        Ok(Self {
            content,
            payload,
            sign1: sign1.to_vec(),
            digest,
        })
    }

    /// The log that a signed seal names by its key id, before anything is verified.
    ///
    /// # Errors
    /// [`SealError`] if the bytes are no signed seal at all.
    pub fn claimed_log(sign1: &[u8]) -> Result<LogId, SealError> {
        let envelope = cose::parse_sign1(sign1)?;
        if envelope.content_type() != SEAL_CONTENT_TYPE {
            return Err(SealError::NotASeal);
        }
        Ok(LogId::from_hash(Hash::from_bytes(envelope.kid())))
    }

    /// What the seal states.
    pub fn content(&self) -> &SealContent {
        &self.content
    }

    /// The signed payload: the leaf of the fleet log.
    pub fn payload(&self) -> &[u8] {
        &self.payload
    }

    /// The signed envelope, as made or received.
    pub fn sign1(&self) -> &[u8] {
        &self.sign1
    }

    /// The seal's name.
    pub fn digest(&self) -> SealDigest {
        self.digest
    }
}

/// Reads a seal's payload that a receipt speaks of, without a signature of its own.
///
/// # Errors
/// [`SealError`] if the payload is not a seal's.
pub fn parse_seal_payload(payload: &[u8]) -> Result<SealContent, SealError> {
    Ok(cbor::from_canonical(payload, &LIMITS)?)
}

/// Why bytes are no seal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SealError {
    /// More bytes than a seal can have.
    #[error("the seal is {bytes} bytes long; at most {MAX_SEAL_BYTES} are allowed")]
    TooLarge {
        /// Length found.
        bytes: usize,
    },
    /// A signed thing of another type.
    #[error("the signed content is not a seal")]
    NotASeal,
    /// The log is not named after the signing key.
    #[error("the seal speaks of a log that its key does not own")]
    WrongKey,
    /// Seal 0 with a predecessor, or a later one without.
    #[error("seal number {seq} and its previous seal do not fit each other")]
    Chain {
        /// The seal's number.
        seq: u64,
    },
    /// The envelope or its signature.
    #[error(transparent)]
    Cose(#[from] CoseError),
    /// The payload's encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}
