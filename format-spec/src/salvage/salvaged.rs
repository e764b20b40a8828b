//! What was saved from a file beyond healing, and how sure each part of it is.

use super::pieces::{Piece, Place, pieces};
use super::segment::save_segment;
use super::single::{save_history, save_return};
use super::sound::Sound;
use super::source::Source;
use crate::bundle::{BundleHeader, ProvenForm};
use crate::cbor::{self, Limits};
use crate::cose::PublicKey;
use crate::frame::{Frame, FrameType};
use crate::ids::{EntryId, LogId};
use crate::receipt::VerifiedReceipt;
use crate::record::{Entry, EntryError};
use crate::seal::Seal;
use crate::trust::{Standing, TrustStore};
use std::io::{self, Read, Seek, Write};
use std::ops::Range;

/// What kind of bundle a damaged file was, by its header or by what is left of it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SavedKind {
    /// A run of one log's entries.
    Segment,
    /// One unit's entries from many logs.
    UnitHistory,
    /// Receipts and statements for a station.
    Return,
    /// An encrypted bundle: nothing in it can be read without the key.
    Encrypted,
    /// Nothing is left that says so.
    Unknown,
}

/// An entry whose bytes are intact, and where they stand in the damaged file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SavedEntry {
    pub(super) log: Option<LogId>,
    pub(super) index: Option<u64>,
    pub(super) id: EntryId,
    pub(super) place: Place,
}

impl SavedEntry {
    /// The log it stands in, if a key tells.
    pub fn log(&self) -> Option<LogId> {
        self.log
    }

    /// Its index in the log: proven for a proven entry, otherwise counted from its neighbours, or
    /// `None` where the damage leaves that open.
    pub fn index(&self) -> Option<u64> {
        self.index
    }

    /// The entry's name.
    pub fn id(&self) -> EntryId {
        self.id
    }

    /// Offset of its element's payload in the damaged file.
    pub fn offset(&self) -> u64 {
        self.place.payload_offset
    }
}

/// Everything that could be saved from a damaged file.
///
/// *Proven* entries lead to a root that a seal signs; the signature holds under the log's key.
/// Whether that key may be trusted is [`standing`](Self::standing). *Unproven* entries are intact
/// by their own digest only, which anybody can compute. About 120 bytes of memory an element.
#[derive(Debug)]
pub struct Salvaged {
    pub(super) kind: SavedKind,
    pub(super) log: Option<LogId>,
    pub(super) standing: Option<Standing>,
    pub(super) proven: Vec<SavedEntry>,
    pub(super) unproven: Vec<SavedEntry>,
    pub(super) lost: Vec<Range<u64>>,
    pub(super) seals: Vec<Seal>,
    pub(super) receipts: Vec<VerifiedReceipt>,
    pub(super) statements: u64,
    pub(super) damage: Vec<Range<u64>>,
    pub(super) search_complete: bool,
    pub(super) sound: Option<Sound>,
}

impl Salvaged {
    /// What the file was.
    pub fn kind(&self) -> SavedKind {
        self.kind
    }

    /// The log of a segment, if its key is known.
    pub fn log(&self) -> Option<LogId> {
        self.log
    }

    /// Enrolment and revocation of a segment's key; `None` if no trusted authority enrolled it.
    pub fn standing(&self) -> Option<&Standing> {
        self.standing.as_ref()
    }

    /// Entries that are intact and proven, in file order.
    pub fn proven(&self) -> &[SavedEntry] {
        &self.proven
    }

    /// Entries that are intact but not proven, in file order.
    pub fn unproven(&self) -> &[SavedEntry] {
        &self.unproven
    }

    /// Indexes of a segment that no saved entry has; an unproven entry without an index may be one
    /// of them.
    pub fn lost(&self) -> &[Range<u64>] {
        &self.lost
    }

    /// Seals whose signature holds.
    pub fn seals(&self) -> &[Seal] {
        &self.seals
    }

    /// Receipts by enrolled servers.
    pub fn receipts(&self) -> &[VerifiedReceipt] {
        &self.receipts
    }

    /// Statements that verify under a trusted authority.
    pub fn statements(&self) -> u64 {
        self.statements
    }

    /// The damaged stretches of the file, as byte offsets.
    pub fn damage(&self) -> &[Range<u64>] {
        &self.damage
    }

    /// Whether the whole file was searched; `false` if it was made to look like endless elements.
    pub fn search_complete(&self) -> bool {
        self.search_complete
    }

    /// Reads a saved entry again and checks that it is still the same.
    ///
    /// # Errors
    /// [`SavedEntryError`] if the medium no longer delivers it or it breaks the rules of an entry.
    pub fn read_entry<R: Read + Seek>(
        &self,
        input: &mut R,
        saved: &SavedEntry,
    ) -> Result<Entry, SavedEntryError> {
        let mut source = Source::new(input).map_err(|_| SavedEntryError::Gone)?;
        let entry = entry_at(&mut source, &saved.place)?;
        if entry.id() == saved.id {
            Ok(entry)
        } else {
            Err(SavedEntryError::Gone)
        }
    }

    /// Writes what can stand as a bundle of its own: of a segment the run from its beginning up to
    /// the last seal before the first loss, of the others every part that is proven by itself.
    /// `false`, and nothing written, if there is no such part. Put the result through its door.
    ///
    /// # Errors
    /// What reader and writer underneath report.
    pub fn write_sound_part<R: Read + Seek, W: Write>(
        &self,
        input: &mut R,
        out: W,
    ) -> io::Result<bool> {
        match &self.sound {
            Some(sound) => sound.write(&mut Source::new(input)?, out).map(|()| true),
            None => Ok(false),
        }
    }
}

