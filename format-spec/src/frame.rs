//! Frames: the elements of a bundle file, each length-framed and with a digest of its own.
//!
//! A file is the self-described CBOR tag (RFC 8949 §3.4.6) and then a CBOR sequence (RFC 8742) of
//! frames `[type, payload bstr, digest bstr]` with digest = SHA-256(type byte ‖ payload). For an
//! entry (type 0) that is its RFC 9162 leaf hash. Type 1 is never used: 0x01 marks a tree node.

use crate::cbor;
use crate::refusal::{Fault, Refusal, Rule};
use crate::tree::Hash;
use sha2::{Digest as _, Sha256};
use std::io::{self, Read, Write};

/// First bytes of every file: CBOR tag 55799.
pub const MAGIC: [u8; 3] = [0xd9, 0xd9, 0xf7];
pub(crate) const FRAME_ARRAY: u8 = 0x83;
pub(crate) const DIGEST_HEAD: [u8; 2] = [0x58, 0x20];
/// Types from here to 23 may be skipped by a reader that does not know them.
pub(crate) const FIRST_SKIPPABLE: u8 = 16;

/// What a frame holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[repr(u8)]
pub enum FrameType {
    /// The bytes of one entry.
    Entry = 0,
    /// The header of the file.
    Header = 2,
    /// The compact range before the first entry.
    Frontier = 3,
    /// A signed seal.
    Seal = 4,
    /// A compressed trace.
    Trace = 5,
    /// A signed statement.
    Statement = 6,
    /// A seal's payload with the receipt for it.
    Receipt = 7,
    /// An entry with its inclusion proof.
    ProvenEntry = 8,
    /// Recovery data, after the end.
    Recovery = 9,
    /// The end of what is proven.
    End = 10,
    /// An encrypted bundle, in an outer envelope.
    Sealed = 11,
    /// A head of a fleet log.
    Head = 12,
}

impl FrameType {
    pub(crate) fn from_byte(byte: u8) -> Option<Self> {
        Some(match byte {
            0 => Self::Entry,
            2 => Self::Header,
            3 => Self::Frontier,
            4 => Self::Seal,
            5 => Self::Trace,
            6 => Self::Statement,
            7 => Self::Receipt,
            8 => Self::ProvenEntry,
            9 => Self::Recovery,
            10 => Self::End,
            11 => Self::Sealed,
            12 => Self::Head,
            _ => return None,
        })
    }

    /// Largest payload in bytes.
    pub fn max_payload(self) -> u64 {
        match self {
            Self::Entry | Self::Statement | Self::Head => 64 * 1024,
            Self::Header | Self::Frontier => 4 * 1024,
            Self::Seal => 1024,
            Self::Trace => 16 * 1024 * 1024,
            Self::Receipt => 8 * 1024,
            Self::ProvenEntry => 72 * 1024,
            Self::Recovery | Self::Sealed => 1024 * 1024,
            Self::End => 256,
        }
    }
}

/// A frame whose digest was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Frame {
    /// What it holds.
    pub kind: FrameType,
    /// Offset of its first byte in the file.
    pub offset: u64,
    /// Offset of its payload in the file.
    pub payload_offset: u64,
    /// Its payload.
    pub payload: Vec<u8>,
    /// SHA-256 over type byte and payload.
    pub digest: Hash,
}

/// Digest of a frame: SHA-256(type byte ‖ payload).
pub fn frame_digest(kind: FrameType, payload: &[u8]) -> Hash {
    Hash::of_parts(&[&[kind as u8], payload])
}

/// The bytes of one frame.
pub(crate) fn encode(kind: FrameType, payload: &[u8]) -> io::Result<Vec<u8>> {
    if payload.len() as u64 > kind.max_payload() {
        let message = format!(
            "{} bytes are too many for a frame of type {kind:?}",
            payload.len()
        );
        return Err(io::Error::new(io::ErrorKind::InvalidInput, message));
    }
    let mut bytes = Vec::with_capacity(payload.len() + 48);
    bytes.extend_from_slice(&[FRAME_ARRAY, kind as u8]);
    cbor::write_bytes(&mut bytes, payload);
    bytes.extend_from_slice(&DIGEST_HEAD);
    bytes.extend_from_slice(frame_digest(kind, payload).as_bytes());
    Ok(bytes)
}

