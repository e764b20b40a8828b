//! Saves histories and return bundles: each of their elements is proven by itself.

use super::pieces::{Piece, Place};
use super::salvaged::{Remains, SavedEntry, entry_at, intact, proven_form};
use super::sound::Sound;
use super::source::Source;
use crate::bundle::BundleHeader;
use crate::fleet_log::{self, CarriedHead, HeadFrame};
use crate::frame::FrameType;
use crate::ids::{EntryId, LogId, TraceDigest};
use crate::receipt::{ReceiptSlip, VerifiedReceipt};
use crate::record::{Entry, Record};
use crate::seal::Seal;
use crate::sign_off;
use crate::statement::Role;
use crate::trace;
use crate::tree::{self, InclusionProof};
use std::collections::{BTreeMap, BTreeSet};
use std::io::{Read, Seek};

pub(super) fn save_return<R: Read + Seek>(
    remains: &mut Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) {
    let log = match &remains.header {
        Some(BundleHeader::Return(header)) => header.log,
        _ => None,
    };
    remains.saved.log = log;
    let mut elements = remains.statements.clone();
    let receipts = save_receipts(remains, source, pieces);
    let heads = save_heads(remains, source, pieces);
    // Receipts travel with the head that they were signed at (rule F-5), or not at all.
    let head = heads.iter().find(|(_, head)| {
        let of_head = |r: &VerifiedReceipt| {
            (r.server(), r.fleet_size(), r.fleet_root())
                == (head.log(), head.head().size, head.head().root)
        };
        !receipts.is_empty() && remains.saved.receipts.iter().all(of_head)
    });
    if let Some((place, _)) = head {
        elements.push(*place);
        elements.extend(receipts);
    }
    remains.saved.sound = remains
        .header
        .clone()
        .map(|header| Sound::Whole(Box::new(header), elements));
}

pub(super) fn save_history<R: Read + Seek>(
    remains: &mut Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) {
    let mut elements = remains.statements.clone();
    let mut heads: Vec<CarriedHead> = Vec::new();
    for (place, head) in save_heads(remains, source, pieces) {
        if fleet_log::check_place(&heads, &head).is_ok() {
            elements.push(place);
            heads.push(head);
        }
    }
    let mut seals = BTreeMap::new();
    for place in intact(pieces).filter(|place| place.kind == FrameType::Seal) {
        if let Some(seal) = enrolled_seal(remains, source, place) {
            elements.push(*place);
            seals.insert(seal.digest(), seal);
        }
    }
    elements.extend(save_receipts(remains, source, pieces));
    let mut entries = Vec::new();
    for place in intact(pieces).filter(|place| place.kind == FrameType::ProvenEntry) {
        let payload = source.payload(place.payload_offset, place.payload_len);
        let Some(form) = proven_form(&payload) else {
            continue;
        };
        let proven = place_in_log(&form.proof, &form.entry, seals.get(&form.seal));
        let saved = SavedEntry {
            log: proven.map(|(log, _)| log),
            index: proven.map(|(_, index)| index),
            id: EntryId::from_hash(tree::leaf_hash(&form.entry)),
            place: *place,
        };
        if proven.is_some() {
            entries.push(saved);
        } else {
            remains.saved.unproven.push(saved);
        }
    }
    let whole = whole_entries(source, &entries);
    elements.extend(with_traces(source, pieces, &whole));
    remains.saved.proven = entries;
    remains.saved.seals = seals.into_values().collect();
    remains.saved.sound = remains
        .header
        .clone()
        .map(|header| Sound::Whole(Box::new(header), elements));
}

fn enrolled_seal<R: Read + Seek>(
    remains: &Remains,
    source: &mut Source<'_, R>,
    place: &Place,
) -> Option<Seal> {
    let sign1 = source.payload(place.payload_offset, place.payload_len);
    let log = Seal::claimed_log(&sign1).ok()?;
    let standing = remains.trust.standing(log)?;
    if standing.enrolment.role != Role::Station {
        return None;
    }
    Seal::verify(&sign1, &standing.enrolment.key).ok()
}

