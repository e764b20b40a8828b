//! Envelopes: a bundle encrypted to named recipients, so that a lost stick reveals nothing.
//!
//! SPEC.md, chapter "Encrypted envelope". Inside is an ordinary bundle, which must go through its own
//! door once opened: an envelope proves nothing about it. Outside, anyone can tell that the file is
//! whole and who can open it, and nothing more. The ciphertext is a file after age-encryption.org/v1
//! with X25519 recipients; making one takes randomness from the operating system.

mod keys;

use crate::bundle::{
    BUNDLE_VERSION, BundleHeader, EncryptedHeader, check_end, missing_end, out_of_order,
    read_header, write_end,
};
use crate::frame::{Frame, FrameReader, FrameType, FrameWriter};
use crate::refusal::{Fault, Refusal, Rule};
use std::fmt;
use std::io::{self, Read, Write};

pub use keys::{Recipient, RecipientError, RecipientId, RecipientSecret};

/// Most recipients of one envelope.
pub const MAX_RECIPIENTS: usize = 16;
/// Bytes of ciphertext in every sealed element but the last.
const SEALED_BYTES: usize = 256 * 1024;
/// Bytes within which the ciphertext's own header must end.
const CIPHER_HEADER_BYTES: usize = 8 * 1024;
const CIPHER_HEADER_END: &[u8] = b"\n--- ";

/// Encrypts what is written to it: the bytes of one bundle.
pub struct EnvelopeWriter<W: Write> {
    cipher: age::stream::StreamWriter<SealedFrames<W>>,
}

impl<W: Write> EnvelopeWriter<W> {
    /// Writes the outer header.
    ///
    /// # Errors
    /// [`io::ErrorKind::InvalidInput`] without recipients or with more than [`MAX_RECIPIENTS`]; what
    /// the writer underneath reports.
    pub fn new(out: W, recipients: &[Recipient]) -> io::Result<Self> {
        let mut ids: Vec<RecipientId> = recipients.iter().map(Recipient::id).collect();
        ids.sort_unstable();
        ids.dedup();
        if ids.is_empty() || ids.len() > MAX_RECIPIENTS {
            let message = format!("an envelope has 1 to {MAX_RECIPIENTS} recipients");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, message));
        }
        let header = BundleHeader::Encrypted(EncryptedHeader {
            v: BUNDLE_VERSION,
            recipients: ids,
        });
        let mut frames = FrameWriter::new(out)?;
        let header = header.encode().map_err(io::Error::other)?;
        frames.write(FrameType::Header, &header)?;
        let keys = recipients.iter().map(|r| &r.0 as &dyn age::Recipient);
        let cipher = age::Encryptor::with_recipients(keys)
            .map_err(io::Error::other)?
            .wrap_output(SealedFrames {
                frames,
                chunk: Vec::new(),
            })?;
        Ok(Self { cipher })
    }

    /// Writes the rest and the end, and gives the writer back. Without this the file is cut short.
    ///
    /// # Errors
    /// What the writer underneath reports.
    pub fn finish(self) -> io::Result<W> {
        self.cipher.finish()?.finish()
    }
}

impl<W: Write> Write for EnvelopeWriter<W> {
    fn write(&mut self, plain: &[u8]) -> io::Result<usize> {
        self.cipher.write(plain)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.cipher.flush()
    }
}

/// Cuts the ciphertext into sealed elements.
struct SealedFrames<W> {
    frames: FrameWriter<W>,
    chunk: Vec<u8>,
}

impl<W: Write> SealedFrames<W> {
    fn finish(mut self) -> io::Result<W> {
        if !self.chunk.is_empty() {
            self.frames.write(FrameType::Sealed, &self.chunk)?;
        }
        write_end(self.frames)
    }
}

impl<W: Write> Write for SealedFrames<W> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let (part, _) = bytes.split_at(bytes.len().min(SEALED_BYTES - self.chunk.len()));
        self.chunk.extend_from_slice(part);
        if self.chunk.len() == SEALED_BYTES {
            self.frames.write(FrameType::Sealed, &self.chunk)?;
            self.chunk.clear();
        }
        Ok(part.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// An envelope whose outside was verified: it is whole. What is inside, and whether the names of the
/// recipients are true, only the key tells.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct VerifiedEnvelope {
    recipients: Vec<RecipientId>,
    sealed_bytes: u64,
}

impl VerifiedEnvelope {
    /// Who can open it, as it claims.
    pub fn recipients(&self) -> &[RecipientId] {
        &self.recipients
    }

    /// Length of the ciphertext, bytes.
    pub fn sealed_bytes(&self) -> u64 {
        self.sealed_bytes
    }
}

/// Reads an envelope to its end and verifies that it is whole, without any key.
///
/// `sink` gets the ciphertext piece by piece: together a file after age-encryption.org/v1.
///
/// # Errors
/// [`Refusal`] with rule, offset and fault.
pub fn read_envelope<R: Read>(
    input: R,
    sink: &mut dyn FnMut(&[u8]),
) -> Result<VerifiedEnvelope, Refusal> {
    let mut sealed = Sealed::start(input)?;
    while let Some(chunk) = sealed.next()? {
        sink(&chunk);
    }
    Ok(VerifiedEnvelope {
        recipients: sealed.recipients,
        sealed_bytes: sealed.bytes,
    })
}

