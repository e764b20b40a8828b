//! COSE_Sign1 with an attached payload: the envelope of seals, statements and sign-offs.

use super::{
    ALG_ED25519, ALG_EDDSA, CoseError, LABEL_ALG, LABEL_CONTENT_TYPE, LABEL_KID, PublicKey,
    SIGN1_TAG, SIGNATURE_LEN, SecretKey, exactly, label, to_be_signed,
};
use crate::cbor::{Reader, major, write_bytes, write_head, write_text};

/// Signs a payload: tag 18, protected `{1: -19, 3: content type, 4: thumbprint}`, unprotected `{}`.
///
/// The same key, content type and payload always give the same bytes.
#[must_use]
pub fn sign1(key: &SecretKey, content_type: &str, payload: &[u8]) -> Vec<u8> {
    let protected = protected_header(content_type, &key.public().thumbprint());
    let signature = key.sign(&to_be_signed(&protected, payload));
    let mut out = Vec::with_capacity(protected.len() + payload.len() + 80);
    write_head(&mut out, major::TAG, SIGN1_TAG);
    write_head(&mut out, major::ARRAY, 4);
    write_bytes(&mut out, &protected);
    write_head(&mut out, major::MAP, 0);
    write_bytes(&mut out, payload);
    write_bytes(&mut out, &signature);
    out
}

/// A signed message as received. Nothing in it is to be believed before
/// [`verify`](Self::verify) or [`verify_as`](Self::verify_as).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sign1<'a> {
    protected: &'a [u8],
    content_type: &'a str,
    kid: [u8; 32],
    payload: &'a [u8],
    signature: [u8; SIGNATURE_LEN],
}

/// Reads a signed message in the one form that [`sign1`] writes. The signature is not checked yet.
///
/// # Errors
/// [`CoseError::Cbor`] with the offset of what does not belong, [`CoseError::DeprecatedAlgorithm`],
/// [`CoseError::UnsupportedAlgorithm`] or [`CoseError::Length`].
pub fn parse_sign1(bytes: &[u8]) -> Result<Sign1<'_>, CoseError> {
    let mut reader = Reader::new(bytes);
    let protected = open_sign1(&mut reader)?;
    let (content_type, kid) = parse_protected(protected)?;
    let at = reader.offset();
    exactly(reader.map(UNPROTECTED)?, 0, at, UNPROTECTED)?;
    let payload = reader.bytes("the payload, a byte string")?;
    let signature = signature(&mut reader)?;
    reader.end()?;
    Ok(Sign1 {
        protected,
        content_type,
        kid,
        payload,
        signature,
    })
}

impl<'a> Sign1<'a> {
    /// What the payload claims to be.
    #[must_use]
    pub fn content_type(&self) -> &'a str {
        self.content_type
    }

    /// The thumbprint of the key that is claimed to have signed.
    #[must_use]
    pub fn kid(&self) -> [u8; 32] {
        self.kid
    }

    /// The payload, unverified.
    #[must_use]
    pub fn payload(&self) -> &'a [u8] {
        self.payload
    }

    /// Checks the signature over the received bytes with this key.
    ///
    /// # Errors
    /// [`CoseError::OtherKey`] if the message names another key, [`CoseError::BadSignature`].
    pub fn verify(&self, key: &PublicKey) -> Result<VerifiedPayload<'a>, CoseError> {
        named_key(&self.kid, key)?;
        key.verify(&to_be_signed(self.protected, self.payload), &self.signature)?;
        Ok(VerifiedPayload {
            content_type: self.content_type,
            bytes: self.payload,
        })
    }

    /// Checks the signature and that it was made for this purpose; gives the payload.
    ///
    /// # Errors
    /// [`CoseError::ContentType`] and those of [`verify`](Self::verify).
    pub fn verify_as(&self, content_type: &str, key: &PublicKey) -> Result<&'a [u8], CoseError> {
        if self.content_type != content_type {
            return Err(CoseError::ContentType {
                expected: content_type.to_owned(),
                found: self.content_type.to_owned(),
            });
        }
        Ok(self.verify(key)?.bytes)
    }
}

/// A payload whose signature has been checked. Only [`Sign1::verify`] makes one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VerifiedPayload<'a> {
    content_type: &'a str,
    bytes: &'a [u8],
}

