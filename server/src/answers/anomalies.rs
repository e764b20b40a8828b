//! Anomalies as they are shown.

use crate::server::Server;
use crate::store::{self, Scope, StoreError, StoredQuery};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_history::queries::Query;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use serde::Serialize;

/// One anomaly.
#[derive(Debug, Clone, Serialize)]
pub struct AnomalyAnswer {
    /// Its name: what a statement names that settles it.
    pub id: String,
    /// Its kind, as in its facts.
    pub kind: String,
    /// The kind in words.
    pub words: &'static str,
    /// The log that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub log: Option<LogId>,
    /// The name of the log's owner.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub station: Option<String>,
    /// The unit that it is about.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// Entries that it is about.
    pub entries: Vec<EntryId>,
    /// What was found.
    pub found: String,
    /// The reason with which it was settled.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub settled: Option<String>,
}

/// A list of anomalies.
#[derive(Debug, Clone, Serialize)]
pub struct AnomaliesAnswer {
    /// The anomalies.
    pub anomalies: Vec<AnomalyAnswer>,
    /// Number of those that nobody settled, in all.
    pub open: u64,
    /// There are more than the list holds.
    pub more: bool,
}

/// Longest list of anomalies.
const MOST: u32 = 1000;

impl AnomalyAnswer {
    fn of(stored: &StoredQuery, trust: &TrustView) -> Result<Self, StoreError> {
        let query: Query = serde_json::from_str(&stored.body).map_err(StoreError::damaged)?;
        Ok(Self {
            id: hex::encode(stored.id),
            kind: query.kind(),
            words: query.title(),
            station: query.log().map(|log| trust.name_of(log)),
            log: query.log(),
            unit: query.unit().map(ToString::to_string),
            entries: query.entries(),
            found: query.words(),
            settled: stored.resolved.clone(),
        })
    }
}

pub(super) fn of_scope(
    c: &Connection,
    scope: &Scope,
    trust: &TrustView,
) -> Result<Vec<AnomalyAnswer>, StoreError> {
    store::queries_of(c, scope)?
        .iter()
        .map(|a| AnomalyAnswer::of(a, trust))
        .collect()
}

impl Server {
    /// Anomalies of the whole fleet; with `settled`, also those that were settled.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn anomalies(&self, settled: bool) -> Result<AnomaliesAnswer, StoreError> {
        let trust = self.published().trust;
        self.ask(|c| {
            let mut stored = store::list_queries(c, settled, MOST + 1)?;
            let more = stored.len() > MOST as usize;
            stored.truncate(MOST as usize);
            Ok(AnomaliesAnswer {
                anomalies: stored
                    .iter()
                    .map(|a| AnomalyAnswer::of(a, &trust))
                    .collect::<Result<_, _>>()?,
                open: store::open_queries(c)?,
                more,
            })
        })
    }
}
