//! Brings the stored state of one log up to date with its segments, seals and the trust in its key.

use crate::branches::Segment;
use crate::fleet_digest::{Run, log_digest, runs_digest};
use crate::merge::{Choice, EntryStatus, Fork, Gap, Known, Merged, merge};
use crate::single_entries::Singles;
use crate::store::{self, LogRow, LogState, SealRow, StatusChange, StoreError};
use carrylog_format::bundle::VerifiedSegment;
use carrylog_format::ids::LogId;
use carrylog_format::statement::{Role, StatementBody};
use carrylog_format::tree::{Frontier, Hash};
use carrylog_format::trust::{Standing, TrustStore};
use rusqlite::Connection;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet, HashMap};

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

/// What an update of a log changed.
#[derive(Debug)]
pub(crate) struct Refreshed {
    pub(crate) changes: Vec<StatusChange>,
    /// The whole derivation; absent if the segment simply continued the log.
    pub(crate) merged: Option<Merged>,
    pub(crate) report: LogReport,
    pub(crate) size: u64,
}

/// The state of a log without entries.
pub(crate) fn empty_state() -> LogState {
    LogState {
        size: 0,
        frontier: Some(Frontier::new()),
        digest: runs_digest([]),
        report: encode_report(&LogReport::default()),
    }
}

/// Reads a log's stored report.
pub(crate) fn report_of(state: &LogState) -> Result<LogReport, StoreError> {
    serde_json::from_str(&state.report).map_err(StoreError::damaged)
}

/// Takes a verified segment into the stored set and brings the log up to date.
///
/// What only continues or repeats a log in which everything counts is decided from the log's
/// frontier alone; everything else derives the log anew from all its segments, and so does a segment
/// that brought statements along, which may be about this log.
pub(crate) fn add_segment(
    c: &Connection,
    log: &LogRow,
    verified: &VerifiedSegment,
    leaves: &[Hash],
    trust: &TrustStore,
    trust_is_new: bool,
) -> Result<Refreshed, StoreError> {
    if !trust_is_new && let Some(refreshed) = continue_log(c, log, verified, leaves, trust)? {
        return Ok(refreshed);
    }
    let segment = Segment {
        before: verified.before().clone(),
        leaves: leaves.to_vec(),
    };
    store::add_segment(c, log.row, &segment, verified.after().root())?;
    refresh(c, log, trust)
}

fn continue_log(
    c: &Connection,
    log: &LogRow,
    verified: &VerifiedSegment,
    leaves: &[Hash],
    trust: &TrustStore,
) -> Result<Option<Refreshed>, StoreError> {
    let Some(known) = &log.state.frontier else {
        return Ok(None);
    };
    if !counts_entirely(c, log, trust)? || store::has_singles(c, log.row)? {
        return Ok(None);
    }
    let (from, to, size) = (verified.header().from, verified.header().to, known.size());
    if from > size {
        return Ok(None);
    }
    let unchanged = Refreshed {
        changes: Vec::new(),
        merged: None,
        report: LogReport::default(),
        size,
    };
    if to < size {
        // A receipt was given for this very root, so every leaf before it is the one we hold.
        let same = store::has_receipt(c, log.row, to, verified.after().root())?;
        return Ok(same.then_some(unchanged));
    }
    let (repeated, new) = leaves
        .split_at_checked((size - from) as usize)
        .unwrap_or((leaves, &[]));
    let mut at_size = verified.before().clone();
    repeated.iter().for_each(|leaf| at_size.push(*leaf));
    if at_size != *known {
        return Ok(None);
    }
    if new.is_empty() {
        return Ok(Some(unchanged));
    }
    let root = verified.after().root();
    let segment = Segment {
        before: at_size,
        leaves: new.to_vec(),
    };
    store::add_segment(c, log.row, &segment, root)?;
    let run = Run {
        status: EntryStatus::Accepted,
        from: 0,
        to,
        root,
    };
    let state = LogState {
        size: to,
        frontier: Some(verified.after().clone()),
        digest: runs_digest([run]),
        report: encode_report(&LogReport::default()),
    };
    store::set_log_state(c, log.row, &state)?;
    Ok(Some(Refreshed {
        size: to,
        ..unchanged
    }))
}

