//! An entry at its place, with what the fleet history makes of it.

use crate::log::EntryStatus;
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::Instant;
use carrylog_format::record::Entry;

/// An entry at its place in a log.
#[derive(Debug, Clone)]
pub struct KnownEntry {
    /// The log.
    pub log: LogId,
    /// Index in the log.
    pub index: u64,
    /// What the fleet history makes of it.
    pub status: EntryStatus,
    /// When it first arrived at the server; absent where it was read from files.
    pub arrived: Option<Instant>,
    /// The entry.
    pub entry: Entry,
}

impl KnownEntry {
    /// The entry's id.
    pub fn id(&self) -> EntryId {
        self.entry.id()
    }
}
