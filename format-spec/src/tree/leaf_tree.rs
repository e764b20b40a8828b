//! A whole tree in memory, for questions about any size it ever had.

use super::proof::{consistency_path, inclusion_path};
use super::{ConsistencyProof, Frontier, Hash, InclusionProof, TreeError, node_hash};

/// All nodes of the perfect subtrees of a log, level by level: about 64 bytes a leaf.
///
/// Roots, frontiers and proofs at any size up to [`len`](Self::len) take O(log n) hashes.
#[derive(Debug, Clone, Default)]
pub struct LeafTree {
    /// `levels[k][i]` is the root over the leaves i·2^k .. (i+1)·2^k.
    levels: Vec<Vec<Hash>>,
}

impl LeafTree {
    /// A tree without leaves.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Appends a leaf, given by its [`leaf_hash`](super::leaf_hash).
    pub fn push(&mut self, leaf: Hash) {
        let mut node = leaf;
        let mut height = 0;
        loop {
            if height == self.levels.len() {
                self.levels.push(Vec::new());
            }
            let Some(level) = self.levels.get_mut(height) else {
                return;
            };
            level.push(node);
            // An even number of nodes means that the last two are the children of a new node.
            match level.as_slice() {
                [.., left, right] if level.len().is_multiple_of(2) => node = node_hash(left, right),
                _ => return,
            }
            height += 1;
        }
    }

    /// The number of leaves.
    #[must_use]
    pub fn len(&self) -> u64 {
        self.levels.first().map_or(0, |leaves| leaves.len() as u64)
    }

    /// Whether there is no leaf.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// The hash of the leaf at an index, if there is one.
    #[must_use]
    pub fn leaf(&self, index: u64) -> Option<Hash> {
        self.node(0, index)
    }

    /// The root when the log had `size` leaves.
    ///
    /// # Errors
    /// [`TreeError::SizeBeyondTree`].
    pub fn root_at(&self, size: u64) -> Result<Hash, TreeError> {
        Ok(self.frontier_at(size)?.root())
    }

    /// The frontier when the log had `size` leaves.
    ///
    /// # Errors
    /// [`TreeError::SizeBeyondTree`].
    pub fn frontier_at(&self, size: u64) -> Result<Frontier, TreeError> {
        self.within(size)?;
        Frontier::from_parts(size, self.perfect_subtrees(0, size))
    }

    /// Proves that the leaf at `index` is in the tree of `size` leaves.
    ///
    /// # Errors
    /// [`TreeError::SizeBeyondTree`] or [`TreeError::NoSuchLeaf`].
    pub fn prove_inclusion(&self, index: u64, size: u64) -> Result<InclusionProof, TreeError> {
        self.within(size)?;
        let path = inclusion_path(index, size, &|start, len| self.root_of_range(start, len))?;
        Ok(InclusionProof {
            tree_size: size,
            leaf_index: index,
            path,
        })
    }

    /// Proves that the tree of `size_1` leaves is the beginning of the tree of `size_2`.
    ///
    /// # Errors
    /// [`TreeError::SizeBeyondTree`] or [`TreeError::Shrinking`].
    pub fn prove_consistency(
        &self,
        size_1: u64,
        size_2: u64,
    ) -> Result<ConsistencyProof, TreeError> {
        self.within(size_2)?;
        let path = consistency_path(size_1, size_2, &|start, len| self.root_of_range(start, len))?;
        Ok(ConsistencyProof {
            size_1,
            size_2,
            path,
        })
    }

    fn within(&self, size: u64) -> Result<(), TreeError> {
        let held = self.len();
        if size > held {
            Err(TreeError::SizeBeyondTree { size, held })
        } else {
            Ok(())
        }
    }

    fn node(&self, height: u32, index: u64) -> Option<Hash> {
        self.levels
            .get(height as usize)?
            .get(index as usize)
            .copied()
    }

    /// The root over `len` leaves from `start`, a multiple of the power of two at or above `len`.
    fn root_of_range(&self, start: u64, len: u64) -> Hash {
        let mut from_right = self.perfect_subtrees(start, len).into_iter().rev();
        match from_right.next() {
            None => super::empty_root(),
            Some(last) => from_right.fold(last, |right, left| node_hash(&left, &right)),
        }
    }

    /// The stored nodes that cover `len` leaves from `start`, largest first.
    fn perfect_subtrees(&self, start: u64, len: u64) -> Vec<Hash> {
        let mut subtrees = Vec::with_capacity(len.count_ones() as usize);
        let (mut at, mut left) = (start, len);
        while left > 0 {
            let height = left.ilog2();
            subtrees.extend(self.node(height, at >> height));
            at += 1 << height;
            left -= 1 << height;
        }
        subtrees
    }
}
