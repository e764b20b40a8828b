//! Inclusion and consistency proofs: making, checking (RFC 9162 §2.1.3, §2.1.4).

use super::{Hash, TreeError, empty_root, node_hash, split};

/// A proof that a leaf stands at an index of a tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InclusionProof {
    /// Size of the tree, leaves.
    pub tree_size: u64,
    /// Index of the leaf, from 0.
    pub leaf_index: u64,
    /// Sibling hashes from the leaf upwards; empty for a tree of one leaf.
    pub path: Vec<Hash>,
}

impl InclusionProof {
    /// The root that a leaf with this hash and this path leads to (RFC 9162 §2.1.3.2).
    ///
    /// # Errors
    /// [`TreeError::NoSuchLeaf`] or [`TreeError::PathLength`].
    pub fn root(&self, leaf: &Hash) -> Result<Hash, TreeError> {
        if self.leaf_index >= self.tree_size {
            return Err(TreeError::NoSuchLeaf {
                index: self.leaf_index,
                size: self.tree_size,
            });
        }
        let wrong_length = TreeError::PathLength {
            given: self.path.len(),
        };
        let mut climb = Climb {
            node: self.leaf_index,
            last: self.tree_size - 1,
        };
        let mut root = *leaf;
        for sibling in &self.path {
            root = match climb.step() {
                None => return Err(wrong_length),
                Some(Side::Left) => node_hash(sibling, &root),
                Some(Side::Right) => node_hash(&root, sibling),
            };
        }
        if climb.last == 0 {
            Ok(root)
        } else {
            Err(wrong_length)
        }
    }

    /// Checks that the leaf is in the tree with this root.
    ///
    /// # Errors
    /// Those of [`root`](Self::root), or [`TreeError::RootMismatch`].
    pub fn verify(&self, leaf: &Hash, root: &Hash) -> Result<(), TreeError> {
        if self.root(leaf)? == *root {
            Ok(())
        } else {
            Err(TreeError::RootMismatch)
        }
    }
}

/// A proof that a tree is the beginning of a larger one.
///
/// RFC 9162 defines it for 0 < `size_1` < `size_2`. Here equal sizes have an empty path and equal
/// roots, and the empty tree is the beginning of every tree, with an empty path.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ConsistencyProof {
    /// Size of the older tree, leaves.
    pub size_1: u64,
    /// Size of the newer tree, leaves.
    pub size_2: u64,
    /// Hashes in the order of RFC 9162 §2.1.4.1.
    pub path: Vec<Hash>,
}

impl ConsistencyProof {
    /// The newer root that follows from the older one (RFC 9162 §2.1.4.2).
    ///
    /// # Errors
    /// [`TreeError::Shrinking`], [`TreeError::FromEmptyTree`] for `size_1` = 0,
    /// [`TreeError::PathLength`], or [`TreeError::RootMismatch`] if the path does not rebuild
    /// `root_1`.
    pub fn newer_root(&self, root_1: &Hash) -> Result<Hash, TreeError> {
        let Self {
            size_1,
            size_2,
            ref path,
        } = *self;
        let wrong_length = TreeError::PathLength { given: path.len() };
        if size_1 > size_2 {
            return Err(TreeError::Shrinking { size_1, size_2 });
        }
        if size_1 == 0 {
            return Err(TreeError::FromEmptyTree);
        }
        if size_1 == size_2 {
            return if path.is_empty() {
                Ok(*root_1)
            } else {
                Err(wrong_length)
            };
        }
        let mut hashes = path.iter();
        // A perfect older tree is a node of the newer one, so the path leaves its root out.
        let first = if size_1.is_power_of_two() {
            Some(root_1)
        } else {
            hashes.next()
        };
        let Some(&first) = first else {
            return Err(wrong_length);
        };
        let mut climb = Climb {
            node: size_1 - 1,
            last: size_2 - 1,
        };
        climb.skip_right_edge();
        let (mut older, mut newer) = (first, first);
        for sibling in hashes {
            match climb.step() {
                None => return Err(wrong_length),
                Some(Side::Left) => {
                    older = node_hash(sibling, &older);
                    newer = node_hash(sibling, &newer);
                }
                Some(Side::Right) => newer = node_hash(&newer, sibling),
            }
        }
        if climb.last != 0 {
            return Err(wrong_length);
        }
        if older == *root_1 {
            Ok(newer)
        } else {
            Err(TreeError::RootMismatch)
        }
    }

    /// Checks that the tree with `root_1` is the beginning of the one with `root_2`.
    ///
    /// # Errors
    /// Those of [`newer_root`](Self::newer_root) except for `size_1` = 0, or
    /// [`TreeError::RootMismatch`].
    pub fn verify(&self, root_1: &Hash, root_2: &Hash) -> Result<(), TreeError> {
        let agrees = if self.size_1 == 0 {
            if !self.path.is_empty() {
                return Err(TreeError::PathLength {
                    given: self.path.len(),
                });
            }
            *root_1 == empty_root() && (self.size_2 > 0 || root_1 == root_2)
        } else {
            self.newer_root(root_1)? == *root_2
        };
        if agrees {
            Ok(())
        } else {
            Err(TreeError::RootMismatch)
        }
    }
}

