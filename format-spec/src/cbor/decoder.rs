//! Typed values from deterministic CBOR in one pass: a serde deserializer over the strict [`Reader`].
//!
//! Promises that a value it gives has these bytes as its only encoding, as long as the types keep
//! two rules: an optional field is absent when it is `None`, and a list or map that is absent when
//! empty is read by [`filled`]. Text and bytes are borrowed. It allocates nothing by itself.

mod asked;
mod containers;

use super::check::{self, Limits, MAX_DEPTH};
use super::{CborError, Head, Reader, major};
use asked::{FILLED, PLACE};
use containers::{Elements, NameOnly, Pairs};
use serde::de::{self, Deserializer, Error as _, Expected, Unexpected, Visitor};
use serde::{Deserialize, forward_to_deserialize_any};
use std::fmt;

pub(crate) use asked::{Place, filled};

/// Decodes exactly one value from deterministic CBOR and proves that these bytes are its encoding.
///
/// Beside what [`check`](super::check) refuses, refused are: a struct that is not a map of its named
/// fields, a variant that is not written as the encoder writes it, null for an absent field, an empty
/// list or map where it is absent when empty, and text or bytes of the other's type.
///
/// # Errors
/// What `check` finds, wherever it stands in the bytes; [`CborError::Decode`] if the item is not a
/// `T`, or [`CborError::NotCanonicalForm`] if it is one in a second spelling.
pub fn from_canonical<'de, T: Deserialize<'de>>(
    bytes: &'de [u8],
    limits: &Limits,
) -> Result<T, CborError> {
    decode(bytes, 0, 0, limits)
}

/// As [`from_canonical`], for the item that was left out at `place`: one level deep in `bytes`.
/// Its end was found when it was left out.
pub(crate) fn from_place<'de, T: Deserialize<'de>>(
    bytes: &'de [u8],
    place: Place,
    limits: &Limits,
) -> Result<T, CborError> {
    decode(bytes, place.offset(), 1, limits)
}

fn decode<'de, T: Deserialize<'de>>(
    bytes: &'de [u8],
    at: u64,
    depth: usize,
    limits: &Limits,
) -> Result<T, CborError> {
    if bytes.len() > limits.max_len {
        return Err(too_long(bytes, limits));
    }
    let mut decoder = Decoder {
        reader: Reader::at(bytes, at),
        depth,
        max_depth: limits.max_depth.min(MAX_DEPTH),
        map_at: at,
    };
    let whole = at == 0;
    match T::deserialize(&mut decoder) {
        Ok(_) if whole && !decoder.reader.is_at_end() => {
            let offset = decoder.reader.offset();
            Err(first_fault(
                bytes,
                limits,
                CborError::TrailingBytes { offset },
            ))
        }
        Ok(value) => Ok(value),
        Err(found) => Err(first_fault(bytes, limits, *found.0)),
    }
}

#[cold]
fn too_long(bytes: &[u8], limits: &Limits) -> CborError {
    CborError::TooLong {
        len: bytes.len(),
        max: limits.max_len,
    }
}

/// A broken rule of the encoding is named before a wrong type, wherever the two stand: what is not
/// deterministic CBOR at all is no record of any kind.
#[cold]
fn first_fault(bytes: &[u8], limits: &Limits, found: CborError) -> CborError {
    check::check(bytes, limits).err().unwrap_or(found)
}

/// What went wrong. Boxed, so that the results of the many small steps stay small.
#[derive(Debug)]
struct Fault(Box<CborError>);

impl From<CborError> for Fault {
    #[cold]
    fn from(error: CborError) -> Self {
        Self(Box::new(error))
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl std::error::Error for Fault {}

impl de::Error for Fault {
    #[cold]
    fn custom<T: fmt::Display>(message: T) -> Self {
        let reason = message.to_string();
        CborError::Decode { offset: 0, reason }.into()
    }

    #[cold]
    fn invalid_type(found: Unexpected<'_>, expected: &dyn Expected) -> Self {
        // What serde calls a unit value is written null here.
        match found {
            Unexpected::Unit => {
                Self::custom(format_args!("invalid type: null, expected {expected}"))
            }
            found => Self::custom(format_args!("invalid type: {found}, expected {expected}")),
        }
    }
}

struct Decoder<'de> {
    reader: Reader<'de>,
    depth: usize,
    max_depth: usize,
    /// Offset of the innermost map that is being read. Its count betrays a field that should be absent.
    map_at: u64,
}

impl<'de> Decoder<'de> {
    fn enter(&mut self) -> Result<(), Fault> {
        if self.depth >= self.max_depth {
            let offset = self.reader.offset();
            let max = self.max_depth;
            return Err(CborError::TooDeep { offset, max }.into());
        }
        self.depth += 1;
        Ok(())
    }

