//! Ed25519 keys (RFC 8032) and their COSE form, thumbprint and printable fingerprint.

use std::fmt;

use ed25519_dalek::{Signature, Signer, SigningKey, VerifyingKey};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};
use zeroize::Zeroizing;

use super::{CoseError, SIGNATURE_LEN};
use crate::cbor::{major, write_bytes, write_head};

/// A public key that is safe to verify with: a canonical point that is not of small order.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct PublicKey(VerifyingKey);

impl PublicKey {
    /// Length, bytes.
    pub const LEN: usize = 32;

    /// Takes 32 bytes as a public key (RFC 8032 §5.1.2).
    ///
    /// # Errors
    /// [`CoseError::NotAPoint`], [`CoseError::NonCanonicalKey`] or [`CoseError::WeakKey`].
    pub fn from_bytes(bytes: [u8; 32]) -> Result<Self, CoseError> {
        let key = VerifyingKey::from_bytes(&bytes).map_err(|_| CoseError::NotAPoint)?;
        // Decompression reduces y modulo p; compressing again gives the one canonical form.
        if key.to_edwards().compress().to_bytes() != bytes {
            return Err(CoseError::NonCanonicalKey);
        }
        if key.is_weak() {
            return Err(CoseError::WeakKey);
        }
        Ok(Self(key))
    }

    /// The 32 bytes.
    #[must_use]
    pub fn to_bytes(&self) -> [u8; 32] {
        self.0.to_bytes()
    }

    /// The COSE_Key with the required members only, deterministic: `{1: 1, -1: 6, -2: x}`
    /// (RFC 9053 §7.2).
    #[must_use]
    pub fn cose_key_bytes(&self) -> Vec<u8> {
        let mut out = Vec::with_capacity(40);
        write_head(&mut out, major::MAP, 3);
        write_head(&mut out, major::UINT, 1); // kty:
        write_head(&mut out, major::UINT, 1); // OKP
        write_head(&mut out, major::NINT, 0); // crv (-1):
        write_head(&mut out, major::UINT, 6); // Ed25519
        write_head(&mut out, major::NINT, 1); // x (-2):
        write_bytes(&mut out, self.0.as_bytes());
        out
    }

    /// SHA-256 of [`cose_key_bytes`](Self::cose_key_bytes) (RFC 9679); identifies the key.
    #[must_use]
    pub fn thumbprint(&self) -> [u8; 32] {
        Sha256::digest(self.cose_key_bytes()).into()
    }

    /// The first 80 bits of the thumbprint in a form that two people can compare by telephone:
    /// four groups of four letters and digits without I, L, O and U, such as `8XZ4-…`.
    ///
    /// Enough to notice another key; never used to look one up.
    #[must_use]
    pub fn fingerprint(&self) -> String {
        const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
        let thumbprint = self.thumbprint();
        let bits = thumbprint
            .iter()
            .take(10)
            .fold(0_u128, |bits, b| bits << 8 | u128::from(*b));
        let mut out = String::with_capacity(19);
        for digit in 0..16 {
            if digit > 0 && digit % 4 == 0 {
                out.push('-');
            }
            let value = (bits >> (75 - 5 * digit)) as usize & 31;
            out.push(char::from(DIGITS[value]));
        }
        out
    }

    /// Checks a signature strictly: canonical S, no small-order points, no cofactor.
    pub(crate) fn verify(&self, message: &[u8], signature: &[u8; 64]) -> Result<(), CoseError> {
        let signature = Signature::from_bytes(signature);
        self.0
            .verify_strict(message, &signature)
            .map_err(|_| CoseError::BadSignature)
    }
}

impl PartialOrd for PublicKey {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for PublicKey {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.as_bytes().cmp(other.0.as_bytes())
    }
}

impl fmt::Debug for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "PublicKey({})", self.fingerprint())
    }
}

impl Serialize for PublicKey {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_bytes(self.0.as_bytes())
    }
}

impl<'de> Deserialize<'de> for PublicKey {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let bytes = serde_bytes::ByteArray::<32>::deserialize(deserializer)?;
        Self::from_bytes(bytes.into_array()).map_err(serde::de::Error::custom)
    }
}

/// A secret signing key. Never shown; its memory is cleared when it is dropped.
pub struct SecretKey(SigningKey);

