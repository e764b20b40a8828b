//! Verifies everything from the bytes up: hashes, roots, signatures, receipts, and that the
//! projections follow from them.

use crate::audit_projections;
use crate::server::Server;
use crate::store::{self, LogRow, StoreError};
use crate::writer::load_trust;
use carrylog_format::cbor;
use carrylog_format::fleet_log::FleetLeaf;
use carrylog_format::ids::{LogId, SealDigest};
use carrylog_format::record::Entry;
use carrylog_format::seal::Seal;
use carrylog_format::trace;
use carrylog_format::tree::{Frontier, Hash, InclusionProof, leaf_hash};
use carrylog_history::queries::statement_queries;
use rusqlite::Connection;
use serde::Serialize;
use std::collections::{BTreeMap, BTreeSet};

/// What an audit looked at and found.
#[derive(Debug, Clone, Default, Serialize)]
pub struct AuditReport {
    /// Entries whose hash and form were checked.
    pub entries: u64,
    /// Segments whose root was computed from frontier and leaves.
    pub segments: u64,
    /// Seals whose signature was verified.
    pub seals: u64,
    /// Traces whose digest was checked.
    pub traces: u64,
    /// Statements whose signature was verified.
    pub statements: u64,
    /// Leaves of the fleet log that were matched with what they name.
    pub leaves: u64,
    /// Logs whose statuses and queries were derived anew.
    pub logs: u64,
    /// Units whose summary and queries were derived anew.
    pub units: u64,
    /// What is wrong; empty if all is well.
    pub faults: Vec<String>,
}

/// Faults listed; the count goes on.
const MOST_FAULTS: usize = 1000;

impl AuditReport {
    /// Nothing is wrong.
    pub fn is_sound(&self) -> bool {
        self.faults.is_empty()
    }

    pub(crate) fn fault(&mut self, what: String) {
        if self.faults.len() < MOST_FAULTS {
            self.faults.push(what);
        }
    }
}

impl Server {
    /// Verifies everything that is stored, on one state of the store. Changes nothing.
    ///
    /// # Errors
    /// [`StoreError`] if the store cannot be read at all.
    pub fn audit(&self) -> Result<AuditReport, StoreError> {
        let server_key = *self.public_key();
        self.ask(|c| {
            let mut report = AuditReport::default();
            statements(c, &mut report)?;
            let logs = store::logs(c)?;
            let named = segments(c, &logs, &mut report)?;
            entries(c, &logs, &named, &mut report)?;
            seals(c, &logs, &mut report)?;
            traces(c, &mut report)?;
            fleet_log(c, &server_key, &mut report)?;
            audit_projections::compare(c, &logs, &mut report)?;
            Ok(report)
        })
    }
}

fn statements(c: &Connection, report: &mut AuditReport) -> Result<(), StoreError> {
    match load_trust(c) {
        Ok(trust) => {
            report.statements = trust.statements().count() as u64;
            let stored = store::statements(c)?.len() as u64;
            if stored != report.statements {
                report.fault(format!(
                    "{stored} statements are stored, {} verify under a trusted authority",
                    report.statements
                ));
            }
            for query in statement_queries(&trust) {
                report.fault(query.words());
            }
        }
        Err(error) => report.fault(format!("statements: {error}")),
    }
    Ok(())
}

/// Places of leaves that segments name, for each log.
type Named = BTreeMap<i64, BTreeSet<(u64, Hash)>>;

fn segments(
    c: &Connection,
    logs: &[LogRow],
    report: &mut AuditReport,
) -> Result<Named, StoreError> {
    let mut named = Named::new();
    for log in logs {
        let sealed: BTreeSet<(u64, Hash)> = store::seals(c, log.row)?
            .iter()
            .map(|s| (s.size, s.root))
            .collect();
        let places = named.entry(log.row).or_default();
        for segment in store::segments(c, log.row)? {
            report.segments += 1;
            let mut frontier: Frontier = segment.before.clone();
            for (index, leaf) in (segment.from()..).zip(&segment.leaves) {
                frontier.push(*leaf);
                places.insert((index, *leaf));
            }
            if !sealed.contains(&(frontier.size(), frontier.root())) {
                report.fault(format!(
                    "log {}: no seal over the segment that ends at {}",
                    log.log.short(),
                    frontier.size()
                ));
            }
        }
        for single in store::singles(c, log.row)? {
            let sound = InclusionProof::from_cbor(&single.proof).is_ok_and(|proof| {
                proof.leaf_index == single.place.index
                    && proof.tree_size == single.place.seal_size
                    && proof
                        .verify(&single.place.leaf, &single.place.seal_root)
                        .is_ok()
            });
            if sound {
                places.insert((single.place.index, single.place.leaf));
            } else {
                report.fault(format!(
                    "entry {} of log {}: its proof does not lead to its seal",
                    single.place.index,
                    log.log.short()
                ));
            }
        }
    }
    Ok(named)
}

