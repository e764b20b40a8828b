//! A damaged file: reads what can be read, and finds elements at any offset.

use crate::cbor::{self, MAX_HEAD_LEN};
use crate::frame::{DIGEST_HEAD, FIRST_SKIPPABLE, FRAME_ARRAY, FrameType};
use crate::tree::Hash;
use std::io::{self, Read, Seek, SeekFrom};

/// Smallest part of a medium that is read or lost as one.
const SECTOR_BYTES: usize = 512;
/// Bytes after a payload: head of the digest and the digest.
pub(super) const TAIL_BYTES: u64 = 34;
/// Bytes searched at once.
const WINDOW_BYTES: usize = 64 * 1024;
/// Hashing that hostile bytes may cause while elements are searched for: this many times the file.
const SEARCH_FACTOR: u64 = 8;
const SEARCH_FLOOR_BYTES: u64 = 64 * 1024 * 1024;

/// The bytes of a damaged file. What the medium refuses to deliver reads as zeros.
#[derive(Debug)]
pub(super) struct Source<'r, R> {
    input: &'r mut R,
    length: u64,
    window: Vec<u8>,
    window_at: u64,
    search_left: u64,
    gave_up: bool,
}

/// The beginning of an element that would fit into the file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Head {
    pub(super) type_byte: u8,
    pub(super) payload_offset: u64,
    pub(super) payload_len: u64,
}

impl Head {
    /// Offset after the element.
    pub(super) fn end(&self) -> u64 {
        self.payload_offset + self.payload_len + TAIL_BYTES
    }
}

/// An element whose digest holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    pub(super) offset: u64,
    pub(super) head: Head,
    pub(super) payload: Vec<u8>,
    pub(super) digest: Hash,
}

impl<'r, R: Read + Seek> Source<'r, R> {
    pub(super) fn new(input: &'r mut R) -> io::Result<Self> {
        let length = input.seek(SeekFrom::End(0))?;
        Ok(Self {
            input,
            length,
            window: Vec::new(),
            window_at: 0,
            search_left: length
                .saturating_mul(SEARCH_FACTOR)
                .saturating_add(SEARCH_FLOOR_BYTES),
            gave_up: false,
        })
    }

    /// Length of the file, bytes.
    pub(super) fn length(&self) -> u64 {
        self.length
    }

    /// Whether the bytes look like so many elements that the search for them was given up.
    pub(super) fn gave_up(&self) -> bool {
        self.gave_up
    }

    /// Fills `buffer` from `offset`; what the file or the medium does not have becomes zeros.
    pub(super) fn read_at(&mut self, offset: u64, buffer: &mut [u8]) {
        buffer.fill(0);
        let there = self.length.saturating_sub(offset);
        let there = usize::try_from(there).map_or(buffer.len(), |n| n.min(buffer.len()));
        let (wanted, _) = buffer.split_at_mut(there);
        if wanted.is_empty() || self.try_read(offset, wanted).is_ok() {
            return;
        }
        let mut at = offset;
        let mut rest = wanted;
        while !rest.is_empty() {
            // Up to the next sector's border, so that one bad sector costs one sector.
            let step = SECTOR_BYTES - (at % SECTOR_BYTES as u64) as usize;
            let (sector, after) = rest.split_at_mut(step.min(rest.len()));
            if self.try_read(at, sector).is_err() {
                sector.fill(0);
            }
            at += sector.len() as u64;
            rest = after;
        }
    }

    fn try_read(&mut self, offset: u64, buffer: &mut [u8]) -> io::Result<()> {
        self.input.seek(SeekFrom::Start(offset))?;
        self.input.read_exact(buffer)
    }

