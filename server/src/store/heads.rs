//! Heads of the fleet log that stations hold, and those that contradict it.

use super::error::Result;
use super::logs::{from_sql, to_sql};
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::tree::Hash;
use rusqlite::{Connection, OptionalExtension, params};

/// Sizes kept of one station's log, the newest ones: as many proofs as one head may have.
const MOST_HELD: i64 = 16;

/// A head under this server's key that contradicts its fleet log.
#[derive(Debug, Clone)]
pub(crate) struct ContradictionRow {
    /// `fleet_log_rolled_back` or `fleet_log_forked`.
    pub kind: String,
    /// What was found, in words.
    pub found: String,
}

/// Notes that a station may hold the head of this size.
pub(crate) fn add_held_head(c: &Connection, log: i64, size: u64) -> Result<()> {
    let sql = "INSERT OR IGNORE INTO held_heads (log, size) VALUES (?1, ?2)";
    c.prepare_cached(sql)?
        .execute(params![log, to_sql(size)?])?;
    let sql = "DELETE FROM held_heads WHERE log = ?1 AND size NOT IN
               (SELECT size FROM held_heads WHERE log = ?1 ORDER BY size DESC LIMIT ?2)";
    c.prepare_cached(sql)?.execute(params![log, MOST_HELD])?;
    Ok(())
}

/// The station's file says that it holds the head of this size: forgets the smaller ones.
pub(crate) fn holds_head(c: &Connection, log: i64, size: u64) -> Result<()> {
    let sql = "DELETE FROM held_heads WHERE log = ?1 AND size < ?2";
    c.prepare_cached(sql)?
        .execute(params![log, to_sql(size)?])?;
    add_held_head(c, log, size)
}

/// Sizes whose heads a station may hold, ascending.
pub(crate) fn held_heads(c: &Connection, log: i64) -> Result<Vec<u64>> {
    let mut statement =
        c.prepare_cached("SELECT size FROM held_heads WHERE log = ?1 ORDER BY size")?;
    let sizes = statement.query_map([log], |row| row.get::<_, i64>(0))?;
    sizes.map(|size| from_sql(size?)).collect()
}

/// Keeps a head that contradicts the fleet log of `fleet_log`'s key.
pub(crate) fn add_contradiction(
    c: &Connection,
    name: Hash,
    fleet_log: LogId,
    log: i64,
    row: &ContradictionRow,
    head: &[u8],
    now: Instant,
) -> Result<()> {
    let sql =
        "INSERT OR IGNORE INTO contradictions (name, fleet_log, log, kind, found, head, at_ms)
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)";
    c.prepare_cached(sql)?.execute(params![
        name.as_bytes(),
        fleet_log.hash().as_bytes(),
        log,
        row.kind,
        row.found,
        head,
        now.millis()
    ])?;
    Ok(())
}

/// The first contradiction of the fleet log of this key.
pub(crate) fn contradiction(c: &Connection, fleet_log: LogId) -> Result<Option<ContradictionRow>> {
    let sql = "SELECT kind, found FROM contradictions WHERE fleet_log = ?1 ORDER BY at_ms, rowid";
    let row = c
        .prepare_cached(sql)?
        .query_row([fleet_log.hash().as_bytes()], |row| {
            Ok(ContradictionRow {
                kind: row.get(0)?,
                found: row.get(1)?,
            })
        })
        .optional()?;
    Ok(row)
}
