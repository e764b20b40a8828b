//! Logs, their segments and seals.

use super::error::{Result, StoreError};
use carrylog_format::cose::PublicKey;
use carrylog_format::ids::{LogId, SealDigest};
use carrylog_format::instant::Instant;
use carrylog_format::seal::Seal;
use carrylog_format::tree::{Frontier, Hash};
use carrylog_history::log::{SealFact, Segment};
use rusqlite::{Connection, OptionalExtension, Row, params};

/// A log with its derived state.
#[derive(Debug, Clone)]
pub(crate) struct LogRow {
    /// Number in this database.
    pub row: i64,
    /// The log.
    pub log: LogId,
    /// Its key.
    pub key: PublicKey,
    /// What was derived.
    pub state: LogState,
}

/// The derived state of a log.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct LogState {
    /// Entries 0 to here are accepted.
    pub size: u64,
    /// The frontier at `size` while the log is one line in which everything counts.
    pub frontier: Option<Frontier>,
    /// Digest of the state; see `fleet_digest`.
    pub digest: Hash,
    /// Gaps and forks, as JSON.
    pub report: String,
}

/// A stored seal.
#[derive(Debug, Clone)]
pub(crate) struct SealRow {
    /// Its name.
    pub digest: SealDigest,
    /// Its number.
    pub seq: u64,
    /// Entries sealed.
    pub size: u64,
    /// Root at that size.
    pub root: Hash,
    /// When, by the station's clock.
    pub at: Instant,
    /// When it first arrived here.
    pub arrived: Instant,
    /// The signed envelope.
    pub sign1: Vec<u8>,
}

impl SealRow {
    /// What it says, as far as the state of its log asks.
    pub(crate) fn fact(&self) -> SealFact {
        SealFact {
            seq: self.seq,
            size: self.size,
            root: self.root,
            at: self.at,
        }
    }
}

const LOG_COLUMNS: &str = "id, log, key, size, frontier, state, report";

/// The log of `key`, made if it is new.
pub(crate) fn log_row(c: &Connection, key: &PublicKey, empty: &LogState) -> Result<LogRow> {
    let log = LogId::of(key);
    let sql = "INSERT OR IGNORE INTO logs (log, key, frontier, state, report) VALUES (?1, ?2, ?3, ?4, ?5)";
    c.execute(
        sql,
        params![
            log.hash().as_bytes(),
            key.to_bytes(),
            empty.frontier.as_ref().map(encode_frontier),
            empty.digest.as_bytes(),
            empty.report,
        ],
    )?;
    find_log(c, log)?.ok_or_else(|| StoreError::damaged("a log that was just written"))
}

/// The log of this name.
pub(crate) fn find_log(c: &Connection, log: LogId) -> Result<Option<LogRow>> {
    let sql = format!("SELECT {LOG_COLUMNS} FROM logs WHERE log = ?1");
    let mut statement = c.prepare_cached(&sql)?;
    statement
        .query_row([log.hash().as_bytes()], |row| Ok(read_log(row)))
        .optional()?
        .transpose()
}

/// All logs by name.
pub(crate) fn logs(c: &Connection) -> Result<Vec<LogRow>> {
    let sql = format!("SELECT {LOG_COLUMNS} FROM logs ORDER BY log");
    let mut statement = c.prepare_cached(&sql)?;
    let rows = statement.query_map([], |row| Ok(read_log(row)))?;
    rows.map(|row| row?).collect()
}

/// Writes the derived state of a log.
pub(crate) fn set_log_state(c: &Connection, row: i64, state: &LogState) -> Result<()> {
    let sql = "UPDATE logs SET size = ?2, frontier = ?3, state = ?4, report = ?5 WHERE id = ?1";
    c.prepare_cached(sql)?.execute(params![
        row,
        to_sql(state.size)?,
        state.frontier.as_ref().map(encode_frontier),
        state.digest.as_bytes(),
        state.report,
    ])?;
    Ok(())
}

/// Keeps a segment; nothing happens if it is known.
pub(crate) fn add_segment(c: &Connection, log: i64, segment: &Segment, root: Hash) -> Result<()> {
    let sql = "INSERT OR IGNORE INTO segments (log, from_index, to_index, root, before, leaves)
               VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
    let leaves: Vec<u8> = segment.leaves.iter().flat_map(|l| l.to_bytes()).collect();
    c.execute(
        sql,
        params![
            log,
            to_sql(segment.from())?,
            to_sql(segment.to())?,
            root.as_bytes(),
            encode_frontier(&segment.before),
            leaves,
        ],
    )?;
    Ok(())
}

/// All segments of a log.
pub(crate) fn segments(c: &Connection, log: i64) -> Result<Vec<Segment>> {
    let sql = "SELECT from_index, before, leaves FROM segments WHERE log = ?1";
    let mut statement = c.prepare_cached(sql)?;
    let mut rows = statement.query([log])?;
    let mut found = Vec::new();
    while let Some(row) = rows.next()? {
        let before = decode_frontier(
            from_sql(row.get(0)?)?,
            row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?,
        )?;
        let leaves = decode_hashes(row.get_ref(2)?.as_blob().map_err(rusqlite::Error::from)?)?;
        found.push(Segment { before, leaves });
    }
    Ok(found)
}