    /// The head at `offset`, if an element can begin there and would fit into the file.
    pub(super) fn head_at(&mut self, offset: u64) -> Option<Head> {
        let mut start = [0; 2 + MAX_HEAD_LEN];
        let there = self.length.saturating_sub(offset).min(start.len() as u64) as usize;
        let start = start.get_mut(..there)?;
        self.peek(offset, start);
        let [FRAME_ARRAY, type_byte, rest @ ..] = start else {
            return None;
        };
        let limit = match FrameType::from_byte(*type_byte) {
            Some(kind) => kind.max_payload(),
            None if (FIRST_SKIPPABLE..24).contains(type_byte) => FrameType::Recovery.max_payload(),
            None => return None,
        };
        let bytes = cbor::read_head(rest, 0).ok()?;
        let head = Head {
            type_byte: *type_byte,
            payload_offset: offset + 2 + bytes.len as u64,
            payload_len: bytes.value,
        };
        (bytes.major == cbor::major::BYTES && bytes.value <= limit && head.end() <= self.length)
            .then_some(head)
    }

    /// The element at `offset`, if its digest holds.
    pub(super) fn element_at(&mut self, offset: u64) -> Option<Found> {
        let head = self.head_at(offset)?;
        let stored = self.stored_digest(head.end())?;
        let payload = self.payload(head.payload_offset, head.payload_len);
        let digest = Hash::of_parts(&[&[head.type_byte], &payload]);
        (digest == stored).then_some(Found {
            offset,
            head,
            payload,
            digest,
        })
    }

    /// The same, counted against what hostile bytes may cost.
    pub(super) fn probe(&mut self, offset: u64) -> Option<Found> {
        let head = self.head_at(offset)?;
        self.stored_digest(head.end())?;
        match self.search_left.checked_sub(head.payload_len + 64) {
            Some(left) => self.search_left = left,
            None => self.gave_up = true,
        }
        if self.gave_up {
            return None;
        }
        self.element_at(offset)
    }

    /// The digest that stands before `end`, if its head does.
    pub(super) fn stored_digest(&mut self, end: u64) -> Option<Hash> {
        let mut tail = [0; TAIL_BYTES as usize];
        self.read_at(end.checked_sub(TAIL_BYTES)?, &mut tail);
        let digest = tail.strip_prefix(&DIGEST_HEAD)?;
        Hash::try_from(digest).ok()
    }

    /// `length` bytes from `offset`; the caller has checked `length` against the file.
    pub(super) fn payload(&mut self, offset: u64, length: u64) -> Vec<u8> {
        let mut payload = vec![0; length as usize];
        self.read_at(offset, &mut payload);
        payload
    }

    /// The next offset from `from` at which an element whose digest holds begins; for elements of
    /// one type only if `only` says so. `None` if there is none, or if the bytes look like so many
    /// elements that the search was given up.
    pub(super) fn search(&mut self, from: u64, only: Option<FrameType>) -> Option<Found> {
        let mut at = from;
        let mut pair = [0; 2];
        while at < self.length {
            self.peek(at, &mut pair);
            let typed = only.is_none_or(|kind| pair.get(1) == Some(&(kind as u8)));
            if pair.first() == Some(&FRAME_ARRAY)
                && typed
                && let Some(found) = self.probe(at)
            {
                return Some(found);
            }
            if self.gave_up {
                return None;
            }
            at += self.skip_to_array(at + 1);
        }
        None
    }

    /// How far it is from `at − 1` to the next byte that can begin an element, within the window.
    fn skip_to_array(&mut self, at: u64) -> u64 {
        let start = at.saturating_sub(self.window_at) as usize;
        let rest = self.window.get(start..).unwrap_or_default();
        match rest.iter().position(|byte| *byte == FRAME_ARRAY) {
            Some(skip) => 1 + skip as u64,
            None => 1 + rest.len() as u64,
        }
    }

    /// A few bytes through the window, so that a search does not read byte by byte.
    fn peek(&mut self, offset: u64, buffer: &mut [u8]) {
        let inside = |window_at: u64, len: usize| {
            let start = usize::try_from(offset.checked_sub(window_at)?).ok()?;
            (start + buffer.len() <= len).then_some(start)
        };
        let start = match inside(self.window_at, self.window.len()) {
            Some(start) => start,
            None => {
                let mut window = std::mem::take(&mut self.window);
                window.resize(WINDOW_BYTES, 0);
                self.read_at(offset, &mut window);
                self.window = window;
                self.window_at = offset;
                0
            }
        };
        if let Some(bytes) = self.window.get(start..start + buffer.len()) {
            buffer.copy_from_slice(bytes);
        }
    }
}