/// Saves what can be saved from a file of any kind, whatever is wrong with it.
///
/// `known_key` stands in for a segment's header that is lost; otherwise an enrolment in `trust`, or
/// in the file itself, does.
///
/// # Errors
/// Only if the length of `input` cannot be found out; what cannot be read counts as damaged.
pub fn save<R: Read + Seek>(
    input: &mut R,
    trust: &TrustStore,
    known_key: Option<&PublicKey>,
) -> io::Result<Salvaged> {
    let mut source = Source::new(input)?;
    let pieces = pieces(&mut source);
    let mut remains = Remains {
        trust: trust.clone(),
        known_key: known_key.copied(),
        header: None,
        statements: Vec::new(),
        saved: Salvaged {
            kind: SavedKind::Unknown,
            log: None,
            standing: None,
            proven: Vec::new(),
            unproven: Vec::new(),
            lost: Vec::new(),
            seals: Vec::new(),
            receipts: Vec::new(),
            statements: 0,
            damage: damage(&pieces),
            search_complete: !source.gave_up(),
            sound: None,
        },
    };
    remains.read_common(&mut source, &pieces);
    let kind = remains.kind(&pieces);
    remains.saved.kind = kind;
    match kind {
        SavedKind::Segment => save_segment(&mut remains, &mut source, &pieces),
        SavedKind::UnitHistory => save_history(&mut remains, &mut source, &pieces),
        SavedKind::Return => save_return(&mut remains, &mut source, &pieces),
        SavedKind::Encrypted | SavedKind::Unknown => {}
    }
    Ok(remains.saved)
}

/// What the kinds of bundle have in common, while it is put together.
pub(super) struct Remains {
    /// The caller's trust and the file's own statements.
    pub(super) trust: TrustStore,
    pub(super) known_key: Option<PublicKey>,
    pub(super) header: Option<BundleHeader>,
    /// Statements worth carrying on.
    pub(super) statements: Vec<Place>,
    pub(super) saved: Salvaged,
}

impl Remains {
    fn read_common<R: Read + Seek>(&mut self, source: &mut Source<'_, R>, pieces: &[Piece]) {
        for place in intact(pieces) {
            match place.kind {
                FrameType::Header if self.header.is_none() => {
                    self.header = BundleHeader::parse(&frame(source, place)).ok();
                }
                FrameType::Statement => {
                    let payload = source.payload(place.payload_offset, place.payload_len);
                    if self.trust.add(&payload).is_ok() {
                        self.statements.push(*place);
                    }
                }
                _ => {}
            }
        }
        self.saved.statements = self.trust.statements().count() as u64;
    }

    fn kind(&self, pieces: &[Piece]) -> SavedKind {
        let has = |kind| intact(pieces).any(|place| place.kind == kind);
        match &self.header {
            Some(BundleHeader::Segment(_)) => SavedKind::Segment,
            Some(BundleHeader::UnitHistory(_)) => SavedKind::UnitHistory,
            Some(BundleHeader::Return(_)) => SavedKind::Return,
            Some(BundleHeader::Encrypted(_)) => SavedKind::Encrypted,
            None if has(FrameType::Entry) || has(FrameType::Frontier) => SavedKind::Segment,
            None if has(FrameType::ProvenEntry) => SavedKind::UnitHistory,
            None if has(FrameType::Receipt) => SavedKind::Return,
            None if has(FrameType::Sealed) => SavedKind::Encrypted,
            None => SavedKind::Unknown,
        }
    }
}

/// The intact elements.
pub(super) fn intact(pieces: &[Piece]) -> impl Iterator<Item = &Place> {
    pieces.iter().filter_map(|piece| match piece {
        Piece::Intact(place) => Some(place),
        Piece::Damaged(_) => None,
    })
}

fn damage(pieces: &[Piece]) -> Vec<Range<u64>> {
    let mut ranges: Vec<Range<u64>> = Vec::new();
    for piece in pieces {
        let Piece::Damaged(damage) = piece else {
            continue;
        };
        match ranges.last_mut() {
            Some(last) if last.end == damage.offset => last.end = damage.end,
            _ => ranges.push(damage.offset..damage.end),
        }
    }
    ranges
}

/// An intact element, read again.
fn frame<R: Read + Seek>(source: &mut Source<'_, R>, place: &Place) -> Frame {
    Frame {
        kind: place.kind,
        offset: place.payload_offset,
        payload_offset: place.payload_offset,
        payload: source.payload(place.payload_offset, place.payload_len),
        digest: place.digest,
    }
}

/// The entry in an element of type entry or proven entry.
pub(super) fn entry_at<R: Read + Seek>(
    source: &mut Source<'_, R>,
    place: &Place,
) -> Result<Entry, SavedEntryError> {
    let payload = source.payload(place.payload_offset, place.payload_len);
    if place.kind == FrameType::ProvenEntry {
        let form = proven_form(&payload).ok_or(SavedEntryError::Gone)?;
        return Ok(Entry::parse(&form.entry)?);
    }
    Ok(Entry::parse(&payload)?)
}

pub(super) fn proven_form(payload: &[u8]) -> Option<ProvenForm> {
    let limits = Limits {
        max_len: FrameType::ProvenEntry.max_payload() as usize,
        max_depth: 2,
        allow_tags: false,
    };
    cbor::from_canonical(payload, &limits).ok()
}

/// Why a saved entry cannot be handed out.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum SavedEntryError {
    /// The medium delivers other bytes than before.
    #[error("the medium no longer delivers the same bytes")]
    Gone,
    /// The bytes are what the station sealed, but no entry that this program accepts.
    #[error(transparent)]
    Entry(#[from] EntryError),
}
