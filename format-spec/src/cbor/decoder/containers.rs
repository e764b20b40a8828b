//! The insides of arrays, maps and variants.

use super::{Decoder, Fault, NULL};
use crate::cbor::{CborError, major};
use serde::de::{
    DeserializeSeed, Deserializer as _, EnumAccess, Error as _, MapAccess, SeqAccess, Unexpected,
    VariantAccess, Visitor,
};

/// The elements of an array.
pub(super) struct Elements<'a, 'de> {
    pub(super) decoder: &'a mut Decoder<'de>,
    pub(super) left: u64,
}

impl<'de> SeqAccess<'de> for &mut Elements<'_, 'de> {
    type Error = Fault;

    fn next_element_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Fault> {
        if self.left == 0 {
            return Ok(None);
        }
        self.left -= 1;
        seed.deserialize(&mut *self.decoder).map(Some)
    }

    fn size_hint(&self) -> Option<usize> {
        // No more than the bytes that are left: the reader has compared the count with them.
        usize::try_from(self.left).ok()
    }
}

#[cold]
fn out_of_order(twice: bool, offset: u64) -> Fault {
    match twice {
        true => CborError::DuplicateKey { offset }.into(),
        false => CborError::UnsortedKey { offset }.into(),
    }
}

/// The pairs of a map, each key after the one before it.
pub(super) struct Pairs<'a, 'de> {
    pub(super) decoder: &'a mut Decoder<'de>,
    pub(super) left: u64,
    /// Encoding of the key before; empty before the first.
    pub(super) previous: &'de [u8],
}

impl<'de> Pairs<'_, 'de> {
    fn key<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Fault> {
        let offset = self.decoder.reader.offset();
        let name = seed.deserialize(&mut *self.decoder)?;
        let key = self.decoder.reader.since(offset);
        if self.previous >= key {
            return Err(out_of_order(self.previous == key, offset));
        }
        self.previous = key;
        Ok(name)
    }
}

impl<'de> MapAccess<'de> for &mut Pairs<'_, 'de> {
    type Error = Fault;

    fn next_key_seed<S: DeserializeSeed<'de>>(
        &mut self,
        seed: S,
    ) -> Result<Option<S::Value>, Fault> {
        if self.left == 0 {
            return Ok(None);
        }
        self.left -= 1;
        self.key(seed).map(Some)
    }

    fn next_value_seed<S: DeserializeSeed<'de>>(&mut self, seed: S) -> Result<S::Value, Fault> {
        seed.deserialize(&mut *self.decoder)
    }

    fn size_hint(&self) -> Option<usize> {
        usize::try_from(self.left).ok()
    }
}

/// A variant with content: the one pair of a map.
impl<'de> EnumAccess<'de> for Pairs<'_, 'de> {
    type Error = Fault;
    type Variant = Self;

    fn variant_seed<S: DeserializeSeed<'de>>(mut self, seed: S) -> Result<(S::Value, Self), Fault> {
        let name = self.key(seed)?;
        Ok((name, self))
    }
}

impl<'de> VariantAccess<'de> for Pairs<'_, 'de> {
    type Error = Fault;

    fn unit_variant(self) -> Result<(), Fault> {
        let head = self.decoder.reader.peek()?;
        if (head.major, head.value) == (major::SIMPLE, NULL) {
            return Err(self.decoder.second_spelling(self.decoder.map_at));
        }
        Err(self.decoder.mismatch(&"unit"))
    }

    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<S::Value, Fault> {
        seed.deserialize(self.decoder)
    }

    fn tuple_variant<V: Visitor<'de>>(self, len: usize, visitor: V) -> Result<V::Value, Fault> {
        self.decoder.deserialize_tuple(len, visitor)
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Fault> {
        self.decoder.deserialize_struct("", fields, visitor)
    }
}

/// A variant without content.
pub(super) struct NameOnly<'a, 'de>(pub(super) &'a mut Decoder<'de>);

impl<'de> EnumAccess<'de> for NameOnly<'_, 'de> {
    type Error = Fault;
    type Variant = Self;

    fn variant_seed<S: DeserializeSeed<'de>>(self, seed: S) -> Result<(S::Value, Self), Fault> {
        let name = seed.deserialize(&mut *self.0)?;
        Ok((name, self))
    }
}

impl<'de> VariantAccess<'de> for NameOnly<'_, 'de> {
    type Error = Fault;

    fn unit_variant(self) -> Result<(), Fault> {
        Ok(())
    }

    fn newtype_variant_seed<S: DeserializeSeed<'de>>(self, _: S) -> Result<S::Value, Fault> {
        Err(without_content("newtype variant"))
    }

    fn tuple_variant<V: Visitor<'de>>(self, _: usize, _: V) -> Result<V::Value, Fault> {
        Err(without_content("tuple variant"))
    }

    fn struct_variant<V: Visitor<'de>>(
        self,
        _: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Fault> {
        Err(without_content("struct variant"))
    }
}

#[cold]
fn without_content(expected: &str) -> Fault {
    Fault::invalid_type(Unexpected::UnitVariant, &expected)
}
