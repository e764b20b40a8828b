//! Cuts a damaged file into pieces: elements that are intact, and the damage between them.

use super::source::{Found, Head, Source, TAIL_BYTES};
use crate::frame::{FrameType, MAGIC, frame_digest};
use crate::tree::Hash;
use std::io::{Read, Seek};

/// A piece of a damaged file, in file order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Piece {
    Intact(Place),
    Damaged(Damage),
}

/// An element whose payload was proven by its digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    pub(super) kind: FrameType,
    pub(super) payload_offset: u64,
    pub(super) payload_len: u64,
    pub(super) digest: Hash,
}

/// Bytes that are no intact element.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Damage {
    pub(super) offset: u64,
    pub(super) end: u64,
    /// What the element claims to be, if its head can be believed.
    pub(super) kind: Option<FrameType>,
    /// Where its payload seems to be: offset and length.
    pub(super) payload: Option<(u64, u64)>,
    /// The digest that it seems to have had.
    pub(super) stored: Option<Hash>,
}

/// Types that a payload is tried as when the head of its element is damaged.
const TRIED: [FrameType; 9] = [
    FrameType::Entry,
    FrameType::Seal,
    FrameType::Header,
    FrameType::Frontier,
    FrameType::Statement,
    FrameType::ProvenEntry,
    FrameType::Receipt,
    FrameType::Head,
    FrameType::Trace,
];

/// All pieces of a file from the tag to its end, recovery data left out.
pub(super) fn pieces<R: Read + Seek>(source: &mut Source<'_, R>) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let mut at = MAGIC.len() as u64;
    let mut next = None;
    while at < source.length() {
        if let Some(found) = next.take().or_else(|| source.probe(at)) {
            at = found.head.end();
            if let Some(kind) = FrameType::from_byte(found.head.type_byte)
                && kind != FrameType::Recovery
            {
                pieces.push(Piece::Intact(place(kind, &found)));
            }
            continue;
        }
        if let Some(damage) = believed(source, at) {
            at = damage.end;
            pieces.push(Piece::Damaged(damage));
            continue;
        }
        next = source.search(at + 1, None);
        let end = next.as_ref().map_or(source.length(), |found| found.offset);
        pieces.push(between(source, at, end, next.is_some()));
        at = end;
    }
    pieces
}

fn place(kind: FrameType, found: &Found) -> Place {
    Place {
        kind,
        payload_offset: found.head.payload_offset,
        payload_len: found.head.payload_len,
        digest: found.digest,
    }
}

/// Damage inside an element whose head leads to another element or to the end of the file.
fn believed<R: Read + Seek>(source: &mut Source<'_, R>, at: u64) -> Option<Damage> {
    let head = source.head_at(at)?;
    let stored = source.stored_digest(head.end())?;
    let follows = head.end() == source.length()
        || source
            .head_at(head.end())
            .is_some_and(|next: Head| source.stored_digest(next.end()).is_some());
    follows.then_some(Damage {
        offset: at,
        end: head.end(),
        kind: FrameType::from_byte(head.type_byte),
        payload: Some((head.payload_offset, head.payload_len)),
        stored: Some(stored),
    })
}

/// What stands between `at` and `end`: perhaps one element with a damaged head or digest head.
fn between<R: Read + Seek>(source: &mut Source<'_, R>, at: u64, end: u64, followed: bool) -> Piece {
    let payload = [1, 2, 3, 5].iter().find_map(|head_len| {
        let length = (end - at).checked_sub(2 + head_len + TAIL_BYTES)?;
        let shortest = match length {
            0..24 => 1,
            24..0x100 => 2,
            0x100..0x1_0000 => 3,
            _ => 5,
        };
        (shortest == *head_len && length <= FrameType::Trace.max_payload())
            .then_some((at + 2 + head_len, length))
    });
    let mut damage = Damage {
        offset: at,
        end,
        kind: None,
        payload,
        stored: None,
    };
    let Some((offset, length)) = payload else {
        return Piece::Damaged(damage);
    };
    let mut stored = [0; Hash::LEN];
    source.read_at(end - Hash::LEN as u64, &mut stored);
    let stored = Hash::from_bytes(stored);
    let bytes = source.payload(offset, length);
    for kind in TRIED {
        if length <= kind.max_payload() && frame_digest(kind, &bytes) == stored {
            return Piece::Intact(Place {
                kind,
                payload_offset: offset,
                payload_len: length,
                digest: stored,
            });
        }
    }
    damage.stored = followed.then_some(stored);
    Piece::Damaged(damage)
}
