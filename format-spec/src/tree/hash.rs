//! SHA-256 hashes and the three ways a tree forms them (RFC 9162 §2.1.1).

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest, Sha256};

/// A SHA-256 hash. Shown and parsed as 64 lower-case hexadecimal digits, stored as 32 bytes.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash([u8; 32]);

impl Hash {
    /// Length, bytes.
    pub const LEN: usize = 32;

    /// Takes 32 bytes as a hash.
    #[must_use]
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The plain SHA-256 (FIPS 180-4) of some bytes, without a tree's prefix.
    #[must_use]
    pub fn of(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// The plain SHA-256 of several pieces, one after the other.
    #[must_use]
    pub fn of_parts(parts: &[&[u8]]) -> Self {
        let mut hasher = Sha256::new();
        for part in parts {
            hasher.update(part);
        }
        Self(hasher.finalize().into())
    }

    /// The 32 bytes.
    #[must_use]
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }

    /// The 32 bytes, by value.
    #[must_use]
    pub const fn to_bytes(self) -> [u8; 32] {
        self.0
    }
}

/// The root of a tree without leaves: the SHA-256 of nothing.
#[must_use]
pub fn empty_root() -> Hash {
    Hash::of(&[])
}

/// The hash of a leaf: SHA-256(0x00 ‖ bytes).
#[must_use]
pub fn leaf_hash(bytes: &[u8]) -> Hash {
    Hash(
        Sha256::new()
            .chain_update([LEAF_PREFIX])
            .chain_update(bytes)
            .finalize()
            .into(),
    )
}

/// The hash of an inner node: SHA-256(0x01 ‖ left ‖ right).
#[must_use]
pub fn node_hash(left: &Hash, right: &Hash) -> Hash {
    let mut block = [NODE_PREFIX; 65];
    block[1..33].copy_from_slice(&left.0);
    block[33..].copy_from_slice(&right.0);
    Hash(Sha256::digest(block).into())
}

/// Domain separation: without it an inner node could be passed off as a leaf (RFC 9162 §2.1.1).
const LEAF_PREFIX: u8 = 0;
const NODE_PREFIX: u8 = 1;

impl From<[u8; 32]> for Hash {
    fn from(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }
}

impl TryFrom<&[u8]> for Hash {
    type Error = std::array::TryFromSliceError;

    fn try_from(bytes: &[u8]) -> Result<Self, Self::Error> {
        bytes.try_into().map(Self)
    }
}

impl AsRef<[u8]> for Hash {
    fn as_ref(&self) -> &[u8] {
        &self.0
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::encode(self.0))
    }
}

impl fmt::Debug for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Hash({self})")
    }
}

/// Text that is not a hash.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("a hash is written as 64 lower-case hexadecimal digits")]
pub struct ParseHashError;

impl FromStr for Hash {
    type Err = ParseHashError;

    fn from_str(text: &str) -> Result<Self, ParseHashError> {
        // One spelling only: hashes are compared as text in places.
        if text.bytes().any(|b| b.is_ascii_uppercase()) {
            return Err(ParseHashError);
        }
        let mut bytes = [0; 32];
        hex::decode_to_slice(text, &mut bytes).map_err(|_| ParseHashError)?;
        Ok(Self(bytes))
    }
}

impl Serialize for Hash {
    /// A byte string; hexadecimal text in human-readable formats.
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        if serializer.is_human_readable() {
            serializer.collect_str(self)
        } else {
            serializer.serialize_bytes(&self.0)
        }
    }
}

impl<'de> Deserialize<'de> for Hash {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        if deserializer.is_human_readable() {
            let text = String::deserialize(deserializer)?;
            text.parse().map_err(serde::de::Error::custom)
        } else {
            serde_bytes::ByteArray::deserialize(deserializer).map(|b| Self(b.into_array()))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cbor::{Limits, from_canonical, to_canonical};

    /// Source: FIPS 180-4 example messages, as published with the standard's examples.
    #[test]
    fn sha_256_agrees_with_the_published_examples() {
        let two_blocks = "abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmn\
                          hijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu";
        for (message, digest) in [
            (
                "",
                "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
            ),
            (
                "abc",
                "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
            ),
            (
                "abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
                "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
            ),
            (
                two_blocks,
                "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1",
            ),
        ] {
            assert_eq!(Hash::of(message.as_bytes()).to_string(), digest);
        }
        assert_eq!(
            Hash::of(&vec![b'a'; 1_000_000]).to_string(),
            "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"
        );
    }

    #[test]
    fn a_hash_is_a_byte_string_in_cbor_and_text_in_json() {
        let hash = Hash::of(b"abc");
        let bytes = to_canonical(&hash).unwrap();
        assert_eq!(bytes[..2], [0x58, 0x20]);
        let limits = Limits {
            max_len: 34,
            max_depth: 0,
            allow_tags: false,
        };
        assert_eq!(from_canonical::<Hash>(&bytes, &limits).unwrap(), hash);
        let text = serde_json::to_string(&hash).unwrap();
        assert_eq!(serde_json::from_str::<Hash>(&text).unwrap(), hash);
    }

    #[test]
    fn only_the_one_spelling_of_a_hash_is_parsed() {
        let text = Hash::of(b"abc").to_string();
        assert_eq!(text.parse(), Ok(Hash::of(b"abc")));
        for wrong in [
            &text.to_uppercase(),
            &text[..62],
            &format!("{text}00"),
            &text.replace('b', "g"),
        ] {
            assert_eq!(wrong.parse::<Hash>(), Err(ParseHashError));
        }
    }
}
