//! Which entries count: not those of a revoked key, past a fork, superseded, withdrawn or repeated.

use super::sources::{Gathered, Placed};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::record::{Record, TestRecord, UnitEvent};
use carrylog_format::statement::StatementBody;
use carrylog_format::trust::TrustStore;
use std::collections::{BTreeMap, BTreeSet};

/// What an entry that counts says of a unit.
pub(super) enum Said<'a> {
    Test(&'a TestRecord),
    Event(&'a UnitEvent),
}

/// The entries that count, and in words what was left out.
pub(super) struct Counting<'a> {
    pub(super) said: Vec<(&'a Placed, Said<'a>)>,
    pub(super) left_out: Vec<String>,
}

impl<'a> Counting<'a> {
    pub(super) fn of(gathered: &'a Gathered, station: &dyn Fn(LogId) -> String) -> Self {
        let mut left_out = Vec::new();
        let forks = forks(gathered);
        let mut sound: Vec<&Placed> = Vec::new();
        let (mut revoked, mut disputed) = (BTreeMap::new(), BTreeMap::new());
        for placed in gathered.entries.values() {
            let from = gathered.trust.revoked_from(placed.log);
            if from.is_some_and(|from| placed.index >= from) {
                *revoked.entry(placed.log).or_insert(0u64) += 1;
            } else if forks.get(&placed.log).is_some_and(|at| placed.index >= *at) {
                *disputed.entry(placed.log).or_insert(0u64) += 1;
            } else {
                sound.push(placed);
            }
        }
        for (log, n) in revoked {
            left_out.push(format!(
                "{n} entries of {}: its key was revoked before them",
                station(log)
            ));
        }
        for (log, n) in disputed {
            left_out.push(format!(
                "{n} entries of {}: its log exists in two versions; the records office must choose one",
                station(log)
            ));
        }
        sound.sort_by_key(|p| (p.entry.head().at, p.log, p.index));
        let superseded = superseded(&sound, &mut left_out);
        let repeats = repeats(&gathered.trust);
        let mut said = Vec::new();
        for placed in sound {
            let id = placed.entry.id();
            if repeats.get(&id).is_some_and(|of| *of != id) {
                left_out.push(format!(
                    "entry {}: it repeats another, as the authority stated",
                    id.short()
                ));
            } else if !superseded.contains(&id) {
                said.extend(content(placed.entry.record()).map(|s| (placed, s)));
            }
        }
        Self { said, left_out }
    }
}

/// The first index of each log at which two different entries stand.
fn forks(gathered: &Gathered) -> BTreeMap<LogId, u64> {
    let mut seen = BTreeSet::new();
    let mut forks: BTreeMap<LogId, u64> = BTreeMap::new();
    for placed in gathered.entries.values() {
        if !seen.insert((placed.log, placed.index)) {
            let at = forks.entry(placed.log).or_insert(placed.index);
            *at = placed.index.min(*at);
        }
    }
    forks
}

/// Entries whose place a correction took. Of several corrections of one entry the last one holds.
fn superseded(sound: &[&Placed], left_out: &mut Vec<String>) -> BTreeSet<EntryId> {
    let mut by: BTreeMap<EntryId, Vec<EntryId>> = BTreeMap::new();
    for placed in sound {
        if let Record::Correction(c) = placed.entry.record() {
            by.entry(c.supersedes).or_default().push(placed.entry.id());
        }
    }
    let mut superseded = BTreeSet::new();
    for (entry, mut corrections) in by {
        superseded.insert(entry);
        corrections.pop();
        if !corrections.is_empty() {
            left_out.push(format!(
                "{} earlier corrections of entry {}: the last one holds",
                corrections.len(),
                entry.short()
            ));
        }
        superseded.extend(corrections);
    }
    superseded
}

/// Entries that repeat another, as the authorities state; the later statement goes first.
fn repeats(trust: &TrustStore) -> BTreeMap<EntryId, EntryId> {
    let mut statements: Vec<_> = trust.decisions().collect();
    statements.sort_by_key(|s| (s.content().seq, s.digest()));
    statements
        .into_iter()
        .filter_map(|s| match &s.content().body {
            StatementBody::DuplicateOf { of, entry, .. } => Some((*entry, *of)),
            _ => None,
        })
        .collect()
}

fn content(record: &Record) -> Option<Said<'_>> {
    let test = record.test().map(Said::Test);
    test.or_else(|| record.unit_event().map(Said::Event))
}
