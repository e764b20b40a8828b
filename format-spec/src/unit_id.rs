//! The identity of a unit: manufacturer code, part number and serial number.
//!
//! Kept as written; compared in a normalised form ([`UnitKey`]). Two spellings are never merged
//! silently: an alias statement says so, or they stay two units.

use crate::text::{Text, TextError, is_white_space};
use serde::{Deserialize, Serialize};
use std::fmt;

/// One part of a unit's identity: at most 64 bytes, as on its data plate.
pub type PlateText = Text<64>;

/// A unit (one battery) as its data plate names it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UnitId {
    /// Manufacturer (enterprise) code.
    pub mfr: PlateText,
    /// Original part number: the one that never changes at a modification.
    pub part: PlateText,
    /// Serial number within the part number.
    pub serial: PlateText,
}

impl UnitId {
    /// Parses the three parts as a person typed or scanned them.
    ///
    /// # Errors
    /// [`UnitIdError`] names the part that was missing or malformed.
    pub fn new(mfr: &str, part: &str, serial: &str) -> Result<Self, UnitIdError> {
        let field = |name, raw: &str| {
            let text = PlateText::new(raw).map_err(|cause| UnitIdError { field: name, cause })?;
            if normalise(text.as_str()).is_empty() {
                return Err(UnitIdError {
                    field: name,
                    cause: TextError::Empty,
                });
            }
            Ok(text)
        };
        Ok(Self {
            mfr: field("manufacturer code", mfr)?,
            part: field("part number", part)?,
            serial: field("serial number", serial)?,
        })
    }

    /// The form in which two spellings of one identity are equal.
    pub fn key(&self) -> UnitKey {
        UnitKey(format!(
            "{}/{}/{}",
            escape(&normalise(self.mfr.as_str())),
            escape(&normalise(self.part.as_str())),
            escape(&normalise(self.serial.as_str()))
        ))
    }
}

impl fmt::Display for UnitId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {} s/n {}", self.mfr, self.part, self.serial)
    }
}

/// The normalised identity, `MFR/PART/SERIAL`: a–z as A–Z, white space removed, and `/` and `%`
/// inside a part written as `%2F` and `%25`, so that no two identities share a key by accident.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct UnitKey(String);

impl UnitKey {
    /// The key as text.
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// Takes a key that was printed before.
    ///
    /// # Errors
    /// `None` unless the text has three non-empty parts in normalised form.
    pub fn parse(text: &str) -> Option<Self> {
        let parts: Vec<&str> = text.split('/').collect();
        let good = parts.len() == 3
            && parts
                .iter()
                .all(|p| !p.is_empty() && p.len() <= 192 && normalise(p) == **p);
        good.then(|| Self(text.to_owned()))
    }
}

impl UnitKey {
    /// Whether two different identities are easily taken for each other: equal once O is read as 0 and
    /// I and L as 1, or once two neighbours are exchanged. A hint for people, never a reason to refuse
    /// or to join.
    pub fn looks_like(&self, other: &Self) -> bool {
        let skeleton = |key: &Self| -> Vec<char> {
            key.0
                .chars()
                .map(|c| match c {
                    'O' => '0',
                    'I' | 'L' => '1',
                    other => other,
                })
                .collect()
        };
        let (a, b) = (skeleton(self), skeleton(other));
        if self == other || a.len() != b.len() {
            return false;
        }
        let differ: Vec<(char, char)> = a
            .iter()
            .copied()
            .zip(b.iter().copied())
            .filter(|(x, y)| x != y)
            .collect();
        let first = a.iter().zip(&b).position(|(x, y)| x != y);
        match (differ.as_slice(), first) {
            ([], _) => true,
            ([(p, q), (r, s)], Some(at)) => p == s && q == r && a.get(at + 1) != b.get(at + 1),
            _ => false,
        }
    }
}

impl fmt::Display for UnitKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

fn normalise(raw: &str) -> String {
    raw.chars()
        .filter(|c| !is_white_space(*c))
        .map(|c| c.to_ascii_uppercase())
        .collect()
}

fn escape(part: &str) -> String {
    part.replace('%', "%25").replace('/', "%2F")
}

/// Which part of a unit's identity was refused, and why.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the unit's {field} is not usable: {cause}; read it from the data plate")]
pub struct UnitIdError {
    /// Why.
    pub cause: TextError,
    /// The part that was refused.
    pub field: &'static str,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn case_and_spaces_do_not_make_two_units() {
        let a = UnitId::new("fj001", "fb-44-2", "000 123").unwrap();
        let b = UnitId::new(" FJ001", "FB-44-2", "000123 ").unwrap();
        assert_eq!(a.key(), b.key());
        assert_ne!(a, b, "as written they stay different");
        assert_eq!(a.key().as_str(), "FJ001/FB-44-2/000123");
    }

    #[test]
    fn a_slash_inside_a_part_cannot_imitate_another_unit() {
        let a = UnitId::new("A", "B/C", "D").unwrap();
        let b = UnitId::new("A", "B", "C/D").unwrap();
        assert_ne!(a.key(), b.key());
        assert_eq!(UnitKey::parse(a.key().as_str()), Some(a.key()));
        assert_eq!(UnitKey::parse("A/B"), None);
    }

    #[test]
    fn twins_are_told_and_never_joined() {
        let key = |serial: &str| UnitId::new("FJ001", "FB-44-2", serial).unwrap().key();
        for (a, b) in [("30117", "3O117"), ("30117", "301I7"), ("30117", "30171")] {
            assert!(key(a).looks_like(&key(b)), "{a} {b}");
            assert_ne!(key(a), key(b));
        }
        for (a, b) in [
            ("30117", "30117"),
            ("30117", "30118"),
            ("30117", "71103"),
            ("1", "11"),
        ] {
            assert!(!key(a).looks_like(&key(b)), "{a} {b}");
        }
    }

    #[test]
    fn only_a_to_z_fold() {
        let key = |serial: &str| UnitId::new("FJ001", "FB-44-2", serial).unwrap().key();
        assert_eq!(key("ab"), key("AB"));
        assert_ne!(key("ä"), key("Ä"));
    }

    #[test]
    fn a_unit_without_a_serial_is_refused_by_name() {
        let refused = UnitId::new("FJ001", "FB-44-2", " ").unwrap_err();
        assert_eq!(refused.field, "serial number");
    }
}
