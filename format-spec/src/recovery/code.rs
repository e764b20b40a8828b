//! The Reed–Solomon code: the only module that knows the crate behind it.

use crate::recovery::layout::DIGEST_BYTES;
use reed_solomon_simd::engine::DefaultEngine;
use reed_solomon_simd::rate::{
    HighRateDecoder, HighRateEncoder, RateDecoder as _, RateEncoder as _,
};
use sha2::{Digest as _, Sha256};

pub(crate) use reed_solomon_simd::Error as CodeError;

/// The start of a shard's SHA-256: finds damage, proves nothing.
pub(crate) fn shard_digest(shard: &[u8]) -> [u8; DIGEST_BYTES] {
    let mut start = [0; DIGEST_BYTES];
    start
        .iter_mut()
        .zip(Sha256::digest(shard))
        .for_each(|(to, from)| *to = from);
    start
}

/// Takes the data shards of one group, in order, and gives its recovery shards.
pub(super) struct Encoder(HighRateEncoder<DefaultEngine>);

impl Encoder {
    pub(super) fn new(data: usize, recovery: usize, shard_bytes: usize) -> Result<Self, CodeError> {
        HighRateEncoder::new(data, recovery, shard_bytes, DefaultEngine::new(), None).map(Self)
    }

    pub(super) fn add(&mut self, shard: &[u8]) -> Result<(), CodeError> {
        self.0.add_original_shard(shard)
    }

    pub(super) fn finish(mut self) -> Result<Vec<Vec<u8>>, CodeError> {
        let result = self.0.encode()?;
        Ok(result.recovery_iter().map(<[u8]>::to_vec).collect())
    }
}

/// Gives the data shards of a group that are missing from `data`.
///
/// `data` and `recovery` are pairs of a place in the group and a shard.
///
/// # Errors
/// [`CodeError`] if there are too few shards, or a place or length does not fit.
pub(crate) fn restore(
    counts: (usize, usize),
    data: &[(usize, Vec<u8>)],
    recovery: &[(usize, Vec<u8>)],
) -> Result<Vec<(usize, Vec<u8>)>, CodeError> {
    let shard_bytes = recovery.first().map_or(0, |(_, shard)| shard.len());
    let engine = DefaultEngine::new();
    let mut decoder = HighRateDecoder::new(counts.0, counts.1, shard_bytes, engine, None)?;
    for (place, shard) in data {
        decoder.add_original_shard(*place, shard)?;
    }
    for (place, shard) in recovery {
        decoder.add_recovery_shard(*place, shard)?;
    }
    let result = decoder.decode()?;
    Ok(result
        .restored_original_iter()
        .map(|(place, shard)| (place, shard.to_vec()))
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The field and the code as SPEC.md defines them, without the crate and without its transform:
    /// polynomials through points, multiplied bit by bit.
    mod definition {
        const BASIS: [u16; 16] = [
            0x0001, 0xacca, 0x3c0e, 0x163e, 0xc582, 0xed2e, 0x914c, 0x4012, 0x6c98, 0x10d8, 0x6a72,
            0xb900, 0xfdb8, 0xfb34, 0xff38, 0x991e,
        ];

        fn combine(word: u16) -> u16 {
            (0..16)
                .filter(|bit| word >> bit & 1 == 1)
                .fold(0, |sum, bit| sum ^ BASIS[bit])
        }

        fn word_of(element: u16) -> u16 {
            (0..=u16::MAX).find(|w| combine(*w) == element).unwrap()
        }

        fn mul(a: u16, b: u16) -> u16 {
            let (mut product, mut a) = (0, u32::from(a));
            for bit in 0..16 {
                if b >> bit & 1 == 1 {
                    product ^= a;
                }
                a <<= 1;
                if a & 0x1_0000 != 0 {
                    a ^= 0x1_002d;
                }
            }
            product as u16
        }

        fn inverse(a: u16) -> u16 {
            // a^(2^16 − 2)
            (1..16)
                .fold((a, 1), |(power, product), _| {
                    let square = mul(power, power);
                    (square, mul(product, square))
                })
                .1
        }

        /// Recovery word `r` for the data words of one group.
        pub(super) fn recovery_word(data: &[u16], m: usize, r: usize) -> u16 {
            let mut sum = 0;
            for (chunk, words) in data.chunks(m).enumerate() {
                let points: Vec<u16> = (0..m)
                    .map(|t| combine((m + chunk * m + t) as u16))
                    .collect();
                for (t, word) in words.iter().enumerate() {
                    let mut term = combine(*word);
                    for (other, point) in points.iter().enumerate() {
                        if other != t {
                            term = mul(term, combine(r as u16) ^ point);
                            term = mul(term, inverse(points[t] ^ point));
                        }
                    }
                    sum ^= term;
                }
            }
            word_of(sum)
        }
    }

    /// Word `j` of a shard: low byte at 64⌊j/32⌋ + j mod 32, high byte 32 further.
    fn word(shard: &[u8], j: usize) -> u16 {
        let low = 64 * (j / 32) + j % 32;
        u16::from_le_bytes([shard[low], shard[low + 32]])
    }

    #[test]
    fn recovery_shards_are_what_the_definition_says() {
        for (data, recovery) in [(1, 2), (2, 2), (3, 2), (7, 2), (9, 3), (6, 6), (13, 5)] {
            let shards: Vec<Vec<u8>> = (0..data)
                .map(|i| {
                    (0..128)
                        .map(|j| (i * 59 + j * 31 + i * j * 7) as u8)
                        .collect()
                })
                .collect();
            let mut encoder = Encoder::new(data, recovery, 128).unwrap();
            for shard in &shards {
                encoder.add(shard).unwrap();
            }
            let made = encoder.finish().unwrap();
            for j in [0, 31, 40] {
                let words: Vec<u16> = shards.iter().map(|s| word(s, j)).collect();
                for (r, shard) in made.iter().enumerate() {
                    let m = recovery.next_power_of_two();
                    let expected = definition::recovery_word(&words, m, r);
                    assert_eq!(
                        word(shard, j),
                        expected,
                        "{data}+{recovery}, word {j}, shard {r}"
                    );
                }
            }
        }
    }

    #[test]
    fn any_shards_as_many_as_the_data_restore_the_rest() {
        let shards: Vec<Vec<u8>> = (0..6u8).map(|i| vec![i * 41 + 1; 512]).collect();
        let mut encoder = Encoder::new(6, 3, 512).unwrap();
        shards.iter().for_each(|s| encoder.add(s).unwrap());
        let recovery: Vec<(usize, Vec<u8>)> =
            encoder.finish().unwrap().into_iter().enumerate().collect();
        let left: Vec<(usize, Vec<u8>)> = shards
            .iter()
            .cloned()
            .enumerate()
            .filter(|(i, _)| i % 2 == 0)
            .collect();
        let restored = restore((6, 3), &left, &recovery).unwrap();
        let expected: Vec<(usize, Vec<u8>)> = shards
            .into_iter()
            .enumerate()
            .filter(|(i, _)| i % 2 == 1)
            .collect();
        assert_eq!(restored, expected);
        assert!(restore((6, 3), &left, &recovery[..2]).is_err());
    }
}
