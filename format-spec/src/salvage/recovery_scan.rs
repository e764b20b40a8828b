//! Finds the recovery elements that survived, wherever they stand.

use super::source::Source;
use crate::frame::FrameType;
use crate::recovery::{Layout, RecoveryPayload};
use crate::tree::Hash;
use std::collections::BTreeMap;
use std::io::{Read, Seek};

/// Sets tried for one file; more than one only in a file that was made to confuse.
const MAX_SETS: usize = 4;

/// The surviving recovery elements of one region.
#[derive(Debug)]
pub(super) struct RecoverySet {
    pub(super) layout: Layout,
    pub(super) whole: Hash,
    /// Offsets by group and index.
    pub(super) elements: BTreeMap<(u64, u64), u64>,
}

/// The sets in a file, the fullest first.
///
/// An element counts only where it says it stands: one that was copied into an entry does not.
pub(super) fn recovery_sets<R: Read + Seek>(source: &mut Source<'_, R>) -> Vec<RecoverySet> {
    let mut sets: Vec<RecoverySet> = Vec::new();
    let mut at = 0;
    while let Some(found) = source.search(at, Some(FrameType::Recovery)) {
        at = found.offset + 1;
        let Ok(payload) = RecoveryPayload::parse(&found.payload) else {
            continue;
        };
        let Some(layout) = payload.layout() else {
            continue;
        };
        if payload.at != found.offset || payload.at < payload.length {
            continue;
        }
        at = found.head.end();
        let place = (payload.group, payload.index);
        let same = |set: &RecoverySet| set.layout == layout && set.whole == payload.whole;
        let number = match sets.iter().position(same) {
            Some(number) => number,
            None if sets.len() == MAX_SETS => continue,
            None => {
                sets.push(RecoverySet {
                    layout,
                    whole: payload.whole,
                    elements: BTreeMap::new(),
                });
                sets.len() - 1
            }
        };
        if let Some(set) = sets.get_mut(number) {
            set.elements.insert(place, found.offset);
        }
    }
    sets.sort_by_key(|set| std::cmp::Reverse(set.elements.len()));
    sets
}
