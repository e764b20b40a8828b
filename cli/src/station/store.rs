//! The station's database: the only module that knows SQL.
//!
//! Entry bytes, seals, traces, statements and receipts are kept as they were made or received; the
//! table of slots can be rebuilt from them. Every change is one transaction, durable when it returns.

use super::schema;
use carrylog_format::cose::PublicKey;
use carrylog_format::ids::{EntryId, LogId, StatementDigest, TraceDigest};
use carrylog_format::record::Entry;
use carrylog_format::seal::Seal;
use rusqlite::{Connection, ErrorCode, OpenFlags, OptionalExtension, Row, Transaction, params};
use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

/// How long a second program waits before it says that the station is in use.
const PATIENCE: Duration = Duration::from_millis(500);

/// What a station is, fixed when it was made.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Identity {
    pub(super) key: PublicKey,
    pub(super) authority: PublicKey,
    pub(super) name: String,
    pub(super) slots: u16,
}

#[derive(Debug)]
pub(super) struct Store {
    db: Connection,
}

/// One change to the store, all of it or nothing.
pub(super) struct Change<'a> {
    tx: Transaction<'a>,
}

impl Store {
    /// Makes the database; the file must not exist.
    pub(super) fn create(path: &Path, identity: &Identity) -> Result<Self, StoreError> {
        if path.exists() {
            return Err(StoreError::Exists);
        }
        let mut db = Connection::open(path)?;
        configure(&db)?;
        take_for_writing(&db)?;
        let tx = db.transaction()?;
        schema::create(&tx)?;
        tx.execute(
            "INSERT INTO station VALUES (1, ?1, ?2, ?3, ?4)",
            params![
                identity.key.to_bytes().as_slice(),
                identity.authority.to_bytes().as_slice(),
                identity.name,
                identity.slots
            ],
        )?;
        tx.commit()?;
        Ok(Self { db })
    }

