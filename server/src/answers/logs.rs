//! Logs: who keeps them, how far they are known, what is wrong with them.

use super::anomalies::{AnomalyAnswer, of_scope};
use crate::log_state::report_of;
use crate::server::Server;
use crate::store::{self, LogRow, Scope, SealRow, StoreError};
use carrylog_format::ids::{LogId, SealDigest};
use carrylog_format::tree::Hash;
use carrylog_history::log::LogReport;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use serde::Serialize;

/// All logs.
#[derive(Debug, Clone, Serialize)]
pub struct LogsAnswer {
    /// The logs, by station's name.
    pub logs: Vec<LogAnswer>,
}

/// One log.
#[derive(Debug, Clone, Serialize)]
pub struct LogAnswer {
    /// Its name.
    pub log: LogId,
    /// Its key, 64 hexadecimal digits.
    pub key: String,
    /// The key in a form that people compare by telephone.
    pub fingerprint: String,
    /// The name that the key is enrolled under.
    pub station: String,
    /// A trusted authority has the key enrolled.
    pub enrolled: bool,
    /// First entry that does not count because the key was revoked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revoked_from: Option<u64>,
    /// Entries that count, from the first.
    pub accepted_entries: u64,
    /// Entries that a receipt covers.
    pub receipted_entries: u64,
    /// What a person must know.
    pub report: LogReport,
    /// The seal over the most entries.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub last_seal: Option<SealAnswer>,
    /// What a person must look at.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub anomalies: Vec<AnomalyAnswer>,
}

/// One seal.
#[derive(Debug, Clone, Serialize)]
pub struct SealAnswer {
    /// Its name.
    pub digest: SealDigest,
    /// Its number.
    pub number: u64,
    /// Entries sealed.
    pub entries: u64,
    /// Root of the log at that size.
    pub root: Hash,
    /// When, by the station's clock.
    pub sealed_at: String,
    /// When it first arrived here.
    pub arrived_at: String,
}

impl SealAnswer {
    pub(super) fn of(seal: &SealRow) -> Self {
        Self {
            digest: seal.digest,
            number: seal.seq,
            entries: seal.size,
            root: seal.root,
            sealed_at: seal.at.to_string(),
            arrived_at: seal.arrived.to_string(),
        }
    }
}

impl LogAnswer {
    fn of(c: &Connection, row: &LogRow, trust: &TrustView) -> Result<Self, StoreError> {
        let standing = trust.store.standing(row.log);
        Ok(Self {
            log: row.log,
            key: hex::encode(row.key.to_bytes()),
            fingerprint: row.key.fingerprint(),
            station: trust.name_of(row.log),
            enrolled: standing.is_some(),
            revoked_from: standing.and_then(|s| s.revoked_from),
            accepted_entries: row.state.size,
            receipted_entries: store::receipted_size(c, row.row)?,
            report: report_of(&row.state)?,
            last_seal: store::last_seal(c, row.row)?.as_ref().map(SealAnswer::of),
            anomalies: of_scope(c, &Scope::Log(row.log), trust)?,
        })
    }
}

impl Server {
    /// All logs.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn logs(&self) -> Result<LogsAnswer, StoreError> {
        let trust = self.published().trust;
        self.ask(|c| {
            let rows = store::logs(c)?;
            let mut logs = rows
                .iter()
                .map(|row| LogAnswer::of(c, row, &trust))
                .collect::<Result<Vec<_>, _>>()?;
            logs.sort_by(|a, b| (&a.station, a.log).cmp(&(&b.station, b.log)));
            Ok(LogsAnswer { logs })
        })
    }

    /// One log.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn log(&self, log: LogId) -> Result<Option<LogAnswer>, StoreError> {
        let trust = self.published().trust;
        self.ask(|c| {
            let row = store::find_log(c, log)?;
            row.map(|row| LogAnswer::of(c, &row, &trust)).transpose()
        })
    }
}
