//! Writes the projections of units and logs that were touched, within the transaction that touched
//! them, and reads a unit back together. What they say is decided in `carrylog-history`.

use crate::store::{self, LogRow, Scope, SealRow, Stamp, StoreError, StoredQuery, UnitColumns};
use crate::writer::trust_digest;
use carrylog_format::ids::LogId;
use carrylog_format::record::{Computed, Record};
use carrylog_format::trace::{self, Trace};
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use carrylog_history::KnownEntry;
use carrylog_history::calibrations::{Calibration, Calibrations};
use carrylog_history::filing::LinkKind;
use carrylog_history::judged::Recomputation;
use carrylog_history::log::LogReport;
use carrylog_history::queries::{
    Query, clock_queries, log_queries, statement_queries, unit_queries,
};
use carrylog_history::trust_view::TrustView;
use carrylog_history::unit::{Mentions, Unit, UnitHistory, UnitSummary};
use rusqlite::Connection;
use std::collections::{BTreeSet, HashMap};

/// Reads units and writes projections under one state of trust.
pub(crate) struct Projector<'a> {
    c: &'a Connection,
    trust: &'a TrustView,
    calibrations: Calibrations,
    memory: Memory,
    /// Results that were computed here and are not remembered yet.
    fresh: Vec<(Hash, Computed)>,
}

/// Whether remembered results of traces may be used.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Memory {
    /// They are taken as they are.
    Used,
    /// Every result comes from its trace; one that is remembered differently is damage.
    Checked,
}

/// Which entries of a log are new to the search for doubtful clocks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum LogChange {
    /// The log went on from this index.
    ContinuedAt(u64),
    /// Anything may have changed.
    Derived,
}

/// What the store shows of one unit.
pub(crate) struct ProjectedUnit {
    pub(crate) summary: UnitSummary,
    pub(crate) queries: Vec<StoredQuery>,
}

impl ProjectedUnit {
    /// The summary as the store keeps it.
    pub(crate) fn columns(&self) -> Result<UnitColumns, StoreError> {
        let summary = &self.summary;
        let verdict = serde_json::to_value(summary.verdict).map_err(StoreError::damaged)?;
        Ok(UnitColumns {
            part: summary.part.clone(),
            verdict: verdict.as_str().map(str::to_owned),
            next_due: summary.next_due_date.clone(),
            open_queries: summary.open_anomalies,
            summary: serde_json::to_string(summary).map_err(StoreError::damaged)?,
        })
    }
}

impl<'a> Projector<'a> {
    pub(crate) fn new(c: &'a Connection, trust: &'a TrustView) -> Self {
        Self {
            c,
            trust,
            calibrations: Calibrations::default(),
            memory: Memory::Used,
            fresh: Vec::new(),
        }
    }

    /// Derives everything from the bytes up, remembered results too.
    pub(crate) fn from_the_bytes(c: &'a Connection, trust: &'a TrustView) -> Self {
        Self {
            memory: Memory::Checked,
            ..Self::new(c, trust)
        }
    }

