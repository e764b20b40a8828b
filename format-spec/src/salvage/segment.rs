//! Saves a segment: which entries still lead to a sealed root, and which indexes are lost.
//!
//! Elements are taken run by run, each up to the next seal whose signature holds.

use super::pieces::{Piece, Place};
use super::run::{Proof, Slot, aligned, clear, prove};
use super::salvaged::{Remains, SavedEntry, intact};
use super::sound::{Sound, SoundSegment};
use super::source::Source;
use crate::bundle::{BUNDLE_VERSION, BundleHeader, SegmentHeader};
use crate::cbor::{self, Limits};
use crate::cose::PublicKey;
use crate::frame::{FrameType, frame_digest};
use crate::ids::{EntryId, LogId};
use crate::seal::Seal;
use crate::tree::{Frontier, Hash};
use std::io::{Read, Seek};
use std::ops::Range;

pub(super) fn save_segment<R: Read + Seek>(
    remains: &mut Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) {
    let header = match &remains.header {
        Some(BundleHeader::Segment(header)) => Some(header.clone()),
        _ => None,
    };
    let key = header
        .as_ref()
        .map(|h| h.key)
        .filter(|key| header.as_ref().is_some_and(|h| h.log == LogId::of(key)))
        .or(remains.known_key)
        .or_else(|| enrolled_key(remains, source, pieces));
    let mut saving = Saving {
        log: key.as_ref().map(LogId::of),
        state: State::Unknown,
        frontier: frontier_hashes(source, pieces),
        proven: Vec::new(),
        unproven: Vec::new(),
        seals: Vec::new(),
        first: header.as_ref().map(|h| h.from),
        kept: Vec::new(),
        sound: None,
    };
    if let Some(from) = saving.first {
        saving.start(from);
    }
    let mut run = Vec::new();
    let is_frontier =
        |piece: &Piece| matches!(piece, Piece::Intact(p) if p.kind == FrameType::Frontier);
    let before = pieces.iter().position(is_frontier).unwrap_or(0);
    for piece in pieces.iter().skip(before) {
        if let Some((seal, place)) = key.as_ref().and_then(|key| seal_in(source, piece, key)) {
            let grows = |size| seal.content().size > size;
            if saving.state.size().is_none_or(grows) {
                saving.close(source, std::mem::take(&mut run), seal, place);
            }
            continue;
        }
        match piece {
            Piece::Intact(place) => match place.kind {
                FrameType::Entry => run.push(Slot::Intact(*place)),
                FrameType::Trace => saving.kept.push(*place),
                _ => {}
            },
            Piece::Damaged(damage) => match damage.kind {
                Some(FrameType::Entry) => run.push(Slot::Lost(damage.clone())),
                None => run.push(Slot::Unclear(damage.clone())),
                Some(_) => {}
            },
        }
    }
    saving.take_unproven(&run, saving.state.size(), None);
    let last = saving.seals.last().map(|seal| seal.content().size);
    let to = header.as_ref().map(|h| h.to).or(last);
    remains.saved.lost = saving.lost(to);
    remains.saved.log = saving.log;
    remains.saved.standing = saving.log.and_then(|log| remains.trust.standing(log));
    remains.saved.sound = match (key, saving.first, saving.sound) {
        (Some(key), Some(from), Some(part)) => Some(Sound::Segment(Box::new(SoundSegment {
            header: SegmentHeader {
                v: BUNDLE_VERSION,
                to: part.to,
                key,
                log: LogId::of(&key),
                from,
            },
            frontier: part.frontier,
            statements: remains.statements.clone(),
            elements: part.elements,
        }))),
        _ => None,
    };
    remains.saved.proven = saving.proven;
    remains.saved.unproven = saving.unproven;
    remains.saved.seals = saving.seals;
}

