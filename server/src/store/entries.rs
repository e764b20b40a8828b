//! Entries with their place, status and links.

use super::error::{Result, StoreError};
use super::logs::{from_sql, instant, to_sql};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::Instant;
use carrylog_format::record::{Entry, Record};
use carrylog_format::tree::Hash;
use carrylog_history::KnownEntry;
use carrylog_history::filing::Link;
use carrylog_history::log::EntryStatus;
use carrylog_history::queries::EntryClock;
use rusqlite::{Connection, Row, params};

/// The kind of a record as a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(crate) enum RecordKind {
    /// A kind this program does not know.
    Unknown = 0,
    /// A test.
    Test = 1,
    /// An event of a unit.
    UnitEvent = 2,
    /// An event of a station; the index `station_events` names this number.
    StationEvent = 3,
    /// A correction.
    Correction = 4,
    /// A sign-off.
    SignOff = 5,
}

impl RecordKind {
    pub(crate) fn of(record: &Record) -> Self {
        match record {
            Record::Test(_) => Self::Test,
            Record::UnitEvent(_) => Self::UnitEvent,
            Record::StationEvent(_) => Self::StationEvent,
            Record::Correction(_) => Self::Correction,
            Record::SignOff(_) => Self::SignOff,
            Record::Unknown { .. } => Self::Unknown,
        }
    }
}

/// An entry about to be written.
#[derive(Debug)]
pub(crate) struct NewEntry<'a> {
    /// Number of its log.
    pub log: i64,
    /// Index in the log.
    pub index: u64,
    /// The entry.
    pub entry: &'a Entry,
    /// Number of the unit it concerns.
    pub unit: Option<i64>,
    /// When what it tells happened; the order of a unit's history.
    pub when: Instant,
    /// What it speaks of.
    pub links: &'a [Link],
}

/// An entry whose status changed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StatusChange {
    /// Number of the entry.
    pub row: i64,
    /// Number of its unit.
    pub unit: Option<i64>,
}

/// Writes an entry as accepted; its number if it is new.
pub(crate) fn add_entry(c: &Connection, new: &NewEntry<'_>, now: Instant) -> Result<Option<i64>> {
    let sql = "INSERT OR IGNORE INTO entries
                   (log, idx, leaf, kind, unit, at_ms, when_ms, arrived_ms, status, bytes)
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, 0, ?9)";
    let written = c.prepare_cached(sql)?.execute(params![
        new.log,
        to_sql(new.index)?,
        new.entry.id().hash().as_bytes(),
        RecordKind::of(new.entry.record()) as u8,
        new.unit,
        new.entry.head().at.millis(),
        new.when.millis(),
        now.millis(),
        new.entry.bytes(),
    ])?;
    if written == 0 {
        return Ok(None);
    }
    let row = c.last_insert_rowid();
    for link in new.links {
        let sql = "INSERT OR IGNORE INTO links (target, kind, source) VALUES (?1, ?2, ?3)";
        c.prepare_cached(sql)?
            .execute(params![link.target.as_bytes(), link.kind as u8, row])?;
    }
    Ok(Some(row))
}

/// Gives a run of one log a status; the entries that had another.
pub(crate) fn set_status_of_run(
    c: &Connection,
    log: i64,
    from: u64,
    to: u64,
    status: EntryStatus,
) -> Result<Vec<StatusChange>> {
    let sql = "UPDATE entries SET status = ?4 WHERE log = ?1 AND idx >= ?2 AND idx < ?3
               AND status IS NOT ?4 RETURNING id, unit";
    changes(
        c,
        sql,
        params![log, to_sql(from)?, to_sql(to)?, status as u8],
    )
}

/// Gives one entry a status; the entry if it had another.
pub(crate) fn set_status(
    c: &Connection,
    log: i64,
    index: u64,
    leaf: Hash,
    status: EntryStatus,
) -> Result<Vec<StatusChange>> {
    let sql = "UPDATE entries SET status = ?4 WHERE leaf = ?3 AND log = ?1 AND idx = ?2
               AND status IS NOT ?4 RETURNING id, unit";
    changes(
        c,
        sql,
        params![log, to_sql(index)?, leaf.as_bytes(), status as u8],
    )
}

/// Takes the status from all entries of a log: they stand for nothing until they get one again.
pub(crate) fn clear_status(c: &Connection, log: i64) -> Result<Vec<StatusChange>> {
    let sql =
        "UPDATE entries SET status = NULL WHERE log = ?1 AND status IS NOT NULL RETURNING id, unit";
    changes(c, sql, params![log])
}

