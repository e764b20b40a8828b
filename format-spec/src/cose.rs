//! Signatures: COSE_Sign1 (RFC 9052) with Ed25519 (RFC 8032; algorithm −19 of RFC 9864), and COSE
//! receipts (RFC 9942).
//!
//! A message has one byte form only: tag 18, a protected header in a fixed layout, and nothing in
//! the unprotected header but a receipt's proof. Its content type is signed with it and says what
//! the payload is, so that a signature made for one purpose is worth nothing for another. Nothing
//! is ever identified by the hash of an envelope.

mod error;
mod key;
#[cfg(test)]
mod published_tests;
mod receipt;
mod sign1;

use crate::cbor::{CborError, Reader, major, write_bytes, write_head, write_text};

pub use error::CoseError;
pub use key::{PublicKey, SecretKey};
pub use receipt::{
    Receipt, ReceiptClaims, ReceiptProof, VerifiedReceipt, parse_receipt, sign_receipt,
};
pub use sign1::{Sign1, VerifiedPayload, parse_sign1, sign1};

/// CBOR tag of COSE_Sign1 (RFC 9052 §4.2).
const SIGN1_TAG: u64 = 18;
/// Ed25519, fully specified (RFC 9864 §2.2).
const ALG_ED25519: i64 = -19;
/// EdDSA of any curve, deprecated by RFC 9864.
const ALG_EDDSA: i64 = -8;
/// Header label 1: algorithm (RFC 9052 §3.1).
const LABEL_ALG: i64 = 1;
/// Header label 3: content type (RFC 9052 §3.1).
const LABEL_CONTENT_TYPE: i64 = 3;
/// Header label 4: key identifier (RFC 9052 §3.1); here always the key's thumbprint.
const LABEL_KID: i64 = 4;
/// Length of an Ed25519 signature, bytes.
const SIGNATURE_LEN: usize = 64;

/// Sig_structure of COSE_Sign1 with empty external data (RFC 9052 §4.4): the bytes signed.
fn to_be_signed(protected: &[u8], payload: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(32 + protected.len() + payload.len());
    write_head(&mut out, major::ARRAY, 4);
    write_text(&mut out, "Signature1");
    write_bytes(&mut out, protected);
    write_bytes(&mut out, &[]);
    write_bytes(&mut out, payload);
    out
}

/// Reads the next item as this header label.
fn label(reader: &mut Reader<'_>, label: i64, name: &'static str) -> Result<(), CoseError> {
    let offset = reader.offset();
    if reader.int(name)? == label {
        Ok(())
    } else {
        Err(CborError::Unexpected {
            offset,
            expected: name,
        }
        .into())
    }
}

/// Reads the count of an array or map and refuses any other than `count`.
fn exactly(found: u64, count: u64, offset: u64, expected: &'static str) -> Result<(), CoseError> {
    if found == count {
        Ok(())
    } else {
        Err(CborError::Unexpected { offset, expected }.into())
    }
}