/// The seal in a piece, if its signature holds: that proves it even if the element is damaged.
fn seal_in<R: Read + Seek>(
    source: &mut Source<'_, R>,
    piece: &Piece,
    key: &PublicKey,
) -> Option<(Seal, Place)> {
    let (offset, length) = match piece {
        Piece::Intact(place) if place.kind == FrameType::Seal => {
            (place.payload_offset, place.payload_len)
        }
        Piece::Damaged(damage) if damage.kind == Some(FrameType::Seal) => damage.payload?,
        _ => return None,
    };
    let sign1 = source.payload(offset, length);
    let seal = Seal::verify(&sign1, key).ok()?;
    let place = Place {
        kind: FrameType::Seal,
        payload_offset: offset,
        payload_len: length,
        digest: frame_digest(FrameType::Seal, &sign1),
    };
    Some((seal, place))
}

/// The key of the first seal whose log is enrolled.
fn enrolled_key<R: Read + Seek>(
    remains: &Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) -> Option<PublicKey> {
    intact(pieces)
        .filter(|place| place.kind == FrameType::Seal)
        .find_map(|place| {
            let sign1 = source.payload(place.payload_offset, place.payload_len);
            let log = Seal::claimed_log(&sign1).ok()?;
            Some(remains.trust.standing(log)?.enrolment.key)
        })
}

fn frontier_hashes<R: Read + Seek>(
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) -> Option<Vec<Hash>> {
    let place = intact(pieces).find(|place| place.kind == FrameType::Frontier)?;
    let limits = Limits {
        max_len: FrameType::Frontier.max_payload() as usize,
        max_depth: 2,
        allow_tags: false,
    };
    let payload = source.payload(place.payload_offset, place.payload_len);
    cbor::from_canonical(&payload, &limits).ok()
}

/// What is known where the next entry begins.
enum State {
    /// The compact range that a seal, or the file's own beginning, vouches for.
    Proven(Frontier),
    /// The index only.
    Index(u64),
    Unknown,
}

impl State {
    fn size(&self) -> Option<u64> {
        match self {
            Self::Proven(frontier) => Some(frontier.size()),
            Self::Index(size) => Some(*size),
            Self::Unknown => None,
        }
    }
}

/// The part from the beginning without a loss, up to a seal.
struct SoundRun {
    to: u64,
    frontier: Frontier,
    elements: Vec<Place>,
}

struct Saving {
    log: Option<LogId>,
    state: State,
    frontier: Option<Vec<Hash>>,
    proven: Vec<SavedEntry>,
    unproven: Vec<SavedEntry>,
    seals: Vec<Seal>,
    first: Option<u64>,
    /// Elements since the last seal that a sound part would carry on.
    kept: Vec<Place>,
    sound: Option<SoundRun>,
}

impl Saving {
    fn start(&mut self, from: u64) {
        let hashes = match &self.frontier {
            Some(hashes) => hashes.clone(),
            None if from == 0 => Vec::new(),
            None => {
                self.state = State::Index(from);
                return;
            }
        };
        self.state = match Frontier::from_parts(from, hashes) {
            Ok(frontier) => State::Proven(frontier),
            Err(_) => State::Index(from),
        };
    }

    /// Takes the run of slots that `seal` ends.
    fn close<R: Read + Seek>(
        &mut self,
        source: &mut Source<'_, R>,
        run: Vec<Slot>,
        seal: Seal,
        place: Place,
    ) {
        let size = seal.content().size;
        let root = &seal.content().root;
        let proof = match self.state {
            State::Unknown if self.seals.is_empty() => self.find_start(source, &run, size, root),
            State::Proven(ref frontier) => aligned(&run, size - frontier.size())
                .and_then(|slots| prove(source, frontier, &slots, root)),
            _ => None,
        };
        match proof {
            Some(proof) => self.take_proven(proof, &seal, place),
            None => {
                self.take_unproven(&run, self.state.size(), Some(size));
                self.state = State::Index(size);
            }
        }
        self.kept.clear();
        self.seals.push(seal);
    }