pub(super) fn changes(
    c: &Connection,
    sql: &str,
    values: &[&dyn rusqlite::ToSql],
) -> Result<Vec<StatusChange>> {
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map(values, |row| {
        Ok(StatusChange {
            row: row.get(0)?,
            unit: row.get(1)?,
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Columns of an entry `e` of a log `l`, in the order that [`read`] takes them.
pub(super) const COLUMNS: &str = "l.log, e.idx, e.status, e.arrived_ms, e.bytes";

/// Entries of some units that stand for something, by time, log and index.
pub(crate) fn entries_of_units(c: &Connection, units: &[i64]) -> Result<Vec<KnownEntry>> {
    let sql = format!(
        "SELECT {COLUMNS} FROM entries e JOIN logs l ON l.id = e.log
         WHERE e.unit = ?1 AND e.status IS NOT NULL ORDER BY e.when_ms, l.log, e.idx"
    );
    let mut found = Vec::new();
    for unit in units {
        found.extend(query(c, &sql, params![unit])?);
    }
    Ok(found)
}

/// Units of the entries with this leaf hash that stand for something, and of entries that name its
/// trace.
pub(crate) fn units_of_entries_named(c: &Connection, id: EntryId) -> Result<Vec<i64>> {
    let sql = "SELECT DISTINCT unit FROM entries
               WHERE leaf = ?1 AND status IS NOT NULL AND unit IS NOT NULL
               UNION
               SELECT e.unit FROM entries t JOIN links a ON a.source = t.id AND a.kind = 3
                   JOIN links b ON b.target = a.target AND b.kind = 3
                   JOIN entries e ON e.id = b.source
               WHERE t.leaf = ?1 AND e.unit IS NOT NULL";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([id.hash().as_bytes()], |row| row.get(0))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Leaf hashes of the accepted entries of a log below `size`, in its order.
pub(crate) fn accepted_leaves(c: &Connection, log: i64, size: u64) -> Result<Vec<Hash>> {
    let sql = "SELECT leaf FROM entries WHERE log = ?1 AND idx < ?2 AND status = 0 ORDER BY idx";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map(params![log, to_sql(size)?], |row| {
        row.get(0).map(Hash::from_bytes)
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Station events of a log that count, in its order.
pub(crate) fn station_events(c: &Connection, log: i64) -> Result<Vec<KnownEntry>> {
    let sql = format!(
        "SELECT {COLUMNS} FROM entries e JOIN logs l ON l.id = e.log
         WHERE e.log = ?1 AND e.kind = 3 AND e.status = 0 ORDER BY e.idx"
    );
    query(c, &sql, params![log])
}

pub(super) fn query(
    c: &Connection,
    sql: &str,
    values: &[&dyn rusqlite::ToSql],
) -> Result<Vec<KnownEntry>> {
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map(values, |row| Ok(read(row)))?;
    rows.map(|row| row?).collect()
}

pub(super) fn read(row: &Row<'_>) -> Result<KnownEntry> {
    let status: u8 = row.get(2)?;
    let bytes = row.get_ref(4)?.as_blob().map_err(rusqlite::Error::from)?;
    Ok(KnownEntry {
        log: LogId::from_hash(Hash::from_bytes(row.get(0)?)),
        index: from_sql(row.get(1)?)?,
        status: EntryStatus::from_number(status).ok_or_else(|| StoreError::damaged("a status"))?,
        arrived: Some(instant(row.get(3)?)?),
        entry: Entry::parse(bytes).map_err(StoreError::damaged)?,
    })
}

/// Every entry of a log by index and leaf, with its stored status.
pub(crate) fn stored_statuses(
    c: &Connection,
    log: i64,
) -> Result<Vec<(u64, Hash, Option<EntryStatus>)>> {
    let sql = "SELECT idx, leaf, status FROM entries WHERE log = ?1 ORDER BY idx, leaf";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query([log])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let status: Option<u8> = row.get(2)?;
        let known = status
            .map(|s| EntryStatus::from_number(s).ok_or_else(|| StoreError::damaged("a status")));
        let leaf = Hash::from_bytes(row.get(1)?);
        found.push((from_sql(row.get(0)?)?, leaf, known.transpose()?));
    }
    Ok(found)
}

/// Clocks of a log's entries from an index on, in its order.
pub(crate) fn clocks(c: &Connection, log: i64, from: u64) -> Result<Vec<EntryClock>> {
    let sql = "SELECT idx, leaf, at_ms, arrived_ms, status FROM entries
               WHERE log = ?1 AND idx >= ?2 AND status IS NOT NULL ORDER BY idx, leaf";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query(params![log, to_sql(from)?])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        found.push(EntryClock {
            index: from_sql(row.get(0)?)?,
            leaf: Hash::from_bytes(row.get(1)?),
            at: instant(row.get(2)?)?,
            arrived: instant(row.get(3)?)?,
            status: EntryStatus::from_number(row.get(4)?)
                .ok_or_else(|| StoreError::damaged("a status"))?,
        });
    }
    Ok(found)
}

/// Runs `look` over every entry: log, index, leaf and bytes, by log and index.
pub(crate) fn each_entry(
    c: &Connection,
    mut look: impl FnMut(i64, u64, Hash, &[u8]) -> Result<()>,
) -> Result<()> {
    let sql = "SELECT log, idx, leaf, bytes FROM entries ORDER BY log, idx, leaf";
    let mut statement = c.prepare(sql)?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let bytes = row.get_ref(3)?.as_blob().map_err(rusqlite::Error::from)?;
        look(
            row.get(0)?,
            from_sql(row.get(1)?)?,
            Hash::from_bytes(row.get(2)?),
            bytes,
        )?;
    }
    Ok(())
}
