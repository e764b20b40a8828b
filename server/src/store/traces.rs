//! Traces by their digest.

use super::error::Result;
use carrylog_format::ids::TraceDigest;
use rusqlite::{Connection, OptionalExtension, params};

/// Keeps a compressed trace whose digest was checked; true if it is new.
pub(crate) fn add_trace(c: &Connection, digest: TraceDigest, compressed: &[u8]) -> Result<bool> {
    let sql = "INSERT OR IGNORE INTO traces (sha256, compressed) VALUES (?1, ?2)";
    let mut insert = c.prepare_cached(sql)?;
    Ok(insert.execute(params![digest.hash().as_bytes(), compressed])? > 0)
}

/// Units with an entry that names a trace.
pub(crate) fn units_naming_trace(c: &Connection, digest: TraceDigest) -> Result<Vec<i64>> {
    let sql = "SELECT DISTINCT e.unit FROM links k JOIN entries e ON e.id = k.source
               WHERE k.target = ?1 AND k.kind = 3 AND e.unit IS NOT NULL";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([digest.hash().as_bytes()], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
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