/// The root of a list of leaf hashes (RFC 9162 §2.1.1).
#[must_use]
pub fn root_of(leaves: &[Hash]) -> Hash {
    match leaves {
        [] => empty_root(),
        [leaf] => *leaf,
        _ => {
            let (left, right) = leaves.split_at(split(leaves.len() as u64) as usize);
            node_hash(&root_of(left), &root_of(right))
        }
    }
}

/// Proves that the leaf at `index` is in the tree over `leaves`. Time grows with the leaves; a
/// [`LeafTree`](super::LeafTree) answers faster.
///
/// # Errors
/// [`TreeError::NoSuchLeaf`].
pub fn prove_inclusion(leaves: &[Hash], index: u64) -> Result<InclusionProof, TreeError> {
    let tree_size = leaves.len() as u64;
    let path = inclusion_path(index, tree_size, &|start, len| {
        root_of(range(leaves, start, len))
    })?;
    Ok(InclusionProof {
        tree_size,
        leaf_index: index,
        path,
    })
}

/// Proves that the tree over the first `size_1` leaves is the beginning of the tree over all of
/// them.
///
/// # Errors
/// [`TreeError::Shrinking`].
pub fn prove_consistency(leaves: &[Hash], size_1: u64) -> Result<ConsistencyProof, TreeError> {
    let size_2 = leaves.len() as u64;
    let path = consistency_path(size_1, size_2, &|start, len| {
        root_of(range(leaves, start, len))
    })?;
    Ok(ConsistencyProof {
        size_1,
        size_2,
        path,
    })
}

fn range(leaves: &[Hash], start: u64, len: u64) -> &[Hash] {
    leaves
        .get(start as usize..(start + len) as usize)
        .unwrap_or_default()
}

/// PATH of RFC 9162 §2.1.3.1; `root_of_range(start, len)` gives the root over a range of leaves.
pub(super) fn inclusion_path(
    index: u64,
    size: u64,
    root_of_range: &dyn Fn(u64, u64) -> Hash,
) -> Result<Vec<Hash>, TreeError> {
    if index >= size {
        return Err(TreeError::NoSuchLeaf { index, size });
    }
    let (mut start, mut len, mut path) = (0, size, Vec::new());
    while len > 1 {
        let left = split(len);
        if index - start < left {
            path.push(root_of_range(start + left, len - left));
            len = left;
        } else {
            path.push(root_of_range(start, left));
            start += left;
            len -= left;
        }
    }
    path.reverse();
    Ok(path)
}

/// SUBPROOF of RFC 9162 §2.1.4.1.
pub(super) fn consistency_path(
    size_1: u64,
    size_2: u64,
    root_of_range: &dyn Fn(u64, u64) -> Hash,
) -> Result<Vec<Hash>, TreeError> {
    if size_1 > size_2 {
        return Err(TreeError::Shrinking { size_1, size_2 });
    }
    let mut path = Vec::new();
    if size_1 == 0 {
        return Ok(path);
    }
    let (mut start, mut len) = (0, size_2);
    while size_1 - start != len {
        let left = split(len);
        if size_1 - start <= left {
            path.push(root_of_range(start + left, len - left));
            len = left;
        } else {
            path.push(root_of_range(start, left));
            start += left;
            len -= left;
        }
    }
    // Left of start everything is in the path; if that is nothing, the verifier knows this root.
    if start > 0 {
        path.push(root_of_range(start, len));
    }
    path.reverse();
    Ok(path)
}

/// On which side of the node the next sibling stands.
enum Side {
    Left,
    Right,
}

/// The way from a node up to the root: `node` and `last` are the indices of the node and of the
/// last node on its level, fn and sn in RFC 9162 §2.1.3.2.
struct Climb {
    node: u64,
    last: u64,
}

impl Climb {
    /// Takes one sibling and climbs past it; `None` if the root has been reached.
    fn step(&mut self) -> Option<Side> {
        if self.last == 0 {
            return None;
        }
        let side = if self.node & 1 == 1 || self.node == self.last {
            // The last node of a level without a partner rises until it has one on its left.
            while self.node & 1 == 0 && self.node != 0 {
                self.up();
            }
            Side::Left
        } else {
            Side::Right
        };
        self.up();
        Some(side)
    }

    /// Rises while the node is a right child (RFC 9162 §2.1.4.2, step 4).
    fn skip_right_edge(&mut self) {
        while self.node & 1 == 1 {
            self.up();
        }
    }

    fn up(&mut self) {
        self.node >>= 1;
        self.last >>= 1;
    }
}
