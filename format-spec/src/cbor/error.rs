//! Why bytes are not the deterministic CBOR this format uses. Every position is a byte offset.

/// A refusal of CBOR bytes, or of a value that has no deterministic encoding.
///
/// Offsets count bytes from the start of the item checked (or from the base given to
/// [`read_head`](super::read_head)) and point at the first byte of the offending item.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CborError {
    /// The whole item is longer than its limit.
    #[error("{len} bytes of CBOR where at most {max} are allowed")]
    TooLong {
        /// Length given, bytes.
        len: usize,
        /// Limit, bytes.
        max: usize,
    },
    /// The bytes end inside an item.
    #[error("the bytes end at offset {offset}, inside an item")]
    Truncated {
        /// Offset where more bytes were needed.
        offset: u64,
    },
    /// Bytes follow the item.
    #[error("bytes follow the item, from offset {offset}")]
    TrailingBytes {
        /// Offset of the first byte after the item.
        offset: u64,
    },
    /// Additional information 28 to 30, which RFC 8949 §3 reserves.
    #[error("reserved additional information {info} at offset {offset}")]
    Reserved {
        /// Offset of the head.
        offset: u64,
        /// The reserved value, 28 to 30.
        info: u8,
    },
    /// An integer, length or tag number is not in its shortest form (RFC 8949 §4.2.1).
    #[error("the number at offset {offset} is not in its shortest form")]
    NotShortest {
        /// Offset of the head.
        offset: u64,
    },
    /// Indefinite length, or the break code (RFC 8949 §4.2.1 forbids both).
    #[error("indefinite length at offset {offset}")]
    Indefinite {
        /// Offset of the head.
        offset: u64,
    },
    /// A floating-point number; quantities are scaled integers here.
    #[error("floating-point number at offset {offset}; only scaled integers are allowed")]
    Float {
        /// Offset of the head.
        offset: u64,
    },
    /// A simple value other than false, true and null.
    #[error("simple value {value} at offset {offset}; only false, true and null are allowed")]
    Simple {
        /// Offset of the head.
        offset: u64,
        /// The simple value.
        value: u8,
    },
    /// A tag that has no place here.
    #[error("tag {tag} at offset {offset} is not allowed here")]
    Tag {
        /// Offset of the tag.
        offset: u64,
        /// The tag number.
        tag: u64,
    },
    /// A typed array (RFC 8746) whose content is not a byte string of whole elements.
    #[error("the typed array at offset {offset} is not a byte string of whole elements")]
    TypedArray {
        /// Offset of the tag.
        offset: u64,
    },
    /// A map key that should stand before the key in front of it.
    #[error("the map key at offset {offset} is out of order")]
    UnsortedKey {
        /// Offset of the key.
        offset: u64,
    },
    /// A map key that is given twice.
    #[error("the map key at offset {offset} is given twice")]
    DuplicateKey {
        /// Offset of the second one.
        offset: u64,
    },
    /// A text string that is not UTF-8.
    #[error("the text at offset {offset} is not UTF-8")]
    InvalidUtf8 {
        /// Offset of the head of the text string.
        offset: u64,
    },
    /// Nesting beyond the limit.
    #[error("the item at offset {offset} is nested deeper than {max} levels")]
    TooDeep {
        /// Offset of the container that is too deep.
        offset: u64,
        /// Limit, levels.
        max: usize,
    },
    /// A declared length or count that the remaining bytes cannot hold.
    #[error("length {declared} at offset {offset}, but only {remaining} bytes remain")]
    LengthBeyondEnd {
        /// Offset of the head.
        offset: u64,
        /// Declared bytes, elements or pairs.
        declared: u64,
        /// Bytes left after the head.
        remaining: u64,
    },
    /// An item of another type than the one that belongs here.
    #[error("expected {expected} at offset {offset}")]
    Unexpected {
        /// Offset of the item.
        offset: u64,
        /// What belongs here.
        expected: &'static str,
    },
    /// Deterministic CBOR, but not the type wanted.
    #[error("not the expected record at offset {offset}: {reason}")]
    Decode {
        /// Offset where the decoder stopped.
        offset: u64,
        /// The decoder's reason.
        reason: String,
    },
    /// A second encoding of a value: the value itself encodes to other bytes.
    #[error("the value encodes to other bytes from offset {offset}")]
    NotCanonicalForm {
        /// Offset of the first byte that differs.
        offset: u64,
    },
    /// A value that cannot be serialised.
    #[error("the value cannot be encoded: {reason}")]
    Encode {
        /// The encoder's reason.
        reason: String,
    },
}

impl CborError {
    /// The offset that the error names, if it names one.
    #[must_use]
    pub fn offset(&self) -> Option<u64> {
        match self {
            Self::Truncated { offset }
            | Self::TrailingBytes { offset }
            | Self::Reserved { offset, .. }
            | Self::NotShortest { offset }
            | Self::Indefinite { offset }
            | Self::Float { offset }
            | Self::Simple { offset, .. }
            | Self::Tag { offset, .. }
            | Self::TypedArray { offset }
            | Self::UnsortedKey { offset }
            | Self::DuplicateKey { offset }
            | Self::InvalidUtf8 { offset }
            | Self::TooDeep { offset, .. }
            | Self::LengthBeyondEnd { offset, .. }
            | Self::Unexpected { offset, .. }
            | Self::Decode { offset, .. }
            | Self::NotCanonicalForm { offset } => Some(*offset),
            Self::TooLong { .. } | Self::Encode { .. } => None,
        }
    }
}
