//! Access tokens: only their SHA-256 is kept.

use super::error::Result;
use super::logs::instant;
use carrylog_format::instant::Instant;
use rusqlite::{Connection, params};

/// A token as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct TokenRow {
    /// SHA-256 of the token.
    pub hash: [u8; 32],
    /// Its role's name.
    pub role: String,
    /// Whose it is.
    pub name: String,
    /// When it was added.
    pub added: Instant,
}

/// Adds a token; false if the name is taken.
pub(crate) fn add_token(
    c: &Connection,
    hash: &[u8; 32],
    role: &str,
    name: &str,
    now: Instant,
) -> Result<bool> {
    let sql = "INSERT OR IGNORE INTO tokens (hash, role, name, added_ms) VALUES (?1, ?2, ?3, ?4)";
    Ok(c.execute(sql, params![hash, role, name, now.millis()])? > 0)
}

/// All tokens by name.
pub(crate) fn tokens(c: &Connection) -> Result<Vec<TokenRow>> {
    let sql = "SELECT hash, role, name, added_ms FROM tokens ORDER BY name";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query([])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(TokenRow {
            hash: row.get(0)?,
            role: row.get(1)?,
            name: row.get(2)?,
            added: instant(row.get(3)?)?,
        });
    }
    Ok(found)
}

/// Removes the token of this name; false if there is none.
pub(crate) fn remove_token(c: &Connection, name: &str) -> Result<bool> {
    Ok(c.execute("DELETE FROM tokens WHERE name = ?1", [name])? > 0)
}