    /// The unit under its shown key, with all spellings that belong to it; `None` if no entry that
    /// stands for something names it.
    pub(crate) fn unit(&mut self, shown: &UnitKey) -> Result<Option<Unit>, StoreError> {
        let history = self.history(shown)?;
        for item in &history.items {
            self.note_calibrations(item.known.log)?;
        }
        let (c, trust) = (self.c, self.trust);
        let memory = self.memory;
        let (fresh, mut failed) = (&mut self.fresh, None);
        let mut recompute = |asked: &Recomputation<'_>| match recompute(c, asked, memory, fresh) {
            Ok(computed) => computed,
            Err(error) => {
                failed = Some(error);
                None
            }
        };
        let unit = Unit::of(shown, history, trust, &self.calibrations, &mut recompute);
        match failed {
            Some(error) => Err(error),
            None => Ok(unit),
        }
    }

    /// The unit with the queries about it, settled or not.
    pub(crate) fn unit_and_queries(
        &mut self,
        shown: &UnitKey,
    ) -> Result<Option<(Unit, Vec<Query>)>, StoreError> {
        let unit = self.unit(shown)?;
        Ok(unit.map(|unit| {
            let queries = unit_queries(&unit, &self.trust.sheets, &self.calibrations);
            (unit, queries)
        }))
    }

    /// What the store shows of the unit, derived anew.
    pub(crate) fn project(&mut self, shown: &UnitKey) -> Result<Option<ProjectedUnit>, StoreError> {
        let Some((unit, queries)) = self.unit_and_queries(shown)? else {
            return Ok(None);
        };
        let queries = self.stored(queries)?;
        let open = queries.iter().filter(|q| q.resolved.is_none()).count() as u64;
        Ok(Some(ProjectedUnit {
            summary: UnitSummary::of(&unit, open),
            queries,
        }))
    }

    /// Entries of the unit under all its spellings, by time, log and index.
    pub(crate) fn entries(&self, shown: &UnitKey) -> Result<Vec<KnownEntry>, StoreError> {
        store::entries_of_units(self.c, &self.rows(shown)?)
    }

    fn rows(&self, shown: &UnitKey) -> Result<Vec<i64>, StoreError> {
        let mut rows = Vec::new();
        for key in self.trust.rulings.spellings(shown) {
            rows.extend(store::find_unit(self.c, &key)?);
        }
        Ok(rows)
    }

    fn history(&self, shown: &UnitKey) -> Result<UnitHistory, StoreError> {
        let rows = self.rows(shown)?;
        let entries = store::entries_of_units(self.c, &rows)?;
        let linked = |kind| store::speaking_of_units(self.c, kind, &rows);
        let mut mentions = Mentions {
            corrections: by_target(linked(LinkKind::Supersedes)?),
            sign_offs: by_target(linked(LinkKind::SignsOff)?),
            ..Mentions::default()
        };
        for entry in &entries {
            if let Record::Correction(correction) = entry.entry.record() {
                // What it corrects may name another unit; other corrections of that are its rivals.
                let target = *correction.supersedes.entry.hash();
                let rivals = store::linking(self.c, LinkKind::Supersedes, target)?;
                mentions.corrections.insert(target, rivals);
            }
        }
        let same_trace = store::sharing_traces(self.c, &rows)?;
        for (_, other) in &same_trace {
            let leaf = *other.id().hash();
            if store::is_superseded(self.c, leaf)? {
                mentions.superseded.insert(leaf);
            }
        }
        mentions.same_trace = by_target(same_trace);
        Ok(UnitHistory::assemble(entries, &mentions, self.trust))
    }

    /// Writes the projections of units, given by the numbers of any of their keys.
    pub(crate) fn update_units(&mut self, touched: &BTreeSet<i64>) -> Result<(), StoreError> {
        let mut shown = BTreeSet::new();
        for unit in touched {
            if let Some(key) = store::unit_key(self.c, *unit)? {
                let canonical = self.trust.rulings.canonical(&key);
                if canonical != key {
                    store::set_unit(self.c, *unit, None)?;
                    store::set_queries(self.c, &Scope::Unit(key), &[])?;
                }
                shown.insert(canonical);
            }
        }
        shown.iter().try_for_each(|key| self.update_unit(key))
    }

    fn update_unit(&mut self, key: &UnitKey) -> Result<(), StoreError> {
        let row = store::unit_row(self.c, key)?;
        let projected = self.project(key)?;
        for (key, computed) in self.fresh.drain(..) {
            store::set_computed(self.c, key, &computed)?;
        }
        let queries = projected.as_ref().map_or(&[][..], |p| &p.queries);
        store::set_queries(self.c, &Scope::Unit(key.clone()), queries)?;
        let Some(projected) = projected else {
            return store::set_unit(self.c, row, None);
        };
        let columns = projected.columns()?;
        store::set_unit(self.c, row, Some(&columns))
    }

    /// Writes the queries of a log.
    pub(crate) fn update_log(
        &self,
        log: &LogRow,
        report: &LogReport,
        change: LogChange,
    ) -> Result<(), StoreError> {
        let scope = Scope::Log(log.log);
        if let LogChange::ContinuedAt(index) = change {
            let rows = store::clocks(self.c, log.row, index.saturating_sub(1))?;
            let joins = rows
                .windows(2)
                .next()
                .is_some_and(|w| w[0].arrived == w[1].arrived);
            if index == 0 || !joins {
                let mut found = self.queries_of_log(log, report)?;
                found.extend(clock_queries(log.log, &rows));
                return store::add_queries(self.c, &scope, &self.stored(found)?);
            }
        }
        let found = self.project_log(log, report)?;
        store::set_queries(self.c, &scope, &found)
    }

    /// The queries of a log, derived anew from everything that is stored of it.
    pub(crate) fn project_log(
        &self,
        log: &LogRow,
        report: &LogReport,
    ) -> Result<Vec<StoredQuery>, StoreError> {
        let mut found = self.queries_of_log(log, report)?;
        found.extend(clock_queries(log.log, &store::clocks(self.c, log.row, 0)?));
        self.stored(found)
    }

    fn queries_of_log(&self, log: &LogRow, report: &LogReport) -> Result<Vec<Query>, StoreError> {
        let seals = store::seals(self.c, log.row)?;
        let seals: Vec<_> = seals.iter().map(SealRow::fact).collect();
        Ok(log_queries(log.log, report, &seals))
    }

    /// Writes the queries of the chains of statements.
    pub(crate) fn update_statements(&self) -> Result<(), StoreError> {
        store::set_queries(self.c, &Scope::Statements, &self.project_statements()?)?;
        let follows = trust_digest(&self.trust.store);
        store::set_stamp(self.c, Stamp::ProjectedTrust, follows.as_bytes())
    }

    /// The queries of the chains of statements.
    pub(crate) fn project_statements(&self) -> Result<Vec<StoredQuery>, StoreError> {
        self.stored(statement_queries(&self.trust.store))
    }

    fn stored(&self, found: Vec<Query>) -> Result<Vec<StoredQuery>, StoreError> {
        let stored = |query: Query| {
            let id = query.id();
            let resolved = self.trust.rulings.resolution(&id.to_string());
            Ok(StoredQuery {
                id: id.to_bytes(),
                body: serde_json::to_string(&query).map_err(StoreError::damaged)?,
                resolved: resolved.map(str::to_owned),
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
            .filter_map(|e| Some((e.index, Calibration::in_record(e.entry.record())?)))
            .collect();
        self.calibrations.note(log, calibrations);
        Ok(())
    }
}

/// Results as remembered, or from the trace itself; `None` if the store does not hold it.
fn recompute(
    c: &Connection,
    asked: &Recomputation<'_>,
    memory: Memory,
    fresh: &mut Vec<(Hash, Computed)>,
) -> Result<Option<Computed>, StoreError> {
    let key = asked.key();
    let remembered = store::computed(c, key)?;
    if remembered.is_some() && memory == Memory::Used {
        return Ok(remembered);
    }
    let Some(compressed) = store::trace(c, asked.trace)? else {
        return Ok(None);
    };
    let canonical = trace::decompress(&compressed, trace::MAX_CANONICAL_LEN);
    let canonical = canonical.map_err(StoreError::damaged)?;
    let trace = Trace::from_canonical(&canonical).map_err(StoreError::damaged)?;
    let computed = asked.run(&trace);
    if remembered.is_some_and(|remembered| remembered != computed) {
        let what = format!("the remembered results of trace {}", asked.trace);
        return Err(StoreError::damaged(what));
    }
    fresh.push((key, computed.clone()));
    Ok(Some(computed))
}

fn by_target(linked: Vec<(Hash, KnownEntry)>) -> HashMap<Hash, Vec<KnownEntry>> {
    let mut map: HashMap<Hash, Vec<KnownEntry>> = HashMap::new();
    for (target, entry) in linked {
        map.entry(target).or_default().push(entry);
    }
    map
}
