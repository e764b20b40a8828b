//! The state of one log: its merge under the trust in its key, and what a person must know of it.

use super::branches::Segment;
use super::digest::log_digest;
use super::merge::{Choice, Fork, Gap, Known, Merged, merge};
use super::singles::{SingleEntry, Singles};
use super::status::EntryStatus;
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::tree::Hash;
use carrylog_format::trust::{Standing, TrustStore};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// What a person must know of a log beyond its size.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct LogReport {
    /// Entries that wait for earlier ones.
    pub held: u64,
    /// Entries on branches that contradict each other.
    pub disputed: u64,
    /// Entries after the revocation of the key.
    pub revoked: u64,
    /// What is missing.
    pub gaps: Vec<Gap>,
    /// What contradicts itself.
    pub forks: Vec<Fork>,
    /// Sizes at which an authority chose a branch that nobody delivered.
    pub unknown_choices: Vec<u64>,
}

/// What a seal says, as far as the state of its log asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SealFact {
    /// Its number.
    pub seq: u64,
    /// Entries sealed.
    pub size: u64,
    /// Root at that size.
    pub root: Hash,
    /// When, by the station's clock.
    pub at: Instant,
}

/// Everything known of one log.
#[derive(Debug, Clone, Default)]
pub struct LogMaterial {
    /// Verified segments, in any order.
    pub segments: Vec<Segment>,
    /// Seals over them.
    pub seals: Vec<SealFact>,
    /// Entries that unit histories prove one by one.
    pub singles: Vec<SingleEntry>,
    /// It was read from its station's own folder: it counts there before anybody has enrolled its
    /// key, and so do entries that no seal covers yet.
    pub at_home: bool,
}

/// One log as it follows from everything known of it.
#[derive(Debug, Clone)]
pub struct DerivedLog {
    /// What segments say.
    pub merged: Merged,
    /// What single entries say beyond that.
    pub singles: Singles,
    /// What a person must know.
    pub report: LogReport,
    /// Names the state: equal material gives equal digests.
    pub digest: Hash,
    /// Some entries of segments stand for nothing: no enrolment covers their seals.
    pub some_stand_for_nothing: bool,
}

impl DerivedLog {
    /// Derives one log under the trust in its key.
    pub fn of(log: LogId, material: LogMaterial, trust: &TrustStore) -> Self {
        let LogMaterial {
            segments,
            seals,
            singles,
            at_home,
        } = material;
        let all: usize = segments.iter().map(|s| s.leaves.len()).sum();
        let standing = trust.standing(log);
        let counting = match standing
            .as_ref()
            .filter(|s| s.enrolment.role == Role::Station)
        {
            Some(standing) => within_dates(segments, &seals, standing, at_home),
            None if at_home => segments,
            None => Vec::new(),
        };
        let some_stand_for_nothing = counting.iter().map(|s| s.leaves.len()).sum::<usize>() < all;
        let choices = choices(trust, log);
        let merged = merge(Known {
            segments: counting,
            choices: &choices,
            revoked_from: trust.revoked_from(log),
        });
        let singles = Singles::of(&singles, &merged, standing.as_ref(), &choices);
        Self {
            report: report(&merged, &singles),
            digest: singles.digest(log_digest(&merged)),
            merged,
            singles,
            some_stand_for_nothing,
        }
    }
}

impl DerivedLog {
    /// The status of every entry that stands for something, by index and leaf. Where branches run
    /// beside each other, one entry may stand on several: its best status counts.
    pub fn statuses(&self) -> BTreeMap<(u64, Hash), EntryStatus> {
        let mut all: BTreeMap<(u64, Hash), EntryStatus> = BTreeMap::new();
        for piece in &self.merged.pieces {
            for (index, leaf) in (piece.from..).zip(self.merged.leaves(piece)) {
                let best = all.entry((index, *leaf)).or_insert(piece.status);
                *best = (*best).min(piece.status);
            }
        }
        let singles = self.singles.statuses.iter();
        all.extend(singles.filter_map(|(place, status)| Some((*place, (*status)?))));
        all
    }
}

/// Whether every entry of a log counts, whichever sealed parts of it come, as far as statements say.
pub fn counts_wholly(log: LogId, trust: &TrustStore) -> bool {
    let may = trust
        .standing(log)
        .is_some_and(|s| s.enrolment.role == Role::Station && s.revoked_from.is_none());
    may && choices(trust, log).is_empty()
}

/// The parts of segments whose first seal lies within the dates of the key's enrolment.
fn within_dates(
    segments: Vec<Segment>,
    seals: &[SealFact],
    standing: &Standing,
    unsealed_too: bool,
) -> Vec<Segment> {
    if standing.enrolment.from.is_none() && standing.enrolment.until.is_none() {
        return segments;
    }
    let mut sealed: BTreeMap<(u64, Hash), bool> = BTreeMap::new();
    for seal in seals {
        *sealed.entry((seal.size, seal.root)).or_default() |= standing.covers(seal.at);
    }
    let sizes: BTreeSet<u64> = sealed.keys().map(|(size, _)| *size).collect();
    let mut counting = Vec::new();
    for segment in segments {
        let mut at = segment.before.clone();
        let mut run = Segment {
            before: at.clone(),
            leaves: Vec::new(),
        };
        for leaf in segment.leaves {
            at.push(leaf);
            run.leaves.push(leaf);
            if !sizes.contains(&at.size()) {
                continue;
            }
            if let Some(covered) = sealed.get(&(at.size(), at.root())) {
                let done = std::mem::replace(
                    &mut run,
                    Segment {
                        before: at.clone(),
                        leaves: vec![],
                    },
                );
                counting.extend(covered.then_some(done));
            }
        }
        counting.extend(Some(run).filter(|run| unsealed_too && !run.leaves.is_empty()));
    }
    counting
}

/// The choices that were made for a log, the latest statement first.
fn choices(trust: &TrustStore, log: LogId) -> Vec<Choice> {
    let mut found: Vec<_> = trust
        .decisions()
        .filter_map(|s| match &s.content().body {
            StatementBody::BranchChosen {
                log: l, root, size, ..
            } if *l == log => {
                let choice = Choice {
                    size: *size,
                    root: *root,
                };
                Some(((s.content().seq, s.digest()), choice))
            }
            _ => None,
        })
        .collect();
    found.sort_by_key(|(rank, _)| std::cmp::Reverse(*rank));
    found.into_iter().map(|(_, choice)| choice).collect()
}

fn report(merged: &Merged, singles: &Singles) -> LogReport {
    let count = |status| {
        let of_segments: u64 = merged
            .pieces
            .iter()
            .filter(|p| p.status == status)
            .map(|p| p.to - p.from)
            .sum();
        let alone = singles.statuses.values().filter(|s| **s == Some(status));
        of_segments + alone.count() as u64
    };
    let mut forks = merged.forks.clone();
    forks.extend(singles.forks.iter().cloned());
    LogReport {
        held: count(EntryStatus::Held),
        disputed: count(EntryStatus::Disputed),
        revoked: count(EntryStatus::Revoked),
        gaps: merged.gaps.clone(),
        forks,
        unknown_choices: merged.unknown_choices.iter().map(|c| c.size).collect(),
    }
}