    fn take_proven(&mut self, proof: Proof, seal: &Seal, place: Place) {
        let start = match &self.state {
            State::Proven(frontier) => frontier.clone(),
            _ => return,
        };
        let whole = proof.places.iter().all(Option::is_some);
        for (i, entry) in proof.places.iter().enumerate() {
            if let Some(entry) = entry {
                let index = Some(start.size() + i as u64);
                self.proven.push(self.saved(entry, index));
            }
        }
        let content = seal.content();
        let before = self.seals.last();
        let chained = match before {
            Some(last) => {
                content.seq == last.content().seq + 1 && content.prev == Some(last.digest())
            }
            None => (content.seq == 0) == (start.size() == 0),
        };
        let upto = match (&self.sound, before) {
            (Some(sound), _) => Some(sound.to),
            (None, None) => Some(start.size()),
            (None, Some(_)) => None,
        };
        if whole && chained && upto == Some(start.size()) {
            let sound = self.sound.get_or_insert(SoundRun {
                to: 0,
                frontier: start,
                elements: Vec::new(),
            });
            let mut elements: Vec<Place> = proof.places.into_iter().flatten().collect();
            elements.append(&mut self.kept);
            elements.sort_by_key(|place| place.payload_offset);
            sound.to = content.size;
            sound.elements.append(&mut elements);
            sound.elements.push(place);
        }
        self.state = State::Proven(proof.frontier);
    }

    /// The header is lost: the first seal and the entries before it tell where the file began. A
    /// wrong guess does not give the sealed root, and is forgotten.
    fn find_start<R: Read + Seek>(
        &mut self,
        source: &mut Source<'_, R>,
        run: &[Slot],
        size: u64,
        root: &Hash,
    ) -> Option<Proof> {
        for slots in [clear(run), run.iter().collect()] {
            let Some(from) = size.checked_sub(slots.len() as u64) else {
                continue;
            };
            self.start(from);
            if let State::Proven(frontier) = &self.state
                && let Some(proof) = prove(source, frontier, &slots, root)
            {
                self.first = Some(from);
                return Some(proof);
            }
        }
        self.state = State::Unknown;
        None
    }

    /// Keeps the intact entries of a run that starts at index `start` and ends at `end`, where those
    /// are known. Indexes count forwards to the first unclear damage and backwards to the last one.
    fn take_unproven(&mut self, run: &[Slot], start: Option<u64>, end: Option<u64>) {
        let unclear = |slot: &Slot| matches!(slot, Slot::Unclear(_));
        let count = run.len() as u64;
        let fits = match (start, end) {
            (Some(start), Some(end)) => end - start == count,
            _ => true,
        };
        // Without unclear damage a count that does not fit means that elements were cut out.
        let nowhere = if fits { run.len() } else { 0 };
        let head = run.iter().position(unclear).unwrap_or(nowhere);
        let tail = match run.iter().rposition(unclear) {
            Some(last) => last + 1,
            None if fits => 0,
            None => run.len(),
        };
        for (i, slot) in run.iter().enumerate() {
            let Slot::Intact(place) = slot else {
                continue;
            };
            let forwards = start.filter(|_| i < head).map(|start| start + i as u64);
            let backwards = || {
                end.filter(|_| i >= tail)
                    .and_then(|end| end.checked_sub(count - i as u64))
            };
            let saved = self.saved(place, forwards.or_else(backwards));
            self.unproven.push(saved);
        }
    }

    fn saved(&self, place: &Place, index: Option<u64>) -> SavedEntry {
        SavedEntry {
            log: self.log,
            index,
            id: EntryId::from_hash(place.digest),
            place: *place,
        }
    }

    /// The indexes up to `to` that no saved entry has.
    fn lost(&self, to: Option<u64>) -> Vec<Range<u64>> {
        let (Some(from), Some(to)) = (self.first, to) else {
            return Vec::new();
        };
        let mut held: Vec<u64> = self
            .proven
            .iter()
            .chain(&self.unproven)
            .filter_map(|saved| saved.index)
            .filter(|index| (from..to).contains(index))
            .collect();
        held.sort_unstable();
        held.dedup();
        let mut lost = Vec::new();
        let mut next = from;
        for index in held {
            if index > next {
                lost.push(next..index);
            }
            next = index + 1;
        }
        if next < to {
            lost.push(next..to);
        }
        lost
    }
}