    /// The refusal of an item of another type than wanted. What the item is made of is left unread.
    #[cold]
    fn mismatch(&mut self, expected: &dyn Expected) -> Fault {
        match self.item() {
            Ok(Item::Beyond(n)) => Fault::custom(format_args!(
                "invalid type: integer `{n}` as i128, expected {expected}"
            )),
            Ok(item) => Fault::invalid_type(item.unexpected(), expected),
            Err(e) => e,
        }
    }

    /// The next scalar, or that a container begins there.
    fn item(&mut self) -> Result<Item<'de>, Fault> {
        let offset = self.reader.offset();
        let head = self.reader.peek()?;
        Ok(match head.major {
            major::BYTES => Item::Bytes(self.reader.string_of(&head)?),
            major::TEXT => Item::Text(self.reader.text_of(&head)?),
            major::ARRAY => Item::Array(head),
            major::MAP => Item::Map(head),
            major::UINT => {
                self.reader.step(&head);
                Item::Unsigned(head.value)
            }
            major::NINT => {
                self.reader.step(&head);
                match i64::try_from(head.value) {
                    // −1 − n without overflow: the bitwise complement.
                    Ok(n) => Item::Negative(!n),
                    Err(_) => Item::Beyond(-1 - i128::from(head.value)),
                }
            }
            major::TAG => {
                let tag = head.value;
                return Err(CborError::Tag { offset, tag }.into());
            }
            _ => {
                self.reader.step(&head);
                match head.value {
                    20 => Item::Bool(false),
                    21 => Item::Bool(true),
                    NULL => Item::Null,
                    // A simple value fits a byte: its argument is one byte at most.
                    value => {
                        let value = value as u8;
                        return Err(CborError::Simple { offset, value }.into());
                    }
                }
            }
        })
    }

    fn array<V: Visitor<'de>>(&mut self, head: &Head, visitor: V) -> Result<V::Value, Fault> {
        self.enter()?;
        let mut elements = Elements {
            left: self.reader.count_of(head, 1)?,
            decoder: self,
        };
        let value = visitor.visit_seq(&mut elements)?;
        let left = elements.left;
        self.leave(left)?;
        Ok(value)
    }

    fn map<V: Visitor<'de>>(&mut self, head: &Head, visitor: V) -> Result<V::Value, Fault> {
        let outer = self.map_at;
        let mut pairs = self.begin_map(head)?;
        let value = visitor.visit_map(&mut pairs)?;
        let left = pairs.left;
        self.leave(left)?;
        self.map_at = outer;
        Ok(value)
    }

    fn begin_map(&mut self, head: &Head) -> Result<Pairs<'_, 'de>, Fault> {
        self.enter()?;
        self.map_at = self.reader.offset();
        Ok(Pairs {
            left: self.reader.count_of(head, 2)?,
            previous: &[],
            decoder: self,
        })
    }

    fn leave(&mut self, left: u64) -> Result<(), Fault> {
        self.depth -= 1;
        if left > 0 {
            return Err(Fault::custom("the item holds more than its type"));
        }
        Ok(())
    }

    fn second_spelling(&self, offset: u64) -> Fault {
        CborError::NotCanonicalForm { offset }.into()
    }

    /// A value that only another type's visitor would take: were it taken, it would be encoded
    /// otherwise.
    #[cold]
    fn other_type<V: Visitor<'de>>(&mut self, visitor: V) -> Result<V::Value, Fault> {
        let offset = self.reader.offset();
        self.deserialize_any(visitor)?;
        Err(self.second_spelling(offset))
    }
}

const NULL: u64 = 22;

enum Item<'de> {
    Unsigned(u64),
    Negative(i64),
    Beyond(i128),
    Bytes(&'de [u8]),
    Text(&'de str),
    Bool(bool),
    Null,
    Array(Head),
    Map(Head),
}

impl<'de> Item<'de> {
    fn unexpected(&self) -> Unexpected<'de> {
        match *self {
            Self::Unsigned(n) => Unexpected::Unsigned(n),
            Self::Negative(n) => Unexpected::Signed(n),
            Self::Beyond(_) => Unexpected::Other("integer"),
            Self::Bytes(bytes) => Unexpected::Bytes(bytes),
            Self::Text(text) => Unexpected::Str(text),
            Self::Bool(value) => Unexpected::Bool(value),
            Self::Null => Unexpected::Unit,
            Self::Array(_) => Unexpected::Seq,
            Self::Map(_) => Unexpected::Map,
        }
    }
}

