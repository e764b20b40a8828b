//! Results of traces by what they were computed from: a memory of a pure function, never truth.

use super::error::{Result, StoreError};
use carrylog_format::record::Computed;
use carrylog_format::tree::Hash;
use rusqlite::{Connection, OptionalExtension, params};

/// Remembered results; what this program cannot read is as good as absent.
pub(crate) fn computed(c: &Connection, key: Hash) -> Result<Option<Computed>> {
    let sql = "SELECT body FROM computed WHERE key = ?1";
    let body: Option<String> = c
        .prepare_cached(sql)?
        .query_row([key.as_bytes()], |row| row.get(0))
        .optional()?;
    Ok(body.and_then(|body| serde_json::from_str(&body).ok()))
}

/// Remembers results.
pub(crate) fn set_computed(c: &Connection, key: Hash, computed: &Computed) -> Result<()> {
    let body = serde_json::to_string(computed).map_err(StoreError::damaged)?;
    let sql = "INSERT OR REPLACE INTO computed (key, body) VALUES (?1, ?2)";
    c.prepare_cached(sql)?
        .execute(params![key.as_bytes(), body])?;
    Ok(())
}
