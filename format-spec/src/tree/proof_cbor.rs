//! The encoding of proofs in receipts (RFC 9942).

use super::{ConsistencyProof, Hash, InclusionProof, TreeError};
use crate::cbor::{CborError, Reader, major, write_bytes, write_head};

/// Longest path of any proof, hashes. Public witnesses take no more lines.
pub const MAX_PATH_LEN: usize = 63;

impl InclusionProof {
    /// `[tree-size, leaf-index, [path]]` as deterministic CBOR (RFC 9942).
    ///
    /// The RFC's CDDL asks for at least one hash; a station's log of one entry has none, so an empty
    /// path is written and read here. A receipt with one is refused where receipts are read.
    #[must_use]
    pub fn to_cbor(&self) -> Vec<u8> {
        encode(self.tree_size, self.leaf_index, &self.path)
    }

    /// Reads what [`to_cbor`](Self::to_cbor) writes.
    ///
    /// # Errors
    /// [`TreeError::Cbor`], [`TreeError::HashLength`], [`TreeError::PathLength`] for more than
    /// [`MAX_PATH_LEN`] hashes, [`TreeError::NoSuchLeaf`].
    pub fn from_cbor(bytes: &[u8]) -> Result<Self, TreeError> {
        let (tree_size, leaf_index, path) = decode(bytes)?;
        if leaf_index >= tree_size {
            return Err(TreeError::NoSuchLeaf {
                index: leaf_index,
                size: tree_size,
            });
        }
        Ok(Self {
            tree_size,
            leaf_index,
            path,
        })
    }
}

impl ConsistencyProof {
    /// `[tree-size-1, tree-size-2, [path]]` as deterministic CBOR (RFC 9942).
    #[must_use]
    pub fn to_cbor(&self) -> Vec<u8> {
        encode(self.size_1, self.size_2, &self.path)
    }

    /// Reads what [`to_cbor`](Self::to_cbor) writes.
    ///
    /// # Errors
    /// [`TreeError::Cbor`], [`TreeError::HashLength`], [`TreeError::PathLength`] for no hash (equal
    /// sizes need no proof: compare the roots) or more than [`MAX_PATH_LEN`], [`TreeError::Shrinking`]
    /// unless the sizes grow, [`TreeError::FromEmptyTree`].
    pub fn from_cbor(bytes: &[u8]) -> Result<Self, TreeError> {
        let (size_1, size_2, path) = decode(bytes)?;
        if size_1 == 0 {
            return Err(TreeError::FromEmptyTree);
        }
        if size_1 >= size_2 {
            return Err(TreeError::Shrinking { size_1, size_2 });
        }
        if path.is_empty() {
            return Err(TreeError::PathLength { given: 0 });
        }
        Ok(Self {
            size_1,
            size_2,
            path,
        })
    }
}

fn encode(first: u64, second: u64, path: &[Hash]) -> Vec<u8> {
    let mut out = Vec::with_capacity(24 + 34 * path.len());
    write_head(&mut out, major::ARRAY, 3);
    write_head(&mut out, major::UINT, first);
    write_head(&mut out, major::UINT, second);
    write_head(&mut out, major::ARRAY, path.len() as u64);
    for hash in path {
        write_bytes(&mut out, hash.as_bytes());
    }
    out
}

fn decode(bytes: &[u8]) -> Result<(u64, u64, Vec<Hash>), TreeError> {
    let mut reader = Reader::new(bytes);
    if reader.array(PROOF)? != 3 {
        return Err(TreeError::Cbor(CborError::Unexpected {
            offset: 0,
            expected: PROOF,
        }));
    }
    let first = reader.uint("a tree size")?;
    let second = reader.uint("a leaf index or tree size")?;
    let given = reader.array("a path of hashes")?;
    if given > MAX_PATH_LEN as u64 {
        return Err(TreeError::PathLength {
            given: usize::try_from(given).unwrap_or(usize::MAX),
        });
    }
    let mut path = Vec::new();
    for _ in 0..given {
        let hash = reader.bytes("a hash")?;
        let hash = Hash::try_from(hash).map_err(|_| TreeError::HashLength { given: hash.len() })?;
        path.push(hash);
    }
    reader.end()?;
    Ok((first, second, path))
}

const PROOF: &str = "a proof: an array of two numbers and a path";
