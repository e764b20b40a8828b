//! Traces for transport: one zstd frame (RFC 8878) with its content size, and the digest.

use sha2::{Digest, Sha256};
use zstd::stream::raw::{CParameter, DParameter, Decoder, InBuffer, Operation as _, OutBuffer};
use zstd::zstd_safe;

use super::TraceError;
use crate::ids::TraceDigest;
use crate::tree::Hash;

/// Compresses canonical bytes into one frame.
///
/// # Errors
/// [`TraceError::Compression`] if the encoder runs out of memory.
pub fn compress(canonical: &[u8]) -> Result<Vec<u8>, TraceError> {
    let mut encoder = zstd::bulk::Compressor::new(LEVEL).map_err(damaged)?;
    encoder
        .set_parameter(CParameter::WindowLog(WINDOW_LOG))
        .map_err(damaged)?;
    encoder.compress(canonical).map_err(damaged)
}

/// The digest and length of the bytes in a frame, without holding them: at most the window of
/// 8 MiB and a small buffer are in memory.
///
/// # Errors
/// [`TraceError::TooLong`] if the content is longer than `max_len` bytes;
/// [`TraceError::Compression`] if `compressed` is anything but one whole frame that states its
/// content size and keeps to the window.
pub fn digest_compressed(
    compressed: &[u8],
    max_len: u64,
) -> Result<(TraceDigest, u64), TraceError> {
    Expander::new()?.digest(compressed, max_len)
}

/// The bytes in a frame.
///
/// # Errors
/// Those of [`digest_compressed`].
pub fn decompress(compressed: &[u8], max_len: u64) -> Result<Vec<u8>, TraceError> {
    let mut out = Vec::new();
    Expander::new()?.expand(compressed, max_len, |part| out.extend_from_slice(part))?;
    Ok(out)
}

/// Compression level: about as small as the higher ones on traces, at a fraction of the time.
const LEVEL: i32 = 9;
/// Largest window, as a power of two: 8 MiB, which RFC 8878 §3.1.1.1.2 recommends all decoders
/// support.
const WINDOW_LOG: u32 = 23;

/// A decoder with its buffer, for one trace after the other: making them costs more than a small
/// trace does.
pub(crate) struct Expander {
    decoder: Decoder<'static>,
    buffer: Vec<u8>,
}

impl Expander {
    /// # Errors
    /// [`TraceError::Compression`] without memory for it.
    pub(crate) fn new() -> Result<Self, TraceError> {
        let mut decoder = Decoder::new().map_err(damaged)?;
        decoder
            .set_parameter(DParameter::WindowLogMax(WINDOW_LOG))
            .map_err(damaged)?;
        Ok(Self {
            decoder,
            buffer: vec![0; BUFFER_LEN],
        })
    }

    /// As [`digest_compressed`]: each part is hashed while it is in the buffer.
    pub(crate) fn digest(
        &mut self,
        compressed: &[u8],
        max_len: u64,
    ) -> Result<(TraceDigest, u64), TraceError> {
        let mut hasher = Sha256::new();
        let len = self.expand(compressed, max_len, |part| hasher.update(part))?;
        let hash = Hash::from_bytes(hasher.finalize().into());
        Ok((TraceDigest::from_hash(hash), len))
    }

    fn expand(
        &mut self,
        compressed: &[u8],
        max_len: u64,
        mut each: impl FnMut(&[u8]),
    ) -> Result<u64, TraceError> {
        let stated = stated_len(compressed, max_len)?;
        self.decoder.reinit().map_err(damaged)?;
        let mut input = InBuffer::around(compressed);
        let mut len = 0_u64;
        loop {
            let mut output = OutBuffer::around(self.buffer.as_mut_slice());
            let left = self.decoder.run(&mut input, &mut output).map_err(damaged)?;
            let taken = output.pos();
            len += taken as u64;
            if len > stated {
                return Err(reason("more content than the frame states"));
            }
            each(self.buffer.get(..taken).unwrap_or_default());
            match (left, taken) {
                (0, _) if len == stated => return Ok(len),
                (0, _) => return Err(reason("less content than the frame states")),
                (_, 0) => return Err(reason("incomplete frame")),
                _ => {}
            }
        }
    }
}

/// The content size that the one whole frame states.
fn stated_len(compressed: &[u8], max_len: u64) -> Result<u64, TraceError> {
    // Skippable frames have other magic numbers and would pass as empty content.
    if !compressed.starts_with(&MAGIC) {
        return Err(reason("not a zstd frame"));
    }
    let stated = match zstd_safe::get_frame_content_size(compressed) {
        Ok(Some(stated)) => stated,
        Ok(None) => return Err(reason("the frame does not state its content size")),
        Err(_) => return Err(reason("not a zstd frame")),
    };
    if stated > max_len {
        return Err(TraceError::TooLong { max: max_len });
    }
    if zstd_safe::find_frame_compressed_size(compressed) != Ok(compressed.len()) {
        return Err(reason("not exactly one whole frame"));
    }
    Ok(stated)
}

