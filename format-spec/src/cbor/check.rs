//! The strict checker: one pass over the bytes, bounded depth, no allocation.

use super::{CborError, Head, major, read_head};

/// Deepest nesting any caller can allow; bounds the recursion whatever [`Limits`] says.
pub const MAX_DEPTH: usize = 64;

/// What [`check`] allows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Longest item, bytes.
    pub max_len: usize,
    /// Deepest nesting, levels: a scalar has 0, `[1]` has 1. At most [`MAX_DEPTH`] counts.
    pub max_depth: usize,
    /// Whether integer typed arrays (RFC 8746, tags 64 to 79) may occur, as they do in traces.
    /// No other tag is ever allowed.
    pub allow_tags: bool,
}

/// Checks that `bytes` are exactly one item in the deterministic encoding of RFC 8949 §4.2.1.
///
/// Accepted: integers, byte and text strings, arrays, maps, false, true and null; each in shortest
/// form with definite length, maps sorted and without repeated keys.
///
/// # Errors
/// The first rule that is broken, with its byte offset.
pub fn check(bytes: &[u8], limits: &Limits) -> Result<(), CborError> {
    if bytes.len() > limits.max_len {
        return Err(CborError::TooLong {
            len: bytes.len(),
            max: limits.max_len,
        });
    }
    let checker = Checker {
        bytes,
        max_depth: limits.max_depth.min(MAX_DEPTH),
        allow_tags: limits.allow_tags,
    };
    let end = checker.item(0, 0)?;
    if end < bytes.len() {
        return Err(CborError::TrailingBytes { offset: end as u64 });
    }
    Ok(())
}

/// Checks the item at `at`, `depth` levels deep, and returns the offset after it.
pub(super) fn item_end(
    bytes: &[u8],
    at: usize,
    depth: usize,
    max_depth: usize,
) -> Result<usize, CborError> {
    let checker = Checker {
        bytes,
        max_depth,
        allow_tags: false,
    };
    checker.item(at, depth)
}

struct Checker<'a> {
    bytes: &'a [u8],
    max_depth: usize,
    allow_tags: bool,
}