impl<'a> VerifiedPayload<'a> {
    /// What the signer says the payload is.
    #[must_use]
    pub fn content_type(&self) -> &'a str {
        self.content_type
    }

    /// The bytes signed.
    #[must_use]
    pub fn bytes(&self) -> &'a [u8] {
        self.bytes
    }
}

const UNPROTECTED: &str = "an empty unprotected header";

fn protected_header(content_type: &str, kid: &[u8; 32]) -> Vec<u8> {
    let mut out = Vec::with_capacity(content_type.len() + 48);
    write_head(&mut out, major::MAP, 3);
    write_alg(&mut out);
    write_head(&mut out, major::UINT, LABEL_CONTENT_TYPE as u64);
    write_text(&mut out, content_type);
    write_kid(&mut out, kid);
    out
}

fn parse_protected(bytes: &[u8]) -> Result<(&str, [u8; 32]), CoseError> {
    let mut reader = Reader::new(bytes);
    let members = reader.map("the protected header, a map")?;
    read_alg(&mut reader)?;
    exactly(
        members,
        3,
        0,
        "a protected header of algorithm, content type and key identifier",
    )?;
    label(
        &mut reader,
        LABEL_CONTENT_TYPE,
        "header label 3, the content type",
    )?;
    let content_type = reader.text("the content type, a text")?;
    let kid = read_kid(&mut reader)?;
    reader.end()?;
    Ok((content_type, kid))
}

pub(super) fn write_alg(out: &mut Vec<u8>) {
    write_head(out, major::UINT, LABEL_ALG as u64);
    write_head(out, major::NINT, !ALG_ED25519 as u64);
}

pub(super) fn write_kid(out: &mut Vec<u8>, kid: &[u8; 32]) {
    write_head(out, major::UINT, LABEL_KID as u64);
    write_bytes(out, kid);
}

pub(super) fn read_alg(reader: &mut Reader<'_>) -> Result<(), CoseError> {
    label(reader, LABEL_ALG, "header label 1, the algorithm")?;
    match reader.int("the algorithm, an integer")? {
        ALG_ED25519 => Ok(()),
        ALG_EDDSA => Err(CoseError::DeprecatedAlgorithm),
        alg => Err(CoseError::UnsupportedAlgorithm { alg }),
    }
}

pub(super) fn read_kid(reader: &mut Reader<'_>) -> Result<[u8; 32], CoseError> {
    label(reader, LABEL_KID, "header label 4, the key identifier")?;
    fixed(
        "a key identifier",
        reader.bytes("the key identifier, a byte string")?,
    )
}

/// Reads tag, array and protected header of a COSE_Sign1.
pub(super) fn open_sign1<'a>(reader: &mut Reader<'a>) -> Result<&'a [u8], CoseError> {
    const ENVELOPE: &str = "tag 18 on an array of 4, a COSE_Sign1";
    exactly(reader.tag(ENVELOPE)?, SIGN1_TAG, 0, ENVELOPE)?;
    let at = reader.offset();
    exactly(reader.array(ENVELOPE)?, 4, at, ENVELOPE)?;
    Ok(reader.bytes("the protected header, a byte string")?)
}

pub(super) fn signature(reader: &mut Reader<'_>) -> Result<[u8; SIGNATURE_LEN], CoseError> {
    fixed("a signature", reader.bytes("the signature, a byte string")?)
}

pub(super) fn named_key(kid: &[u8; 32], key: &PublicKey) -> Result<(), CoseError> {
    let thumbprint = key.thumbprint();
    if *kid == thumbprint {
        Ok(())
    } else {
        Err(CoseError::OtherKey {
            kid: hex::encode(kid),
            key: hex::encode(thumbprint),
        })
    }
}

