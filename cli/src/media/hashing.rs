//! Length and SHA-256 of bytes on their way to or from a medium.

use super::Written;
use carrylog_format::ids::FileDigest;
use carrylog_format::tree::Hash;
use sha2::{Digest, Sha256};
use std::io::{self, Read, Write};

fn digest(hash: Sha256) -> FileDigest {
    FileDigest::from_hash(Hash::from_bytes(hash.finalize().into()))
}

/// Hashes all bytes that are written through it.
pub(super) struct HashingWriter<W> {
    out: W,
    hash: Sha256,
    bytes: u64,
}

impl<W> HashingWriter<W> {
    /// Starts over `out`.
    pub(super) fn new(out: W) -> Self {
        Self {
            out,
            hash: Sha256::new(),
            bytes: 0,
        }
    }

    /// What it wrote to, with length and digest of everything.
    pub(super) fn finish(self) -> (W, Written) {
        let written = Written {
            bytes: self.bytes,
            sha256: digest(self.hash),
        };
        (self.out, written)
    }
}

impl<W: Write> Write for HashingWriter<W> {
    fn write(&mut self, buffer: &[u8]) -> io::Result<usize> {
        let taken = self.out.write(buffer)?;
        self.hash.update(buffer.get(..taken).unwrap_or_default());
        self.bytes += taken as u64;
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.out.flush()
    }
}

/// Hashes all bytes that pass through it.
pub struct HashingReader<R> {
    input: R,
    hash: Sha256,
    bytes: u64,
}

impl<R: Read> HashingReader<R> {
    /// Starts over `input`.
    pub fn new(input: R) -> Self {
        Self {
            input,
            hash: Sha256::new(),
            bytes: 0,
        }
    }

    /// Reads what is left and gives length and digest of everything.
    ///
    /// # Errors
    /// What the reader underneath reports.
    pub fn finish(mut self) -> io::Result<Written> {
        io::copy(&mut self, &mut io::sink())?;
        Ok(Written {
            bytes: self.bytes,
            sha256: digest(self.hash),
        })
    }
}

impl<R: Read> Read for HashingReader<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.input.read(buffer)?;
        self.hash.update(buffer.get(..got).unwrap_or_default());
        self.bytes += got as u64;
        Ok(got)
    }
}