/// All entries of this log count and will, whichever of its sealed parts come.
fn counts_entirely(c: &Connection, log: &LogRow, trust: &TrustStore) -> Result<bool, StoreError> {
    let may = trust
        .standing(log.log)
        .is_some_and(|s| s.enrolment.role == Role::Station && s.revoked_from.is_none());
    Ok(may && choices(trust, log.log).is_empty() && !store::has_cleared(c, log.row)?)
}

/// Derives a log anew from everything stored of it, and writes statuses and state.
pub(crate) fn refresh(
    c: &Connection,
    log: &LogRow,
    trust: &TrustStore,
) -> Result<Refreshed, StoreError> {
    let segments = store::segments(c, log.row)?;
    let all: usize = segments.iter().map(|s| s.leaves.len()).sum();
    let counting = match trust
        .standing(log.log)
        .filter(|s| s.enrolment.role == Role::Station)
    {
        Some(standing) => within_dates(segments, &store::seals(c, log.row)?, &standing),
        None => Vec::new(),
    };
    let some_do_not_count = counting.iter().map(|s| s.leaves.len()).sum::<usize>() < all;
    let choices = choices(trust, log.log);
    let merged = merge(Known {
        segments: counting,
        choices: &choices,
        revoked_from: trust.revoked_from(log.log),
    });
    let singles = Singles::of(
        &store::singles(c, log.row)?,
        &merged,
        trust.standing(log.log).as_ref(),
        &choices,
    );
    let mut changes = Vec::new();
    if some_do_not_count || store::has_cleared(c, log.row)? {
        changes.extend(store::clear_status(c, log.row)?);
    }
    changes.extend(write_statuses(c, log.row, &merged)?);
    for ((index, leaf), status) in &singles.statuses {
        changes.extend(match status {
            Some(status) => store::set_status(c, log.row, *index, *leaf, *status)?,
            None => store::clear_status_of(c, log.row, *index, *leaf)?,
        });
    }
    let report = report(&merged, &singles);
    let state = LogState {
        size: merged.accepted,
        frontier: merged.is_plain().then(|| merged.end().clone()),
        digest: singles.digest(log_digest(&merged)),
        report: encode_report(&report),
    };
    store::set_log_state(c, log.row, &state)?;
    Ok(Refreshed {
        changes,
        size: merged.accepted,
        merged: Some(merged),
        report,
    })
}

/// The parts of segments whose first seal lies within the dates of the key's enrolment.
fn within_dates(segments: Vec<Segment>, seals: &[SealRow], standing: &Standing) -> Vec<Segment> {
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

fn write_statuses(
    c: &Connection,
    log: i64,
    merged: &Merged,
) -> Result<Vec<StatusChange>, StoreError> {
    let mut changes = Vec::new();
    // Where branches run beside each other, one entry may stand on several: its best status counts.
    let mut beside: HashMap<(u64, Hash), EntryStatus> = HashMap::new();
    for (position, piece) in merged.pieces.iter().enumerate() {
        let alone = merged
            .pieces
            .iter()
            .enumerate()
            .all(|(other, p)| other == position || p.to <= piece.from || piece.to <= p.from);
        if alone {
            changes.extend(store::set_status_of_run(
                c,
                log,
                piece.from,
                piece.to,
                piece.status,
            )?);
            continue;
        }
        for (index, leaf) in (piece.from..).zip(merged.leaves(piece)) {
            let best = beside.entry((index, *leaf)).or_insert(piece.status);
            *best = (*best).min(piece.status);
        }
    }
    for ((index, leaf), status) in beside {
        changes.extend(store::set_status(c, log, index, leaf, status)?);
    }
    Ok(changes)
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

fn encode_report(report: &LogReport) -> String {
    // Plain numbers, hashes and lists always serialise.
    serde_json::to_string(report).unwrap_or_else(|_| "{}".to_owned())
}
