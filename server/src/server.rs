//! The server: one writer, some readers, and what both have published last.

use crate::fleet_log::FleetLog;
use crate::fleet_proofs::{chains, receipts};
use crate::folder_lock::{FolderLock, LockError};
use crate::import::{Arrival, ImportError};
use crate::key_files;
use crate::outcome::Outcome;
use crate::rebuild::Rebuilt;
use crate::store::{self, Database, Readers, StoreError};
use crate::writer::{KeepLimits, Opening, Published, Writer, fleet_digest};
use carrylog_format::bundle::write_return;
use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::ids::{FileDigest, LogId};
use carrylog_format::instant::Instant;
use carrylog_format::text::Name;
use carrylog_format::tree::Hash;
use carrylog_keys::{KeyFileError, NamedKey, Passphrase, PassphraseSource};
use rusqlite::Connection;
use sha2::{Digest, Sha256};
use std::io::{Read, Seek};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError, RwLock};
use std::time::{SystemTime, UNIX_EPOCH};

/// Where a server gets the time from.
pub type Clock = Arc<dyn Fn() -> Instant + Send + Sync>;

/// How a server is run.
#[derive(Clone)]
pub struct Config {
    /// The data folder, made by [`init`].
    pub data_dir: PathBuf,
    /// Where the passphrase of its key comes from, if the key has one.
    pub passphrase: PassphraseSource,
    /// Authorities to trust, beside those that were trusted before.
    pub authorities: Vec<PublicKey>,
    /// Largest delivered file, bytes.
    pub max_file_bytes: u64,
    /// What files kept aside may take.
    pub keep: KeepLimits,
    /// Connections that read.
    pub readers: usize,
    /// The time.
    pub clock: Clock,
}

impl Config {
    /// A server with the usual limits and the system's clock.
    pub fn new(data_dir: impl Into<PathBuf>) -> Self {
        Self {
            data_dir: data_dir.into(),
            passphrase: PassphraseSource::default(),
            authorities: Vec::new(),
            max_file_bytes: 1 << 30,
            keep: KeepLimits::default(),
            readers: 4,
            clock: Arc::new(system_time),
        }
    }

    /// Takes the passphrase of its key from there.
    #[must_use]
    pub fn opened_with(mut self, passphrase: PassphraseSource) -> Self {
        self.passphrase = passphrase;
        self
    }

    /// Trusts these authorities too.
    #[must_use]
    pub fn trusting(mut self, authorities: impl IntoIterator<Item = PublicKey>) -> Self {
        self.authorities.extend(authorities);
        self
    }
}

impl std::fmt::Debug for Config {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Config")
            .field("data_dir", &self.data_dir)
            .finish_non_exhaustive()
    }
}

