//! Bounded text: what a person wrote, with its limits built into the type.
//!
//! A `Text<N>` is one line: never empty, at most `N` bytes of UTF-8, nothing that draws lines, hides
//! or turns text, no surrounding white space. A [`Remark`] may have several lines. What is refused is
//! a fixed list of code points and never a Unicode category: Unicode grows, and two readers would
//! differ. (SPEC.md, rules U-1 to U-3.)

use serde::{Deserialize, Serialize};
use std::fmt;

/// Text of 1 to `MAX` bytes; with `FEEDS` it may hold line feeds.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Text<const MAX: usize, const FEEDS: bool = false>(String);

/// A short name: operator, place, registration.
pub type Name = Text<96>;
/// A few sentences: a reason, a remark. Line feeds are allowed.
pub type Remark = Text<2000, true>;

impl<const MAX: usize, const FEEDS: bool> Text<MAX, FEEDS> {
    /// Trims `raw` and checks it against the limits of the type.
    ///
    /// # Errors
    /// [`TextError`] says which limit was broken.
    pub fn new(raw: &str) -> Result<Self, TextError> {
        let text = raw.trim_matches(is_white_space);
        check::<MAX, FEEDS>(text)?;
        Ok(Self(text.to_owned()))
    }

    /// The text as it was accepted.
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

/// Code points that a line may not hold: controls, what hides or turns text, what draws lines, private
/// and unassigned planes (U-1). Surrogates cannot occur in UTF-8.
const LINE_REFUSES: &[(u32, u32)] = &[
    (0x0000, 0x001F),
    (0x007F, 0x009F),
    (0x00AD, 0x00AD),
    (0x034F, 0x034F),
    (0x0600, 0x0605),
    (0x061C, 0x061C),
    (0x06DD, 0x06DD),
    (0x070F, 0x070F),
    (0x0890, 0x0891),
    (0x08E2, 0x08E2),
    (0x115F, 0x1160),
    (0x17B4, 0x17B5),
    (0x180B, 0x180F),
    (0x200B, 0x200F),
    (0x2028, 0x202E),
    (0x2060, 0x206F),
    (0x3164, 0x3164),
    (0xD800, 0xF8FF),
    (0xFDD0, 0xFDEF),
    (0xFE00, 0xFE0F),
    (0xFEFF, 0xFEFF),
    (0xFFA0, 0xFFA0),
    (0xFFF0, 0xFFFB),
    (0x110BD, 0x110BD),
    (0x110CD, 0x110CD),
    (0x13430, 0x1343F),
    (0x1BCA0, 0x1BCA3),
    (0x1D173, 0x1D17A),
    (0xE0000, 0x10FFFF),
];
/// Code points that a remark may not hold: controls but the line feed, and what turns text (U-2).
const REMARK_REFUSES: &[(u32, u32)] = &[
    (0x0000, 0x0009),
    (0x000B, 0x001F),
    (0x007F, 0x009F),
    (0x2028, 0x202E),
    (0x2066, 0x2069),
];

fn permitted(c: char, refused: &[(u32, u32)]) -> bool {
    let point = u32::from(c);
    let last_of_plane = refused.len() == LINE_REFUSES.len() && point & 0xFFFE == 0xFFFE;
    !last_of_plane
        && !refused
            .iter()
            .any(|(from, to)| (*from..=*to).contains(&point))
}

/// White space as this format counts it (U-3): a fixed list.
pub(crate) fn is_white_space(c: char) -> bool {
    matches!(
        u32::from(c),
        0x0009..=0x000D
            | 0x0020
            | 0x0085
            | 0x00A0
            | 0x1680
            | 0x2000..=0x200A
            | 0x2028..=0x2029
            | 0x202F
            | 0x205F
            | 0x3000
    )
}

/// Text made safe for a terminal or a page: what a line may not hold is shown as `\\u{…}`, and every
/// further line of a remark stands behind two spaces and a bar.
pub fn shown(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if c == '\n' {
            out.push_str("\n  | ");
        } else if permitted(c, LINE_REFUSES) {
            out.push(c);
        } else {
            out.extend(c.escape_unicode());
        }
    }
    out
}

