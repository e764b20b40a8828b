//! The whole history at once, from material of any source.

use crate::calibrations::{Calibration, Calibrations};
use crate::entry::KnownEntry;
use crate::filing::EntryFacts;
use crate::judged::Recompute;
use crate::log::{DerivedLog, EntryStatus, LogMaterial, SealFact};
use crate::queries::{Query, log_queries, statement_queries, unit_queries};
use crate::trust_view::TrustView;
use crate::unit::{Mentions, Unit, UnitHistory};
use carrylog_format::ids::LogId;
use carrylog_format::record::{Entry, Record};
use carrylog_format::sign_off;
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitKey;
use std::collections::BTreeMap;

/// Everything verified that a history follows from.
#[derive(Debug, Clone, Default)]
pub struct Material {
    /// Trust, with every statement found.
    pub trust: TrustView,
    /// What is known of each log.
    pub logs: BTreeMap<LogId, LogMaterial>,
    /// Entries by log, index and leaf.
    pub entries: BTreeMap<(LogId, u64, Hash), Entry>,
}

/// The history of every unit that the material tells of.
#[derive(Debug, Clone)]
pub struct History {
    /// Units by key.
    pub units: Vec<Unit>,
    /// Logs as derived.
    pub logs: BTreeMap<LogId, DerivedLog>,
    /// Trust and what follows from it.
    pub trust: TrustView,
    /// Calibrations of the stations.
    pub calibrations: Calibrations,
    /// Entries read.
    pub entries: usize,
    seals: BTreeMap<LogId, Vec<SealFact>>,
    left_out: BTreeMap<(LogId, LeftOut), u64>,
}

/// Why entries do not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum LeftOut {
    Revoked,
    TwoVersions,
    OtherVersionChosen,
    EarlierMissing,
    NotEnrolled,
    Repeats,
}

impl LeftOut {
    fn words(self) -> &'static str {
        match self {
            Self::Revoked => "its key was revoked before them",
            Self::TwoVersions => {
                "its log exists in two versions; the records office must choose one"
            }
            Self::OtherVersionChosen => "the records office chose the other version of its log",
            Self::EarlierMissing => {
                "earlier entries of its log are missing; give the files that hold them"
            }
            Self::NotEnrolled => "no enrolment covers them",
            Self::Repeats => "they repeat others, as the authority stated",
        }
    }
}

impl History {
    /// Decides what counts and what it means.
    pub fn of(material: Material, recompute: &mut Recompute<'_>) -> Self {
        let Material {
            trust,
            logs: materials,
            entries,
        } = material;
        let mut logs = BTreeMap::new();
        let mut seals = BTreeMap::new();
        for (log, material) in materials {
            seals.insert(log, material.seals.clone());
            logs.insert(log, DerivedLog::of(log, material, &trust.store));
        }
        let total = entries.len();
        let mut left_out = BTreeMap::new();
        let known = known_entries(entries, &logs, &mut left_out);
        let mut calibrations = Calibrations::default();
        for log in logs.keys() {
            calibrations.note(*log, calibrations_of(&known, *log));
        }
        let mentions = mentions(&known);
        let mut by_unit: BTreeMap<UnitKey, Vec<KnownEntry>> = BTreeMap::new();
        for entry in known {
            if trust.rulings.duplicate_of(entry.id()).is_some() {
                let place = (entry.log, LeftOut::Repeats);
                *left_out.entry(place).or_default() += 1;
            }
            if let Some(unit) = EntryFacts::of(&entry.entry).unit {
                let key = trust.rulings.canonical(&unit.key());
                by_unit.entry(key).or_default().push(entry);
            }
        }
        let units = by_unit
            .into_iter()
            .filter_map(|(key, entries)| {
                let history = UnitHistory::assemble(entries, &mentions, &trust);
                Unit::of(&key, history, &trust, &calibrations, recompute)
            })
            .collect();
        Self {
            units,
            logs,
            calibrations,
            entries: total,
            seals,
            left_out,
            trust,
        }
    }

    /// What a person must look at in a unit's history: queries that nobody has settled.
    pub fn queries_of(&self, unit: &Unit) -> Vec<Query> {
        let mut queries = unit_queries(unit, &self.trust.sheets, &self.calibrations);
        queries.retain(|query| self.trust.rulings.is_open(query));
        queries
    }

