//! Anomalies as they are shown, each within the scope that it is derived for.

use super::error::Result;
use super::logs::from_sql;
use carrylog_format::ids::LogId;
use carrylog_format::unit_id::UnitKey;
use rusqlite::{Connection, params};
use std::fmt;

/// What anomalies are derived for, together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Scope {
    /// The chains of statements.
    Statements,
    /// One log.
    Log(LogId),
    /// One unit.
    Unit(UnitKey),
}

impl fmt::Display for Scope {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Statements => f.write_str("statements"),
            Self::Log(log) => write!(f, "log:{log}"),
            Self::Unit(key) => write!(f, "unit:{key}"),
        }
    }
}

/// An anomaly as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct StoredAnomaly {
    /// Its name.
    pub id: [u8; 32],
    /// The anomaly, as JSON.
    pub body: String,
    /// The reason given when it was settled.
    pub resolved: Option<String>,
}

/// Writes anomalies of a scope beside those that are there.
pub(crate) fn add_anomalies(c: &Connection, scope: &Scope, found: &[StoredAnomaly]) -> Result<()> {
    let sql =
        "INSERT OR REPLACE INTO anomalies (id, scope, resolved, body) VALUES (?1, ?2, ?3, ?4)";
    let mut insert = c.prepare_cached(sql)?;
    for anomaly in found {
        insert.execute(params![
            anomaly.id,
            scope.to_string(),
            anomaly.resolved,
            anomaly.body
        ])?;
    }
    Ok(())
}

/// Replaces all anomalies of a scope.
pub(crate) fn set_anomalies(c: &Connection, scope: &Scope, found: &[StoredAnomaly]) -> Result<()> {
    let sql = "DELETE FROM anomalies WHERE scope = ?1";
    c.prepare_cached(sql)?.execute([scope.to_string()])?;
    add_anomalies(c, scope, found)
}

/// Settles an anomaly; the scope that it belongs to, if it is known here.
pub(crate) fn resolve_anomaly(
    c: &Connection,
    id: &[u8; 32],
    reason: &str,
) -> Result<Option<String>> {
    let sql = "UPDATE anomalies SET resolved = ?2 WHERE id = ?1 RETURNING scope";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query(params![id, reason])?;
    Ok(rows.next()?.map(|row| row.get(0)).transpose()?)
}

/// Anomalies of a scope, by name.
pub(crate) fn anomalies_of(c: &Connection, scope: &Scope) -> Result<Vec<StoredAnomaly>> {
    let sql = "SELECT id, body, resolved FROM anomalies WHERE scope = ?1 ORDER BY rowid";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([scope.to_string()], read)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Anomalies of all scopes; open ones only unless `settled` is wanted. At most `limit`.
pub(crate) fn list_anomalies(
    c: &Connection,
    settled: bool,
    limit: u32,
) -> Result<Vec<StoredAnomaly>> {
    let sql = if settled {
        "SELECT id, body, resolved FROM anomalies ORDER BY rowid LIMIT ?1"
    } else {
        "SELECT id, body, resolved FROM anomalies WHERE resolved IS NULL ORDER BY rowid LIMIT ?1"
    };
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([limit], read)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Number of open anomalies.
pub(crate) fn open_anomalies(c: &Connection) -> Result<u64> {
    let sql = "SELECT count(*) FROM anomalies WHERE resolved IS NULL";
    from_sql(c.prepare_cached(sql)?.query_row([], |row| row.get(0))?)
}

fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<StoredAnomaly> {
    Ok(StoredAnomaly {
        id: row.get(0)?,
        body: row.get(1)?,
        resolved: row.get(2)?,
    })
}
