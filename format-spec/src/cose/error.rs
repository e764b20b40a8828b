//! Why a key, a signed message or a receipt was refused.

use crate::cbor::CborError;
use crate::tree::TreeError;

/// A refusal by the signature code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CoseError {
    /// The envelope is not the CBOR it should be. In a header, offsets count from its start.
    #[error("the signed message is malformed: {0}")]
    Cbor(#[from] CborError),
    /// Algorithm −8: any curve, deprecated by RFC 9864.
    #[error("signature algorithm -8 (EdDSA) is deprecated; only -19 (Ed25519) is accepted")]
    DeprecatedAlgorithm,
    /// An algorithm other than Ed25519.
    #[error("signature algorithm {alg}; only -19 (Ed25519) is accepted")]
    UnsupportedAlgorithm {
        /// COSE algorithm number.
        alg: i64,
    },
    /// A key identifier, key or signature of the wrong length.
    #[error("{what} of {given} bytes; {expected} are needed")]
    Length {
        /// What has the wrong length.
        what: &'static str,
        /// Length given, bytes.
        given: usize,
        /// Length needed, bytes.
        expected: usize,
    },
    /// Public key bytes that are no point of the curve.
    #[error("the public key is not a point of the curve")]
    NotAPoint,
    /// A second spelling of a point.
    #[error("the public key is not in its canonical form")]
    NonCanonicalKey,
    /// A key of small order, for which signatures over anything can be made.
    #[error("the public key is weak: its point has a small order")]
    WeakKey,
    /// The message names another key than the one it is checked with.
    #[error("signed by another key: the message names {kid}, this key is {key}")]
    OtherKey {
        /// Thumbprint in the message, hexadecimal.
        kid: String,
        /// Thumbprint of the key used, hexadecimal.
        key: String,
    },
    /// The message was signed for another purpose.
    #[error("content type \"{found}\" where \"{expected}\" belongs")]
    ContentType {
        /// Content type that belongs here.
        expected: String,
        /// Content type in the message.
        found: String,
    },
    /// The signature does not belong to these bytes and this key.
    #[error("the signature does not verify: the message was changed or another key signed it")]
    BadSignature,
    /// The proof in a receipt does not hold.
    #[error("the proof in the receipt does not hold: {0}")]
    Proof(#[from] TreeError),
    /// The proof is of another size than the signer states.
    #[error("the receipt's proof is for {proof} leaves, its signer speaks of {signed}")]
    OtherSize {
        /// Size under the signature.
        signed: u64,
        /// Size in the proof.
        proof: u64,
    },
    /// A receipt with the other kind of proof.
    #[error("the receipt does not carry {expected}")]
    OtherProof {
        /// The kind of proof needed.
        expected: &'static str,
    },
}
