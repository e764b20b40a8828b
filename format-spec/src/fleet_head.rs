//! Fleet heads: a server's signature over size and root of its fleet log, for auditors to keep.

use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, PublicKey, SecretKey};
use crate::ids::LogId;
use crate::instant::Instant;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};

/// COSE content type of a fleet head.
pub const FLEET_HEAD_CONTENT_TYPE: &str = "application/vnd.carrylog.fleet-head+cbor";
const LIMITS: Limits = Limits {
    max_len: 256,
    max_depth: 1,
    allow_tags: false,
};

/// What a fleet head states. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FleetHead {
    /// The server: the log id of its key.
    pub log: LogId,
    /// RFC 9162 root of the fleet log.
    pub root: Hash,
    /// Number of seals in the fleet log.
    pub size: u64,
    /// When it was signed, by the server's clock.
    pub at_ms: Instant,
}

/// Signs size and root of a server's fleet log.
///
/// # Errors
/// [`CborError`] if the serialiser fails.
pub fn sign(key: &SecretKey, root: Hash, size: u64, at: Instant) -> Result<Vec<u8>, CborError> {
    let head = FleetHead {
        log: LogId::of(&key.public()),
        root,
        size,
        at_ms: at,
    };
    Ok(cose::sign1(
        key,
        FLEET_HEAD_CONTENT_TYPE,
        &cbor::to_canonical(&head)?,
    ))
}

/// The server that a signed head names, before anything is verified.
///
/// # Errors
/// [`FleetHeadError`] if the bytes are no signed envelope.
pub fn claimed_server(sign1: &[u8]) -> Result<LogId, FleetHeadError> {
    Ok(LogId::from_hash(Hash::from_bytes(
        cose::parse_sign1(sign1)?.kid(),
    )))
}

/// Verifies a signed head under the server's key.
///
/// # Errors
/// [`FleetHeadError`] for a wrong envelope, key, signature or content.
pub fn verify(sign1: &[u8], key: &PublicKey) -> Result<FleetHead, FleetHeadError> {
    let payload = cose::parse_sign1(sign1)?
        .verify_as(FLEET_HEAD_CONTENT_TYPE, key)?
        .to_vec();
    let head: FleetHead = cbor::from_canonical(&payload, &LIMITS)?;
    if head.log != LogId::of(key) {
        return Err(FleetHeadError::WrongServer);
    }
    Ok(head)
}

/// Why bytes are no fleet head.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FleetHeadError {
    /// The head names another server than the one that signed it.
    #[error("the fleet head names a server that did not sign it")]
    WrongServer,
    /// The envelope or its signature.
    #[error(transparent)]
    Cose(#[from] CoseError),
    /// The content's encoding.
    #[error(transparent)]
    Cbor(#[from] CborError),
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_head_verifies_under_its_server_and_no_other() {
        let key = SecretKey::from_seed([3; 32]);
        let at = Instant::from_seconds(1_767_225_600).unwrap();
        let signed = sign(&key, Hash::of(b"root"), 7, at).unwrap();
        let head = verify(&signed, &key.public()).unwrap();
        assert_eq!((head.size, head.at_ms), (7, at));
        assert!(verify(&signed, &SecretKey::from_seed([4; 32]).public()).is_err());
        for position in 0..signed.len() {
            let mut damaged = signed.clone();
            damaged[position] ^= 1;
            assert!(verify(&damaged, &key.public()).is_err(), "byte {position}");
        }
    }
}