/// Writes the tag and frames, counting bytes and frames.
#[derive(Debug)]
pub struct FrameWriter<W> {
    out: W,
    bytes: u64,
    frames: u64,
}

impl<W: Write> FrameWriter<W> {
    /// Starts a file with the tag.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn new(mut out: W) -> io::Result<Self> {
        out.write_all(&MAGIC)?;
        Ok(Self {
            out,
            bytes: MAGIC.len() as u64,
            frames: 0,
        })
    }

    /// Writes one frame.
    ///
    /// # Errors
    /// [`io::ErrorKind::InvalidInput`] if the payload is over its type's limit, and what the writer
    /// underneath reports.
    pub fn write(&mut self, kind: FrameType, payload: &[u8]) -> io::Result<()> {
        let bytes = encode(kind, payload)?;
        self.out.write_all(&bytes)?;
        self.bytes += bytes.len() as u64;
        self.frames += 1;
        Ok(())
    }

    /// Bytes written so far.
    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    /// Frames written so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// Flushes and gives the writer back.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn finish(mut self) -> io::Result<W> {
        self.out.flush()?;
        Ok(self.out)
    }
}

/// What one step through a file gives.
pub(crate) enum Step {
    /// A frame that this reader knows.
    Known(Frame),
    /// A frame that it may pass over, at this offset.
    Skippable {
        /// Offset of its first byte.
        offset: u64,
    },
    /// The end of the file.
    Finished,
}

/// Reads frames one by one, in memory bounded by the largest frame.
#[derive(Debug)]
pub struct FrameReader<R> {
    input: R,
    offset: u64,
    frames: u64,
    spine: Sha256,
}

impl<R: Read> FrameReader<R> {
    /// Reads the tag.
    ///
    /// # Errors
    /// [`Rule::Magic`] if the file does not start with it.
    pub fn new(input: R) -> Result<Self, Refusal> {
        let mut reader = Self {
            input,
            offset: 0,
            frames: 0,
            spine: Sha256::new(),
        };
        let mut magic = [0u8; 3];
        let got = reader.fill(&mut magic)?;
        if got < magic.len() || magic != MAGIC {
            let found = if got == 0 {
                "the file is empty"
            } else {
                "the file does not start as a carrylog file does"
            };
            return Err(Refusal::new(Rule::Magic, Fault::Medium, 0, found));
        }
        Ok(reader)
    }

    /// Offset of the next byte to be read.
    pub fn offset(&self) -> u64 {
        self.offset
    }

    /// Frames read so far.
    pub fn frames(&self) -> u64 {
        self.frames
    }

    /// SHA-256 over the digests of all frames read so far, skipped ones included, in order. With
    /// one encoding for each frame it names every byte read, at 32 hashed bytes a frame.
    pub fn spine(&self) -> Hash {
        Hash::from_bytes(self.spine.clone().finalize().into())
    }

    /// The next frame that this reader knows; `None` at the end of the file.
    ///
    /// # Errors
    /// [`Refusal`] with the rule and the offset of the frame that breaks it.
    pub fn next_frame(&mut self) -> Result<Option<Frame>, Refusal> {
        loop {
            match self.step()? {
                Step::Known(frame) => return Ok(Some(frame)),
                Step::Skippable { .. } => {}
                Step::Finished => return Ok(None),
            }
        }
    }