fn fixed<const N: usize>(what: &'static str, bytes: &[u8]) -> Result<[u8; N], CoseError> {
    bytes.try_into().map_err(|_| CoseError::Length {
        what,
        given: bytes.len(),
        expected: N,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cbor::CborError;

    const TYPE: &str = "application/x-sample";

    fn key() -> SecretKey {
        SecretKey::from_seed([7; 32])
    }

    /// Key: RFC 8032 §7.1 TEST 1. Expected bytes computed apart from this crate, in Python, from
    /// RFC 9052 §4.4.
    #[test]
    fn the_bytes_signed_are_those_of_rfc_9052() {
        let seed = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
        let key = SecretKey::from_seed(hex::decode(seed).unwrap().try_into().unwrap());
        let signed = to_be_signed(&[0xa1, 0x01, 0x32], b"This is the content.");
        assert_eq!(
            hex::encode(&signed),
            "846a5369676e61747572653143a101324054546869732069732074686520636f6e74656e742e"
        );
        assert_eq!(
            hex::encode(key.sign(&signed)),
            "d492f52368492eefde152b706cced7c257bade0d041020909154f68b9b375ccc\
             058a5ebf6da9e526a7e56abdfdefce6f73dc08fb4bd7667e471986c12f81c705"
        );
    }

    #[test]
    fn what_is_signed_is_read_back_and_verifies() {
        let bytes = sign1(&key(), TYPE, b"payload");
        let message = parse_sign1(&bytes).unwrap();
        assert_eq!(message.content_type(), TYPE);
        assert_eq!(message.kid(), key().public().thumbprint());
        let verified = message.verify(&key().public()).unwrap();
        assert_eq!(
            (verified.content_type(), verified.bytes()),
            (TYPE, &b"payload"[..])
        );
        assert_eq!(
            message.verify_as(TYPE, &key().public()).unwrap(),
            b"payload"
        );
    }

    #[test]
    fn every_bit_flip_and_every_truncation_is_refused() {
        let bytes = sign1(&key(), TYPE, b"payload");
        let refused = |bytes: &[u8]| {
            parse_sign1(bytes)
                .and_then(|m| m.verify(&key().public()).map(|_| ()))
                .is_err()
        };
        for at in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[at] ^= 1 << bit;
                assert!(refused(&flipped), "byte {at} bit {bit}");
            }
            assert!(refused(&bytes[..at]), "cut at {at}");
        }
        assert!(refused(&[&bytes[..], &[0]].concat()), "trailing byte");
    }

    #[test]
    fn another_key_and_another_purpose_are_refused_by_name() {
        let bytes = sign1(&key(), TYPE, b"payload");
        let message = parse_sign1(&bytes).unwrap();
        let other = SecretKey::from_seed([8; 32]).public();
        assert!(matches!(
            message.verify(&other),
            Err(CoseError::OtherKey { .. })
        ));
        assert_eq!(
            message.verify_as("application/x-other", &key().public()),
            Err(CoseError::ContentType {
                expected: "application/x-other".into(),
                found: TYPE.into()
            })
        );
    }

    /// A message whose protected header is `protected`, with a good signature over it.
    fn with_protected(protected: &[u8], unprotected: &[u8]) -> Vec<u8> {
        let mut out = vec![0xd2, 0x84];
        write_bytes(&mut out, protected);
        out.extend_from_slice(unprotected);
        write_bytes(&mut out, b"payload");
        write_bytes(&mut out, &key().sign(&to_be_signed(protected, b"payload")));
        out
    }

    #[test]
    fn well_signed_messages_in_another_form_are_refused() {
        let kid = key().public().thumbprint();
        let exact = protected_header(TYPE, &kid);
        assert!(parse_sign1(&with_protected(&exact, &[0xa0])).is_ok());
        let unexpected =
            |offset, expected| Err(CoseError::Cbor(CborError::Unexpected { offset, expected }));
        assert_eq!(
            parse_sign1(&with_protected(&[0xa1, 0x01, 0x27], &[0xa0])),
            Err(CoseError::DeprecatedAlgorithm)
        );
        assert_eq!(
            parse_sign1(&with_protected(&[0xa1, 0x01, 0x26], &[0xa0])),
            Err(CoseError::UnsupportedAlgorithm { alg: -7 })
        );
        assert_eq!(
            parse_sign1(&with_protected(&[0xa1, 0x01, 0x32], &[0xa0])),
            unexpected(
                0,
                "a protected header of algorithm, content type and key identifier"
            )
        );
        // An unprotected member is not signed, so it could be added by anyone.
        assert!(parse_sign1(&with_protected(&exact, &[0xa1, 0x04, 0x40])).is_err());
        // A second spelling of the head of the protected header.
        let mut long_head = with_protected(&exact, &[0xa0]);
        assert_eq!(long_head[2], 0x58);
        long_head.splice(2..3, [0x59, 0x00]);
        assert_eq!(
            parse_sign1(&long_head),
            Err(CoseError::Cbor(CborError::NotShortest { offset: 2 }))
        );
        let untagged = &with_protected(&exact, &[0xa0])[1..];
        assert_eq!(
            parse_sign1(untagged),
            unexpected(0, "tag 18 on an array of 4, a COSE_Sign1")
        );
    }
}
