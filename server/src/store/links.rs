//! Links: how entries speak of other entries and of traces, by digest.

use super::entries::{COLUMNS, query, read};
use super::error::Result;
use carrylog_format::tree::Hash;
use carrylog_history::KnownEntry;
use carrylog_history::filing::LinkKind;
use rusqlite::{Connection, params};

/// Entries that speak of `target` in this way, by time, log and index.
pub(crate) fn linking(c: &Connection, kind: LinkKind, target: Hash) -> Result<Vec<KnownEntry>> {
    let sql = format!(
        "SELECT {COLUMNS} FROM links k JOIN entries e ON e.id = k.source JOIN logs l ON l.id = e.log
         WHERE k.target = ?1 AND k.kind = ?2 AND e.status IS NOT NULL
         ORDER BY e.at_ms, l.log, e.idx"
    );
    query(c, &sql, params![target.as_bytes(), kind as u8])
}

/// Corrections and sign-offs of some units' entries: the leaf that each speaks of, and itself, by
/// time, log and index.
pub(crate) fn speaking_of_units(
    c: &Connection,
    kind: LinkKind,
    units: &[i64],
) -> Result<Vec<(Hash, KnownEntry)>> {
    let sql = format!(
        "SELECT DISTINCT {COLUMNS}, k.target FROM entries t JOIN links k ON k.target = t.leaf
             JOIN entries e ON e.id = k.source JOIN logs l ON l.id = e.log
         WHERE t.unit = ?1 AND k.kind = ?2 AND e.status IS NOT NULL
         ORDER BY e.at_ms, l.log, e.idx"
    );
    linked(c, &sql, kind, units)
}

/// Entries of any unit that name a trace which an entry of these units names too: the trace, and
/// the other entry.
pub(crate) fn sharing_traces(c: &Connection, units: &[i64]) -> Result<Vec<(Hash, KnownEntry)>> {
    let sql = format!(
        "SELECT DISTINCT {COLUMNS}, a.target FROM entries t
             JOIN links a ON a.source = t.id AND a.kind = ?2
             JOIN links b ON b.target = a.target AND b.kind = ?2 AND b.source <> a.source
             JOIN entries e ON e.id = b.source JOIN logs l ON l.id = e.log
         WHERE t.unit = ?1 AND e.status IS NOT NULL ORDER BY e.at_ms, l.log, e.idx"
    );
    linked(c, &sql, LinkKind::Trace, units)
}

fn linked(
    c: &Connection,
    sql: &str,
    kind: LinkKind,
    units: &[i64],
) -> Result<Vec<(Hash, KnownEntry)>> {
    let mut statement = c.prepare_cached(sql)?;
    let mut found = Vec::new();
    for unit in units {
        let mut rows = statement.query(params![unit, kind as u8])?;
        while let Some(row) = rows.next()? {
            found.push((Hash::from_bytes(row.get(5)?), read(row)?));
        }
    }
    Ok(found)
}

/// Whether a correction that counts takes the place of an entry.
pub(crate) fn is_superseded(c: &Connection, leaf: Hash) -> Result<bool> {
    let sql = "SELECT 1 FROM links k JOIN entries e ON e.id = k.source
               WHERE k.target = ?1 AND k.kind = 1 AND e.status = 0";
    Ok(c.prepare_cached(sql)?.exists([leaf.as_bytes()])?)
}

/// Units whose projection an entry may change: of the entries that it speaks of, of other corrections
/// of these, and of entries that name the trace of any of them.
pub(crate) fn linked_units(c: &Connection, source: i64) -> Result<Vec<i64>> {
    let sql = "SELECT e.unit FROM links k JOIN entries e ON e.leaf = k.target
               WHERE k.source = ?1 AND k.kind IN (1, 2) AND e.unit IS NOT NULL
               UNION
               SELECT e.unit FROM links k JOIN links o ON o.target = k.target AND o.kind = 3
                   JOIN entries e ON e.id = o.source
               WHERE k.source = ?1 AND k.kind = 3 AND e.unit IS NOT NULL
               UNION
               SELECT e.unit FROM links k JOIN links o ON o.target = k.target AND o.kind = 1
                   JOIN entries e ON e.id = o.source
               WHERE k.source = ?1 AND k.kind = 1 AND e.unit IS NOT NULL
               UNION
               SELECT e.unit FROM links k JOIN entries t ON t.leaf = k.target
                   JOIN links a ON a.source = t.id AND a.kind = 3
                   JOIN links b ON b.target = a.target AND b.kind = 3
                   JOIN entries e ON e.id = b.source
               WHERE k.source = ?1 AND k.kind = 1 AND e.unit IS NOT NULL";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([source], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Units with an entry that somebody signed off.
pub(crate) fn units_signed_off(c: &Connection) -> Result<Vec<i64>> {
    let sql = "SELECT DISTINCT e.unit FROM entries s JOIN links k ON k.source = s.id
               JOIN entries e ON e.leaf = k.target
               WHERE s.kind = 5 AND k.kind = 2 AND e.unit IS NOT NULL";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