/// Why a server does not open.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// The key.
    #[error("{0}; {next}", next = key_next(.0))]
    Key(#[from] KeyFileError),
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file that was kept.
    #[error(transparent)]
    Import(#[from] ImportError),
    /// Another process writes in the folder.
    #[error(transparent)]
    Lock(#[from] LockError),
}

/// Without its key the folder is most likely no server's.
fn key_next(e: &KeyFileError) -> &'static str {
    match e {
        KeyFileError::Io {
            kind: std::io::ErrorKind::NotFound,
            ..
        } => "make a server with `init` first",
        other => other.next(),
    }
}

/// A fleet server. Its functions block; call them off an async thread.
pub struct Server {
    writer: Mutex<Writer>,
    /// Held as long as this process may write; absent beside a running server.
    lock: Option<FolderLock>,
    readers: Readers,
    published: RwLock<Published>,
    public: NamedKey,
    config: Config,
}

/// Makes the data folder and key of a new server, closed with `passphrase` if there is one; the public
/// half, which an authority enrols.
///
/// # Errors
/// [`KeyFileError::Exists`] if the folder belongs to a server already.
pub fn init(
    dir: &Path,
    name: &Name,
    passphrase: Option<&Passphrase>,
) -> Result<NamedKey, OpenError> {
    let public = key_files::create(dir, name, passphrase)?;
    Database::open(&dir.join(DATABASE))?;
    Ok(public)
}

const DATABASE: &str = "fleet.db";

impl Server {
    /// Opens the server in a data folder, as the only process that writes there.
    ///
    /// # Errors
    /// [`OpenError`] if there is no server, another process writes in the folder, or its store
    /// cannot be used.
    pub fn open(config: Config) -> Result<Self, OpenError> {
        let key = key_files::load(&config.data_dir, &config.passphrase)?;
        let lock = FolderLock::take(&config.data_dir)?;
        Self::with(config, key, Some(lock))
    }

    /// Opens the store beside a server that may be running: to look, and to change tokens. It takes
    /// no deliveries and derives nothing.
    ///
    /// # Errors
    /// As [`Self::open`], but for the other process.
    pub fn beside(config: Config) -> Result<Self, OpenError> {
        let key = key_files::load(&config.data_dir, &config.passphrase)?;
        Self::with(config, key, None)
    }

    fn with(
        config: Config,
        (secret, public): (SecretKey, NamedKey),
        lock: Option<FolderLock>,
    ) -> Result<Self, OpenError> {
        let database = Database::open(&config.data_dir.join(DATABASE))?;
        let readers = database.readers(config.readers)?;
        let now = (config.clock)();
        let opening = match lock {
            Some(_) => Opening::Writer,
            None => Opening::Beside,
        };
        let writer = Writer::open(
            database,
            secret,
            &config.authorities,
            config.keep,
            opening,
            now,
        )?;
        let published = RwLock::new(writer.published()?);
        Ok(Self {
            writer: Mutex::new(writer),
            lock,
            readers,
            published,
            public,
            config,
        })
    }

    /// How it is run.
    pub fn config(&self) -> &Config {
        &self.config
    }

    /// Its public key and name, as the authority enrols them.
    pub fn named_key(&self) -> &NamedKey {
        &self.public
    }

    /// Its public key.
    pub fn public_key(&self) -> &PublicKey {
        &self.public.key
    }

    /// The time now.
    pub fn now(&self) -> Instant {
        (self.config.clock)()
    }

    /// Takes a delivered file in. `digest` and `bytes` are those of the file, checked by the caller.
    ///
    /// # Errors
    /// [`ImportError`] if the file could not be stored. A refusal is an [`Outcome`].
    pub fn deliver<F: Read + Seek>(
        &self,
        file: &mut F,
        digest: FileDigest,
        bytes: u64,
    ) -> Result<Outcome, ImportError> {
        let now = self.now();
        let arrival = Arrival {
            file: digest,
            bytes,
            new: true,
        };
        self.write(|writer| writer.import(file, arrival, now))
    }

    /// Takes a file in that is held in memory.
    ///
    /// # Errors
    /// As [`Self::deliver`].
    pub fn deliver_bytes(&self, bytes: &[u8]) -> Result<Outcome, ImportError> {
        let digest = FileDigest::from_hash(Hash::of(bytes));
        self.deliver(&mut std::io::Cursor::new(bytes), digest, bytes.len() as u64)
    }

    /// The file that goes back to a station: all statements, and the receipts for its log.
    /// `None` if the log is not known here.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn return_file(&self, log: LogId) -> Result<Option<Vec<u8>>, StoreError> {
        let now = self.now();
        let trust = self.published().trust;
        let chains = chains(&trust.store);
        let made = self.write(|writer| {
            let c = writer.database.begin()?;
            let Some(row) = store::find_log(&c, log)? else {
                return Ok(None);
            };
            let tree = writer.fleet.signing()?;
            let slips = receipts(tree, &store::seal_leaves(&c, row.row)?, now)?;
            if slips.is_empty() {
                return Ok(Some((None, slips)));
            }
            let held = store::held_heads(&c, row.row)?;
            let head = tree
                .head_frame(now, chains, &held)
                .map_err(StoreError::damaged)?;
            // The station may settle this file: the next one must lead on from its head.
            store::add_held_head(&c, row.row, tree.size())?;
            c.commit()?;
            Ok::<_, StoreError>(Some((Some(head), slips)))
        })?;
        let Some((head, slips)) = made else {
            return Ok(None);
        };
        let statements = trust.store.statements();
        let bytes = write_return(Vec::new(), Some(log), statements, head.as_ref(), &slips)?;
        Ok(Some(bytes))
    }

    /// A file of all statements, without receipts.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn statements_file(&self) -> Result<Vec<u8>, StoreError> {
        let trust = self.published().trust;
        Ok(write_return(
            Vec::new(),
            None,
            trust.store.statements(),
            None,
            &[],
        )?)
    }

    /// The digest of the whole fleet history.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_digest(&self) -> Result<Hash, StoreError> {
        let trust = self.published().trust;
        self.readers.ask(|c| fleet_digest(c, &trust.store))
    }

    /// Makes all projections again from entries, seals and statements.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn rebuild(&self) -> Result<Rebuilt, StoreError> {
        self.write(Writer::rebuild)
    }

    /// Ends orderly: the database file is whole by itself, so that a copy of it holds everything.
    ///
    /// # Errors
    /// [`StoreError`] if the disk does not take it; everything acknowledged stays in the
    /// write-ahead log beside the file.
    pub fn end(&self) -> Result<(), StoreError> {
        let writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        writer.checkpoint()
    }

    /// What was published last. What was written past this process counts here too; while a writer
    /// is at work, it has looked already.
    pub(crate) fn published(&self) -> Published {
        if self.lock.is_some()
            && let Ok(mut writer) = self.writer.try_lock()
            && let Err(error) = self.look_for_foreign_commits(&mut writer)
        {
            tracing::error!(%error, "statements that were written past this server cannot be read");
        }
        self.published
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .clone()
    }

    /// Asks the store.
    pub(crate) fn ask<T>(
        &self,
        question: impl FnOnce(&Connection) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        self.readers.ask(question)
    }

    /// Asks the fleet log.
    pub(crate) fn with_fleet_log<T>(
        &self,
        question: impl FnOnce(&FleetLog) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        writer.settle()?;
        question(&writer.fleet)
    }

    /// Changes the store, and publishes what came of it.
    pub(crate) fn write<T, E: From<StoreError>>(
        &self,
        change: impl FnOnce(&mut Writer) -> Result<T, E>,
    ) -> Result<T, E> {
        let mut writer = self.writer.lock().unwrap_or_else(PoisonError::into_inner);
        self.look_for_foreign_commits(&mut writer)?;
        let done = change(&mut writer);
        writer.settle()?;
        *self
            .published
            .write()
            .unwrap_or_else(PoisonError::into_inner) = writer.published()?;
        done
    }

    fn look_for_foreign_commits(&self, writer: &mut Writer) -> Result<(), StoreError> {
        if self.lock.is_none() {
            return Ok(());
        }
        let before = Arc::clone(&writer.trust);
        let looked = writer.notice_foreign_commits(self.now());
        writer.settle()?;
        if !Arc::ptr_eq(&before, &writer.trust) {
            *self
                .published
                .write()
                .unwrap_or_else(PoisonError::into_inner) = writer.published()?;
        }
        match looked {
            Ok(()) => Ok(()),
            Err(ImportError::Store(error)) => Err(error),
            // No room for files that wait: what is stored is in order, they wait on.
            Err(ImportError::QuarantineFull { bytes }) => {
                tracing::warn!(bytes, "no more room for files that wait for an enrolment");
                Ok(())
            }
        }
    }
}

/// SHA-256 and length of what `file` holds from its beginning.
///
/// # Errors
/// What reading reports.
pub fn digest_of(file: &mut impl Read) -> std::io::Result<(FileDigest, u64)> {
    let mut sha = Sha256::new();
    let mut bytes = 0;
    let mut buffer = vec![0u8; 256 * 1024];
    loop {
        match file.read(&mut buffer)? {
            0 => break,
            n => {
                sha.update(buffer.get(..n).unwrap_or_default());
                bytes += n as u64;
            }
        }
    }
    Ok((
        FileDigest::from_hash(Hash::from_bytes(sha.finalize().into())),
        bytes,
    ))
}

/// The system's clock; the epoch for a clock that is set outside the years 1970 to 9999.
#[expect(
    clippy::expect_used,
    reason = "zero milliseconds lie within the range of an instant"
)]
fn system_time() -> Instant {
    let ms = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .map_or(0, |d| d.as_millis());
    i64::try_from(ms)
        .ok()
        .and_then(|ms| Instant::from_millis(ms).ok())
        .unwrap_or_else(|| Instant::from_millis(0).expect("the epoch"))
}
