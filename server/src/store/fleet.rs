//! The rows of the fleet log: one accepted seal each, with its receipt.

use super::error::Result;
use super::logs::{from_sql, to_sql};
use carrylog_format::ids::SealDigest;
use carrylog_format::tree::Hash;
use rusqlite::{Connection, params};

/// A new row of the fleet log.
#[derive(Debug, Clone)]
pub(crate) struct FleetLeaf {
    /// Index in the fleet log.
    pub index: u64,
    /// The seal.
    pub seal: SealDigest,
    /// Hash of the leaf: of the seal's payload.
    pub leaf: Hash,
    /// The encoded receipt slip.
    pub slip: Vec<u8>,
}

/// A receipt as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct StoredSlip {
    /// Index in the fleet log.
    pub index: u64,
    /// The seal.
    pub seal: SealDigest,
    /// The encoded receipt slip.
    pub slip: Vec<u8>,
}

/// Appends a row.
pub(crate) fn add_fleet_leaf(c: &Connection, log: i64, leaf: &FleetLeaf) -> Result<()> {
    let sql = "INSERT INTO fleet_log (idx, seal, log, leaf, slip) VALUES (?1, ?2, ?3, ?4, ?5)";
    c.prepare_cached(sql)?.execute(params![
        to_sql(leaf.index)?,
        leaf.seal.hash().as_bytes(),
        log,
        leaf.leaf.as_bytes(),
        leaf.slip,
    ])?;
    Ok(())
}

/// Leaf hashes of the fleet log, in order.
pub(crate) fn fleet_leaves(c: &Connection) -> Result<Vec<Hash>> {
    let mut statement = c.prepare("SELECT leaf FROM fleet_log ORDER BY idx")?;
    let rows = statement.query_map([], |row| row.get(0).map(Hash::from_bytes))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Whether a seal is in the fleet log.
pub(crate) fn in_fleet_log(c: &Connection, seal: SealDigest) -> Result<bool> {
    let mut statement = c.prepare_cached("SELECT 1 FROM fleet_log WHERE seal = ?1")?;
    Ok(statement.exists([seal.hash().as_bytes()])?)
}

/// Receipts of one log, in the order of the fleet log.
pub(crate) fn slips(c: &Connection, log: i64) -> Result<Vec<StoredSlip>> {
    let sql = "SELECT idx, seal, slip FROM fleet_log WHERE log = ?1 ORDER BY idx";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([log], |row| {
        Ok((
            row.get::<_, i64>(0)?,
            row.get::<_, [u8; 32]>(1)?,
            row.get::<_, Vec<u8>>(2)?,
        ))
    })?;
    let mut found = Vec::new();
    for row in rows {
        let (index, seal, slip) = row?;
        let seal = SealDigest::from_hash(Hash::from_bytes(seal));
        found.push(StoredSlip {
            index: from_sql(index)?,
            seal,
            slip,
        });
    }
    Ok(found)
}

/// Largest size of a log that a receipt covers.
pub(crate) fn receipted_size(c: &Connection, log: i64) -> Result<u64> {
    let sql =
        "SELECT max(s.size) FROM fleet_log f JOIN seals s ON s.digest = f.seal WHERE f.log = ?1";
    let size: Option<i64> = c.prepare_cached(sql)?.query_row([log], |row| row.get(0))?;
    from_sql(size.unwrap_or(0))
}
