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

impl TraceDigest {
    /// The name of the trace with these canonical bytes.
    pub fn of(canonical: &[u8]) -> Self {
        Self(Hash::of(canonical))
    }
}