    /// What a person must look at in logs and statements. Clocks are not among it: files do not say
    /// when they arrived.
    pub fn queries_of_logs(&self) -> Vec<Query> {
        let seals = |log| self.seals.get(log).map_or(&[][..], Vec::as_slice);
        let logs = self.logs.iter();
        logs.flat_map(|(log, derived)| log_queries(*log, &derived.report, seals(log)))
            .chain(statement_queries(&self.trust.store))
            .collect()
    }

    /// What does not count, in words.
    pub fn left_out(&self) -> Vec<String> {
        let line = |((log, why), entries): (&(LogId, LeftOut), &u64)| {
            let station = self.trust.name_of(*log);
            let entries = match entries {
                1 => "1 entry".to_owned(),
                n => format!("{n} entries"),
            };
            format!("{entries} of {station}: {}", why.words())
        };
        self.left_out.iter().map(line).collect()
    }
}

/// The entries that stand for something, each with its status, by time, log and index; and a count
/// of what does not.
fn known_entries(
    entries: BTreeMap<(LogId, u64, Hash), Entry>,
    logs: &BTreeMap<LogId, DerivedLog>,
    left_out: &mut BTreeMap<(LogId, LeftOut), u64>,
) -> Vec<KnownEntry> {
    let statuses: BTreeMap<LogId, BTreeMap<(u64, Hash), EntryStatus>> = logs
        .iter()
        .map(|(log, derived)| (*log, derived.statuses()))
        .collect();
    let open_fork = |log: LogId| {
        let report = logs.get(&log).map(|derived| &derived.report);
        report.is_some_and(|report| report.forks.iter().any(|fork| !fork.settled))
    };
    let mut known = Vec::new();
    for ((log, index, leaf), entry) in entries {
        let status = statuses.get(&log).and_then(|s| s.get(&(index, leaf)));
        let why = match status {
            Some(EntryStatus::Accepted) => None,
            Some(EntryStatus::Held) => Some(LeftOut::EarlierMissing),
            Some(EntryStatus::Disputed) if open_fork(log) => Some(LeftOut::TwoVersions),
            Some(EntryStatus::Disputed) => Some(LeftOut::OtherVersionChosen),
            Some(EntryStatus::Revoked) => Some(LeftOut::Revoked),
            None => Some(LeftOut::NotEnrolled),
        };
        if let Some(why) = why {
            *left_out.entry((log, why)).or_default() += 1;
        }
        known.extend(status.map(|status| KnownEntry {
            log,
            index,
            status: *status,
            arrived: None,
            entry,
        }));
    }
    known.sort_by_key(|k| (k.entry.head().at, k.log, k.index));
    known
}

/// Calibrations of one log that count, in its order.
fn calibrations_of(known: &[KnownEntry], log: LogId) -> Vec<(u64, Calibration)> {
    let mut found: Vec<_> = known
        .iter()
        .filter(|k| k.log == log && k.status == EntryStatus::Accepted)
        .filter_map(|k| Some((k.index, Calibration::in_record(k.entry.record())?)))
        .collect();
    found.sort_by_key(|(index, _)| *index);
    found
}

fn mentions(known: &[KnownEntry]) -> Mentions {
    let mut mentions = Mentions::default();
    for entry in known {
        let record = entry.entry.record();
        if let Record::Correction(correction) = record {
            let leaf = *correction.supersedes.entry.hash();
            if entry.status == EntryStatus::Accepted {
                mentions.superseded.insert(leaf);
            }
            let all = mentions.corrections.entry(leaf);
            all.or_default().push(entry.clone());
        }
        if let Record::SignOff(body) = record
            && let Ok(content) = sign_off::content(body)
        {
            let all = mentions.sign_offs.entry(*content.entry.entry.hash());
            all.or_default().push(entry.clone());
        }
        if let Some(trace) = record.test().and_then(|t| t.trace.as_ref()) {
            let all = mentions.same_trace.entry(*trace.sha256.hash());
            all.or_default().push(entry.clone());
        }
    }
    mentions
}
