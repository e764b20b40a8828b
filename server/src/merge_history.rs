//! Takes in another server's unit history: single entries, each with its proof, from logs that may
//! never be delivered here as a whole.
//!
//! A proven entry is stored with the others; `single_entries` decides what it counts for.

use crate::import::{Arrival, ImportError, READ_BUFFER, keep_if_unproven, record};
use crate::log_state;
use crate::outcome::{HistoryMerge, HistoryOrigin, Outcome};
use crate::projector::Projector;
use crate::store::{self, LogRow, NewEntry, StoreError};
use crate::trust_change;
use crate::writer::Writer;
use carrylog_format::bundle::{HistoryItem, VerifiedHistory, read_history};
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::refusal::Refusal;
use carrylog_format::trust::TrustStore;
use carrylog_history::filing::EntryFacts;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufReader, Read, Seek};
use std::sync::Arc;

impl Writer {
    /// Merges a unit history, or says why it cannot be.
    pub(crate) fn merge_history<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        now: Instant,
    ) -> Result<Result<Outcome, Refusal>, ImportError> {
        let tx = self.database.begin()?;
        self.unsettled = true;
        let mut intake = Intake::new(&tx, self.trust.store.clone(), now);
        let input = BufReader::with_capacity(READ_BUFFER, &mut *file);
        let read = read_history(input, &self.trust.store, &mut |item| intake.take(&item));
        let verified = match read {
            Ok(verified) => verified,
            Err(refusal) => return Ok(Err(refusal)),
        };
        if let Some(error) = intake.error.take() {
            return Err(error.into());
        }
        let trust = match self.trust.missing_from(&intake.trust) {
            new if new.is_empty() => Arc::clone(&self.trust),
            _ => Arc::new(TrustView::of(intake.trust.clone())),
        };
        let statements = self.trust.missing_from(&trust.store);
        let change = trust_change::apply(&tx, &statements, &trust, None, now)?;
        self.fleet
            .append_statements(&tx, statements.iter().copied())?;
        for (log, seals) in &change.to_receipt {
            self.fleet.append(&tx, log, seals)?;
        }
        let mut touched = change.touched;
        for row in &intake.linking {
            touched.extend(store::linked_units(&tx, *row)?);
        }
        touched.extend(&intake.touched);
        let mut forked = BTreeSet::new();
        for log in intake.logs.values() {
            let (units, seals) = trust_change::derive_log(&tx, log, &trust)?;
            touched.extend(units);
            self.fleet.append(&tx, log, &seals)?;
            if let Some(row) = store::find_log(&tx, log.log)? {
                let report = log_state::report_of(&row.state)?;
                if report.forks.iter().any(|f| !f.settled) {
                    forked.insert(log.log);
                }
            }
        }
        Projector::new(&tx, &trust).update_units(&touched)?;
        let merge = summary(&verified, &intake, &trust, &forked, statements.len() as u64);
        let outcome = Outcome::History(merge);
        let ignored = verified.statements_ignored();
        keep_if_unproven(&tx, file, arrival, ignored, now)?;
        record(&tx, arrival, &outcome, now)?;
        tx.commit()?;
        self.unsettled = false;
        self.trust = trust;
        Ok(Ok(outcome))
    }
}

fn summary(
    verified: &VerifiedHistory,
    intake: &Intake<'_>,
    trust: &TrustView,
    forked: &BTreeSet<LogId>,
    new_statements: u64,
) -> HistoryMerge {
    let origins = verified.logs().iter().map(|(log, part)| HistoryOrigin {
        log: *log,
        station: part.station.clone(),
        authority: trust.store.authority_name(part.authority),
        entries: part.entries,
        sealed_size: part.sealed_size,
        receipted_size: part.receipted_size,
        forked: forked.contains(log),
    });
    let note = match (intake.new_entries, forked.is_empty()) {
        (_, false) => {
            "A log that this history comes from contradicts what is known here. Both are kept; see the anomalies."
        }
        (0, true) => "Everything in this history was known.",
        (_, true) => "Merged and stored. The origin of each entry stays visible.",
    };
    HistoryMerge {
        unit: verified.unit().key().as_str().to_owned(),
        new_entries: intake.new_entries,
        known_entries: verified.entries() - intake.new_entries,
        revoked_entries: verified.revoked(),
        receipts: verified.receipts(),
        new_statements,
        ignored_statements: verified.statements_ignored(),
        missing_traces: verified.traces_missing().len() as u64,
        origins: origins.collect(),
        note: note.to_owned(),
    }
}

/// Takes the items of one history into a transaction while the history is still being verified.
struct Intake<'c> {
    c: &'c Connection,
    now: Instant,
    error: Option<StoreError>,
    trust: TrustStore,
    logs: BTreeMap<LogId, LogRow>,
    new_entries: u64,
    touched: BTreeSet<i64>,
    /// New entries that speak of others.
    linking: Vec<i64>,
}

impl<'c> Intake<'c> {
    fn new(c: &'c Connection, trust: TrustStore, now: Instant) -> Self {
        Self {
            c,
            now,
            error: None,
            trust,
            logs: BTreeMap::new(),
            new_entries: 0,
            touched: BTreeSet::new(),
            linking: Vec::new(),
        }
    }

    fn take(&mut self, item: &HistoryItem<'_>) {
        if self.error.is_none() {
            self.error = self.try_take(item).err();
        }
    }

    fn try_take(&mut self, item: &HistoryItem<'_>) -> Result<(), StoreError> {
        match item {
            HistoryItem::Statement(sign1) => {
                // The reader verified it under this very trust a moment ago.
                self.trust.add(sign1).map_err(StoreError::damaged)?;
            }
            HistoryItem::Seal(seal) => {
                let row = self.log(seal.content().log)?;
                store::add_seal(self.c, row, seal, self.now)?;
            }
            HistoryItem::Entry {
                log,
                index,
                entry,
                proof,
                seal,
                ..
            } => {
                let log = self.log(*log)?;
                let facts = EntryFacts::of(entry);
                let unit = facts
                    .unit
                    .map(|unit| store::unit_row(self.c, &unit.key()))
                    .transpose()?;
                let new = NewEntry {
                    log,
                    index: *index,
                    entry,
                    unit,
                    when: facts.when,
                    links: &facts.links,
                };
                if let Some(row) = store::add_entry(self.c, &new, self.now)? {
                    self.new_entries += 1;
                    self.touched.extend(unit);
                    if !facts.links.is_empty() {
                        self.linking.push(row);
                    }
                }
                let leaf = *entry.id().hash();
                store::add_single(self.c, log, *index, leaf, *seal, &proof.to_cbor())?;
            }
            HistoryItem::Trace { digest, compressed } => {
                if store::add_trace(self.c, *digest, compressed)? {
                    self.touched
                        .extend(store::units_naming_trace(self.c, *digest)?);
                }
            }
            // Another server's receipt says when that server held a seal. It was verified; this
            // server gives its own for what it holds as a whole.
            HistoryItem::Receipt(_) => {}
        }
        Ok(())
    }

    fn log(&mut self, log: LogId) -> Result<i64, StoreError> {
        if let Some(row) = self.logs.get(&log) {
            return Ok(row.row);
        }
        let standing = self
            .trust
            .standing(log)
            .ok_or_else(|| StoreError::damaged("a seal of a log that nobody enrolled"))?;
        let row = store::log_row(self.c, &standing.enrolment.key, &log_state::empty_state())?;
        let number = row.row;
        self.logs.insert(log, row);
        Ok(number)
    }
}
