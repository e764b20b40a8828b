//! What the fleet history makes of an entry.

use serde::Serialize;

/// What the fleet history makes of an entry. Ordered: the best first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
#[repr(u8)]
pub enum EntryStatus {
    /// It counts.
    Accepted = 0,
    /// Entries before it are missing; it counts as soon as they arrive.
    Held = 1,
    /// The log has branches that contradict each other here.
    Disputed = 2,
    /// The log's key was revoked from this index or an earlier one.
    Revoked = 3,
}

impl EntryStatus {
    /// From the number that stands in the database.
    pub fn from_number(number: u8) -> Option<Self> {
        [Self::Accepted, Self::Held, Self::Disputed, Self::Revoked]
            .into_iter()
            .find(|s| *s as u8 == number)
    }

    /// The status in words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Accepted => "accepted",
            Self::Held => "held: earlier entries are missing",
            Self::Disputed => "disputed: the log has two versions",
            Self::Revoked => "revoked: the key no longer counted",
        }
    }
}
