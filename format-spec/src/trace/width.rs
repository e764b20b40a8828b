//! Widths of the differences in a column: the signed typed arrays of RFC 8746 §2.1.

/// The signed typed arrays of RFC 8746 §2.1 that hold differences.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Width {
    Sint8,
    Sint16,
    Sint32,
    Sint64,
}

impl Width {
    /// Every width, narrowest first.
    pub(super) const ALL: [Self; 4] = [Self::Sint8, Self::Sint16, Self::Sint32, Self::Sint64];

    /// The narrowest width that holds both.
    pub(super) fn narrowest(lowest: i64, highest: i64) -> Self {
        if i8::try_from(lowest).is_ok() && i8::try_from(highest).is_ok() {
            Self::Sint8
        } else if i16::try_from(lowest).is_ok() && i16::try_from(highest).is_ok() {
            Self::Sint16
        } else if i32::try_from(lowest).is_ok() && i32::try_from(highest).is_ok() {
            Self::Sint32
        } else {
            Self::Sint64
        }
    }

    /// Tag of the typed array; little endian where that makes a difference.
    pub(super) fn tag(self) -> u64 {
        match self {
            Self::Sint8 => 72,
            Self::Sint16 => 77,
            Self::Sint32 => 78,
            Self::Sint64 => 79,
        }
    }

    /// Length of an element, bytes.
    pub(super) fn len(self) -> usize {
        match self {
            Self::Sint8 => 1,
            Self::Sint16 => 2,
            Self::Sint32 => 4,
            Self::Sint64 => 8,
        }
    }

    /// Reads one element of [`len`](Self::len) bytes.
    pub(super) fn read(self, element: &[u8]) -> i64 {
        let unsigned = element
            .iter()
            .rev()
            .fold(0_u64, |value, b| value << 8 | u64::from(*b));
        // Shift up and back down: the second shift repeats the sign.
        let unused_bits = 64 - 8 * self.len() as u32;
        (unsigned << unused_bits) as i64 >> unused_bits
    }
}
