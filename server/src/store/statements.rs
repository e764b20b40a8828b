//! Authorities that a person chose, and the verified statements.

use super::error::Result;
use carrylog_format::cose::PublicKey;
use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Instant;
use rusqlite::{Connection, params};

/// Keeps the choice of an authority; true if it is new.
pub(crate) fn add_authority(c: &Connection, key: &PublicKey, now: Instant) -> Result<bool> {
    let sql = "INSERT OR IGNORE INTO authorities (key, chosen_ms) VALUES (?1, ?2)";
    Ok(c.execute(sql, params![key.to_bytes(), now.millis()])? > 0)
}

/// The authorities' keys; a damaged row is passed over.
pub(crate) fn authorities(c: &Connection) -> Result<Vec<PublicKey>> {
    let mut statement = c.prepare("SELECT key FROM authorities ORDER BY rowid")?;
    let keys = statement.query_map([], |row| row.get::<_, [u8; 32]>(0))?;
    let mut found = Vec::new();
    for key in keys {
        if let Ok(key) = PublicKey::from_bytes(key?) {
            found.push(key);
        }
    }
    Ok(found)
}

/// Keeps a verified statement; true if it is new.
pub(crate) fn add_statement(
    c: &Connection,
    digest: StatementDigest,
    sign1: &[u8],
    now: Instant,
) -> Result<bool> {
    let sql = "INSERT OR IGNORE INTO statements (digest, sign1, received_ms) VALUES (?1, ?2, ?3)";
    Ok(c.prepare_cached(sql)?
        .execute(params![digest.hash().as_bytes(), sign1, now.millis()])?
        > 0)
}

/// All statements as they came.
pub(crate) fn statements(c: &Connection) -> Result<Vec<Vec<u8>>> {
    let mut statement = c.prepare("SELECT sign1 FROM statements ORDER BY rowid")?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
