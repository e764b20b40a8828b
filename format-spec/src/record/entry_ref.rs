//! A reference to an entry at its place: the log, the index there, and the entry's name.

use crate::ids::{EntryId, LogId};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// An entry at its place. The same bytes in another log, or at another index, are another reference.
/// Fields stand in canonical key order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EntryRef {
    /// The log.
    pub log: LogId,
    /// The entry's name.
    pub entry: EntryId,
    /// Its index in the log.
    pub index: u64,
}

impl fmt::Display for EntryRef {
    /// `LOG:INDEX:ENTRY`, hexadecimal and decimal.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}", self.log, self.index, self.entry)
    }
}

impl FromStr for EntryRef {
    type Err = EntryRefError;
    fn from_str(text: &str) -> Result<Self, EntryRefError> {
        let mut parts = text.trim().split(':');
        let (Some(log), Some(index), Some(entry), None) =
            (parts.next(), parts.next(), parts.next(), parts.next())
        else {
            return Err(EntryRefError);
        };
        Ok(Self {
            log: log.parse().map_err(|_| EntryRefError)?,
            entry: entry.parse().map_err(|_| EntryRefError)?,
            index: index.parse().map_err(|_| EntryRefError)?,
        })
    }
}

/// Text that is no reference to an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("write an entry as LOG:INDEX:ENTRY: 64 digits, a number, 64 digits")]
pub struct EntryRefError;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tree::Hash;

    #[test]
    fn what_is_printed_reads_back() {
        let place = EntryRef {
            log: LogId::from_hash(Hash::of(b"log")),
            entry: EntryId::from_hash(Hash::of(b"entry")),
            index: 12,
        };
        assert_eq!(place.to_string().parse(), Ok(place));
        for bad in ["", "1:2", "a:1:b", "1:2:3:4"] {
            assert_eq!(bad.parse::<EntryRef>(), Err(EntryRefError), "{bad}");
        }
    }
}