/// The bundle inside an envelope, decrypted as it is read. It counts for nothing until it was read to
/// its end without an error and went through its own door.
pub struct OpenedEnvelope<R: Read> {
    plain: age::stream::StreamReader<Ciphertext<R>>,
    failed: bool,
}

/// Opens an envelope with a recipient's secret key.
///
/// # Errors
/// [`OpenError`] if the envelope is damaged at its beginning, or not for this key.
pub fn open_envelope<R: Read>(
    input: R,
    secret: &RecipientSecret,
) -> Result<OpenedEnvelope<R>, OpenError> {
    let mut sealed = Sealed::start(input)?;
    let first = sealed.next()?.unwrap_or_default();
    // A header without an end would be collected in memory for as long as it goes on.
    if !first
        .windows(CIPHER_HEADER_END.len())
        .take(CIPHER_HEADER_BYTES)
        .any(|window| window == CIPHER_HEADER_END)
    {
        return Err(OpenError::Cipher);
    }
    let ciphertext = Ciphertext {
        sealed,
        chunk: first,
        at: 0,
    };
    let key: &dyn age::Identity = &secret.0;
    let plain = age::Decryptor::new(ciphertext)
        .and_then(|decryptor| decryptor.decrypt(std::iter::once(key)))
        .map_err(|e| match e {
            age::DecryptError::NoMatchingKeys => OpenError::NotForThisKey(secret.recipient().id()),
            _ => OpenError::Cipher,
        })?;
    Ok(OpenedEnvelope {
        plain,
        failed: false,
    })
}

impl<R: Read> Read for OpenedEnvelope<R> {
    /// # Errors
    /// [`io::ErrorKind::InvalidData`] with a [`Refusal`] inside if the envelope is damaged further
    /// on; what the cipher reports if the ciphertext was changed.
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.failed {
            return Err(io::ErrorKind::InvalidData.into());
        }
        let read = self.plain.read(buffer);
        self.failed = read.is_err();
        read
    }
}

impl<R: Read> fmt::Debug for OpenedEnvelope<R> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("OpenedEnvelope").finish_non_exhaustive()
    }
}

impl<W: Write> fmt::Debug for EnvelopeWriter<W> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("EnvelopeWriter").finish_non_exhaustive()
    }
}

/// Why an envelope was not opened.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum OpenError {
    /// The envelope itself is refused.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// It is encrypted to others.
    #[error("the envelope cannot be opened with this key ({}); ask one of its recipients", .0.short())]
    NotForThisKey(RecipientId),
    /// The ciphertext is not what an envelope holds, or was changed.
    #[error("the envelope's ciphertext is malformed or was changed; nothing in it can be trusted")]
    Cipher,
}

/// The elements of an envelope in their order.
struct Sealed<R> {
    frames: FrameReader<R>,
    recipients: Vec<RecipientId>,
    bytes: u64,
    /// Whether a sealed element was seen that only the last one may be like.
    short: bool,
    ended: bool,
}

impl<R: Read> Sealed<R> {
    fn start(input: R) -> Result<Self, Refusal> {
        let mut frames = FrameReader::new(input)?;
        let BundleHeader::Encrypted(header) = read_header(&mut frames)? else {
            let found = "the file is not an encrypted envelope";
            return Err(Refusal::new(Rule::Header, Fault::Maker, 0, found));
        };
        let recipients = header.recipients;
        let sorted = recipients.is_sorted_by(|a, b| a < b);
        if recipients.is_empty() || recipients.len() > MAX_RECIPIENTS || !sorted {
            let found = "the header's recipients are none, too many or out of order";
            return Err(Refusal::new(Rule::Header, Fault::Maker, 3, found));
        }
        Ok(Self {
            frames,
            recipients,
            bytes: 0,
            short: false,
            ended: false,
        })
    }

    /// The next piece of ciphertext; `None` once the end was verified.
    fn next(&mut self) -> Result<Option<Vec<u8>>, Refusal> {
        if self.ended {
            return Ok(None);
        }
        let at = self.frames.offset();
        let Some(frame) = self.frames.next_frame()? else {
            return Err(missing_end(at));
        };
        match frame.kind {
            FrameType::Sealed if !self.short && fits(&frame) => {
                self.short = frame.payload.len() < SEALED_BYTES;
                self.bytes += frame.payload.len() as u64;
                Ok(Some(frame.payload))
            }
            FrameType::End if self.bytes > 0 => {
                check_end(&mut self.frames, &frame)?;
                self.ended = true;
                Ok(None)
            }
            _ => Err(out_of_order(&frame)),
        }
    }
}

fn fits(frame: &Frame) -> bool {
    (1..=SEALED_BYTES).contains(&frame.payload.len())
}

/// The ciphertext as one stream; its end comes only after the envelope's end was verified.
struct Ciphertext<R> {
    sealed: Sealed<R>,
    chunk: Vec<u8>,
    at: usize,
}

impl<R: Read> Read for Ciphertext<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if buffer.is_empty() {
            return Ok(0);
        }
        if self.at == self.chunk.len() {
            let next = self.sealed.next();
            self.at = 0;
            self.chunk = next
                .map_err(|e| io::Error::new(io::ErrorKind::InvalidData, e))?
                .unwrap_or_default();
        }
        let rest = self.chunk.get(self.at..).unwrap_or_default();
        let (part, _) = rest.split_at(rest.len().min(buffer.len()));
        let (filled, _) = buffer.split_at_mut(part.len());
        filled.copy_from_slice(part);
        self.at += part.len();
        Ok(part.len())
    }
}
