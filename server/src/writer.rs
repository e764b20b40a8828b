//! The one writer: everything that changes the store goes through it, one transaction at a time.

use crate::fleet_log::FleetLog;
use crate::import::ImportError;
use crate::store::{self, Database, Stamp, StoreError};
use carrylog_format::cose::{PublicKey, SecretKey};
use carrylog_format::ids::StatementDigest;
use carrylog_format::instant::Instant;
use carrylog_format::statement::Statement;
use carrylog_format::tree::Hash;
use carrylog_format::trust::TrustStore;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::sync::Arc;

/// What files kept aside may take.
#[derive(Debug, Clone, Copy)]
pub struct KeepLimits {
    /// Largest refused file that is kept, bytes.
    pub refused_file_bytes: u64,
    /// Refused files kept; the oldest goes first.
    pub refused_files: u64,
    /// All quarantined files together, bytes; more are turned away, never dropped.
    pub quarantined_bytes: u64,
}

impl Default for KeepLimits {
    fn default() -> Self {
        Self {
            refused_file_bytes: 16 << 20,
            refused_files: 64,
            quarantined_bytes: 8 << 30,
        }
    }
}

/// What readers see: the state after the last committed transaction.
#[derive(Debug, Clone)]
pub(crate) struct Published {
    /// Trust.
    pub trust: Arc<TrustView>,
    /// Size of the fleet log.
    pub fleet_size: u64,
    /// Its root.
    pub fleet_root: Hash,
}

/// The one writer.
#[derive(Debug)]
pub(crate) struct Writer {
    pub(crate) database: Database,
    pub(crate) trust: Arc<TrustView>,
    pub(crate) fleet: FleetLog,
    pub(crate) limits: KeepLimits,
    /// A transaction was begun that may have appended to the fleet log in memory only.
    pub(crate) unsettled: bool,
    /// What the store said of commits by other connections when it was last looked at.
    seen_version: i64,
}

/// Whether opening a store may bring its projections up to date.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Opening {
    /// This process holds the folder.
    Writer,
    /// Another process may be writing there.
    Beside,
}

impl Writer {
    /// Opens the store, adding `authorities` to those chosen before.
    pub(crate) fn open(
        mut database: Database,
        key: SecretKey,
        authorities: &[PublicKey],
        limits: KeepLimits,
        opening: Opening,
        now: Instant,
    ) -> Result<Self, ImportError> {
        let seen_version = database.foreign_commits()?;
        let tx = database.begin()?;
        for authority in authorities {
            store::add_authority(&tx, authority, now)?;
        }
        tx.commit()?;
        let trust = load_trust(database.connection())?;
        let mut fleet = FleetLog::load(database.connection(), key)?;
        if opening == Opening::Writer {
            let tx = database.begin()?;
            fleet.open(&tx, None, now)?;
            tx.commit()?;
        }
        let trust = Arc::new(TrustView::of(trust));
        let mut writer = Self {
            database,
            trust,
            fleet,
            limits,
            unsettled: false,
            seen_version,
        };
        if opening == Opening::Writer && !writer.projections_follow_trust()? {
            writer.rebuild()?;
            writer.retry_kept(now)?;
        }
        Ok(writer)
    }

    /// Takes over what another connection committed, before anything else is decided: a statement
    /// that reached the store past this process counts from the next answer on.
    pub(crate) fn notice_foreign_commits(&mut self, now: Instant) -> Result<(), ImportError> {
        let version = self.database.foreign_commits()?;
        if version == self.seen_version {
            return Ok(());
        }
        self.seen_version = version;
        let trust = load_trust(self.database.connection())?;
        if trust_digest(&trust) != trust_digest(&self.trust.store) {
            tracing::warn!("statements were written past this server; everything is derived anew");
            self.trust = Arc::new(TrustView::of(trust));
            self.unsettled = true;
            self.rebuild()?;
            self.retry_kept(now)?;
        }
        Ok(())
    }

    /// Writes all of the log that precedes the database into it, so that the file is whole by itself.
    pub(crate) fn checkpoint(&self) -> Result<(), StoreError> {
        self.database.checkpoint()
    }

    fn projections_follow_trust(&self) -> Result<bool, StoreError> {
        let stamped = store::stamp(self.database.connection(), Stamp::ProjectedTrust)?;
        Ok(stamped.as_deref() == Some(trust_digest(&self.trust.store).as_bytes().as_slice()))
    }

    pub(crate) fn published(&self) -> Result<Published, StoreError> {
        Ok(Published {
            trust: Arc::clone(&self.trust),
            fleet_size: self.fleet.tree().size(),
            fleet_root: self
                .fleet
                .tree()
                .root_at(self.fleet.tree().size())
                .map_err(StoreError::damaged)?,
        })
    }

    /// Brings the fleet log in memory back to what is stored, if a transaction was given up.
    pub(crate) fn settle(&mut self) -> Result<(), StoreError> {
        if self.unsettled {
            self.fleet.reload(self.database.connection())?;
            self.unsettled = false;
        }
        Ok(())
    }
}

/// Trust as the store holds it.
pub(crate) fn load_trust(c: &Connection) -> Result<TrustStore, StoreError> {
    let mut trust = TrustStore::new(store::authorities(c)?);
    for sign1 in store::statements(c)? {
        trust.add(&sign1).map_err(StoreError::damaged)?;
    }
    Ok(trust)
}

/// Names a state of trust: the authorities that were chosen and the statements that verify.
pub(crate) fn trust_digest(trust: &TrustStore) -> Hash {
    let mut names: Vec<[u8; 32]> = trust
        .statements()
        .map(|s| *s.digest().hash().as_bytes())
        .collect();
    names.sort_unstable();
    let anchors = trust.anchors().map(|(_, key)| key.to_bytes());
    let bytes: Vec<u8> = anchors.chain(names).flatten().collect();
    Hash::of(&bytes)
}

/// The digest of the whole fleet history, from the stored states.
pub(crate) fn fleet_digest(c: &Connection, trust: &TrustStore) -> Result<Hash, StoreError> {
    let logs = store::logs(c)?.into_iter().map(|l| (l.log, l.state.digest));
    let statements: Vec<StatementDigest> = trust.statements().map(Statement::digest).collect();
    Ok(carrylog_history::log::fleet_digest(logs, statements))
}
