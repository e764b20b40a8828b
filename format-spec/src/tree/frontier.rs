//! The frontier of a tree (compact range from 0): all that is needed to append and to know the root.

use super::{Hash, TreeError, empty_root, node_hash};

/// Largest tree size, leaves: fits the signed 64-bit integers of databases.
pub const MAX_TREE_SIZE: u64 = i64::MAX as u64;

/// A tree size and the roots of its perfect subtrees, left (largest) to right.
///
/// The subtrees are the binary digits of the size, so a frontier of n leaves has popcount(n)
/// hashes and needs no leaf to append the next one.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Frontier {
    size: u64,
    hashes: Vec<Hash>,
}

impl Frontier {
    /// The frontier of the empty tree.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// A frontier from its parts, as read from a bundle. Its root must still be compared with one
    /// that is trusted.
    ///
    /// # Errors
    /// [`TreeError::TooLarge`], or [`TreeError::FrontierShape`] if the number of hashes is not
    /// the number of one-bits of `size`.
    pub fn from_parts(size: u64, hashes: Vec<Hash>) -> Result<Self, TreeError> {
        if size > MAX_TREE_SIZE {
            return Err(TreeError::TooLarge { size });
        }
        let expected = size.count_ones();
        if hashes.len() as u64 != u64::from(expected) {
            return Err(TreeError::FrontierShape {
                size,
                expected,
                given: hashes.len(),
            });
        }
        Ok(Self { size, hashes })
    }

    /// Appends a leaf, given by its [`leaf_hash`](super::leaf_hash).
    pub fn push(&mut self, leaf: Hash) {
        let mut subtree = leaf;
        // Each trailing one-bit is a perfect subtree as large as the one to its right.
        for _ in 0..self.size.trailing_ones() {
            match self.hashes.pop() {
                Some(left) => subtree = node_hash(&left, &subtree),
                None => break,
            }
        }
        self.hashes.push(subtree);
        // No overflow: it starts at 2^63 − 1 at most and grows by one a call.
        self.size += 1;
    }

    /// The number of leaves.
    #[must_use]
    pub fn size(&self) -> u64 {
        self.size
    }

    /// The root (RFC 9162 §2.1.1); [`empty_root`] for the empty tree.
    #[must_use]
    pub fn root(&self) -> Hash {
        let mut from_right = self.hashes.iter().rev().copied();
        match from_right.next() {
            None => empty_root(),
            Some(last) => from_right.fold(last, |right, left| node_hash(&left, &right)),
        }
    }

    /// The roots of the perfect subtrees, left to right.
    #[must_use]
    pub fn hashes(&self) -> &[Hash] {
        &self.hashes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_number_of_hashes_must_follow_from_the_size() {
        let hash = empty_root();
        assert!(Frontier::from_parts(0, vec![]).is_ok());
        assert!(Frontier::from_parts(6, vec![hash; 2]).is_ok());
        assert_eq!(
            Frontier::from_parts(6, vec![hash; 3]),
            Err(TreeError::FrontierShape {
                size: 6,
                expected: 2,
                given: 3
            })
        );
        assert_eq!(
            Frontier::from_parts(u64::MAX, vec![hash; 64]),
            Err(TreeError::TooLarge { size: u64::MAX })
        );
    }

    #[test]
    fn the_largest_frontier_still_takes_a_leaf() {
        let mut frontier = Frontier::from_parts(MAX_TREE_SIZE, vec![empty_root(); 63]).unwrap();
        frontier.push(empty_root());
        assert_eq!((frontier.size(), frontier.hashes().len()), (1 << 63, 1));
    }
}