    /// Opens the database for reading, beside others.
    ///
    /// The file is opened for writing where that is allowed, so that what a crash left half done is
    /// rolled back; on a write-protected disk SQLite falls back to reading.
    pub(super) fn open_to_read(path: &Path) -> Result<Self, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut db = Connection::open_with_flags(path, flags)?;
        db.busy_timeout(PATIENCE)?;
        schema::bring_up_to_date(&mut db)?;
        Ok(Self { db })
    }

    /// Opens the database for one writer; a second one is told that it is in use.
    pub(super) fn open_to_write(path: &Path) -> Result<Self, StoreError> {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut db = Connection::open_with_flags(path, flags)?;
        db.busy_timeout(PATIENCE)?;
        configure(&db)?;
        schema::bring_up_to_date(&mut db)?;
        take_for_writing(&db)?;
        Ok(Self { db })
    }

    pub(super) fn identity(&self) -> Result<Identity, StoreError> {
        let sql = "SELECT public_key, authority_key, name, slots FROM station";
        let (key, authority, name, slots) = self.db.query_row(sql, [], |row| {
            Ok((
                row.get::<_, [u8; 32]>(0)?,
                row.get::<_, [u8; 32]>(1)?,
                row.get(2)?,
                row.get(3)?,
            ))
        })?;
        let parse =
            |raw| PublicKey::from_bytes(raw).map_err(|e| StoreError::Damaged(e.to_string()));
        Ok(Identity {
            key: parse(key)?,
            authority: parse(authority)?,
            name,
            slots,
        })
    }

    /// Hands out the bytes of entries `from..to` in order.
    pub(super) fn entries<E: From<StoreError>>(
        &self,
        from: u64,
        to: u64,
        mut each: impl FnMut(u64, &[u8]) -> Result<(), E>,
    ) -> Result<(), E> {
        let sql = "SELECT idx, bytes FROM entries WHERE idx >= ?1 AND idx < ?2 ORDER BY idx";
        let mut statement = self.db.prepare(sql).map_err(StoreError::from)?;
        let mut rows = statement
            .query(params![signed(from), signed(to)])
            .map_err(StoreError::from)?;
        while let Some(row) = rows.next().map_err(StoreError::from)? {
            let index = index_at(row, 0).map_err(StoreError::from)?;
            let bytes = row.get_ref(1).map_err(StoreError::from)?;
            let bytes = bytes
                .as_blob()
                .map_err(|e| StoreError::Damaged(e.to_string()))?;
            each(index, bytes)?;
        }
        Ok(())
    }

    pub(super) fn entry(&self, index: u64) -> Result<Option<Vec<u8>>, StoreError> {
        let sql = "SELECT bytes FROM entries WHERE idx = ?1";
        Ok(self
            .db
            .query_row(sql, [signed(index)], |row| row.get(0))
            .optional()?)
    }

    pub(super) fn index_of(&self, id: EntryId) -> Result<Option<u64>, StoreError> {
        let sql = "SELECT idx FROM entries WHERE id = ?1";
        let id = id.hash().as_bytes().as_slice();
        Ok(self
            .db
            .query_row(sql, [id], |row| index_at(row, 0))
            .optional()?)
    }

    /// Signed seals in order.
    pub(super) fn seals(&self) -> Result<Vec<Vec<u8>>, StoreError> {
        self.column("SELECT sign1 FROM seals ORDER BY seq")
    }

    pub(super) fn trace(&self, digest: TraceDigest) -> Result<Option<Vec<u8>>, StoreError> {
        let sql = "SELECT compressed FROM traces WHERE digest = ?1";
        let digest = digest.hash().as_bytes().as_slice();
        Ok(self
            .db
            .query_row(sql, [digest], |row| row.get(0))
            .optional()?)
    }

    /// Signed statements in the order in which they came.
    pub(super) fn statements(&self) -> Result<Vec<Vec<u8>>, StoreError> {
        self.column("SELECT sign1 FROM statements ORDER BY rowid")
    }

    /// Receipt slips, smallest size first.
    pub(super) fn receipts(&self) -> Result<Vec<Vec<u8>>, StoreError> {
        self.column("SELECT slip FROM receipts ORDER BY size")
    }

    /// The newest head taken of each fleet log, the one taken last at the end.
    pub(super) fn heads(&self) -> Result<Vec<Vec<u8>>, StoreError> {
        self.column("SELECT head FROM heads ORDER BY rowid")
    }

    /// Sizes under a receipt.
    pub(super) fn receipted_sizes(&self) -> Result<BTreeSet<u64>, StoreError> {
        let mut statement = self.db.prepare("SELECT size FROM receipts")?;
        let rows = statement.query_map([], |row| index_at(row, 0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Slots that are taken, with the entry that each holds.
    pub(super) fn slots(&self) -> Result<Vec<(u16, u64)>, StoreError> {
        let mut statement = self
            .db
            .prepare("SELECT slot, idx FROM slots ORDER BY slot")?;
        let rows = statement.query_map([], |row| Ok((row.get(0)?, index_at(row, 1)?)))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }

    /// Begins a change; nothing of it stands until [`Change::commit`].
    pub(super) fn change(&mut self) -> Result<Change<'_>, StoreError> {
        Ok(Change {
            tx: self.db.transaction()?,
        })
    }

    fn column(&self, sql: &str) -> Result<Vec<Vec<u8>>, StoreError> {
        let mut statement = self.db.prepare(sql)?;
        let rows = statement.query_map([], |row| row.get(0))?;
        Ok(rows.collect::<Result<_, _>>()?)
    }
}

impl Change<'_> {
    pub(super) fn entry(&self, index: u64, entry: &Entry) -> Result<(), StoreError> {
        let sql = "INSERT INTO entries (idx, id, bytes) VALUES (?1, ?2, ?3)";
        let id = entry.id();
        let id = id.hash().as_bytes().as_slice();
        self.tx
            .execute(sql, params![signed(index), id, entry.bytes()])?;
        Ok(())
    }

    pub(super) fn seal(&self, seal: &Seal) -> Result<(), StoreError> {
        let sql = "INSERT INTO seals (seq, sign1) VALUES (?1, ?2)";
        self.tx
            .execute(sql, params![signed(seal.content().seq), seal.sign1()])?;
        Ok(())
    }

    pub(super) fn trace(&self, digest: TraceDigest, compressed: &[u8]) -> Result<(), StoreError> {
        let sql = "INSERT OR IGNORE INTO traces (digest, compressed) VALUES (?1, ?2)";
        self.tx.execute(
            sql,
            params![digest.hash().as_bytes().as_slice(), compressed],
        )?;
        Ok(())
    }

    /// Whether the statement is new.
    pub(super) fn statement(
        &self,
        digest: StatementDigest,
        sign1: &[u8],
    ) -> Result<bool, StoreError> {
        let sql = "INSERT OR IGNORE INTO statements (digest, sign1) VALUES (?1, ?2)";
        Ok(self
            .tx
            .execute(sql, params![digest.hash().as_bytes().as_slice(), sign1])?
            > 0)
    }

    /// Keeps the newest receipt for a sealed size.
    pub(super) fn receipt(&self, size: u64, slip: &[u8]) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO receipts (size, slip) VALUES (?1, ?2)";
        self.tx.execute(sql, params![signed(size), slip])?;
        Ok(())
    }

    /// Keeps a head in the place of the one kept of its fleet log.
    pub(super) fn head(&self, log: LogId, head: &[u8]) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO heads (log, head) VALUES (?1, ?2)";
        self.tx
            .execute(sql, params![log.hash().as_bytes().as_slice(), head])?;
        Ok(())
    }

    pub(super) fn take_slot(&self, slot: u16, index: u64) -> Result<(), StoreError> {
        let sql = "INSERT INTO slots (slot, idx) VALUES (?1, ?2)";
        self.tx.execute(sql, params![slot, signed(index)])?;
        Ok(())
    }

    pub(super) fn free_slot(&self, slot: u16) -> Result<(), StoreError> {
        self.tx
            .execute("DELETE FROM slots WHERE slot = ?1", [slot])?;
        Ok(())
    }

    pub(super) fn commit(self) -> Result<(), StoreError> {
        Ok(self.tx.commit()?)
    }
}

