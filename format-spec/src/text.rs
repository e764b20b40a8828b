//! Bounded text: what a person wrote, with its limits built into the type.
//!
//! A `Text<N>` is never empty, holds at most `N` bytes of UTF-8, has no control characters and no
//! surrounding white space. (SPEC.md, section "Limits".)

use serde::{Deserialize, Serialize};
use std::fmt;

/// Text of 1 to `MAX` bytes without control characters or surrounding white space.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Text<const MAX: usize>(String);

/// A short name: operator, place, registration.
pub type Name = Text<96>;
/// A sentence or two: a reason, a remark.
pub type Remark = Text<2000>;

impl<const MAX: usize> Text<MAX> {
    /// Trims `raw` and checks it against the limits of the type.
    ///
    /// # Errors
    /// [`TextError`] says which limit was broken.
    pub fn new(raw: &str) -> Result<Self, TextError> {
        let text = raw.trim();
        check::<MAX>(text)?;
        Ok(Self(text.to_owned()))
    }

    /// The text as it was accepted.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

fn check<const MAX: usize>(text: &str) -> Result<(), TextError> {
    if text.is_empty() {
        return Err(TextError::Empty);
    }
    if text.len() > MAX {
        return Err(TextError::TooLong {
            bytes: text.len(),
            max: MAX,
        });
    }
    if text.chars().any(|c| c.is_control() && c != '\n') {
        return Err(TextError::ControlCharacter);
    }
    Ok(())
}

impl<const MAX: usize> TryFrom<String> for Text<MAX> {
    type Error = TextError;
    /// Strict: text from a record is taken as it stands or refused, never trimmed.
    fn try_from(raw: String) -> Result<Self, TextError> {
        check::<MAX>(&raw)?;
        if raw.trim().len() != raw.len() {
            return Err(TextError::SurroundingSpace);
        }
        Ok(Self(raw))
    }
}

impl<const MAX: usize> std::str::FromStr for Text<MAX> {
    type Err = TextError;
    fn from_str(raw: &str) -> Result<Self, TextError> {
        Self::new(raw)
    }
}

impl<const MAX: usize> From<Text<MAX>> for String {
    fn from(text: Text<MAX>) -> Self {
        text.0
    }
}

impl<const MAX: usize> fmt::Display for Text<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl<const MAX: usize> fmt::Debug for Text<MAX> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(&self.0, f)
    }
}

/// Why a piece of text was refused.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TextError {
    /// Nothing was left after trimming.
    #[error("the text is empty")]
    Empty,
    /// More bytes than the field takes.
    #[error("the text is {bytes} bytes long; at most {max} fit here")]
    TooLong {
        /// Length found.
        bytes: usize,
        /// Length allowed.
        max: usize,
    },
    /// A control character other than a line feed.
    #[error("the text holds a control character")]
    ControlCharacter,
    /// White space at an end of text that came from a record.
    #[error("the text starts or ends with white space")]
    SurroundingSpace,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_a_person_types_is_trimmed_and_what_a_record_holds_is_not() {
        assert_eq!(Name::new("  Bay 2 ").unwrap().as_str(), "Bay 2");
        assert_eq!(
            Name::try_from(" Bay 2".to_owned()),
            Err(TextError::SurroundingSpace)
        );
    }

    #[test]
    fn limits_are_refused_by_name() {
        assert_eq!(Name::new(" "), Err(TextError::Empty));
        assert_eq!(Name::new("a\u{7}b"), Err(TextError::ControlCharacter));
        assert_eq!(
            Text::<3>::new("abcd"),
            Err(TextError::TooLong { bytes: 4, max: 3 })
        );
    }
}
