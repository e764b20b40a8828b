//! Names made of digests: each a SHA-256 value with a type of its own, so that none is taken for another.

use crate::cose::PublicKey;
use crate::tree::Hash;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

macro_rules! digest_id {
    ($(#[$doc:meta])* $name:ident) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        #[serde(transparent)]
        pub struct $name(Hash);

        impl $name {
            /// From the digest itself.
            pub fn from_hash(hash: Hash) -> Self {
                Self(hash)
            }

            /// The digest.
            pub fn hash(&self) -> &Hash {
                &self.0
            }

            /// The first 12 hexadecimal digits, for people; never for comparison by a machine.
            pub fn short(&self) -> String {
                self.0.to_string().chars().take(12).collect()
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                fmt::Display::fmt(&self.0, f)
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self.short())
            }
        }

        impl FromStr for $name {
            type Err = <Hash as FromStr>::Err;
            fn from_str(text: &str) -> Result<Self, Self::Err> {
                text.parse().map(Self)
            }
        }
    };
}

digest_id!(
    /// A log's name: SHA-256 of its key's COSE_Key thumbprint input (RFC 9679).
    LogId
);
digest_id!(
    /// An entry's name: its RFC 9162 leaf hash, SHA-256(0x00 ‖ entry bytes).
    EntryId
);
digest_id!(
    /// A seal's name: SHA-256 of its payload, never of its signature envelope.
    SealDigest
);
digest_id!(
    /// A trace's name: SHA-256 of its canonical, uncompressed form.
    TraceDigest
);
digest_id!(
    /// A statement's name: SHA-256 of its payload.
    StatementDigest
);
digest_id!(
    /// A file's name by content: SHA-256 of all its bytes.
    FileDigest
);

impl LogId {
    /// The log that `key` owns.
    pub fn of(key: &PublicKey) -> Self {
        Self(Hash::from_bytes(key.thumbprint()))
    }
}

/// A size of a log: the entries 0 to `size` − 1 came before. Fields stand in canonical key order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogPosition {
    /// The log: a station's, or a server's fleet log.
    pub log: LogId,
    /// Its size.
    pub size: LogSize,
}

/// A number of entries or leaves, 1 to 2^53.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u64", into = "u64")]
pub struct LogSize(u64);

impl LogSize {
    /// The number.
    pub fn get(self) -> u64 {
        self.0
    }
}

impl TryFrom<u64> for LogSize {
    type Error = LogSizeError;
    fn try_from(size: u64) -> Result<Self, LogSizeError> {
        if (1..=1 << 53).contains(&size) {
            Ok(Self(size))
        } else {
            Err(LogSizeError(size))
        }
    }
}

impl From<LogSize> for u64 {
    fn from(size: LogSize) -> u64 {
        size.0
    }
}

impl fmt::Display for LogSize {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// A number that is no size of a log.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0} is no size of a log: it has 1 to 2^53 entries")]
pub struct LogSizeError(u64);

impl TraceDigest {
    /// The name of the trace with these canonical bytes.
    pub fn of(canonical: &[u8]) -> Self {
        Self(Hash::of(canonical))
    }
}
