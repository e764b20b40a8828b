//! Brings the stored state of one log up to date with its segments, seals and the trust in its key.

use crate::store::{self, LogRow, LogState, SealRow, StatusChange, StoreError};
use carrylog_format::bundle::VerifiedSegment;
use carrylog_format::tree::{Frontier, Hash};
use carrylog_format::trust::TrustStore;
use carrylog_history::log::{
    DerivedLog, EntryStatus, LogMaterial, LogReport, Merged, Run, Segment, counts_wholly,
    runs_digest,
};
use rusqlite::Connection;
use std::collections::HashMap;

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
    Ok(counts_wholly(log.log, trust) && !store::has_cleared(c, log.row)?)
}

/// Derives a log anew from everything stored of it.
pub(crate) fn derive(
    c: &Connection,
    log: &LogRow,
    trust: &TrustStore,
) -> Result<DerivedLog, StoreError> {
    let material = LogMaterial {
        segments: store::segments(c, log.row)?,
        seals: store::seals(c, log.row)?
            .iter()
            .map(SealRow::fact)
            .collect(),
        singles: store::singles(c, log.row)?
            .into_iter()
            .map(|single| single.place)
            .collect(),
        at_home: false,
    };
    Ok(DerivedLog::of(log.log, material, trust))
}

/// The state of a log as the store keeps it.
pub(crate) fn state_of(derived: &DerivedLog) -> LogState {
    let merged = &derived.merged;
    LogState {
        size: merged.accepted,
        frontier: merged.is_plain().then(|| merged.end().clone()),
        digest: derived.digest,
        report: encode_report(&derived.report),
    }
}

/// Derives a log anew and writes statuses and state.
pub(crate) fn refresh(
    c: &Connection,
    log: &LogRow,
    trust: &TrustStore,
) -> Result<Refreshed, StoreError> {
    let derived = derive(c, log, trust)?;
    let mut changes = Vec::new();
    if derived.some_stand_for_nothing || store::has_cleared(c, log.row)? {
        changes.extend(store::clear_status(c, log.row)?);
    }
    changes.extend(write_statuses(c, log.row, &derived.merged)?);
    for ((index, leaf), status) in &derived.singles.statuses {
        changes.extend(match status {
            Some(status) => store::set_status(c, log.row, *index, *leaf, *status)?,
            None => store::clear_status_of(c, log.row, *index, *leaf)?,
        });
    }
    let state = state_of(&derived);
    let merged = derived.merged;
    store::set_log_state(c, log.row, &state)?;
    Ok(Refreshed {
        changes,
        size: merged.accepted,
        merged: Some(merged),
        report: derived.report,
    })
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

fn encode_report(report: &LogReport) -> String {
    // Plain numbers, hashes and lists always serialise.
    serde_json::to_string(report).unwrap_or_else(|_| "{}".to_owned())
}
