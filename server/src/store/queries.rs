//! Queries as they are shown, each within the scope that it is derived for.

use super::error::Result;
use super::logs::from_sql;
use carrylog_format::ids::LogId;
use carrylog_format::unit_id::UnitKey;
use rusqlite::{Connection, params};
use std::fmt;

/// What queries are derived for, together.
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

/// A query as it is kept.
#[derive(Debug, Clone)]
pub(crate) struct StoredQuery {
    /// Its name.
    pub id: [u8; 32],
    /// Its facts, as JSON.
    pub body: String,
    /// The reason given when it was settled.
    pub resolved: Option<String>,
}

/// Writes queries of a scope beside those that are there.
pub(crate) fn add_queries(c: &Connection, scope: &Scope, found: &[StoredQuery]) -> Result<()> {
    let sql = "INSERT OR REPLACE INTO queries (id, scope, resolved, body) VALUES (?1, ?2, ?3, ?4)";
    let mut insert = c.prepare_cached(sql)?;
    for query in found {
        insert.execute(params![
            query.id,
            scope.to_string(),
            query.resolved,
            query.body
        ])?;
    }
    Ok(())
}

/// Replaces all queries of a scope.
pub(crate) fn set_queries(c: &Connection, scope: &Scope, found: &[StoredQuery]) -> Result<()> {
    let sql = "DELETE FROM queries WHERE scope = ?1";
    c.prepare_cached(sql)?.execute([scope.to_string()])?;
    add_queries(c, scope, found)
}

/// Settles a query; the scope that it belongs to, if it is known here.
pub(crate) fn resolve_query(c: &Connection, id: &[u8; 32], reason: &str) -> Result<Option<String>> {
    let sql = "UPDATE queries SET resolved = ?2 WHERE id = ?1 RETURNING scope";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query(params![id, reason])?;
    Ok(rows.next()?.map(|row| row.get(0)).transpose()?)
}

/// Queries of a scope, by name.
pub(crate) fn queries_of(c: &Connection, scope: &Scope) -> Result<Vec<StoredQuery>> {
    let sql = "SELECT id, body, resolved FROM queries WHERE scope = ?1 ORDER BY rowid";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([scope.to_string()], read)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Queries of all scopes; open ones only unless `settled` is wanted. At most `limit`.
pub(crate) fn list_queries(c: &Connection, settled: bool, limit: u32) -> Result<Vec<StoredQuery>> {
    let sql = if settled {
        "SELECT id, body, resolved FROM queries ORDER BY rowid LIMIT ?1"
    } else {
        "SELECT id, body, resolved FROM queries WHERE resolved IS NULL ORDER BY rowid LIMIT ?1"
    };
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([limit], read)?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Number of open queries.
pub(crate) fn open_queries(c: &Connection) -> Result<u64> {
    let sql = "SELECT count(*) FROM queries WHERE resolved IS NULL";
    from_sql(c.prepare_cached(sql)?.query_row([], |row| row.get(0))?)
}

fn read(row: &rusqlite::Row<'_>) -> rusqlite::Result<StoredQuery> {
    Ok(StoredQuery {
        id: row.get(0)?,
        body: row.get(1)?,
        resolved: row.get(2)?,
    })
}
