//! Sign-offs: a person's signature over an entry, made and checked with an enrolled person's key.

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, SecretKey};
use crate::ids::LogId;
use crate::instant::{Date, Instant};
use crate::record::{SignOff, SignOffContent, SignOffRole};
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

/// Verifies a sign-off under the enrolments of `trust`, where no receipt for its entry is at hand.
///
/// # Errors
/// [`SignOffError`] says why it does not count. Only [`SignOffError::is_forged`] is a fault of the
/// maker; everything else is a question of trust.
pub fn verify(sign_off: &SignOff, trust: &TrustStore) -> Result<VerifiedSignOff, SignOffError> {
    verify_receipted(sign_off, trust, None)
}

/// As [`verify`], where a counting receipt issued at `first_receipt` covers the sign-off's entry:
/// what a person signed before leaving stays.
///
/// # Errors
/// As [`verify`].
pub fn verify_receipted(
    sign_off: &SignOff,
    trust: &TrustStore,
    first_receipt: Option<Instant>,
) -> Result<VerifiedSignOff, SignOffError> {
    let envelope = cose::parse_sign1(&sign_off.sign1)?;
    if envelope.content_type() != SIGN_OFF_CONTENT_TYPE {
        return Err(SignOffError::NotASignOff);
    }
    let person = LogId::from_hash(Hash::from_bytes(envelope.kid()));
    let standing = trust
        .standing(person)
        .ok_or(SignOffError::UnknownPerson(person))?;
    let payload = envelope
        .verify_as(SIGN_OFF_CONTENT_TYPE, &standing.enrolment.key)
        .map_err(SignOffError::Forged)?;
    let content: SignOffContent = cbor::from_canonical(payload, &LIMITS)?;
    if standing.enrolment.role != Role::Person {
        return Err(SignOffError::NotAPerson(standing.enrolment.role));
    }
    if !standing.enrolment.roles.contains(&content.role) {
        return Err(SignOffError::RoleNotGiven(content.role));
    }
    if !standing.covers(content.at_ms) {
        return Err(SignOffError::OutsideDates(person));
    }
    if let Some(ended) = standing.ended {
        if content.at_ms.date() >= ended {
            return Err(SignOffError::AfterTheEnd(ended));
        }
        match first_receipt {
            Some(at) if at.date() < ended => {}
            Some(_) => return Err(SignOffError::AfterTheEnd(ended)),
            None => return Err(SignOffError::Undecided(ended)),
        }
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

impl SignOffError {
    /// Whether the signature itself is false.
    pub fn is_forged(&self) -> bool {
        matches!(self, Self::Forged(_))
    }
}

/// Why a sign-off does not count.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SignOffError {
    /// A signed thing of another type.
    #[error("the signed content is not a sign-off")]
    NotASignOff,
    /// The signature does not hold under the enrolled key: forged, or damaged before it was sealed.
    #[error("FORGED: the sign-off does not verify under the key it names ({0})")]
    Forged(CoseError),
    /// The key is enrolled for something else.
    #[error("signed with the key of a {}, not of a person", .0.words())]
    NotAPerson(Role),
    /// The person is not enrolled for this capacity.
    #[error("the signer may not sign as {}", .0.words())]
    RoleNotGiven(SignOffRole),
    /// Signed, or first receipted, on or after the day on which the person's signing ended.
    #[error("signed after the person's signing ended on {0}")]
    AfterTheEnd(Date),
    /// The person's signing ended later; no receipt here shows that the entry was there before.
    #[error(
        "undecided here: the person's signing ended on {0}, and no receipt shows that it was signed before"
    )]
    Undecided(Date),
    /// No trusted authority has enrolled the person's key.
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
