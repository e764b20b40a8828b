//! The rows of the fleet log: its leaves, in order, and what each stands for.

use super::error::Result;
use super::logs::{from_sql, to_sql};
use carrylog_format::ids::{SealDigest, StatementDigest};
use carrylog_format::tree::Hash;
use rusqlite::{Connection, params};

/// What a new leaf stands for.
#[derive(Debug, Clone, Copy)]
pub(crate) enum LeafOf {
    /// It opens the log.
    Opening,
    /// A seal of the log in this row.
    Seal(i64, SealDigest),
    /// A statement.
    Statement(StatementDigest),
}

/// A seal's place in the fleet log.
#[derive(Debug, Clone)]
pub(crate) struct SealLeaf {
    /// Index in the fleet log.
    pub index: u64,
    /// The seal.
    pub seal: SealDigest,
    /// The signed seal.
    pub sign1: Vec<u8>,
}

/// Appends a leaf. No leaf stands there twice: the table refuses it.
pub(crate) fn add_fleet_leaf(c: &Connection, index: u64, leaf: &[u8], of: LeafOf) -> Result<()> {
    let (log, seal, statement) = match &of {
        LeafOf::Opening => (None, None, None),
        LeafOf::Seal(log, seal) => (Some(*log), Some(seal.hash().as_bytes()), None),
        LeafOf::Statement(name) => (None, None, Some(name.hash().as_bytes())),
    };
    let sql = "INSERT INTO fleet_log (idx, leaf, log, seal, statement) VALUES (?1, ?2, ?3, ?4, ?5)";
    c.prepare_cached(sql)?
        .execute(params![to_sql(index)?, leaf, log, seal, statement])?;
    Ok(())
}

/// The leaves of the fleet log, in order.
pub(crate) fn fleet_leaves(c: &Connection) -> Result<Vec<Vec<u8>>> {
    let mut statement = c.prepare("SELECT leaf FROM fleet_log ORDER BY idx")?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Whether a seal is in the fleet log.
pub(crate) fn in_fleet_log(c: &Connection, seal: SealDigest) -> Result<bool> {
    let mut statement = c.prepare_cached("SELECT 1 FROM fleet_log WHERE seal = ?1")?;
    Ok(statement.exists([seal.hash().as_bytes()])?)
}

/// Whether a statement is in the fleet log.
pub(crate) fn statement_in_fleet_log(c: &Connection, name: StatementDigest) -> Result<bool> {
    let mut statement = c.prepare_cached("SELECT 1 FROM fleet_log WHERE statement = ?1")?;
    Ok(statement.exists([name.hash().as_bytes()])?)
}

/// Seals of one log in the fleet log, in its order.
pub(crate) fn seal_leaves(c: &Connection, log: i64) -> Result<Vec<SealLeaf>> {
    let sql = "SELECT f.idx, f.seal, s.sign1 FROM fleet_log f JOIN seals s ON s.digest = f.seal
               WHERE f.log = ?1 ORDER BY f.idx";
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
        let (index, seal, sign1) = row?;
        found.push(SealLeaf {
            index: from_sql(index)?,
            seal: SealDigest::from_hash(Hash::from_bytes(seal)),
            sign1,
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

/// Whether a seal is stored.
pub(crate) fn has_seal(c: &Connection, seal: SealDigest) -> Result<bool> {
    let mut statement = c.prepare_cached("SELECT 1 FROM seals WHERE digest = ?1")?;
    Ok(statement.exists([seal.hash().as_bytes()])?)
}

/// Whether a statement is stored.
pub(crate) fn has_statement(c: &Connection, name: StatementDigest) -> Result<bool> {
    let mut statement = c.prepare_cached("SELECT 1 FROM statements WHERE digest = ?1")?;
    Ok(statement.exists([name.hash().as_bytes()])?)
}
