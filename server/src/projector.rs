//! Writes the projections of units and logs that were touched, within the transaction that touched
//! them, and reads a unit's history back together.

use crate::anomalies::{
    Anomaly, Calibrations, clock_anomalies, log_anomalies, statement_anomalies, unit_anomalies,
};
use crate::log_state::LogReport;
use crate::merge::EntryStatus;
use crate::projection::{HistoryItem, Issue, UnitHistory, UnitSummary};
use crate::store::{self, LinkKind, LogRow, Scope, StoreError, StoredAnomaly, StoredEntry};
use crate::trust_view::TrustView;
use carrylog_format::record::{Record, StationChange};
use carrylog_format::sign_off;
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap};

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
        for key in self.trust.decisions.spellings(shown) {
            rows.extend(store::find_unit(self.c, &key)?);
        }
        let spoken_of = SpokenOf {
            corrections: by_target(store::speaking_of_units(
                self.c,
                LinkKind::Supersedes,
                &rows,
            )?),
            sign_offs: by_target(store::speaking_of_units(self.c, LinkKind::SignsOff, &rows)?),
            same_trace: by_target(store::sharing_traces(self.c, &rows)?),
        };
        let items = store::entries_of_units(self.c, &rows)?
            .into_iter()
            .map(|stored| self.item(stored, &spoken_of))
            .collect::<Result<Vec<_>, _>>()?;
        Ok(UnitHistory::of(items))
    }

    /// Writes the projections of units, given by the numbers of any of their keys.
    pub(crate) fn update_units(&mut self, touched: &BTreeSet<i64>) -> Result<(), StoreError> {
        let mut shown = BTreeSet::new();
        for unit in touched {
            if let Some(key) = store::unit_key(self.c, *unit)? {
                let canonical = self.trust.decisions.canonical(&key);
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
            self.note_calibrations(item)?;
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
        let mut found = log_anomalies(log.log, report, &store::seals(self.c, log.row)?);
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
        store::set_anomalies(self.c, &Scope::Statements, &found)
    }

    fn stored(&self, found: Vec<Anomaly>) -> Result<Vec<StoredAnomaly>, StoreError> {
        let stored = |anomaly: Anomaly| {
            let id = anomaly.id();
            let resolved = self
                .trust
                .decisions
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

    fn item(&self, stored: StoredEntry, spoken_of: &SpokenOf) -> Result<HistoryItem, StoreError> {
        let mut item = HistoryItem::new(stored);
        let (id, leaf) = (item.id(), *item.id().hash());
        item.apply_corrections(spoken_of.corrections.get(&leaf).map_or(&[], Vec::as_slice));
        item.repeats = self.trust.decisions.duplicate_of(id);
        for signed in spoken_of.sign_offs.get(&leaf).into_iter().flatten() {
            if let Record::SignOff(body) = signed.entry.record() {
                let verified = sign_off::verify(body, &self.trust.store);
                item.sign_offs.push(
                    verified
                        .map(|v| format!("{} ({})", v.content.signer, v.standing.enrolment.name))
                        .map_err(|e| e.to_string()),
                );
            }
        }
        let trace = item
            .test()
            .and_then(|t| t.trace.as_ref())
            .map(|t| *t.sha256.hash());
        for other in trace
            .and_then(|t| spoken_of.same_trace.get(&t))
            .into_iter()
            .flatten()
        {
            let other_id = other.entry.id();
            if other_id == id
                || other.status != EntryStatus::Accepted
                || self.trust.decisions.duplicate_of(other_id).is_some()
                || store::is_superseded(self.c, *other_id.hash())?
            {
                continue;
            }
            if let Some(test) = other.entry.record().test() {
                let unit = self.trust.decisions.canonical(&test.unit.key()).to_string();
                item.same_trace.push(Issue {
                    entry: other_id,
                    unit,
                });
            }
        }
        Ok(item)
    }

    fn note_calibrations(&mut self, item: &HistoryItem) -> Result<(), StoreError> {
        if self.calibrations.knows(item.stored.log) {
            return Ok(());
        }
        let events = store::station_events(self.c, item.stored.log_row)?;
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
        self.calibrations.note(item.stored.log, calibrations);
        Ok(())
    }
}

/// What other entries say of a unit's entries, by the leaf or trace that they name.
struct SpokenOf {
    corrections: HashMap<Hash, Vec<StoredEntry>>,
    sign_offs: HashMap<Hash, Vec<StoredEntry>>,
    same_trace: HashMap<Hash, Vec<StoredEntry>>,
}

fn by_target(linked: Vec<(Hash, StoredEntry)>) -> HashMap<Hash, Vec<StoredEntry>> {
    let mut map: HashMap<Hash, Vec<StoredEntry>> = HashMap::new();
    for (target, entry) in linked {
        map.entry(target).or_default().push(entry);
    }
    map
}
