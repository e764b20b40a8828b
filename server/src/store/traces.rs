//! Traces by their digest.

use super::error::Result;
use carrylog_format::ids::TraceDigest;
use rusqlite::{Connection, OptionalExtension, params};

/// Keeps a compressed trace whose digest was checked; nothing happens if it is known.
pub(crate) fn add_trace(c: &Connection, digest: TraceDigest, compressed: &[u8]) -> Result<()> {
    let sql = "INSERT OR IGNORE INTO traces (sha256, compressed) VALUES (?1, ?2)";
    c.prepare_cached(sql)?
        .execute(params![digest.hash().as_bytes(), compressed])?;
    Ok(())
}

/// A compressed trace.
pub(crate) fn trace(c: &Connection, digest: TraceDigest) -> Result<Option<Vec<u8>>> {
    let sql = "SELECT compressed FROM traces WHERE sha256 = ?1";
    Ok(c.prepare_cached(sql)?
        .query_row([digest.hash().as_bytes()], |row| row.get(0))
        .optional()?)
}

/// Runs `look` over every trace: digest and compressed bytes.
pub(crate) fn each_trace(
    c: &Connection,
    mut look: impl FnMut(TraceDigest, &[u8]) -> Result<()>,
) -> Result<()> {
    let mut statement = c.prepare("SELECT sha256, compressed FROM traces ORDER BY rowid")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let digest = carrylog_format::tree::Hash::from_bytes(row.get(0)?);
        let bytes = row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?;
        look(TraceDigest::from_hash(digest), bytes)?;
    }
    Ok(())
}
