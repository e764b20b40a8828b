//! Units: every key ever named, with the summary that the lists show.

use super::error::{Result, StoreError};
use super::logs::from_sql;
use carrylog_format::unit_id::UnitKey;
use rusqlite::{Connection, OptionalExtension, params};

/// A unit as the lists show it.
#[derive(Debug, Clone)]
pub(crate) struct UnitRow {
    /// Its key.
    pub key: String,
    /// Its summary, as JSON.
    pub summary: String,
}

/// Which units to list.
#[derive(Debug, Clone, Default)]
pub(crate) struct UnitFilter {
    /// Keys that contain this text, in upper case.
    pub contains: Option<String>,
    /// Only units with open anomalies or outside limits.
    pub attention: bool,
    /// Keys after this one.
    pub after: Option<String>,
    /// At most this many.
    pub limit: u32,
}

/// The number of a unit's key, made if it is new.
pub(crate) fn unit_row(c: &Connection, key: &UnitKey) -> Result<i64> {
    let mut find = c.prepare_cached("SELECT id FROM units WHERE key = ?1")?;
    if let Some(id) = find
        .query_row([key.as_str()], |row| row.get(0))
        .optional()?
    {
        return Ok(id);
    }
    c.prepare_cached("INSERT INTO units (key) VALUES (?1)")?
        .execute([key.as_str()])?;
    Ok(c.last_insert_rowid())
}

/// The number of a unit's key.
pub(crate) fn find_unit(c: &Connection, key: &UnitKey) -> Result<Option<i64>> {
    let mut find = c.prepare_cached("SELECT id FROM units WHERE key = ?1")?;
    Ok(find
        .query_row([key.as_str()], |row| row.get(0))
        .optional()?)
}

/// The key of a unit's number.
pub(crate) fn unit_key(c: &Connection, unit: i64) -> Result<Option<UnitKey>> {
    let mut find = c.prepare_cached("SELECT key FROM units WHERE id = ?1")?;
    let key: Option<String> = find.query_row([unit], |row| row.get(0)).optional()?;
    Ok(key.and_then(|key| UnitKey::parse(&key)))
}

/// Keys of the units that are shown, in order.
pub(crate) fn shown_units(c: &Connection) -> Result<Vec<UnitKey>> {
    let mut statement =
        c.prepare_cached("SELECT key FROM units WHERE summary IS NOT NULL ORDER BY key")?;
    let rows = statement.query_map([], |row| row.get::<_, String>(0))?;
    let mut keys = Vec::new();
    for key in rows {
        keys.extend(UnitKey::parse(&key?));
    }
    Ok(keys)
}

/// Numbers of all units.
pub(crate) fn all_units(c: &Connection) -> Result<Vec<i64>> {
    let mut statement = c.prepare("SELECT id FROM units ORDER BY id")?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// What the lists need of a summary beside its JSON.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct UnitColumns {
    pub(crate) part: String,
    pub(crate) verdict: Option<String>,
    pub(crate) next_due: Option<String>,
    pub(crate) open_queries: u64,
    pub(crate) summary: String,
}

/// Writes the projection of a unit; `None` hides it from the lists.
pub(crate) fn set_unit(c: &Connection, unit: i64, columns: Option<&UnitColumns>) -> Result<()> {
    let sql =
        "UPDATE units SET part = ?2, verdict = ?3, next_due = ?4, anomalies = ?5, summary = ?6
               WHERE id = ?1";
    c.prepare_cached(sql)?.execute(params![
        unit,
        columns.map(|u| &u.part),
        columns.and_then(|u| u.verdict.as_ref()),
        columns.and_then(|u| u.next_due.as_ref()),
        columns.map_or(0, |u| u.open_queries as i64),
        columns.map(|u| &u.summary),
    ])?;
    Ok(())
}

/// The projection of a unit as it is stored; `None` if it is hidden from the lists.
pub(crate) fn unit_columns(c: &Connection, unit: i64) -> Result<Option<UnitColumns>> {
    let sql = "SELECT part, verdict, next_due, anomalies, summary FROM units
               WHERE id = ?1 AND summary IS NOT NULL";
    let mut statement = c.prepare_cached(sql)?;
    let row = statement.query_row([unit], |row| {
        let part: Option<String> = row.get(0)?;
        let open: i64 = row.get(3)?;
        Ok((part, row.get(1)?, row.get(2)?, open, row.get(4)?))
    });
    let found = row.optional()?;
    found
        .map(|(part, verdict, next_due, open, summary)| {
            Ok(UnitColumns {
                part: part.unwrap_or_default(),
                verdict,
                next_due,
                open_queries: from_sql(open)?,
                summary,
            })
        })
        .transpose()
}

/// Units in the order of their keys.
pub(crate) fn list_units(c: &Connection, filter: &UnitFilter) -> Result<Vec<UnitRow>> {
    let sql = "SELECT key, summary FROM units WHERE summary IS NOT NULL AND key > ?1
               AND (?2 IS NULL OR instr(key, ?2) > 0)
               AND (NOT ?3 OR anomalies > 0 OR verdict = 'outside_limits')
               ORDER BY key LIMIT ?4";
    let mut statement = c.prepare_cached(sql)?;
    let after = filter.after.as_deref().unwrap_or("");
    let rows = statement.query_map(
        params![after, filter.contains, filter.attention, filter.limit],
        |row| {
            Ok(UnitRow {
                key: row.get(0)?,
                summary: row.get(1)?,
            })
        },
    )?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Number of units shown.
pub(crate) fn unit_count(c: &Connection) -> Result<u64> {
    let sql = "SELECT count(*) FROM units WHERE summary IS NOT NULL";
    from_sql(c.prepare_cached(sql)?.query_row([], |row| row.get(0))?)
}

/// Number of units by verdict.
pub(crate) fn verdict_counts(c: &Connection) -> Result<Vec<(String, u64)>> {
    let sql = "SELECT coalesce(verdict, 'none'), count(*) FROM units
               WHERE summary IS NOT NULL GROUP BY 1 ORDER BY 1";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| {
        Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?))
    })?;
    rows.map(|row| {
        let (verdict, count) = row?;
        Ok((verdict, from_sql(count)?))
    })
    .collect()
}

/// Number of units whose next check was due before `date` (RFC 3339 full-date).
pub(crate) fn overdue_count(c: &Connection, date: &str) -> Result<u64> {
    let sql = "SELECT count(*) FROM units WHERE summary IS NOT NULL AND next_due < ?1";
    from_sql(c.prepare_cached(sql)?.query_row([date], |row| row.get(0))?)
}

/// Units of one manufacturer code and part number.
pub(crate) fn units_of_part(c: &Connection, mfr: &str, part: &str) -> Result<Vec<i64>> {
    // A key is `MFR/PART/SERIAL`; a serial stands in for all, and its place is cut off again.
    let Ok(any) = carrylog_format::unit_id::UnitId::new(mfr, part, "0") else {
        return Ok(Vec::new());
    };
    let key = any.key();
    let Some(prefix) = key.as_str().strip_suffix('0') else {
        return Err(StoreError::damaged(format!("the unit's key {key}")));
    };
    let sql = "SELECT id FROM units WHERE key > ?1 AND substr(key, 1, length(?1)) = ?1 AND key < ?1 || char(1114111)";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([prefix], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
