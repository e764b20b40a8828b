//! Files kept as they came: quarantined, refused, or holding something that cannot be proven yet.

use super::error::Result;
use super::logs::{from_sql, to_sql};
use carrylog_format::ids::FileDigest;
use carrylog_format::instant::Instant;
use carrylog_format::tree::Hash;
use rusqlite::{Connection, OptionalExtension, params};
use std::io::{self, Read};

/// Why a file is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kept {
    /// Sound, but its key is not enrolled for it: tried again when trust changes.
    Quarantined,
    /// Merged, but it carries statements of an authority that is not trusted: tried again likewise.
    Unproven,
    /// Broken: evidence.
    Refused,
}

impl Kept {
    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Quarantined => "quarantined",
            Self::Unproven => "unproven",
            Self::Refused => "refused",
        }
    }
}

/// A kept file's entry in the list.
#[derive(Debug, Clone)]
pub(crate) struct KeptFile {
    /// SHA-256 of the file.
    pub file: FileDigest,
    /// Its length in bytes.
    pub bytes: u64,
}

const PART_BYTES: usize = 1024 * 1024;

/// Keeps a file; a file that is kept already only gets the new reason.
pub(crate) fn keep_file(
    c: &Connection,
    file: FileDigest,
    why: Kept,
    bytes: u64,
    now: Instant,
    content: &mut dyn Read,
) -> Result<()> {
    let id = file.hash().as_bytes();
    let sql = "UPDATE kept SET why = ?2 WHERE file = ?1";
    if c.execute(sql, params![id, why.name()])? > 0 {
        return Ok(());
    }
    let sql = "INSERT INTO kept (file, why, bytes, kept_ms) VALUES (?1, ?2, ?3, ?4)";
    c.execute(sql, params![id, why.name(), to_sql(bytes)?, now.millis()])?;
    let sql = "INSERT INTO kept_parts (file, part, bytes) VALUES (?1, ?2, ?3)";
    let mut insert = c.prepare_cached(sql)?;
    let mut buffer = Vec::with_capacity(PART_BYTES);
    for part in 0i64.. {
        buffer.clear();
        content.take(PART_BYTES as u64).read_to_end(&mut buffer)?;
        if buffer.is_empty() {
            break;
        }
        insert.execute(params![id, part, buffer])?;
    }
    Ok(())
}

/// Forgets a kept file, because it was merged.
pub(crate) fn drop_kept(c: &Connection, file: FileDigest) -> Result<()> {
    c.execute("DELETE FROM kept WHERE file = ?1", [file.hash().as_bytes()])?;
    Ok(())
}

/// Number and bytes of the files kept for a reason.
pub(crate) fn kept_totals(c: &Connection, why: Kept) -> Result<(u64, u64)> {
    let sql = "SELECT count(*), coalesce(sum(bytes), 0) FROM kept WHERE why = ?1";
    let (count, bytes) = c.query_row(sql, [why.name()], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok((from_sql(count)?, from_sql(bytes)?))
}

/// Files kept for a reason, the oldest first.
pub(crate) fn kept_files(c: &Connection, why: Kept) -> Result<Vec<KeptFile>> {
    let sql = "SELECT file, bytes FROM kept WHERE why = ?1 ORDER BY rowid";
    let mut statement = c.prepare(sql)?;
    let rows = statement.query_map([why.name()], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let mut found = Vec::new();
    for row in rows {
        let (file, bytes) = row?;
        let file = FileDigest::from_hash(Hash::from_bytes(file));
        found.push(KeptFile {
            file,
            bytes: from_sql(bytes)?,
        });
    }
    Ok(found)
}

/// Reads a kept file part by part.
pub(crate) struct KeptReader<'c> {
    connection: &'c Connection,
    file: FileDigest,
    part: i64,
    buffer: io::Cursor<Vec<u8>>,
}

impl<'c> KeptReader<'c> {
    pub(crate) fn new(connection: &'c Connection, file: FileDigest) -> Self {
        Self {
            connection,
            file,
            part: 0,
            buffer: io::Cursor::new(Vec::new()),
        }
    }
}

impl Read for KeptReader<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        if self.buffer.position() == self.buffer.get_ref().len() as u64 {
            let sql = "SELECT bytes FROM kept_parts WHERE file = ?1 AND part = ?2";
            let next: Option<Vec<u8>> = self
                .connection
                .prepare_cached(sql)
                .and_then(|mut statement| {
                    statement
                        .query_row(params![self.file.hash().as_bytes(), self.part], |row| {
                            row.get(0)
                        })
                        .optional()
                })
                .map_err(io::Error::other)?;
            let Some(bytes) = next else { return Ok(0) };
            self.part += 1;
            self.buffer = io::Cursor::new(bytes);
        }
        self.buffer.read(into)
    }
}
