//! Marks of the store: what the projections follow from, and what once was so.

use super::error::Result;
use rusqlite::{Connection, OptionalExtension, params};

/// A mark by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Stamp {
    /// Digest of the trust that the projections follow from.
    ProjectedTrust,
    /// There was a token once: the store is never open again by itself.
    HadToken,
}

impl Stamp {
    fn name(self) -> &'static str {
        match self {
            Self::ProjectedTrust => "projected_trust",
            Self::HadToken => "had_token",
        }
    }
}

/// Sets a mark.
pub(crate) fn set_stamp(c: &Connection, stamp: Stamp, value: &[u8]) -> Result<()> {
    let sql = "INSERT INTO stamps (name, value) VALUES (?1, ?2)
               ON CONFLICT (name) DO UPDATE SET value = excluded.value";
    c.prepare_cached(sql)?
        .execute(params![stamp.name(), value])?;
    Ok(())
}

/// A mark's value, if it was set.
pub(crate) fn stamp(c: &Connection, stamp: Stamp) -> Result<Option<Vec<u8>>> {
    let mut statement = c.prepare_cached("SELECT value FROM stamps WHERE name = ?1")?;
    Ok(statement
        .query_row([stamp.name()], |row| row.get(0))
        .optional()?)
}