impl SecretKey {
    /// The key that belongs to a seed of 32 random bytes (RFC 8032 §5.1.5).
    #[must_use]
    pub fn from_seed(seed: [u8; 32]) -> Self {
        let seed = Zeroizing::new(seed);
        Self(SigningKey::from_bytes(&seed))
    }

    /// The seed, to be stored under protection.
    #[must_use]
    pub fn seed(&self) -> Zeroizing<[u8; 32]> {
        Zeroizing::new(self.0.to_bytes())
    }

    /// The public half.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        // A key derived from a seed is a canonical point of large order.
        PublicKey(self.0.verifying_key())
    }

    /// Signs a message.
    pub(crate) fn sign(&self, message: &[u8]) -> [u8; SIGNATURE_LEN] {
        self.0.sign(message).to_bytes()
    }
}

impl fmt::Debug for SecretKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "SecretKey(of {})", self.public().fingerprint())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(hex_key: &str) -> CoseError {
        let bytes = hex::decode(hex_key).unwrap().try_into().unwrap();
        PublicKey::from_bytes(bytes).unwrap_err()
    }

    /// Points of order 1, 2, 4, 8 and 8: the encodings follow from the curve equation of RFC 8032
    /// §5.1 (y = 1, y = −1, y = 0, and the two order-8 values of y).
    #[test]
    fn keys_of_small_order_are_refused() {
        for key in [
            "0100000000000000000000000000000000000000000000000000000000000000",
            "ecffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "0000000000000000000000000000000000000000000000000000000000000000",
            "0000000000000000000000000000000000000000000000000000000000000080",
            "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc05",
            "26e8958fc2b227b045c3f489f2ef98f0d5dfac05d3c63339b13802886d53fc85",
            "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac037a",
            "c7176a703d4dd84fba3c0b760d10670f2a2053fa2c39ccc64ec7fd7792ac03fa",
        ] {
            assert_eq!(refused(key), CoseError::WeakKey, "{key}");
        }
    }

    /// y = p, y = p + 1 and y = p + 3 (p = 2^255 − 19), and x = 0 with the sign bit set.
    #[test]
    fn second_spellings_of_a_point_are_refused() {
        for key in [
            "edffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "eeffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "f0ffffffffffffffffffffffffffffffffffffffffffffffffffffffffffff7f",
            "0100000000000000000000000000000000000000000000000000000000000080",
        ] {
            assert_eq!(refused(key), CoseError::NonCanonicalKey, "{key}");
        }
    }

    #[test]
    fn bytes_that_are_no_point_are_refused() {
        let y_is_2 = "0200000000000000000000000000000000000000000000000000000000000000";
        assert_eq!(refused(y_is_2), CoseError::NotAPoint);
    }

    #[test]
    fn the_fingerprint_spells_the_first_80_bits_of_the_thumbprint() {
        let key = SecretKey::from_seed([7; 32]).public();
        let fingerprint = key.fingerprint();
        assert_eq!(fingerprint.len(), 19);
        let digits = "0123456789ABCDEFGHJKMNPQRSTVWXYZ";
        let bits = fingerprint
            .chars()
            .filter(|c| *c != '-')
            .fold(0_u128, |bits, c| {
                bits << 5 | digits.find(c).unwrap() as u128
            });
        assert_eq!(bits.to_be_bytes()[6..], key.thumbprint()[..10]);
    }

    #[test]
    fn a_secret_key_shows_nothing_of_its_seed() {
        let key = SecretKey::from_seed([0xab; 32]);
        assert!(!format!("{key:?}").to_lowercase().contains("abab"));
        assert_eq!(*key.seed(), [0xab; 32]);
    }

    #[test]
    fn a_public_key_is_checked_when_it_is_decoded() {
        use crate::cbor::{CborError, Limits, from_canonical, to_canonical, write_bytes};
        let limits = Limits {
            max_len: 34,
            max_depth: 0,
            allow_tags: false,
        };
        let key = SecretKey::from_seed([7; 32]).public();
        let bytes = to_canonical(&key).unwrap();
        assert_eq!(from_canonical::<PublicKey>(&bytes, &limits), Ok(key));
        let mut weak = Vec::new();
        write_bytes(&mut weak, &[0; 32]);
        assert!(matches!(
            from_canonical::<PublicKey>(&weak, &limits),
            Err(CborError::Decode { .. })
        ));
    }
}