/// SQLite's integers are signed; a log stays far below the limit (format: trees up to 2^63 − 1).
fn signed(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

/// An index out of a row; a negative one is no index.
fn index_at(row: &Row<'_>, column: usize) -> rusqlite::Result<u64> {
    let raw: i64 = row.get(column)?;
    u64::try_from(raw).map_err(|_| rusqlite::Error::IntegralValueOutOfRange(column, raw))
}

fn configure(db: &Connection) -> Result<(), StoreError> {
    db.busy_timeout(PATIENCE)?;
    // EXTRA is FULL and a sync of the folder after the journal is removed: without it a power cut
    // right after a commit could bring the journal, and so the state before, back.
    db.pragma_update(None, "synchronous", "EXTRA")?;
    db.pragma_update(None, "trusted_schema", false)?;
    Ok(())
}

/// Holds the write lock until the connection closes.
fn take_for_writing(db: &Connection) -> Result<(), StoreError> {
    db.pragma_update(None, "locking_mode", "EXCLUSIVE")?;
    Ok(db.execute_batch("BEGIN EXCLUSIVE; COMMIT")?)
}

/// Why the database did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// There is a database already.
    #[error("there is a station in this folder already")]
    Exists,
    /// Another program holds it.
    #[error("another program is using the station")]
    InUse,
    /// A file, but not a station's database.
    #[error("station.db is not the database of a carrylog station")]
    NotAStation,
    /// Made by a newer program.
    #[error("station.db has version {found}; this program knows up to version {known}")]
    Version {
        /// Version found.
        found: i32,
        /// Newest version known.
        known: usize,
    },
    /// No room on the disk.
    #[error("the disk that holds the station is full")]
    Full,
    /// The disk is read-only.
    #[error("the disk that holds the station is read-only")]
    ReadOnly,
    /// Not there, or no right to open it.
    #[error("station.db cannot be opened")]
    CannotOpen,
    /// Not as it was written.
    #[error("station.db is damaged: {0}")]
    Damaged(String),
    /// Anything else.
    #[error("the station's database reports: {0}")]
    Other(String),
}

impl From<rusqlite::Error> for StoreError {
    fn from(e: rusqlite::Error) -> Self {
        let text = e.to_string();
        match e.sqlite_error_code() {
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::InUse,
            Some(ErrorCode::NotADatabase) => Self::NotAStation,
            Some(ErrorCode::DiskFull) => Self::Full,
            Some(ErrorCode::ReadOnly) => Self::ReadOnly,
            Some(ErrorCode::CannotOpen) => Self::CannotOpen,
            Some(ErrorCode::DatabaseCorrupt) => Self::Damaged(text),
            _ => Self::Other(text),
        }
    }
}