/// Methods for the integer types: one body for all, since a visitor checks the range itself.
macro_rules! integers {
    ($($method:ident)*) => {$(
        fn $method<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
            let head = self.reader.peek()?;
            match (head.major, i64::try_from(head.value)) {
                (major::UINT, _) => {
                    self.reader.step(&head);
                    visitor.visit_u64(head.value)
                }
                (major::NINT, Ok(n)) => {
                    self.reader.step(&head);
                    visitor.visit_i64(!n)
                }
                (major::NINT, Err(_)) => self.deserialize_any(visitor),
                _ => Err(self.mismatch(&visitor)),
            }
        }
    )*};
}

impl<'de> Deserializer<'de> for &mut Decoder<'de> {
    type Error = Fault;

    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        match self.item()? {
            Item::Unsigned(n) => visitor.visit_u64(n),
            Item::Negative(n) => visitor.visit_i64(n),
            Item::Beyond(n) => visitor.visit_i128(n),
            Item::Bytes(bytes) => visitor.visit_borrowed_bytes(bytes),
            Item::Text(text) => visitor.visit_borrowed_str(text),
            Item::Bool(value) => visitor.visit_bool(value),
            Item::Null => visitor.visit_unit(),
            Item::Array(head) => self.array(&head, visitor),
            Item::Map(head) => self.map(&head, visitor),
        }
    }

    integers! {
        deserialize_u8 deserialize_u16 deserialize_u32 deserialize_u64 deserialize_u128
        deserialize_i8 deserialize_i16 deserialize_i32 deserialize_i64 deserialize_i128
    }

    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::TEXT => visitor.visit_borrowed_str(self.reader.text_of(&head)?),
            _ => self.other_type(visitor),
        }
    }

    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        self.deserialize_str(visitor)
    }

    fn deserialize_bytes<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::BYTES => visitor.visit_borrowed_bytes(self.reader.string_of(&head)?),
            _ => self.other_type(visitor),
        }
    }

    fn deserialize_byte_buf<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        self.deserialize_bytes(visitor)
    }

    /// Absent is not null: a field that is `None` has no place in a map.
    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        if (head.major, head.value) == (major::SIMPLE, NULL) {
            return Err(self.second_spelling(self.map_at));
        }
        visitor.visit_some(self)
    }

    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        match name {
            FILLED => {
                let head = self.reader.peek()?;
                if matches!(head.major, major::ARRAY | major::MAP) && head.value == 0 {
                    return Err(self.second_spelling(self.map_at));
                }
            }
            PLACE => {
                let offset = self.reader.offset();
                self.reader.skip()?;
                return visitor.visit_u64(offset);
            }
            _ => {}
        }
        visitor.visit_newtype_struct(self)
    }

    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::ARRAY => self.array(&head, visitor),
            _ => Err(self.mismatch(&visitor)),
        }
    }

    fn deserialize_tuple<V: Visitor<'de>>(
        self,
        _len: usize,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_tuple_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        _len: usize,
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.deserialize_seq(visitor)
    }

    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::MAP => self.map(&head, visitor),
            _ => Err(self.mismatch(&visitor)),
        }
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        _fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::MAP => self.map(&head, visitor),
            major::ARRAY => Err(self.second_spelling(self.reader.offset())),
            _ => Err(self.mismatch(&visitor)),
        }
    }

    /// A variant without content is its name; one with content is a map of its name to it.
    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        _variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match (head.major, head.value) {
            (major::TEXT, _) => visitor.visit_enum(NameOnly(self)),
            (major::MAP, 1) => {
                let outer = self.map_at;
                let value = visitor.visit_enum(self.begin_map(&head)?)?;
                self.leave(0)?;
                self.map_at = outer;
                Ok(value)
            }
            (major::ARRAY | major::UINT | major::BYTES, _) => {
                Err(self.second_spelling(self.reader.offset()))
            }
            _ => Err(self.mismatch(&"variant identifier")),
        }
    }

    /// The name of a field or variant, handed on as bytes: a name that is not UTF-8 is none of theirs.
    /// A name that is written as bytes is refused, and so is its number, which serde would take for it.
    fn deserialize_identifier<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        let head = self.reader.peek()?;
        match head.major {
            major::TEXT => visitor.visit_borrowed_bytes(self.reader.string_of(&head)?),
            major::UINT | major::BYTES => Err(self.second_spelling(self.reader.offset())),
            _ => Err(self.mismatch(&visitor)),
        }
    }

    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Fault> {
        self.reader.pass_over(self.depth, self.max_depth)?;
        visitor.visit_unit()
    }

    fn is_human_readable(&self) -> bool {
        false
    }

    forward_to_deserialize_any! { bool f32 f64 char unit unit_struct }
}
