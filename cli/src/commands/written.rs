//! The result of a command that appended one entry.

use crate::context::Report;
use crate::station::Appended;
use serde::Serialize;
use std::fmt;

#[derive(Debug, Serialize)]
pub(crate) struct Written {
    entry_index: u64,
    entry_id: String,
    /// The entry at its place, as statements name it: `LOG:INDEX:ENTRY`.
    place: String,
    summary: String,
}

impl Written {
    pub(crate) fn of(appended: Appended, summary: String) -> Self {
        Self {
            entry_index: appended.index,
            entry_id: appended.id.to_string(),
            place: appended.place().to_string(),
            summary,
        }
    }
}

impl fmt::Display for Written {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "entry {}: {}", self.entry_index, self.summary)
    }
}

impl Report for Written {}
