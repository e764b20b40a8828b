//! What single proven entries of one log count for: entries that came in a unit history and not in a
//! segment.
//!
//! A pure function of the merged segments, the single entries, trust and choices, so that the order
//! of arrival makes no difference. A segment decides where it holds the same entry. Elsewhere a
//! single entry counts by its proof alone. Where it contradicts a segment or another single entry it
//! is disputed and reported as a fork; the whole line that segments prove goes on counting.

use super::merge::{Choice, Fork, Merged};
use super::status::EntryStatus;
use carrylog_format::instant::Instant;
use carrylog_format::statement::Role;
use carrylog_format::tree::Hash;
use carrylog_format::trust::Standing;
use std::collections::BTreeMap;

/// A single entry's place, and the seal that proves it.
#[derive(Debug, Clone)]
pub struct SingleEntry {
    /// Index in the log.
    pub index: u64,
    /// Leaf hash.
    pub leaf: Hash,
    /// Entries that the seal covers.
    pub seal_size: u64,
    /// Root that it states.
    pub seal_root: Hash,
    /// When it was made, by the station's clock.
    pub seal_at: Instant,
}

/// What came of the single entries of one log.
#[derive(Debug, Clone, Default)]
pub struct Singles {
    /// Entries that no segment holds, by place: their status, `None` if they stand for nothing.
    pub statuses: BTreeMap<(u64, Hash), Option<EntryStatus>>,
    /// Contradictions that they prove.
    pub forks: Vec<Fork>,
}

impl Singles {
    /// Decides about the single entries of one log.
    pub fn of(
        singles: &[SingleEntry],
        merged: &Merged,
        standing: Option<&Standing>,
        choices: &[Choice],
    ) -> Self {
        let mut found = Self::default();
        let mut counting: BTreeMap<u64, Vec<&SingleEntry>> = BTreeMap::new();
        let station = standing.filter(|s| s.enrolment.role == Role::Station);
        for single in singles {
            if station.is_some_and(|s| s.covers(single.seal_at)) {
                counting.entry(single.index).or_default().push(single);
            }
        }
        let settled = |differ_by: u64| {
            choices
                .iter()
                .any(|c| c.size >= differ_by && merged.accepts_root(c.size, &c.root))
        };
        let fork = |differ_by: u64, one: (u64, Hash), other: (u64, Hash)| Fork {
            same_up_to: 0,
            differ_by,
            tips: [one.min(other), one.max(other)],
            settled: settled(differ_by),
        };
        for single in singles {
            let tip = (single.seal_size, single.seal_root);
            let place = (single.index, single.leaf);
            let rivals = counting.get(&single.index).map_or(&[][..], Vec::as_slice);
            let counts = rivals.iter().any(|s| s.leaf == single.leaf);
            let mut held_whole = false;
            let mut contradicted = None;
            for piece in &merged.pieces {
                let offset = single.index.checked_sub(piece.from);
                let leaf =
                    offset.and_then(|at| merged.leaves(piece).get(usize::try_from(at).ok()?));
                match leaf {
                    Some(leaf) if *leaf == single.leaf => held_whole = true,
                    Some(_) => contradicted = Some((piece.to, piece.root)),
                    None => {}
                }
            }
            if counts && held_whole {
                let whole = merged.root_at_accepted(single.seal_size);
                if let Some(root) = whole.filter(|root| *root != single.seal_root) {
                    found
                        .forks
                        .push(fork(single.seal_size, tip, (single.seal_size, root)));
                }
            }
            if held_whole {
                continue;
            }
            if let Some(other) = contradicted.filter(|_| counts) {
                found.forks.push(fork(single.index + 1, tip, other));
            }
            let rival = rivals.iter().find(|s| s.leaf != single.leaf);
            if let Some(rival) = rival.filter(|_| counts) {
                let other = (rival.seal_size, rival.seal_root);
                found.forks.push(fork(single.index + 1, tip, other));
            }
            let revoked = station
                .and_then(|s| s.revoked_from)
                .is_some_and(|from| single.index >= from);
            let status = match (counts, contradicted.is_some() || rival.is_some()) {
                (false, _) => None,
                (true, true) => Some(EntryStatus::Disputed),
                (true, false) if revoked => Some(EntryStatus::Revoked),
                (true, false) => Some(EntryStatus::Accepted),
            };
            found.statuses.insert(place, status);
        }
        found.forks.sort();
        found.forks.dedup();
        found
    }

    /// The digest of a log's state with its single entries; that of its segments if there are none.
    pub fn digest(&self, of_segments: Hash) -> Hash {
        let mut bytes = b"carrylog log state with single entries 1\0".to_vec();
        bytes.extend(of_segments.as_bytes());
        let standing = || self.statuses.iter().filter_map(|(p, s)| Some((p, (*s)?)));
        for ((index, leaf), status) in standing() {
            bytes.push(status as u8);
            bytes.extend(index.to_be_bytes());
            bytes.extend(leaf.as_bytes());
        }
        if standing().next().is_none() {
            return of_segments;
        }
        Hash::of(&bytes)
    }
}
