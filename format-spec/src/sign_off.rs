//! Sign-offs: a person's signature over an entry, made and checked with an enrolled person's key.

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, SecretKey};
use crate::ids::LogId;
use crate::record::{SignOff, SignOffContent};
use crate::statement::Role;
use crate::tree::Hash;
use crate::trust::{Standing, TrustStore};

/// COSE content type of a sign-off.
pub const SIGN_OFF_CONTENT_TYPE: &str = "application/vnd.carrylog.sign-off+cbor";
const LIMITS: Limits = Limits {
    max_len: 8 * 1024,
    max_depth: 3,
    allow_tags: false,
};

/// A sign-off that was verified: who signed what, and that person's enrolment.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifiedSignOff {
    /// What the person signed.
    pub content: SignOffContent,
    /// The person's enrolment.
    pub standing: Standing,
}

/// Signs `content` with a person's key.
///
/// # Errors
/// [`SignOffError::Cbor`] if the serialiser fails.
pub fn sign(key: &SecretKey, content: &SignOffContent) -> Result<SignOff, SignOffError> {
    let payload = cbor::to_canonical(content)?;
    Ok(SignOff {
        sign1: cose::sign1(key, SIGN_OFF_CONTENT_TYPE, &payload),
    })
}

/// Verifies a sign-off under the enrolments of `trust`.
///
/// # Errors
/// [`SignOffError`] for an unknown person, a wrong signature or content.
pub fn verify(sign_off: &SignOff, trust: &TrustStore) -> Result<VerifiedSignOff, SignOffError> {
    let envelope = cose::parse_sign1(&sign_off.sign1)?;
    if envelope.content_type() != SIGN_OFF_CONTENT_TYPE {
        return Err(SignOffError::NotASignOff);
    }
    let person = LogId::from_hash(Hash::from_bytes(envelope.kid()));
    let standing = trust
        .standing(person)
        .filter(|s| s.enrolment.role == Role::Person && s.revoked_from.is_none())
        .ok_or(SignOffError::UnknownPerson(person))?;
    let payload = envelope.verify_as(SIGN_OFF_CONTENT_TYPE, &standing.enrolment.key)?;
    let content: SignOffContent = cbor::from_canonical(payload, &LIMITS)?;
    if !standing.covers(content.at_ms) {
        return Err(SignOffError::OutsideDates(person));
    }
    Ok(VerifiedSignOff { content, standing })
}

/// What a sign-off says, before its signature is verified.
///
/// # Errors
/// [`SignOffError`] if it does not hold what a sign-off holds.
pub fn content(sign_off: &SignOff) -> Result<SignOffContent, SignOffError> {
    let envelope = cose::parse_sign1(&sign_off.sign1)?;
    if envelope.content_type() != SIGN_OFF_CONTENT_TYPE {
        return Err(SignOffError::NotASignOff);
    }
    Ok(cbor::from_canonical(envelope.payload(), &LIMITS)?)
}

/// Why a sign-off does not count.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SignOffError {
    /// A signed thing of another type.
    #[error("the signed content is not a sign-off")]
    NotASignOff,
    /// No trusted authority has enrolled the person's key, or it was revoked.
    #[error("no trusted authority has this person's key enrolled (key {})", .0.short())]
    UnknownPerson(LogId),
    /// Signed outside the dates of the person's enrolment.
    #[error("signed outside the dates of the person's enrolment (key {})", .0.short())]
    OutsideDates(LogId),
    /// The envelope or its signature.
    #[error(transparent)]
    Cose(#[from] CoseError),
    /// The content's encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}