impl Checker<'_> {
    /// Checks the item at `at` and returns the offset after it.
    fn item(&self, at: usize, depth: usize) -> Result<usize, CborError> {
        let head = self.head(at)?;
        let body = at + head.len;
        match head.major {
            major::UINT | major::NINT => Ok(body),
            major::BYTES => self.string_end(at, &head),
            major::TEXT => {
                let end = self.string_end(at, &head)?;
                match std::str::from_utf8(self.bytes.get(body..end).unwrap_or_default()) {
                    Ok(_) => Ok(end),
                    Err(_) => Err(CborError::InvalidUtf8 { offset: at as u64 }),
                }
            }
            major::ARRAY => self.array(at, &head, depth),
            major::MAP => self.map(at, &head, depth),
            major::TAG => self.typed_array(at, &head, depth),
            _ => match head.value {
                20..=22 => Ok(body),
                // A simple value fits a byte: its argument is one byte at most.
                value => Err(CborError::Simple {
                    offset: at as u64,
                    value: value as u8,
                }),
            },
        }
    }

    fn array(&self, at: usize, head: &Head, depth: usize) -> Result<usize, CborError> {
        self.enter(at, depth)?;
        self.need(at, head, head.value)?;
        let mut next = at + head.len;
        for _ in 0..head.value {
            next = self.item(next, depth + 1)?;
        }
        Ok(next)
    }

    fn map(&self, at: usize, head: &Head, depth: usize) -> Result<usize, CborError> {
        self.enter(at, depth)?;
        self.need(at, head, head.value.saturating_mul(2))?;
        let mut next = at + head.len;
        let mut previous: Option<&[u8]> = None;
        for _ in 0..head.value {
            let key_at = next;
            next = self.item(next, depth + 1)?;
            let key = self.bytes.get(key_at..next).unwrap_or_default();
            if let Some(previous) = previous {
                let offset = key_at as u64;
                match previous.cmp(key) {
                    std::cmp::Ordering::Less => {}
                    std::cmp::Ordering::Equal => return Err(CborError::DuplicateKey { offset }),
                    std::cmp::Ordering::Greater => return Err(CborError::UnsortedKey { offset }),
                }
            }
            previous = Some(key);
            next = self.item(next, depth + 1)?;
        }
        Ok(next)
    }

    /// RFC 8746 §2.1: tags 64 to 79 without 76 are integer arrays; the two low bits give the size.
    fn typed_array(&self, at: usize, head: &Head, depth: usize) -> Result<usize, CborError> {
        let offset = at as u64;
        if !self.allow_tags || !matches!(head.value, 64..=75 | 77..=79) {
            return Err(CborError::Tag {
                offset,
                tag: head.value,
            });
        }
        self.enter(at, depth)?;
        let content_at = at + head.len;
        let content = self.head(content_at)?;
        let element_len = 1_u64 << (head.value & 0b11);
        if content.major != major::BYTES || !content.value.is_multiple_of(element_len) {
            return Err(CborError::TypedArray { offset });
        }
        self.string_end(content_at, &content)
    }

    fn head(&self, at: usize) -> Result<Head, CborError> {
        read_head(self.bytes.get(at..).unwrap_or_default(), at as u64)
    }

    fn string_end(&self, at: usize, head: &Head) -> Result<usize, CborError> {
        self.need(at, head, head.value)?;
        Ok(at + head.len + head.value as usize)
    }

    /// Refuses a declared size that needs more than the bytes after the head.
    fn need(&self, at: usize, head: &Head, bytes: u64) -> Result<(), CborError> {
        let remaining = self.bytes.len().saturating_sub(at + head.len) as u64;
        if bytes > remaining {
            return Err(CborError::LengthBeyondEnd {
                offset: at as u64,
                declared: head.value,
                remaining,
            });
        }
        Ok(())
    }

    fn enter(&self, at: usize, depth: usize) -> Result<(), CborError> {
        if depth >= self.max_depth {
            return Err(CborError::TooDeep {
                offset: at as u64,
                max: self.max_depth,
            });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LIMITS: Limits = Limits {
        max_len: 1 << 16,
        max_depth: 4,
        allow_tags: false,
    };

    fn check_hex(text: &str) -> Result<(), CborError> {
        check(&hex::decode(text).unwrap(), &LIMITS)
    }

    #[test]
    fn each_rule_is_refused_with_its_own_variant_and_offset() {
        for (text, expected) in [
            ("", CborError::Truncated { offset: 0 }),
            ("19 03", CborError::Truncated { offset: 2 }),
            (
                "82 00",
                CborError::LengthBeyondEnd {
                    offset: 0,
                    declared: 2,
                    remaining: 1,
                },
            ),
            ("82 81 00", CborError::Truncated { offset: 3 }),
            ("81 1817", CborError::NotShortest { offset: 1 }),
            ("81 1900ff", CborError::NotShortest { offset: 1 }),
            ("1a0000ffff", CborError::NotShortest { offset: 0 }),
            ("1b00000000ffffffff", CborError::NotShortest { offset: 0 }),
            ("580100", CborError::NotShortest { offset: 0 }),
            ("9f ff", CborError::Indefinite { offset: 0 }),
            ("81 ff", CborError::Indefinite { offset: 1 }),
            (
                "1c",
                CborError::Reserved {
                    offset: 0,
                    info: 28,
                },
            ),
            ("f93c00", CborError::Float { offset: 0 }),
            (
                "81 f7",
                CborError::Simple {
                    offset: 1,
                    value: 23,
                },
            ),
            (
                "f8ff",
                CborError::Simple {
                    offset: 0,
                    value: 255,
                },
            ),
            ("81 d24100", CborError::Tag { offset: 1, tag: 18 }),
            ("81 d8404100", CborError::Tag { offset: 1, tag: 64 }),
            ("a2 6162 00 6161 00", CborError::UnsortedKey { offset: 4 }),
            ("a2 6161 00 6161 00", CborError::DuplicateKey { offset: 4 }),
            ("a2 626161 00 6162 00", CborError::UnsortedKey { offset: 5 }),
            ("81 62c328", CborError::InvalidUtf8 { offset: 1 }),
            (
                "81 81 81 81 81 00",
                CborError::TooDeep { offset: 4, max: 4 },
            ),
            ("00 00", CborError::TrailingBytes { offset: 1 }),
        ] {
            assert_eq!(check_hex(&text.replace(' ', "")), Err(expected), "{text}");
        }
    }

    #[test]
    fn what_is_just_inside_each_limit_is_accepted() {
        for text in [
            "8181818100",
            "17",
            "1818",
            "18ff",
            "190100",
            "1a00010000",
            "a2616100616200",
        ] {
            assert_eq!(check_hex(text), Ok(()), "{text}");
        }
        let long = Limits {
            max_len: 2,
            ..LIMITS
        };
        assert_eq!(check(&[0x41, 0x00], &long), Ok(()));
        assert_eq!(
            check(&[0x42, 0, 0], &long),
            Err(CborError::TooLong { len: 3, max: 2 })
        );
    }

    #[test]
    fn the_depth_cap_holds_even_if_the_limit_does_not() {
        let bytes = vec![0x81; 1_000_000];
        let limits = Limits {
            max_len: usize::MAX,
            max_depth: usize::MAX,
            allow_tags: false,
        };
        assert_eq!(
            check(&bytes, &limits),
            Err(CborError::TooDeep {
                offset: MAX_DEPTH as u64,
                max: MAX_DEPTH
            })
        );
    }

    #[test]
    fn typed_arrays_are_whole_elements_in_a_byte_string_where_allowed() {
        let limits = Limits {
            allow_tags: true,
            ..LIMITS
        };
        let tagged = |text: &str| check(&hex::decode(text).unwrap(), &limits);
        assert_eq!(tagged("d8484101"), Ok(()));
        assert_eq!(tagged("d84d420100"), Ok(()));
        assert_eq!(tagged("d84d4101"), Err(CborError::TypedArray { offset: 0 }));
        assert_eq!(tagged("d84d6101"), Err(CborError::TypedArray { offset: 0 }));
        assert_eq!(
            tagged("d84c4101"),
            Err(CborError::Tag { offset: 0, tag: 76 })
        );
        assert_eq!(
            tagged("d855440000803f"),
            Err(CborError::Tag { offset: 0, tag: 85 })
        );
        assert_eq!(tagged("c24101"), Err(CborError::Tag { offset: 0, tag: 2 }));
    }
}