fn entries(
    c: &Connection,
    logs: &[LogRow],
    named: &Named,
    report: &mut AuditReport,
) -> Result<(), StoreError> {
    let mut found: BTreeMap<i64, u64> = BTreeMap::new();
    store::each_entry(c, |log, index, leaf, bytes| {
        report.entries += 1;
        *found.entry(log).or_default() += 1;
        if leaf_hash(bytes) != leaf {
            report.fault(format!(
                "entry {index} of log {log}: its bytes do not match its hash"
            ));
        } else if Entry::parse(bytes).is_err() {
            report.fault(format!(
                "entry {index} of log {log}: its bytes are no entry"
            ));
        }
        if !named
            .get(&log)
            .is_some_and(|places| places.contains(&(index, leaf)))
        {
            report.fault(format!("entry {index} of log {log}: nothing proves it"));
        }
        Ok(())
    })?;
    for log in logs {
        let proven = named.get(&log.row).map_or(0, |places| places.len() as u64);
        let held = found.get(&log.row).copied().unwrap_or(0);
        if proven != held {
            report.fault(format!(
                "log {}: {proven} entries are proven, {held} are stored",
                log.log.short()
            ));
        }
    }
    Ok(())
}

fn seals(c: &Connection, logs: &[LogRow], report: &mut AuditReport) -> Result<(), StoreError> {
    for log in logs {
        for row in store::seals(c, log.row)? {
            report.seals += 1;
            let sound = Seal::verify(&row.sign1, &log.key).is_ok_and(|seal| {
                let content = seal.content();
                seal.digest() == row.digest && content.size == row.size && content.root == row.root
            });
            if !sound {
                report.fault(format!(
                    "seal {} of log {} does not verify",
                    row.seq,
                    log.log.short()
                ));
            }
        }
    }
    Ok(())
}

fn traces(c: &Connection, report: &mut AuditReport) -> Result<(), StoreError> {
    store::each_trace(c, |digest, compressed| {
        report.traces += 1;
        let found = trace::digest_compressed(compressed, trace::MAX_CANONICAL_LEN);
        if found.ok().map(|(found, _)| found) != Some(digest) {
            report.fault(format!("trace {digest:?} does not match its digest"));
        }
        Ok(())
    })
}

fn fleet_log(
    c: &Connection,
    server_key: &carrylog_format::cose::PublicKey,
    report: &mut AuditReport,
) -> Result<(), StoreError> {
    let own = LogId::of(server_key);
    for (index, bytes) in (0u64..).zip(store::fleet_leaves(c)?) {
        report.leaves += 1;
        let wrong = match FleetLeaf::parse(&bytes) {
            Ok(FleetLeaf::Opened(opened)) => {
                let sound = index == 0 && opened.log == own && opened.key == *server_key;
                (!sound).then(|| "opens the log of another key, or not as the first".to_owned())
            }
            Ok(_) if index == 0 => Some("does not open the log".to_owned()),
            Ok(FleetLeaf::Seal(content)) => {
                let payload = cbor::to_canonical(&content).map_err(StoreError::damaged)?;
                let seal = SealDigest::from_hash(Hash::of(&payload));
                let gone = !store::has_seal(c, seal)?;
                gone.then(|| {
                    let log = content.log.short();
                    format!("names seal {} of log {log}, which is gone", content.seq)
                })
            }
            Ok(FleetLeaf::Statement(mark)) => {
                let gone = !store::has_statement(c, mark.name)?;
                gone.then(|| format!("names statement {}, which is gone", mark.seq))
            }
            Err(error) => Some(format!("is no leaf: {error}")),
        };
        if let Some(wrong) = wrong {
            report.fault(format!("leaf {index} {wrong}"));
        }
    }
    // Statements that cannot be loaded are told above.
    let trust = load_trust(c).unwrap_or_default();
    for statement in trust.statements() {
        if !store::statement_in_fleet_log(c, statement.digest())? {
            report.fault(format!(
                "statement {} has no leaf in the fleet log",
                statement.content().seq
            ));
        }
    }
    Ok(())
}