    /// The next frame, known or not.
    ///
    /// # Errors
    /// As [`FrameReader::next_frame`].
    pub(crate) fn step(&mut self) -> Result<Step, Refusal> {
        let start = self.offset;
        let mut lead = [0u8; 2];
        match self.fill(&mut lead)? {
            0 => return Ok(Step::Finished),
            1 => return Err(truncated(start)),
            _ => {}
        }
        if lead[0] != FRAME_ARRAY || lead[1] > 23 {
            return Err(form(start, "an element does not begin as a frame does"));
        }
        let kind = FrameType::from_byte(lead[1]);
        if kind.is_none() && lead[1] < FIRST_SKIPPABLE {
            let found = format!("an element has the unknown type {}", lead[1]);
            return Err(Refusal::new(Rule::FrameType, Fault::Maker, start, found));
        }
        let max = kind.map_or(FrameType::Recovery.max_payload(), FrameType::max_payload);
        let length = self.payload_length(start)?;
        if length > max {
            let found = format!(
                "an element of type {} claims {length} bytes; at most {max} are allowed",
                lead[1]
            );
            return Err(Refusal::new(Rule::FrameLimit, Fault::Medium, start, found));
        }
        let payload_offset = self.offset;
        let payload = self.take(start, length)?;
        let mut tail = [0u8; 34];
        if self.fill(&mut tail)? < tail.len() {
            return Err(truncated(start));
        }
        if tail[..2] != DIGEST_HEAD {
            return Err(form(start, "an element's digest is not where it should be"));
        }
        let digest = Hash::of_parts(&[&[lead[1]], &payload]);
        if tail[2..] != digest.as_bytes()[..] {
            return Err(Refusal::new(
                Rule::FrameDigest,
                Fault::Medium,
                start,
                "an element's bytes do not match their digest: the file was changed or damaged",
            ));
        }
        self.frames += 1;
        self.spine.update(digest.as_bytes());
        Ok(match kind {
            Some(kind) => Step::Known(Frame {
                kind,
                offset: start,
                payload_offset,
                payload,
                digest,
            }),
            None => Step::Skippable { offset: start },
        })
    }

    /// The head of the payload's byte string, in its shortest form.
    fn payload_length(&mut self, start: u64) -> Result<u64, Refusal> {
        let mut head = [0u8; 9];
        if self.fill(&mut head[..1])? == 0 {
            return Err(truncated(start));
        }
        let more = match head[0] & 0x1f {
            24 => 1,
            25 => 2,
            26 => 4,
            27 => 8,
            _ => 0,
        };
        if self.fill(&mut head[1..=more])? < more {
            return Err(truncated(start));
        }
        match cbor::read_head(&head[..=more], start) {
            Ok(h) if h.major == 2 => Ok(h.value),
            _ => Err(form(start, "an element's length is not in its only form")),
        }
    }

    /// Takes `length` bytes, growing as they arrive, so that a false length costs nothing.
    fn take(&mut self, start: u64, length: u64) -> Result<Vec<u8>, Refusal> {
        const SMALL: u64 = 64 * 1024;
        if length <= SMALL {
            let mut payload = vec![0; length as usize];
            let got = self.fill(&mut payload)?;
            return if got < payload.len() {
                Err(truncated(start))
            } else {
                Ok(payload)
            };
        }
        let mut payload = Vec::with_capacity(SMALL as usize);
        let got = (&mut self.input)
            .take(length)
            .read_to_end(&mut payload)
            .map_err(|e| unreadable(self.offset, &e))?;
        self.offset += got as u64;
        if (got as u64) < length {
            Err(truncated(start))
        } else {
            Ok(payload)
        }
    }

    /// Reads until `buffer` is full or the file ends; the number of bytes read.
    fn fill(&mut self, buffer: &mut [u8]) -> Result<usize, Refusal> {
        let mut got = 0;
        while let Some(rest) = buffer.get_mut(got..).filter(|r| !r.is_empty()) {
            match self.input.read(rest) {
                Ok(0) => break,
                Ok(n) => got += n,
                Err(e) if e.kind() == io::ErrorKind::Interrupted => {}
                Err(e) => return Err(unreadable(self.offset, &e)),
            }
        }
        self.offset += got as u64;
        Ok(got)
    }
}

fn truncated(start: u64) -> Refusal {
    Refusal::new(
        Rule::FrameForm,
        Fault::Medium,
        start,
        "the file ends inside an element",
    )
}

fn form(start: u64, found: &str) -> Refusal {
    Refusal::new(Rule::FrameForm, Fault::Medium, start, found)
}

fn unreadable(offset: u64, error: &io::Error) -> Refusal {
    Refusal::new(
        Rule::Reading,
        Fault::Medium,
        offset,
        format!("the file cannot be read: {error}"),
    )
}
