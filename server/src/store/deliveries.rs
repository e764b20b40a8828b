//! What was delivered: every file by its digest, with what became of it.

use super::error::Result;
use super::logs::{from_sql, instant, to_sql};
use carrylog_format::ids::FileDigest;
use carrylog_format::instant::Instant;
use carrylog_format::tree::Hash;
use rusqlite::{Connection, OptionalExtension, Row, params};

/// A delivered file.
#[derive(Debug, Clone)]
pub(crate) struct StoredDelivery {
    /// SHA-256 of the file.
    pub file: FileDigest,
    /// Its length in bytes.
    pub bytes: u64,
    /// First arrival.
    pub first: Instant,
    /// Last arrival.
    pub last: Instant,
    /// How often it arrived.
    pub times: u64,
    /// What became of it, as JSON.
    pub outcome: String,
}

/// Records an arrival, or with `arrived` false a new outcome of an earlier one.
pub(crate) fn record_delivery(
    c: &Connection,
    file: FileDigest,
    bytes: u64,
    outcome: &str,
    now: Instant,
    arrived: bool,
) -> Result<()> {
    let sql = "INSERT INTO deliveries (file, bytes, first_ms, last_ms, times, outcome)
               VALUES (?1, ?2, ?3, ?3, 1, ?4)
               ON CONFLICT (file) DO UPDATE SET outcome = ?4,
                   last_ms = CASE WHEN ?5 THEN ?3 ELSE last_ms END, times = times + ?5";
    c.prepare_cached(sql)?.execute(params![
        file.hash().as_bytes(),
        to_sql(bytes)?,
        now.millis(),
        outcome,
        arrived,
    ])?;
    Ok(())
}

/// What became of a file.
pub(crate) fn delivery(c: &Connection, file: FileDigest) -> Result<Option<StoredDelivery>> {
    let sql =
        "SELECT file, bytes, first_ms, last_ms, times, outcome FROM deliveries WHERE file = ?1";
    let mut statement = c.prepare_cached(sql)?;
    statement
        .query_row([file.hash().as_bytes()], |row| Ok(read(row)))
        .optional()?
        .transpose()
}

fn read(row: &Row<'_>) -> Result<StoredDelivery> {
    Ok(StoredDelivery {
        file: FileDigest::from_hash(Hash::from_bytes(row.get(0)?)),
        bytes: from_sql(row.get(1)?)?,
        first: instant(row.get(2)?)?,
        last: instant(row.get(3)?)?,
        times: from_sql(row.get(4)?)?,
        outcome: row.get(5)?,
    })
}
