//! What a type asks of the decoder beyond serde's data model, by the name of a newtype.

use serde::Deserialize;
use serde::de::{self, Deserializer, Visitor};
use std::fmt;
use std::marker::PhantomData;

/// The name that [`filled`] asks by.
pub(super) const FILLED: &str = "carrylog_format::cbor::filled";
/// The name that [`Place`] asks by.
pub(super) const PLACE: &str = "carrylog_format::cbor::Place";

/// For `deserialize_with` on a list or map that is left out when it is empty: refuses an empty one,
/// which would be a second spelling of its absence.
pub(crate) fn filled<'de, D, T>(from: D) -> Result<T, D::Error>
where
    D: Deserializer<'de>,
    T: Deserialize<'de>,
{
    struct Inner<T>(PhantomData<T>);
    impl<'de, T: Deserialize<'de>> Visitor<'de> for Inner<T> {
        type Value = T;
        fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
            f.write_str("a list or map with something in it")
        }
        fn visit_newtype_struct<D: Deserializer<'de>>(self, from: D) -> Result<T, D::Error> {
            T::deserialize(from)
        }
    }
    from.deserialize_newtype_struct(FILLED, Inner(PhantomData))
}

/// Where an item stands that was passed over, to be read later by [`from_place`](super::from_place). Of the item only
/// its end is known: nothing in it was checked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Place(u64);

impl Place {
    pub(super) fn offset(self) -> u64 {
        self.0
    }
}

impl<'de> Deserialize<'de> for Place {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        struct Offset;
        impl Visitor<'_> for Offset {
            type Value = Place;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("an item of deterministic CBOR")
            }
            fn visit_u64<E: de::Error>(self, offset: u64) -> Result<Place, E> {
                Ok(Place(offset))
            }
        }
        from.deserialize_newtype_struct(PLACE, Offset)
    }
}