/// Keeps the receipts that verify; where they stand. Those of a return bundle must be for its log.
fn save_receipts<R: Read + Seek>(
    remains: &mut Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) -> Vec<Place> {
    let mut places = Vec::new();
    let of_log = match &remains.header {
        Some(BundleHeader::Return(header)) => header.log,
        _ => None,
    };
    for place in intact(pieces).filter(|place| place.kind == FrameType::Receipt) {
        let payload = source.payload(place.payload_offset, place.payload_len);
        let verified = ReceiptSlip::parse(&payload).and_then(|slip| slip.verify(&remains.trust));
        if let Ok(receipt) = verified
            && of_log.is_none_or(|log| receipt.seal().log == log)
        {
            places.push(*place);
            remains.saved.receipts.push(receipt);
        }
    }
    places
}

/// Heads in their only form, with their places.
fn save_heads<R: Read + Seek>(
    remains: &Remains,
    source: &mut Source<'_, R>,
    pieces: &[Piece],
) -> Vec<(Place, CarriedHead)> {
    intact(pieces)
        .filter(|place| place.kind == FrameType::Head)
        .filter_map(|place| {
            let payload = source.payload(place.payload_offset, place.payload_len);
            let head = HeadFrame::read(&payload, place.payload_offset, &remains.trust).ok()?;
            Some((*place, head))
        })
        .collect()
}

/// Log and index of an entry whose proof leads to the seal's root.
fn place_in_log(proof: &[u8], entry: &[u8], seal: Option<&Seal>) -> Option<(LogId, u64)> {
    let proof = InclusionProof::from_cbor(proof).ok()?;
    let content = seal?.content();
    let holds = proof.tree_size == content.size
        && proof.verify(&tree::leaf_hash(entry), &content.root).is_ok();
    holds.then_some((content.log, proof.leaf_index))
}

/// The entries that may stand in a history: a correction or sign-off only with what it speaks of.
fn whole_entries<R: Read + Seek>(
    source: &mut Source<'_, R>,
    saved: &[SavedEntry],
) -> Vec<(Place, Entry)> {
    let mut entries: Vec<(Place, Entry)> = saved
        .iter()
        .filter_map(|saved| Some((saved.place, entry_at(source, &saved.place).ok()?)))
        .collect();
    loop {
        let ids: BTreeSet<EntryId> = entries.iter().map(|(_, entry)| entry.id()).collect();
        let before = entries.len();
        entries.retain(|(_, entry)| match entry.record() {
            Record::Correction(correction) => ids.contains(&correction.supersedes.entry),
            Record::SignOff(sign_off) => {
                sign_off::content(sign_off).is_ok_and(|c| ids.contains(&c.entry.entry))
            }
            _ => true,
        });
        if entries.len() == before {
            return entries;
        }
    }
}

/// Entries and the traces that they name, in file order.
fn with_traces<R: Read + Seek>(
    source: &mut Source<'_, R>,
    pieces: &[Piece],
    entries: &[(Place, Entry)],
) -> Vec<Place> {
    let kept: BTreeMap<u64, Option<TraceDigest>> = entries
        .iter()
        .map(|(place, entry)| {
            let named = entry.record().test().and_then(|test| test.trace.as_ref());
            (place.payload_offset, named.map(|trace| trace.sha256))
        })
        .collect();
    let mut named: BTreeSet<TraceDigest> = BTreeSet::new();
    let mut elements = Vec::new();
    for place in intact(pieces) {
        match place.kind {
            FrameType::ProvenEntry => {
                if let Some(trace) = kept.get(&place.payload_offset) {
                    named.extend(*trace);
                    elements.push(*place);
                }
            }
            FrameType::Trace => {
                let compressed = source.payload(place.payload_offset, place.payload_len);
                let digest = trace::digest_compressed(&compressed, trace::MAX_CANONICAL_LEN);
                if digest.is_ok_and(|(digest, _)| named.contains(&digest)) {
                    elements.push(*place);
                }
            }
            _ => {}
        }
    }
    elements
}