/// First bytes of a zstd frame (RFC 8878 §3.1.1).
const MAGIC: [u8; 4] = [0x28, 0xb5, 0x2f, 0xfd];
const BUFFER_LEN: usize = 128 << 10;

fn damaged(error: std::io::Error) -> TraceError {
    TraceError::Compression {
        reason: error.to_string(),
    }
}

fn reason(reason: &str) -> TraceError {
    TraceError::Compression {
        reason: reason.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample() -> Vec<u8> {
        (0..300_000_u32)
            .flat_map(|i| ((i / 7) ^ i).to_le_bytes())
            .collect()
    }

    #[test]
    fn what_is_compressed_comes_back_with_its_digest_and_length() {
        for content in [vec![], vec![7], sample()] {
            let frame = compress(&content).unwrap();
            let len = content.len() as u64;
            assert_eq!(
                digest_compressed(&frame, len),
                Ok((TraceDigest::of(&content), len))
            );
            assert_eq!(decompress(&frame, len).unwrap(), content);
        }
    }

    #[test]
    fn content_beyond_the_limit_is_refused_from_the_head_of_the_frame() {
        let frame = compress(&vec![0; 1 << 20]).unwrap();
        assert!(
            frame.len() < 1000,
            "a small frame that would expand a thousandfold"
        );
        let limit = (1 << 20) - 1;
        assert_eq!(
            decompress(&frame, limit),
            Err(TraceError::TooLong { max: limit })
        );
        assert!(digest_compressed(&frame, limit + 1).is_ok());
    }

    #[test]
    fn a_frame_without_its_content_size_is_refused() {
        use std::io::Write;
        let mut encoder = zstd::stream::write::Encoder::new(Vec::new(), LEVEL).unwrap();
        encoder.write_all(&sample()).unwrap();
        let frame = encoder.finish().unwrap();
        assert_eq!(
            digest_compressed(&frame, u64::MAX),
            Err(reason("the frame does not state its content size"))
        );
    }

    #[test]
    fn a_frame_that_needs_a_larger_window_is_refused() {
        use std::io::Write;
        let content = vec![3; 32 << 20];
        let mut encoder = zstd::stream::write::Encoder::new(Vec::new(), 1).unwrap();
        encoder
            .set_parameter(CParameter::WindowLog(WINDOW_LOG + 2))
            .unwrap();
        encoder
            .set_pledged_src_size(Some(content.len() as u64))
            .unwrap();
        encoder.include_contentsize(true).unwrap();
        encoder.write_all(&content).unwrap();
        let frame = encoder.finish().unwrap();
        assert!(matches!(
            digest_compressed(&frame, u64::MAX),
            Err(TraceError::Compression { .. })
        ));
    }

    #[test]
    fn frames_beyond_the_window_and_beyond_the_buffer_are_read() {
        let content: Vec<u8> = (0..20_u32 << 20)
            .map(|i| ((i >> 10) ^ (i >> 3)) as u8)
            .collect();
        let frame = compress(&content).unwrap();
        let len = content.len() as u64;
        assert_eq!(
            digest_compressed(&frame, len),
            Ok((TraceDigest::of(&content), len))
        );
    }

    #[test]
    fn a_cut_frame_two_frames_and_other_bytes_are_refused() {
        let frame = compress(&sample()[..5000]).unwrap();
        for cut in 0..frame.len() {
            assert!(
                digest_compressed(&frame[..cut], 5000).is_err(),
                "cut at {cut}"
            );
        }
        let twice = [&frame[..], &frame[..]].concat();
        assert_eq!(
            digest_compressed(&twice, 5000),
            Err(reason("not exactly one whole frame"))
        );
        assert!(digest_compressed(&[&frame[..], &[0]].concat(), 5000).is_err());
        // A skippable frame (RFC 8878 §3.1.2) carries nothing.
        let skippable = hex::decode("502a4d18 02000000 0000".replace(' ', "")).unwrap();
        assert_eq!(
            digest_compressed(&skippable, 5000),
            Err(reason("not a zstd frame"))
        );
    }

    #[test]
    fn a_flipped_frame_never_gives_the_same_digest_for_other_content() {
        let content = &sample()[..600];
        let frame = compress(content).unwrap();
        for at in 0..frame.len() {
            for bit in 0..8 {
                let mut flipped = frame.clone();
                flipped[at] ^= 1 << bit;
                let Ok(expanded) = decompress(&flipped, 5000) else {
                    continue;
                };
                let (digest, _) = digest_compressed(&flipped, 5000).unwrap();
                assert_eq!(digest, TraceDigest::of(&expanded));
                assert_eq!(digest == TraceDigest::of(content), expanded == content);
            }
        }
    }
}
