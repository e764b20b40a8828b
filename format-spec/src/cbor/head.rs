//! Heads of CBOR items (RFC 8949 §3): reading in shortest form only, and writing.

use super::CborError;

/// Longest head, bytes: the initial byte and an eight-byte argument.
pub const MAX_HEAD_LEN: usize = 9;

/// Major types of RFC 8949 §3.1.
pub mod major {
    /// Unsigned integer.
    pub const UINT: u8 = 0;
    /// Negative integer; the argument `n` stands for −1 − n.
    pub const NINT: u8 = 1;
    /// Byte string.
    pub const BYTES: u8 = 2;
    /// Text string.
    pub const TEXT: u8 = 3;
    /// Array.
    pub const ARRAY: u8 = 4;
    /// Map.
    pub const MAP: u8 = 5;
    /// Tag.
    pub const TAG: u8 = 6;
    /// Simple value.
    pub const SIMPLE: u8 = 7;
}

/// The head of an item: its major type and argument.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Major type, 0 to 7.
    pub major: u8,
    /// Argument: the integer, the length in bytes, the count, the tag number or the simple value.
    pub value: u64,
    /// Length of the head itself, bytes: 1, 2, 3, 5 or 9.
    pub len: usize,
}

/// Reads the head at the start of `bytes`; `offset` is where `bytes` begins, for error messages.
///
/// Lengths are not compared with the bytes that follow, so that a streaming reader can use this on
/// the first [`MAX_HEAD_LEN`] bytes alone.
///
/// # Errors
/// [`CborError::Truncated`], [`CborError::Reserved`], [`CborError::NotShortest`],
/// [`CborError::Indefinite`], and [`CborError::Float`] for the float forms of major type 7.
pub fn read_head(bytes: &[u8], offset: u64) -> Result<Head, CborError> {
    let Some((&initial, rest)) = bytes.split_first() else {
        return Err(CborError::Truncated { offset });
    };
    let (major, info) = (initial >> 5, initial & 0x1f);
    let argument_len = match info {
        0..=23 => {
            return Ok(Head {
                major,
                value: u64::from(info),
                len: 1,
            });
        }
        24 => 1,
        25..=27 if major == major::SIMPLE => return Err(CborError::Float { offset }),
        25 => 2,
        26 => 4,
        27 => 8,
        31 => return Err(CborError::Indefinite { offset }),
        _ => return Err(CborError::Reserved { offset, info }),
    };
    let Some(argument) = rest.get(..argument_len) else {
        return Err(CborError::Truncated {
            offset: offset.saturating_add(bytes.len() as u64),
        });
    };
    let value = argument
        .iter()
        .fold(0_u64, |value, &byte| value << 8 | u64::from(byte));
    // RFC 8949 §3.3: the two-byte form of a simple value starts at 32.
    let smallest = match (argument_len, major) {
        (1, major::SIMPLE) => 32,
        (1, _) => 24,
        (2, _) => 1 << 8,
        (4, _) => 1 << 16,
        _ => 1 << 32,
    };
    if value < smallest {
        return Err(CborError::NotShortest { offset });
    }
    Ok(Head {
        major,
        value,
        len: 1 + argument_len,
    })
}

/// Writes a head in its shortest form. Only the low three bits of `major` are used.
pub fn write_head(out: &mut Vec<u8>, major: u8, value: u64) {
    let top = major << 5;
    if value < 24 {
        out.push(top | value as u8);
    } else if let Ok(value) = u8::try_from(value) {
        out.extend_from_slice(&[top | 24, value]);
    } else if let Ok(value) = u16::try_from(value) {
        out.push(top | 25);
        out.extend_from_slice(&value.to_be_bytes());
    } else if let Ok(value) = u32::try_from(value) {
        out.push(top | 26);
        out.extend_from_slice(&value.to_be_bytes());
    } else {
        out.push(top | 27);
        out.extend_from_slice(&value.to_be_bytes());
    }
}

/// Writes a byte string.
pub fn write_bytes(out: &mut Vec<u8>, bytes: &[u8]) {
    write_head(out, major::BYTES, bytes.len() as u64);
    out.extend_from_slice(bytes);
}

/// Writes a text string.
pub fn write_text(out: &mut Vec<u8>, text: &str) {
    write_head(out, major::TEXT, text.len() as u64);
    out.extend_from_slice(text.as_bytes());
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn any_argument() -> impl Strategy<Value = u64> {
        // Every width equally often, with the borders between widths.
        prop_oneof![
            0_u64..30,
            0_u64..300,
            any::<u16>().prop_map(u64::from),
            65_530_u64..65_540,
            any::<u32>().prop_map(u64::from),
            (u64::from(u32::MAX) - 3)..(u64::from(u32::MAX) + 3),
            any::<u64>(),
            Just(u64::MAX),
        ]
    }

    proptest! {
        #[test]
        fn what_is_written_is_read_back_and_every_prefix_is_truncated(
            major in 0_u8..7, value in any_argument(),
        ) {
            let mut bytes = Vec::new();
            write_head(&mut bytes, major, value);
            prop_assert_eq!(read_head(&bytes, 0), Ok(Head { major, value, len: bytes.len() }));
            for cut in 0..bytes.len() {
                prop_assert_eq!(
                    read_head(&bytes[..cut], 100),
                    Err(CborError::Truncated { offset: 100 + cut as u64 })
                );
            }
        }
    }

    #[test]
    fn a_simple_value_below_32_has_no_two_byte_form() {
        for value in 0..32_u8 {
            assert_eq!(
                read_head(&[0xf8, value], 7),
                Err(CborError::NotShortest { offset: 7 })
            );
        }
        assert_eq!(
            read_head(&[0xf8, 32], 0),
            Ok(Head {
                major: 7,
                value: 32,
                len: 2
            })
        );
    }
}
