//! Statements: what an authority signs — enrolments, revocations, limits sheets, decisions.
//!
//! Every statement is a COSE_Sign1 of its own, so that it verifies alone wherever it is carried;
//! number and previous digest chain an authority's statements, so that a missing one is noticed.

mod body;
mod enrolment;

pub use body::StatementBody;
pub use enrolment::{Authorisation, Enrolment, EnrolmentFault, Role};

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, PublicKey, SecretKey};
use crate::ids::{LogId, StatementDigest};
use crate::instant::Instant;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};

/// COSE content type of a statement.
pub const STATEMENT_CONTENT_TYPE: &str = "application/vnd.carrylog.statement+cbor";
/// Largest signed statement in bytes.
pub const MAX_STATEMENT_BYTES: usize = 64 * 1024;
const LIMITS: Limits = Limits {
    max_len: MAX_STATEMENT_BYTES,
    max_depth: 8,
    allow_tags: false,
};

/// The payload of a statement. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StatementContent {
    /// Version of the body: 1.
    pub v: u64,
    /// Number of the statement, from 0, without gaps.
    pub seq: u64,
    /// What is stated.
    pub body: StatementBody,
    /// The previous statement; absent for number 0 only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub prev: Option<StatementDigest>,
    /// When, by the clock of the authority's machine.
    pub at_ms: Instant,
    /// The authority: the log id of its key.
    pub authority: LogId,
}

/// A statement whose signature holds under its authority's key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Statement {
    sign1: Vec<u8>,
    digest: StatementDigest,
    content: StatementContent,
}

impl Statement {
    /// Signs a statement with the authority's key.
    ///
    /// # Errors
    /// [`StatementError`] if number and previous statement do not fit, or it is too large.
    pub fn sign(
        key: &SecretKey,
        seq: u64,
        prev: Option<StatementDigest>,
        at_ms: Instant,
        body: StatementBody,
    ) -> Result<Self, StatementError> {
        let authority = LogId::of(&key.public());
        let content = StatementContent {
            v: 1,
            seq,
            body,
            prev,
            at_ms,
            authority,
        };
        let payload = cbor::to_canonical(&content)?;
        let sign1 = cose::sign1(key, STATEMENT_CONTENT_TYPE, &payload);
        Self::verify(&sign1, &key.public())
    }

    /// Parses a statement and verifies it under the authority's `key`.
    ///
    /// # Errors
    /// [`StatementError`] for a wrong envelope, key, signature or payload.
    pub fn verify(sign1: &[u8], key: &PublicKey) -> Result<Self, StatementError> {
        if sign1.len() > MAX_STATEMENT_BYTES {
            return Err(StatementError::TooLarge { bytes: sign1.len() });
        }
        let envelope = cose::parse_sign1(sign1)?;
        if envelope.content_type() != STATEMENT_CONTENT_TYPE {
            return Err(StatementError::NotAStatement);
        }
        let payload = envelope.verify_as(STATEMENT_CONTENT_TYPE, key)?;
        let content: StatementContent = cbor::from_canonical(payload, &LIMITS)?;
        if content.v != 1 {
            return Err(StatementError::Version(content.v));
        }
        if content.authority != LogId::of(key) {
            return Err(StatementError::WrongKey);
        }
        let founding = matches!(content.body, StatementBody::Founded { .. });
        if (content.seq == 0) != content.prev.is_none() || (content.seq == 0) != founding {
            return Err(StatementError::Chain { seq: content.seq });
        }
        if let StatementBody::Enrolled(enrolment) = &content.body {
            enrolment.check()?;
        }
        let digest = StatementDigest::from_hash(Hash::of(payload));
        Ok(Self {
            content,
            sign1: sign1.to_vec(),
            digest,
        })
    }

    /// The authority that a signed statement names, before anything is verified.
    ///
    /// # Errors
    /// [`StatementError`] if the bytes are no signed statement at all.
    pub fn claimed_authority(sign1: &[u8]) -> Result<LogId, StatementError> {
        let envelope = cose::parse_sign1(sign1)?;
        if envelope.content_type() != STATEMENT_CONTENT_TYPE {
            return Err(StatementError::NotAStatement);
        }
        Ok(LogId::from_hash(Hash::from_bytes(envelope.kid())))
    }

    /// What is stated.
    pub fn content(&self) -> &StatementContent {
        &self.content
    }

    /// The signed envelope, as made or received.
    pub fn sign1(&self) -> &[u8] {
        &self.sign1
    }

    /// The statement's name.
    pub fn digest(&self) -> StatementDigest {
        self.digest
    }
}

/// Why bytes are no statement.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum StatementError {
    /// More bytes than a statement can have.
    #[error("the statement is {bytes} bytes long; at most {MAX_STATEMENT_BYTES} are allowed")]
    TooLarge {
        /// Length found.
        bytes: usize,
    },
    /// A signed thing of another type.
    #[error("the signed content is not a statement")]
    NotAStatement,
    /// A version this reader does not know.
    #[error("the statement has version {0}; this program reads version 1: use a newer one")]
    Version(u64),
    /// The statement names another authority than the one that signed it.
    #[error("the statement names an authority that did not sign it")]
    WrongKey,
    /// Number, previous statement and body do not fit each other.
    #[error("statement number {seq} does not fit the chain of its authority")]
    Chain {
        /// The statement's number.
        seq: u64,
    },
    /// An enrolment with fields that its role does not have.
    #[error(transparent)]
    Enrolment(#[from] EnrolmentFault),
    /// The envelope or its signature.
    #[error(transparent)]
    Cose(#[from] CoseError),
    /// The payload's encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}
