//! Writes the projections of units and logs that were touched, within the transaction that touched
//! them, and reads a unit's history back together.

use crate::store::{self, LogRow, Scope, SealRow, Stamp, StoreError, StoredAnomaly};
use crate::trust_view::TrustView;
use crate::writer::trust_digest;
use carrylog_format::ids::LogId;
use carrylog_format::record::{Record, StationChange};
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use carrylog_history::KnownEntry;
use carrylog_history::filing::LinkKind;
use carrylog_history::log::LogReport;
use carrylog_history::queries::{
    Anomaly, Calibrations, clock_anomalies, log_anomalies, statement_anomalies, unit_anomalies,
};
use carrylog_history::unit::{Mentions, UnitHistory, UnitSummary};
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap, HashSet};

/// Reads histories and writes projections under one state of trust.
pub(crate) struct Projector<'a> {
    c: &'a Connection,
    trust: &'a TrustView,
    calibrations: Calibrations,
}

/// Which entries of a log are new to the search for doubtful clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum LogChange {
    /// The log went on from this index.
    ContinuedAt(u64),
    /// Anything may have changed.
    Derived,
}

impl<'a> Projector<'a> {
    pub(crate) fn new(c: &'a Connection, trust: &'a TrustView) -> Self {
        Self {
            c,
            trust,
            calibrations: Calibrations::default(),
        }
    }

    /// The history of a unit under its shown key, with all spellings that belong to it.
    pub(crate) fn history(&self, shown: &UnitKey) -> Result<UnitHistory, StoreError> {
        let mut rows = Vec::new();
        for key in self.trust.rulings.spellings(shown) {
            rows.extend(store::find_unit(self.c, &key)?);
        }
        let same_trace = store::sharing_traces(self.c, &rows)?;
        let mut superseded = HashSet::new();
        for (_, other) in &same_trace {
            let leaf = *other.id().hash();
            if store::is_superseded(self.c, leaf)? {
                superseded.insert(leaf);
            }
        }
        let linked = |kind| store::speaking_of_units(self.c, kind, &rows);
        let mentions = Mentions {
            corrections: by_target(linked(LinkKind::Supersedes)?),
            sign_offs: by_target(linked(LinkKind::SignsOff)?),
            same_trace: by_target(same_trace),
            superseded,
        };
        let entries = store::entries_of_units(self.c, &rows)?;
        let (rulings, trust) = (&self.trust.rulings, &self.trust.store);
        Ok(UnitHistory::assemble(entries, &mentions, rulings, trust))
    }

    /// Writes the projections of units, given by the numbers of any of their keys.
    pub(crate) fn update_units(&mut self, touched: &BTreeSet<i64>) -> Result<(), StoreError> {
        let mut shown = BTreeSet::new();
        for unit in touched {
            if let Some(key) = store::unit_key(self.c, *unit)? {
                let canonical = self.trust.rulings.canonical(&key);
                if canonical != key {
                    store::set_unit(self.c, *unit, None)?;
                    store::set_anomalies(self.c, &Scope::Unit(key), &[])?;
                }
                shown.insert(canonical);
            }
        }
        shown.iter().try_for_each(|key| self.update_unit(key))
    }

    fn update_unit(&mut self, key: &UnitKey) -> Result<(), StoreError> {
        let row = store::unit_row(self.c, key)?;
        let history = self.history(key)?;
        for item in &history.items {
            self.note_calibrations(item.known.log)?;
        }
        let found = unit_anomalies(key, &history, &self.trust.sheets, &self.calibrations);
        let found = self.stored(found)?;
        store::set_anomalies(self.c, &Scope::Unit(key.clone()), &found)?;
        let summary = UnitSummary::of(key, &history, &self.trust.sheets).map(|mut s| {
            s.open_anomalies = found.iter().filter(|a| a.resolved.is_none()).count() as u64;
            s
        });
        match summary {
            Some(summary) => {
                let json = serde_json::to_string(&summary).map_err(StoreError::damaged)?;
                let verdict = summary.verdict.and_then(|v| serde_json::to_value(v).ok());
                let columns = store::UnitColumns {
                    part: &summary.part,
                    verdict: verdict.as_ref().and_then(|v| v.as_str()),
                    next_due: summary.next_due_date.as_deref(),
                    anomalies: summary.open_anomalies,
                    summary: &json,
                };
                store::set_unit(self.c, row, Some(&columns))
            }
            None => store::set_unit(self.c, row, None),
        }
    }

    /// Writes the anomalies of a log.
    pub(crate) fn update_log(
        &self,
        log: &LogRow,
        report: &LogReport,
        change: LogChange,
    ) -> Result<(), StoreError> {
        let scope = Scope::Log(log.log);
        let seals: Vec<_> = store::seals(self.c, log.row)?
            .iter()
            .map(SealRow::fact)
            .collect();
        let mut found = log_anomalies(log.log, report, &seals);
        if let LogChange::ContinuedAt(index) = change {
            let rows = store::clocks(self.c, log.row, index.saturating_sub(1))?;
            let joins = rows
                .windows(2)
                .next()
                .is_some_and(|w| w[0].arrived == w[1].arrived);
            if index == 0 || !joins {
                found.extend(clock_anomalies(log.log, &rows));
                return store::add_anomalies(self.c, &scope, &self.stored(found)?);
            }
        }
        found.extend(clock_anomalies(
            log.log,
            &store::clocks(self.c, log.row, 0)?,
        ));
        store::set_anomalies(self.c, &scope, &self.stored(found)?)
    }

    /// Writes the anomalies of the chains of statements.
    pub(crate) fn update_statements(&self) -> Result<(), StoreError> {
        let found = self.stored(statement_anomalies(&self.trust.store))?;
        store::set_anomalies(self.c, &Scope::Statements, &found)?;
        let follows = trust_digest(&self.trust.store);
        store::set_stamp(self.c, Stamp::ProjectedTrust, follows.as_bytes())
    }

    fn stored(&self, found: Vec<Anomaly>) -> Result<Vec<StoredAnomaly>, StoreError> {
        let stored = |anomaly: Anomaly| {
            let id = anomaly.id();
            let resolved = self
                .trust
                .rulings
                .resolution(&id.to_string())
                .map(str::to_owned);
            let body = serde_json::to_string(&anomaly).map_err(StoreError::damaged)?;
            Ok(StoredAnomaly {
                id: id.to_bytes(),
                body,
                resolved,
            })
        };
        found.into_iter().map(stored).collect()
    }

    fn note_calibrations(&mut self, log: LogId) -> Result<(), StoreError> {
        if self.calibrations.knows(log) {
            return Ok(());
        }
        let events = match store::find_log(self.c, log)? {
            Some(row) => store::station_events(self.c, row.row)?,
            None => Vec::new(),
        };
        let calibrations = events
            .iter()
            .filter_map(|e| match e.entry.record() {
                Record::StationEvent(event) => match &event.event {
                    StationChange::Calibrated { due, .. } => Some((e.index, *due)),
                    _ => None,
                },
                _ => None,
            })
            .collect();
        self.calibrations.note(log, calibrations);
        Ok(())
    }
}

fn by_target(linked: Vec<(Hash, KnownEntry)>) -> HashMap<Hash, Vec<KnownEntry>> {
    let mut map: HashMap<Hash, Vec<KnownEntry>> = HashMap::new();
    for (target, entry) in linked {
        map.entry(target).or_default().push(entry);
    }
    map
}
