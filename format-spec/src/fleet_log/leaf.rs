//! Leaves of the fleet log: each says what it is, so that no leaf can be taken for another.

use crate::cbor::{self, CborError, Limits};
use crate::cose::PublicKey;
use crate::ids::{LogId, StatementDigest};
use crate::instant::Instant;
use crate::seal::SealContent;
use crate::statement::Statement;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};

/// Largest leaf in bytes: a seal's payload and the six bytes before it.
pub const MAX_LEAF_BYTES: usize = crate::seal::MAX_SEAL_BYTES;
const LIMITS: Limits = Limits {
    max_len: MAX_LEAF_BYTES,
    max_depth: 4,
    allow_tags: false,
};
/// `{"seal": …}` up to the payload.
const SEAL_PREFIX: &[u8] = b"\xa1\x64seal";

/// One leaf.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum FleetLeaf {
    /// Leaf 0, and no other.
    Opened(FleetOpened),
    /// A seal that was accepted.
    Seal(SealContent),
    /// A statement that was taken in.
    Statement(StatementMark),
}

/// Who opened the log, and what it continues. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FleetOpened {
    /// Version: 1.
    pub v: u64,
    /// The server's key.
    pub key: PublicKey,
    /// The fleet log: the name of that key.
    pub log: LogId,
    /// When, by the server's clock.
    pub at_ms: Instant,
    /// The fleet log that it goes on from, after the loss of a key or a store.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub continues: Option<Continued>,
}

/// The end of an earlier fleet log. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Continued {
    /// The earlier fleet log.
    pub log: LogId,
    /// Its root at `size`.
    pub root: Hash,
    /// Leaves 0 to size − 1 came before.
    pub size: u64,
}

/// A statement by name, without its text. Fields stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StatementMark {
    /// Its number.
    pub seq: u64,
    /// Its name.
    pub name: StatementDigest,
    /// Its authority.
    pub authority: LogId,
}

impl FleetLeaf {
    /// The leaf's only encoding.
    ///
    /// # Errors
    /// [`CborError`] if the serialiser fails.
    pub fn encode(&self) -> Result<Vec<u8>, CborError> {
        cbor::to_canonical(self)
    }

    /// Reads what [`encode`](Self::encode) writes.
    ///
    /// # Errors
    /// [`CborError`].
    pub fn parse(bytes: &[u8]) -> Result<Self, CborError> {
        cbor::from_canonical(bytes, &LIMITS)
    }
}

impl From<&Statement> for StatementMark {
    fn from(statement: &Statement) -> Self {
        let content = statement.content();
        Self {
            seq: content.seq,
            name: statement.digest(),
            authority: content.authority,
        }
    }
}

/// The leaf of the seal with this payload: `{seal: payload}`.
#[must_use]
pub fn seal_leaf(payload: &[u8]) -> Vec<u8> {
    [SEAL_PREFIX, payload].concat()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cose::SecretKey;

    fn at() -> Instant {
        Instant::from_seconds(1_767_225_600).unwrap()
    }

    #[test]
    fn every_kind_of_leaf_has_one_encoding_and_comes_back() {
        let key = SecretKey::from_seed([3; 32]).public();
        let log = LogId::of(&key);
        let leaves = [
            FleetLeaf::Opened(FleetOpened {
                v: 1,
                key,
                log,
                at_ms: at(),
                continues: Some(Continued {
                    log,
                    root: Hash::of(b"root"),
                    size: 7,
                }),
            }),
            FleetLeaf::Seal(SealContent {
                log,
                seq: 0,
                prev: None,
                root: Hash::of(b"root"),
                seen: Some(Hash::of(b"head")),
                size: 1,
                at_ms: at(),
            }),
            FleetLeaf::Statement(StatementMark {
                seq: 6,
                name: StatementDigest::from_hash(Hash::of(b"statement")),
                authority: log,
            }),
        ];
        for leaf in leaves {
            let bytes = leaf.encode().unwrap();
            assert_eq!(FleetLeaf::parse(&bytes).unwrap(), leaf);
            if let FleetLeaf::Seal(content) = &leaf {
                assert_eq!(seal_leaf(&cbor::to_canonical(content).unwrap()), bytes);
            }
        }
    }
}
