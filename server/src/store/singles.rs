//! Proofs of single entries that came in unit histories.

use super::error::Result;
use super::logs::{from_sql, instant, to_sql};
use super::{StatusChange, entries};
use carrylog_format::ids::SealDigest;
use carrylog_format::tree::Hash;
use carrylog_history::log::SingleEntry;
use rusqlite::{Connection, params};

/// A single entry with its proof.
#[derive(Debug, Clone)]
pub(crate) struct StoredSingle {
    /// Where it stands and the seal that proves it.
    pub place: SingleEntry,
    /// Inclusion proof in the form of receipts.
    pub proof: Vec<u8>,
}

/// Keeps the proof of an entry that is stored; nothing happens if it is known.
pub(crate) fn add_single(
    c: &Connection,
    log: i64,
    index: u64,
    leaf: Hash,
    seal: SealDigest,
    proof: &[u8],
) -> Result<()> {
    let sql =
        "INSERT OR IGNORE INTO singles (log, idx, leaf, seal, proof) VALUES (?1, ?2, ?3, ?4, ?5)";
    c.prepare_cached(sql)?.execute(params![
        log,
        to_sql(index)?,
        leaf.as_bytes(),
        seal.hash().as_bytes(),
        proof
    ])?;
    Ok(())
}

/// The proofs of single entries of a log, by place and seal.
pub(crate) fn singles(c: &Connection, log: i64) -> Result<Vec<StoredSingle>> {
    let sql = "SELECT p.idx, p.leaf, p.proof, s.size, s.root, s.at_ms
               FROM singles p JOIN seals s ON s.digest = p.seal
               WHERE p.log = ?1 ORDER BY p.idx, p.leaf, p.seal";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query([log])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(StoredSingle {
            place: SingleEntry {
                index: from_sql(row.get(0)?)?,
                leaf: Hash::from_bytes(row.get(1)?),
                seal_size: from_sql(row.get(3)?)?,
                seal_root: Hash::from_bytes(row.get(4)?),
                seal_at: instant(row.get(5)?)?,
            },
            proof: row.get(2)?,
        });
    }
    Ok(found)
}

/// Whether single entries of a log were brought.
pub(crate) fn has_singles(c: &Connection, log: i64) -> Result<bool> {
    let sql = "SELECT 1 FROM singles WHERE log = ?1 LIMIT 1";
    Ok(c.prepare_cached(sql)?.exists([log])?)
}

/// Takes the status from one entry: it stands for nothing until it gets one again.
pub(crate) fn clear_status_of(
    c: &Connection,
    log: i64,
    index: u64,
    leaf: Hash,
) -> Result<Vec<StatusChange>> {
    let sql = "UPDATE entries SET status = NULL WHERE leaf = ?3 AND log = ?1 AND idx = ?2
               AND status IS NOT NULL RETURNING id, unit";
    entries::changes(c, sql, params![log, to_sql(index)?, leaf.as_bytes()])
}