/// Keeps a seal; true if it is new.
pub(crate) fn add_seal(c: &Connection, log: i64, seal: &Seal, now: Instant) -> Result<bool> {
    let content = seal.content();
    let sql = "INSERT OR IGNORE INTO seals (digest, log, seq, size, root, at_ms, arrived_ms, sign1)
               VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)";
    Ok(c.prepare_cached(sql)?.execute(params![
        seal.digest().hash().as_bytes(),
        log,
        to_sql(content.seq)?,
        to_sql(content.size)?,
        content.root.as_bytes(),
        content.at_ms.millis(),
        now.millis(),
        seal.sign1(),
    ])? > 0)
}

/// All seals of a log by size, then name.
pub(crate) fn seals(c: &Connection, log: i64) -> Result<Vec<SealRow>> {
    let sql = "SELECT digest, seq, size, root, at_ms, arrived_ms, sign1 FROM seals
               WHERE log = ?1 ORDER BY size, digest";
    let mut statement = c.prepare_cached(sql)?;
    let rows = statement.query_map([log], |row| Ok(read_seal(row)))?;
    rows.map(|row| row?).collect()
}

/// The newest seal of a log: the largest size.
pub(crate) fn last_seal(c: &Connection, log: i64) -> Result<Option<SealRow>> {
    let sql = "SELECT digest, seq, size, root, at_ms, arrived_ms, sign1 FROM seals
               WHERE log = ?1 ORDER BY size DESC, digest LIMIT 1";
    let mut statement = c.prepare_cached(sql)?;
    statement
        .query_row([log], |row| Ok(read_seal(row)))
        .optional()?
        .transpose()
}

/// Whether a seal over this size and root is in the fleet log: whoever holds it holds every leaf
/// before it.
pub(crate) fn has_receipt(c: &Connection, log: i64, size: u64, root: Hash) -> Result<bool> {
    let sql = "SELECT 1 FROM seals s JOIN fleet_log f ON f.seal = s.digest
               WHERE s.log = ?1 AND s.size = ?2 AND s.root = ?3";
    Ok(c.prepare_cached(sql)?
        .exists(params![log, to_sql(size)?, root.as_bytes()])?)
}

/// Whether entries of a log stand for nothing now.
pub(crate) fn has_cleared(c: &Connection, log: i64) -> Result<bool> {
    let sql = "SELECT 1 FROM entries WHERE log = ?1 AND status IS NULL LIMIT 1";
    Ok(c.prepare_cached(sql)?.exists([log])?)
}

fn read_log(row: &Row<'_>) -> Result<LogRow> {
    let key: [u8; 32] = row.get(2)?;
    let size = from_sql(row.get(3)?)?;
    let frontier: Option<Vec<u8>> = row.get(4)?;
    Ok(LogRow {
        row: row.get(0)?,
        log: LogId::from_hash(Hash::from_bytes(row.get(1)?)),
        key: PublicKey::from_bytes(key).map_err(StoreError::damaged)?,
        state: LogState {
            size,
            frontier: frontier
                .map(|bytes| decode_frontier(size, &bytes))
                .transpose()?,
            digest: Hash::from_bytes(row.get(5)?),
            report: row.get(6)?,
        },
    })
}

fn read_seal(row: &Row<'_>) -> Result<SealRow> {
    Ok(SealRow {
        digest: SealDigest::from_hash(Hash::from_bytes(row.get(0)?)),
        seq: from_sql(row.get(1)?)?,
        size: from_sql(row.get(2)?)?,
        root: Hash::from_bytes(row.get(3)?),
        at: instant(row.get(4)?)?,
        arrived: instant(row.get(5)?)?,
        sign1: row.get(6)?,
    })
}

fn encode_frontier(frontier: &Frontier) -> Vec<u8> {
    frontier
        .hashes()
        .iter()
        .flat_map(|h| h.to_bytes())
        .collect()
}

fn decode_frontier(size: u64, bytes: &[u8]) -> Result<Frontier> {
    Frontier::from_parts(size, decode_hashes(bytes)?).map_err(StoreError::damaged)
}

fn decode_hashes(bytes: &[u8]) -> Result<Vec<Hash>> {
    let (hashes, rest) = bytes.as_chunks::<32>();
    if !rest.is_empty() {
        return Err(StoreError::damaged("a list of hashes with a broken length"));
    }
    Ok(hashes.iter().map(|h| Hash::from_bytes(*h)).collect())
}

/// A count as SQLite holds it. Tree sizes stay below 2^63.
pub(crate) fn to_sql(value: u64) -> Result<i64> {
    i64::try_from(value).map_err(|_| StoreError::damaged("a count beyond 2^63"))
}

pub(crate) fn from_sql(value: i64) -> Result<u64> {
    u64::try_from(value).map_err(|_| StoreError::damaged("a negative count"))
}

pub(crate) fn instant(ms: i64) -> Result<Instant> {
    Instant::from_millis(ms).map_err(StoreError::damaged)
}
