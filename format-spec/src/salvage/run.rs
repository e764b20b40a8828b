//! A run of entries up to a seal: finds the leaf hashes that give the sealed root.
//!
//! A lost entry's leaf hash usually survives as its element's digest, so the root can still be
//! computed around it. Every guess made here is believed only if the sealed root comes out.

use super::pieces::{Damage, Place};
use super::source::Source;
use crate::frame::{FrameType, frame_digest};
use crate::tree::{Frontier, Hash};
use std::io::{Read, Seek};

/// Damaged entries for which both possible leaf hashes are tried, one at a time.
const MAX_SWAPS: usize = 64;

/// A piece that is, or may be, an entry.
#[derive(Debug, Clone)]
pub(super) enum Slot {
    Intact(Place),
    /// A damaged element that says it is an entry.
    Lost(Damage),
    /// Damage that may hide an entry, something else, or several of both.
    Unclear(Damage),
}

/// The slots that are entries, if their number can be made to fit.
pub(super) fn aligned(run: &[Slot], entries: u64) -> Option<Vec<&Slot>> {
    let clear = clear(run);
    if run.len() as u64 == entries {
        Some(run.iter().collect())
    } else {
        (clear.len() as u64 == entries).then_some(clear)
    }
}

/// The slots that are entries for certain.
pub(super) fn clear(run: &[Slot]) -> Vec<&Slot> {
    run.iter()
        .filter(|slot| !matches!(slot, Slot::Unclear(_)))
        .collect()
}

/// A run that gives the sealed root.
pub(super) struct Proof {
    pub(super) frontier: Frontier,
    /// The intact entries; `None` for one whose bytes are lost.
    pub(super) places: Vec<Option<Place>>,
}

/// A leaf of a run that is to be proven.
struct Leaf {
    hash: Hash,
    place: Option<Place>,
}

/// Looks for leaf hashes of the damaged slots that give `root`.
pub(super) fn prove<R: Read + Seek>(
    source: &mut Source<'_, R>,
    start: &Frontier,
    slots: &[&Slot],
    root: &Hash,
) -> Option<Proof> {
    let mut chosen = Vec::with_capacity(slots.len());
    // The other reading of a damaged slot: its payload is intact and its digest is not.
    let mut others = Vec::new();
    for slot in slots {
        let (leaf, other) = readings(source, slot)?;
        if let Some(other) = other {
            others.push((chosen.len(), other));
        }
        chosen.push(leaf);
    }
    if let Some(proof) = attempt(start, &chosen, root) {
        return Some(proof);
    }
    for (i, other) in others.iter_mut().take(MAX_SWAPS) {
        swap(&mut chosen, *i, other);
        if let Some(proof) = attempt(start, &chosen, root) {
            return Some(proof);
        }
        swap(&mut chosen, *i, other);
    }
    for (i, other) in &mut others {
        swap(&mut chosen, *i, other);
    }
    attempt(start, &chosen, root)
}

fn swap(chosen: &mut [Leaf], i: usize, other: &mut Leaf) {
    if let Some(leaf) = chosen.get_mut(i) {
        std::mem::swap(leaf, other);
    }
}

fn readings<R: Read + Seek>(
    source: &mut Source<'_, R>,
    slot: &Slot,
) -> Option<(Leaf, Option<Leaf>)> {
    let damage = match slot {
        Slot::Intact(place) => {
            let leaf = Leaf {
                hash: place.digest,
                place: Some(*place),
            };
            return Some((leaf, None));
        }
        Slot::Lost(damage) | Slot::Unclear(damage) => damage,
    };
    let stored = damage.stored.map(|hash| Leaf { hash, place: None });
    let computed = damage
        .payload
        .filter(|(_, length)| *length <= FrameType::Entry.max_payload())
        .map(|(offset, length)| {
            let hash = frame_digest(FrameType::Entry, &source.payload(offset, length));
            Leaf {
                hash,
                place: Some(Place {
                    kind: FrameType::Entry,
                    payload_offset: offset,
                    payload_len: length,
                    digest: hash,
                }),
            }
        });
    match (stored, computed) {
        (Some(stored), computed) => Some((stored, computed)),
        (None, computed) => Some((computed?, None)),
    }
}

fn attempt(start: &Frontier, leaves: &[Leaf], root: &Hash) -> Option<Proof> {
    let mut frontier = start.clone();
    for leaf in leaves {
        frontier.push(leaf.hash);
    }
    (frontier.root() == *root).then(|| Proof {
        frontier,
        places: leaves.iter().map(|leaf| leaf.place).collect(),
    })
}
