//! Text map keys in the order of RFC 8949 §4.2.1.

use std::cmp::Ordering;
use std::fmt;

use serde::{Deserialize, Serialize};

/// A text key whose order is that of its deterministic encoding: shorter first, then by bytes.
///
/// `BTreeMap<Key, _>` therefore serialises its entries in canonical order, which
/// `BTreeMap<String, _>` does not ("aa" sorts before "b" as a string and after it here).
#[derive(Debug, Clone, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Key(String);

impl Key {
    /// Makes a key from text.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The text of the key.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl Ord for Key {
    fn cmp(&self, other: &Self) -> Ordering {
        // The head of a text string grows with its length, so comparing lengths compares heads.
        self.0
            .len()
            .cmp(&other.0.len())
            .then_with(|| self.0.as_bytes().cmp(other.0.as_bytes()))
    }
}

impl PartialOrd for Key {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl fmt::Display for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

impl From<&str> for Key {
    fn from(text: &str) -> Self {
        Self::new(text)
    }
}

impl From<String> for Key {
    fn from(text: String) -> Self {
        Self(text)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cbor::write_text;
    use proptest::prelude::*;

    fn encoded(key: &Key) -> Vec<u8> {
        let mut out = Vec::new();
        write_text(&mut out, key.as_str());
        out
    }

    proptest! {
        #[test]
        fn keys_order_as_their_encodings_do(a in ".{0,300}", b in ".{0,30}") {
            let (a, b) = (Key::new(a), Key::new(b));
            prop_assert_eq!(a.cmp(&b), encoded(&a).cmp(&encoded(&b)));
        }
    }
}
