//! Opening the database: one connection that writes, a few that read.

use super::error::Result;
use super::schema;
use rusqlite::config::DbConfig;
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

/// The connection that writes.
#[derive(Debug)]
pub(crate) struct Database {
    connection: Connection,
    path: PathBuf,
}

/// Page cache of the writing connection; measured: no gain beyond.
const WRITER_CACHE_KIB: i64 = 64 * 1024;
const READER_CACHE_KIB: i64 = 16 * 1024;
const STATEMENT_CACHE: usize = 64;
const BUSY: Duration = Duration::from_secs(10);

impl Database {
    /// Opens or makes the database at `path`.
    ///
    /// # Errors
    /// [`super::StoreError`] if the file cannot be used or was made by a newer program.
    pub(crate) fn open(path: &Path) -> Result<Self> {
        let mut connection = Connection::open(path)?;
        settings(&connection, WRITER_CACHE_KIB)?;
        connection.pragma_update(None, "journal_mode", "WAL")?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "foreign_keys", "ON")?;
        schema::prepare(&mut connection)?;
        Ok(Self {
            connection,
            path: path.to_owned(),
        })
    }

    /// Starts a transaction that writes; dropped without a commit, it leaves no trace.
    ///
    /// # Errors
    /// [`super::StoreError`] if another process writes at this moment.
    pub(crate) fn begin(&mut self) -> Result<Transaction<'_>> {
        Ok(self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)?)
    }

    /// Reading on the writing connection.
    pub(crate) fn connection(&self) -> &Connection {
        &self.connection
    }

    /// A number that changes when another connection commits, and only then.
    ///
    /// # Errors
    /// [`super::StoreError`] if the database cannot be read.
    pub(crate) fn foreign_commits(&self) -> Result<i64> {
        let sql = "data_version";
        Ok(self
            .connection
            .pragma_query_value(None, sql, |row| row.get(0))?)
    }

    /// Moves everything from the write-ahead log into the database file.
    ///
    /// # Errors
    /// [`super::StoreError`] if the disk does not take it.
    pub(crate) fn checkpoint(&self) -> Result<()> {
        self.connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))?;
        Ok(())
    }

    /// Opens `count` connections that only read.
    ///
    /// # Errors
    /// [`super::StoreError`] if the file cannot be opened again.
    pub(crate) fn readers(&self, count: usize) -> Result<Readers> {
        let open = || -> Result<Connection> {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX;
            let connection = Connection::open_with_flags(&self.path, flags)?;
            settings(&connection, READER_CACHE_KIB)?;
            Ok(connection)
        };
        let free = (0..count.max(1))
            .map(|_| open())
            .collect::<Result<Vec<_>>>()?;
        Ok(Readers {
            free: Mutex::new(free),
            returned: Condvar::new(),
        })
    }
}

fn settings(connection: &Connection, cache_kib: i64) -> Result<()> {
    connection.busy_timeout(BUSY)?;
    connection.pragma_update(None, "cache_size", -cache_kib)?;
    connection.set_prepared_statement_cache_capacity(STATEMENT_CACHE);
    // Plans must not depend on bound values: else SQLite plans a statement anew for each of them,
    // which took most of the time of a merge.
    connection.set_db_config(DbConfig::SQLITE_DBCONFIG_ENABLE_QPSG, true)?;
    Ok(())
}

/// Connections that only read; each answer sees one state of the database.
#[derive(Debug)]
pub(crate) struct Readers {
    free: Mutex<Vec<Connection>>,
    returned: Condvar,
}

impl Readers {
    /// Runs `question` on a free connection, waiting for one if needed, within one transaction.
    ///
    /// # Errors
    /// What `question` returns, and [`super::StoreError`] for the transaction.
    pub(crate) fn ask<T, E: From<super::StoreError>>(
        &self,
        question: impl FnOnce(&Connection) -> std::result::Result<T, E>,
    ) -> std::result::Result<T, E> {
        let mut free = self.free.lock().unwrap_or_else(PoisonError::into_inner);
        let connection = loop {
            match free.pop() {
                Some(connection) => break connection,
                None => {
                    free = self
                        .returned
                        .wait(free)
                        .unwrap_or_else(PoisonError::into_inner)
                }
            }
        };
        drop(free);
        let lent = Lent {
            readers: self,
            connection: Some(connection),
        };
        let Some(connection) = &lent.connection else {
            return Err(super::StoreError::damaged("no connection").into());
        };
        let tx = connection
            .unchecked_transaction()
            .map_err(super::StoreError::from)?;
        question(&tx)
    }
}

/// Gives the connection back, whatever happens.
struct Lent<'a> {
    readers: &'a Readers,
    connection: Option<Connection>,
}

impl Drop for Lent<'_> {
    fn drop(&mut self) {
        if let Some(connection) = self.connection.take() {
            self.readers
                .free
                .lock()
                .unwrap_or_else(PoisonError::into_inner)
                .push(connection);
            self.readers.returned.notify_one();
        }
    }
}
