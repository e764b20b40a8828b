//! Fleet heads: a server's signature over size and root of its fleet log, for stations and auditors to
//! keep. Two heads that contradict each other prove it to anybody.

use super::MAX_FLEET_SIZE;
use crate::cbor::{self, CborError, Limits};
use crate::cose::{self, CoseError, PublicKey, SecretKey};
use crate::ids::{LogId, StatementDigest};
use crate::instant::Instant;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};

/// COSE content type of a fleet head.
pub const FLEET_HEAD_CONTENT_TYPE: &str = "application/vnd.carrylog.fleet-head+cbor";
const LIMITS: Limits = Limits {
    max_len: 2048,
    max_depth: 3,
    allow_tags: false,
};

/// What a fleet head states. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FleetHead {
    /// Version: 1.
    pub v: u64,
    /// The fleet log: the name of the server's key.
    pub log: LogId,
    /// RFC 9162 root over the first `size` leaves.
    pub root: Hash,
    /// Number of leaves.
    pub size: u64,
    /// When it was signed, by the server's clock.
    pub at_ms: Instant,
    /// The last statement of each authority that the server knows, ascending by authority: a
    /// newest statement that somebody stripped from a file is noticed. At most [`MAX_CHAINS`].
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub chains: Vec<Chain>,
}

/// Most authorities that a head names.
pub const MAX_CHAINS: usize = 16;

/// The last statement of one authority: authority, number, name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Chain(pub LogId, pub u64, pub StatementDigest);

/// Signs a head.
///
/// # Errors
/// [`CborError`] if the serialiser fails.
pub fn sign(key: &SecretKey, head: &FleetHead) -> Result<Vec<u8>, CborError> {
    Ok(cose::sign1(
        key,
        FLEET_HEAD_CONTENT_TYPE,
        &cbor::to_canonical(head)?,
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

/// Reads a signed head that names its own signer; the signature is not checked.
///
/// # Errors
/// [`FleetHeadError`] for another envelope or content.
pub fn parse(sign1: &[u8]) -> Result<FleetHead, FleetHeadError> {
    let envelope = cose::parse_sign1(sign1)?;
    if envelope.content_type() != FLEET_HEAD_CONTENT_TYPE {
        return Err(FleetHeadError::Content);
    }
    let head = content(envelope.payload())?;
    if *head.log.hash().as_bytes() != envelope.kid() {
        return Err(FleetHeadError::WrongServer);
    }
    Ok(head)
}

/// Verifies a signed head under the server's key.
///
/// # Errors
/// [`FleetHeadError`] for a wrong envelope, key, signature or content.
pub fn verify(sign1: &[u8], key: &PublicKey) -> Result<FleetHead, FleetHeadError> {
    let payload = cose::parse_sign1(sign1)?.verify_as(FLEET_HEAD_CONTENT_TYPE, key)?;
    let head = content(payload)?;
    if head.log != LogId::of(key) {
        return Err(FleetHeadError::WrongServer);
    }
    Ok(head)
}

/// The name of a head: SHA-256 of its payload.
///
/// # Errors
/// [`FleetHeadError`] if the bytes are no signed envelope.
pub fn name(sign1: &[u8]) -> Result<Hash, FleetHeadError> {
    Ok(Hash::of(cose::parse_sign1(sign1)?.payload()))
}

fn content(payload: &[u8]) -> Result<FleetHead, FleetHeadError> {
    let head: FleetHead = cbor::from_canonical(payload, &LIMITS)?;
    let ascending = head.chains.windows(2).all(|pair| match pair {
        [Chain(a, ..), Chain(b, ..)] => a < b,
        _ => true,
    });
    let in_range = head.v == 1 && (1..=MAX_FLEET_SIZE).contains(&head.size);
    if !in_range || !ascending || head.chains.len() > MAX_CHAINS {
        return Err(FleetHeadError::Content);
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
    /// A version, size or list of authorities that no head has.
    #[error("the fleet head has a version, size or list of authorities that no head has")]
    Content,
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
        let head = FleetHead {
            v: 1,
            log: LogId::of(&key.public()),
            root: Hash::of(b"root"),
            size: 7,
            at_ms: at,
            chains: vec![Chain(
                LogId::of(&key.public()),
                3,
                StatementDigest::from_hash(Hash::of(b"statement")),
            )],
        };
        let signed = sign(&key, &head).unwrap();
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
