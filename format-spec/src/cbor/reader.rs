//! A bounded cursor over CBOR bytes for the few structures that are read by hand.

use super::check::item_end;
use super::{CborError, Head, major, read_head};

/// Reads items one after the other from a byte slice; never allocates, never reads past the end.
///
/// Every head must be in shortest form. Map keys are read like other items: the caller expects
/// them in their fixed order.
#[derive(Debug, Clone)]
pub struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
}

impl<'a> Reader<'a> {
    /// A reader at the start of `bytes`.
    #[must_use]
    pub fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0 }
    }

    /// A reader of the item at offset `at`.
    pub(super) fn at(bytes: &'a [u8], at: u64) -> Self {
        let at = usize::try_from(at).unwrap_or(bytes.len());
        Self { bytes, at }
    }

    /// Bytes read so far; the offset of the next item.
    #[must_use]
    pub fn offset(&self) -> u64 {
        self.at as u64
    }

    /// The head of the next item.
    ///
    /// # Errors
    /// Those of [`read_head`].
    pub fn head(&mut self) -> Result<Head, CborError> {
        let head = self.peek()?;
        self.step(&head);
        Ok(head)
    }

    /// The head of the next item, which stays the next one.
    ///
    /// # Errors
    /// Those of [`read_head`].
    #[inline]
    pub(super) fn peek(&self) -> Result<Head, CborError> {
        let rest = self.rest();
        match rest.first() {
            // Most heads are one byte: spare them the general case.
            Some(&initial) if initial & 0x1f < 24 => Ok(Head {
                major: initial >> 5,
                value: u64::from(initial & 0x1f),
                len: 1,
            }),
            _ => read_head(rest, self.offset()),
        }
    }

    /// Steps over a head that [`Reader::peek`] gave.
    #[inline]
    pub(super) fn step(&mut self, head: &Head) {
        self.at += head.len;
    }

    /// Takes the count of a container whose items need `bytes` each at least.
    #[inline]
    pub(super) fn count_of(&mut self, head: &Head, bytes: u64) -> Result<u64, CborError> {
        let offset = self.offset();
        self.step(head);
        self.need(offset, head.value, head.value.saturating_mul(bytes))?;
        Ok(head.value)
    }

    /// Takes the content of the byte or text string that `head` begins.
    #[inline]
    pub(super) fn string_of(&mut self, head: &Head) -> Result<&'a [u8], CborError> {
        let offset = self.offset();
        self.step(head);
        self.need(offset, head.value, head.value)?;
        let taken = self.rest().get(..head.value as usize).unwrap_or_default();
        self.at += taken.len();
        Ok(taken)
    }

    /// Takes the text that `head` begins.
    #[inline]
    pub(super) fn text_of(&mut self, head: &Head) -> Result<&'a str, CborError> {
        let offset = self.offset();
        std::str::from_utf8(self.string_of(head)?).map_err(|_| CborError::InvalidUtf8 { offset })
    }

    /// The bytes read since `offset`.
    #[inline]
    pub(super) fn since(&self, offset: u64) -> &'a [u8] {
        self.bytes.get(offset as usize..self.at).unwrap_or_default()
    }

    /// Whether everything was read.
    pub(super) fn is_at_end(&self) -> bool {
        self.at == self.bytes.len()
    }

    /// Finds the end of the next item and checks nothing else in it.
    ///
    /// # Errors
    /// Those of [`read_head`], and [`CborError::LengthBeyondEnd`].
    pub(super) fn skip(&mut self) -> Result<(), CborError> {
        let mut items = 1_u64;
        while items > 0 {
            items -= 1;
            let head = self.peek()?;
            match head.major {
                major::BYTES | major::TEXT => {
                    self.string_of(&head)?;
                }
                major::ARRAY => items = items.saturating_add(self.count_of(&head, 1)?),
                major::MAP => items = items.saturating_add(2 * self.count_of(&head, 2)?),
                major::TAG => {
                    self.step(&head);
                    items = items.saturating_add(1);
                }
                _ => self.step(&head),
            }
        }
        Ok(())
    }

    /// Passes over the next item, checked as [`check`](super::check) does.
    ///
    /// # Errors
    /// Those of [`check`](super::check).
    pub(super) fn pass_over(&mut self, depth: usize, max_depth: usize) -> Result<(), CborError> {
        self.at = item_end(self.bytes, self.at, depth, max_depth)?;
        Ok(())
    }

    /// An unsigned integer.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item; those of [`read_head`].
    pub fn uint(&mut self, expected: &'static str) -> Result<u64, CborError> {
        self.argument(major::UINT, expected)
    }

    /// A signed integer that fits 64 bits.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item; those of [`read_head`].
    pub fn int(&mut self, expected: &'static str) -> Result<i64, CborError> {
        let offset = self.offset();
        let head = self.head()?;
        let value = i64::try_from(head.value);
        match (head.major, value) {
            (major::UINT, Ok(value)) => Ok(value),
            // −1 − n without overflow: the bitwise complement.
            (major::NINT, Ok(value)) => Ok(!value),
            _ => Err(CborError::Unexpected { offset, expected }),
        }
    }

    /// The tag number of a tag; its content is the next item.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item; those of [`read_head`].
    pub fn tag(&mut self, expected: &'static str) -> Result<u64, CborError> {
        self.argument(major::TAG, expected)
    }

    /// The count of an array; its elements are the next items.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item,
    /// [`CborError::LengthBeyondEnd`] if the bytes left cannot hold that many.
    pub fn array(&mut self, expected: &'static str) -> Result<u64, CborError> {
        let head = self.expect(major::ARRAY, expected)?;
        self.count_of(&head, 1)
    }

    /// The number of pairs of a map; keys and values are the next items.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item,
    /// [`CborError::LengthBeyondEnd`] if the bytes left cannot hold that many.
    pub fn map(&mut self, expected: &'static str) -> Result<u64, CborError> {
        let head = self.expect(major::MAP, expected)?;
        self.count_of(&head, 2)
    }

    /// A byte string.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item,
    /// [`CborError::LengthBeyondEnd`] if it is longer than the bytes left.
    pub fn bytes(&mut self, expected: &'static str) -> Result<&'a [u8], CborError> {
        let head = self.expect(major::BYTES, expected)?;
        self.string_of(&head)
    }

    /// A text string.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item,
    /// [`CborError::LengthBeyondEnd`] if it is longer than the bytes left,
    /// [`CborError::InvalidUtf8`].
    pub fn text(&mut self, expected: &'static str) -> Result<&'a str, CborError> {
        let head = self.expect(major::TEXT, expected)?;
        self.text_of(&head)
    }

    /// The simple value null.
    ///
    /// # Errors
    /// [`CborError::Unexpected`] naming `expected` for any other item.
    pub fn null(&mut self, expected: &'static str) -> Result<(), CborError> {
        const NULL: u64 = 22;
        let offset = self.offset();
        match self.argument(major::SIMPLE, expected)? {
            NULL => Ok(()),
            _ => Err(CborError::Unexpected { offset, expected }),
        }
    }

    /// Ends the reading.
    ///
    /// # Errors
    /// [`CborError::TrailingBytes`] if bytes are left.
    pub fn end(self) -> Result<(), CborError> {
        if self.at == self.bytes.len() {
            Ok(())
        } else {
            Err(CborError::TrailingBytes {
                offset: self.offset(),
            })
        }
    }

    fn rest(&self) -> &'a [u8] {
        self.bytes.get(self.at..).unwrap_or_default()
    }

    fn argument(&mut self, major: u8, expected: &'static str) -> Result<u64, CborError> {
        let head = self.expect(major, expected)?;
        self.step(&head);
        Ok(head.value)
    }

    /// The head of the next item, which must be of this type.
    fn expect(&self, major: u8, expected: &'static str) -> Result<Head, CborError> {
        let head = self.peek()?;
        if head.major == major {
            Ok(head)
        } else {
            Err(CborError::Unexpected {
                offset: self.offset(),
                expected,
            })
        }
    }

    fn need(&self, offset: u64, declared: u64, bytes: u64) -> Result<(), CborError> {
        let remaining = self.rest().len() as u64;
        if bytes > remaining {
            return Err(CborError::LengthBeyondEnd {
                offset,
                declared,
                remaining,
            });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_whole_range_of_signed_integers_is_read() {
        let read = |text: &str| Reader::new(&hex::decode(text).unwrap()).int("an integer");
        assert_eq!(read("1b7fffffffffffffff"), Ok(i64::MAX));
        assert_eq!(read("3b7fffffffffffffff"), Ok(i64::MIN));
        assert_eq!(read("20"), Ok(-1));
        let beyond = Err(CborError::Unexpected {
            offset: 0,
            expected: "an integer",
        });
        assert_eq!(read("1b8000000000000000"), beyond);
        assert_eq!(read("3b8000000000000000"), beyond);
    }

    #[test]
    fn a_hostile_length_is_refused_before_anything_is_taken() {
        let bytes = hex::decode("5bffffffffffffffff00").unwrap();
        assert_eq!(
            Reader::new(&bytes).bytes("bytes"),
            Err(CborError::LengthBeyondEnd {
                offset: 0,
                declared: u64::MAX,
                remaining: 1
            })
        );
        let bytes = hex::decode("bb800000000000000100").unwrap();
        assert_eq!(
            Reader::new(&bytes).map("a map"),
            Err(CborError::LengthBeyondEnd {
                offset: 0,
                declared: (1 << 63) + 1,
                remaining: 1
            })
        );
    }

    #[test]
    fn another_type_and_trailing_bytes_are_refused() {
        assert_eq!(
            Reader::new(&[0xf5]).null("null"),
            Err(CborError::Unexpected {
                offset: 0,
                expected: "null"
            })
        );
        let mut reader = Reader::new(&[0x61, 0x61, 0x00]);
        assert_eq!(reader.text("text"), Ok("a"));
        assert_eq!(reader.end(), Err(CborError::TrailingBytes { offset: 2 }));
    }
}
