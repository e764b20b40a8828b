//! What can go wrong with the database.

/// Why the store could not answer.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// SQLite refused.
    #[error("the database cannot be used: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// The file cannot be read or written.
    #[error("the data folder cannot be used: {0}")]
    Io(#[from] std::io::Error),
    /// A row does not hold what it must; run `audit`.
    #[error("the database holds a damaged row ({0}); run `audit` and restore a backup")]
    Damaged(String),
    /// A station holds a head of this server's fleet log that contradicts the one stored here.
    #[error("{0}")]
    Contradicted(String),
    /// The database was made by a newer program.
    #[error("the database has schema version {found}; this program knows {known}: use a newer one")]
    Newer {
        /// Version found.
        found: i64,
        /// Newest version known.
        known: i64,
    },
}

impl StoreError {
    /// A row that does not hold what it must.
    pub(crate) fn damaged(what: impl std::fmt::Display) -> Self {
        Self::Damaged(what.to_string())
    }
}

/// What the store's functions return.
pub(crate) type Result<T> = std::result::Result<T, StoreError>;