fn check<const MAX: usize, const FEEDS: bool>(text: &str) -> Result<(), TextError> {
    if text.is_empty() {
        return Err(TextError::Empty);
    }
    if text.len() > MAX {
        return Err(TextError::TooLong {
            bytes: text.len(),
            max: MAX,
        });
    }
    let refused = if FEEDS { REMARK_REFUSES } else { LINE_REFUSES };
    if let Some(found) = text.chars().find(|c| !permitted(*c, refused)) {
        return Err(TextError::NotPermitted(found));
    }
    Ok(())
}

impl<const MAX: usize, const FEEDS: bool> TryFrom<String> for Text<MAX, FEEDS> {
    type Error = TextError;
    /// Strict: text from a record is taken as it stands or refused, never trimmed.
    fn try_from(raw: String) -> Result<Self, TextError> {
        check::<MAX, FEEDS>(&raw)?;
        if raw.trim_matches(is_white_space).len() != raw.len() {
            return Err(TextError::SurroundingSpace);
        }
        Ok(Self(raw))
    }
}

impl<const MAX: usize, const FEEDS: bool> std::str::FromStr for Text<MAX, FEEDS> {
    type Err = TextError;
    fn from_str(raw: &str) -> Result<Self, TextError> {
        Self::new(raw)
    }
}

impl<const MAX: usize, const FEEDS: bool> From<Text<MAX, FEEDS>> for String {
    fn from(text: Text<MAX, FEEDS>) -> Self {
        text.0
    }
}

impl<const MAX: usize, const FEEDS: bool> fmt::Display for Text<MAX, FEEDS> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl<const MAX: usize, const FEEDS: bool> fmt::Debug for Text<MAX, FEEDS> {
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
    /// A code point that this kind of text may not hold.
    #[error("the text holds the character U+{:04X}, which may not stand here", u32::from(*.0))]
    NotPermitted(char),
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
        assert_eq!(Name::new("a\u{7}b"), Err(TextError::NotPermitted('\u{7}')));
        assert_eq!(
            Text::<3, false>::new("abcd"),
            Err(TextError::TooLong { bytes: 4, max: 3 })
        );
    }

    #[test]
    fn a_name_draws_no_lines_and_hides_nothing() {
        for bad in [
            '\n',
            '\u{202E}',
            '\u{200B}',
            '\u{AD}',
            '\u{FEFF}',
            '\u{1FFFE}',
            '\u{E000}',
        ] {
            let text = format!("a{bad}b");
            assert_eq!(Name::new(&text), Err(TextError::NotPermitted(bad)));
        }
        for good in ["Ærø 2", "Ω", "東京", "a\u{301}"] {
            assert!(Name::new(good).is_ok(), "{good}");
        }
        assert!(Remark::new("first\nsecond").is_ok());
        for bad in ['\t', '\u{202E}', '\u{2067}', '\u{85}'] {
            let text = format!("a{bad}b");
            assert_eq!(Remark::new(&text), Err(TextError::NotPermitted(bad)));
        }
        assert!(Remark::new("a\u{200D}b").is_ok());
    }

    #[test]
    fn white_space_is_what_the_standard_library_calls_so() {
        // Rust's own table is the White_Space property of Unicode; ours is fixed.
        let differ = (0..=0x10FFFF)
            .filter_map(char::from_u32)
            .find(|c| is_white_space(*c) != c.is_whitespace());
        assert_eq!(differ, None);
    }

    #[test]
    fn shown_text_cannot_imitate_output() {
        assert_eq!(shown("seen\nverified: yes"), "seen\n  | verified: yes");
        assert_eq!(shown("a\u{202E}b\u{1b}[2J"), "a\\u{202e}b\\u{1b}[2J");
    }
}
