//! The Merkle tree against RFC 9162 §2.1: known answers, the definition itself, and damage.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "tests, and helpers of tests"
)]

use carrylog_format::tree::{
    ConsistencyProof, Frontier, Hash, InclusionProof, LeafTree, TreeError, empty_root, leaf_hash,
    node_hash, prove_consistency, prove_inclusion, root_of,
};
use proptest::prelude::*;

/// Reference inputs of the published tests of certificate transparency logs (RFC 6962 and RFC 9162
/// share the tree); the expected values below were computed apart from this crate, in Python.
const INPUTS: [&str; 8] = [
    "",
    "00",
    "10",
    "2021",
    "3031",
    "40414243",
    "5051525354555657",
    "606162636465666768696a6b6c6d6e6f",
];

const ROOTS: [&str; 9] = [
    "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
    "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
    "fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
    "aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
    "d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
    "4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
    "76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
    "ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
    "5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
];

fn hash(text: &str) -> Hash {
    text.parse().unwrap()
}

fn reference_leaves() -> Vec<Hash> {
    INPUTS
        .iter()
        .map(|input| leaf_hash(&hex::decode(input).unwrap()))
        .collect()
}

/// Leaves that all differ.
fn leaves(count: u64) -> Vec<Hash> {
    (0..count).map(|i| leaf_hash(&i.to_be_bytes())).collect()
}

fn tree_over(leaves: &[Hash]) -> LeafTree {
    let mut tree = LeafTree::new();
    leaves.iter().for_each(|leaf| tree.push(*leaf));
    tree
}

#[test]
fn the_roots_of_the_reference_inputs_are_the_published_ones() {
    let leaves = reference_leaves();
    let mut frontier = Frontier::new();
    let tree = tree_over(&leaves);
    for (size, root) in ROOTS.iter().enumerate() {
        assert_eq!(root_of(&leaves[..size]), hash(root));
        assert_eq!(frontier.root(), hash(root));
        assert_eq!(tree.root_at(size as u64).unwrap(), hash(root));
        if let Some(leaf) = leaves.get(size) {
            frontier.push(*leaf);
        }
    }
}

#[test]
fn the_paths_of_the_reference_inputs_are_the_published_ones() {
    let leaves = reference_leaves();
    let (leaf_0, leaf_4) = (leaves[0], leaves[4]);
    let two_to_four = hash("5f083f0a1a33ca076a95279832580db3e0ef4584bdff1f54c8a360f50de3031e");
    let six_to_eight = hash("ca854ea128ed050b41b35ffc1b87b8eb2bde461e9e3b5596ece6b9d5975a0ae0");
    let left_edge = vec![
        hash("96a296d224f285c67bee93c30f8a309157f0daa35dc5b87e410b78630a09cfc7"),
        two_to_four,
        hash("6b47aaf29ee3c2af9af889bc1fb9254dabd31177f16232dd6aab035ca39bf6e4"),
    ];
    assert_eq!(
        leaf_4,
        hash("bc1a0643b12e4d2d7c77918f44e0f4f79a838b6cf9ec5b5c283e1f4d88599e6b")
    );
    for (index, size, path) in [
        (0, 1, vec![]),
        (0, 8, left_edge.clone()),
        (5, 8, vec![leaf_4, six_to_eight, hash(ROOTS[4])]),
        (2, 3, vec![hash(ROOTS[2])]),
        (1, 5, vec![leaf_0, two_to_four, leaf_4]),
    ] {
        let proof = prove_inclusion(&leaves[..size], index).unwrap();
        assert_eq!(proof.path, path, "inclusion {index} of {size}");
        proof
            .verify(&leaves[index as usize], &hash(ROOTS[size]))
            .unwrap();
    }
    let four_to_six = hash("0ebc5d3437fbe2db158b9f126a1d118e308181031d0a949f8dededebc558ef6a");
    for (size_1, size_2, path) in [
        (1, 8, left_edge),
        (6, 8, vec![four_to_six, six_to_eight, hash(ROOTS[4])]),
        (2, 5, vec![two_to_four, leaf_4]),
        (8, 8, vec![]),
        (0, 8, vec![]),
    ] {
        let proof = prove_consistency(&leaves[..size_2], size_1).unwrap();
        assert_eq!(proof.path, path, "consistency {size_1} to {size_2}");
        proof
            .verify(&hash(ROOTS[size_1 as usize]), &hash(ROOTS[size_2]))
            .unwrap();
    }
}

/// RFC 9162 §2.1 word for word, apart from the code under test: k is searched, not computed.
mod definition {
    use super::*;

    fn k(n: usize) -> usize {
        let mut k = 1;
        while k * 2 < n {
            k *= 2;
        }
        k
    }

    pub(super) fn mth(d: &[Hash]) -> Hash {
        match d.len() {
            0 => empty_root(),
            1 => d[0],
            n => node_hash(&mth(&d[..k(n)]), &mth(&d[k(n)..])),
        }
    }

    pub(super) fn path(m: usize, d: &[Hash]) -> Vec<Hash> {
        let n = d.len();
        if n == 1 {
            return vec![];
        }
        let k = k(n);
        if m < k {
            [path(m, &d[..k]), vec![mth(&d[k..])]].concat()
        } else {
            [path(m - k, &d[k..]), vec![mth(&d[..k])]].concat()
        }
    }

    pub(super) fn subproof(m: usize, d: &[Hash], b: bool) -> Vec<Hash> {
        let n = d.len();
        if m == n {
            return if b { vec![] } else { vec![mth(d)] };
        }
        let k = k(n);
        if m <= k {
            [subproof(m, &d[..k], b), vec![mth(&d[k..])]].concat()
        } else {
            [subproof(m - k, &d[k..], false), vec![mth(&d[..k])]].concat()
        }
    }
}

#[test]
fn every_proof_up_to_64_leaves_is_the_one_of_the_definition_and_verifies() {
    let all = leaves(64);
    let tree = tree_over(&all);
    for n in 0..=64_usize {
        let (d, size) = (&all[..n], n as u64);
        let root = definition::mth(d);
        assert_eq!(root_of(d), root);
        assert_eq!(tree.root_at(size).unwrap(), root);
        for m in 0..n {
            let proof = tree.prove_inclusion(m as u64, size).unwrap();
            assert_eq!(proof.path, definition::path(m, d));
            assert_eq!(prove_inclusion(d, m as u64).unwrap(), proof);
            assert_eq!(proof.root(&d[m]).unwrap(), root);
        }
        for m in 0..=n {
            let proof = tree.prove_consistency(m as u64, size).unwrap();
            if m > 0 {
                assert_eq!(proof.path, definition::subproof(m, d, true));
                assert_eq!(proof.newer_root(&definition::mth(&d[..m])).unwrap(), root);
            }
            assert_eq!(prove_consistency(d, m as u64).unwrap(), proof);
            proof.verify(&definition::mth(&d[..m]), &root).unwrap();
        }
    }
}

#[test]
fn a_frontier_from_any_size_leads_to_the_same_root() {
    let all = leaves(130);
    let tree = tree_over(&all);
    for start in 0..=all.len() {
        let stored = tree.frontier_at(start as u64).unwrap();
        let mut frontier = Frontier::from_parts(stored.size(), stored.hashes().to_vec()).unwrap();
        assert_eq!(frontier.hashes().len() as u32, frontier.size().count_ones());
        all[start..].iter().for_each(|leaf| frontier.push(*leaf));
        assert_eq!(frontier, tree.frontier_at(all.len() as u64).unwrap());
    }
}

#[test]
fn what_is_out_of_range_is_refused() {
    let tree = tree_over(&leaves(5));
    assert_eq!(
        tree.root_at(6),
        Err(TreeError::SizeBeyondTree { size: 6, held: 5 })
    );
    assert_eq!(
        tree.prove_inclusion(5, 5),
        Err(TreeError::NoSuchLeaf { index: 5, size: 5 })
    );
    assert_eq!(
        tree.prove_inclusion(0, 0),
        Err(TreeError::NoSuchLeaf { index: 0, size: 0 })
    );
    let shrinking = Err(TreeError::Shrinking {
        size_1: 4,
        size_2: 3,
    });
    assert_eq!(tree.prove_consistency(4, 3), shrinking);
    let proof = ConsistencyProof {
        size_1: 0,
        size_2: 5,
        path: vec![],
    };
    assert_eq!(
        proof.newer_root(&empty_root()),
        Err(TreeError::FromEmptyTree)
    );
    assert_eq!(
        proof.verify(&tree.root_at(5).unwrap(), &tree.root_at(5).unwrap()),
        MISMATCH
    );
}

#[test]
fn the_largest_sizes_neither_overflow_nor_verify() {
    for path_len in [0, 63, 64, 65] {
        let path = vec![empty_root(); path_len];
        for index in [0, 1, u64::MAX / 2, u64::MAX - 1] {
            let proof = InclusionProof {
                tree_size: u64::MAX,
                leaf_index: index,
                path: path.clone(),
            };
            assert!(proof.verify(&empty_root(), &empty_root()).is_err());
        }
        for size_1 in [1, 1 << 63, u64::MAX - 1] {
            let proof = ConsistencyProof {
                size_1,
                size_2: u64::MAX,
                path: path.clone(),
            };
            assert!(proof.verify(&empty_root(), &empty_root()).is_err());
        }
    }
}

const MISMATCH: Result<(), TreeError> = Err(TreeError::RootMismatch);

/// Every way to damage a path by one step.
fn damaged(path: &[Hash], bit: usize) -> Vec<Vec<Hash>> {
    let mut out = Vec::new();
    for at in 0..path.len() {
        let mut flipped = path.to_vec();
        let mut bytes = flipped[at].to_bytes();
        bytes[bit / 8 % 32] ^= 1 << (bit % 8);
        flipped[at] = Hash::from_bytes(bytes);
        out.push(flipped);
        let mut dropped = path.to_vec();
        dropped.remove(at);
        out.push(dropped);
        if at > 0 {
            let mut swapped = path.to_vec();
            swapped.swap(at - 1, at);
            out.push(swapped);
        }
    }
    let mut appended = path.to_vec();
    appended.push(empty_root());
    out.push(appended);
    out
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn a_damaged_inclusion_proof_never_verifies(
        size in 1_u64..300, pick in any::<u64>(), other in any::<u64>(), bit in 0_usize..256,
    ) {
        let leaves = leaves(size);
        let tree = tree_over(&leaves);
        let (index, other) = (pick % size, other % size);
        let (leaf, root) = (leaves[index as usize], tree.root_at(size).unwrap());
        let proof = tree.prove_inclusion(index, size).unwrap();
        prop_assert_eq!(proof.verify(&leaf, &root), Ok(()));
        prop_assert_eq!(InclusionProof::from_cbor(&proof.to_cbor()).unwrap(), proof.clone());
        for path in damaged(&proof.path, bit) {
            let damaged = InclusionProof { path, ..proof.clone() };
            prop_assert!(damaged.verify(&leaf, &root).is_err());
        }
        if other != index {
            let swapped = InclusionProof { leaf_index: other, ..proof.clone() };
            prop_assert!(swapped.verify(&leaf, &root).is_err());
            prop_assert!(proof.verify(&leaves[other as usize], &root).is_err());
        }
        let beyond = InclusionProof { leaf_index: size, ..proof.clone() };
        prop_assert_eq!(
            beyond.verify(&leaf, &root), Err(TreeError::NoSuchLeaf { index: size, size })
        );
    }

    #[test]
    fn a_damaged_consistency_proof_never_verifies(
        size_2 in 1_u64..300, pick in any::<u64>(), other in any::<u64>(), bit in 0_usize..256,
    ) {
        let tree = tree_over(&leaves(size_2));
        let (size_1, other) = (1 + pick % size_2, 1 + other % size_2);
        let (root_1, root_2) = (tree.root_at(size_1).unwrap(), tree.root_at(size_2).unwrap());
        let proof = tree.prove_consistency(size_1, size_2).unwrap();
        prop_assert_eq!(proof.verify(&root_1, &root_2), Ok(()));
        let read = ConsistencyProof::from_cbor(&proof.to_cbor());
        if size_1 < size_2 {
            prop_assert_eq!(read.unwrap(), proof.clone());
        } else {
            prop_assert!(read.is_err(), "equal sizes need no proof");
        }
        for path in damaged(&proof.path, bit) {
            let damaged = ConsistencyProof { path, ..proof.clone() };
            prop_assert!(damaged.verify(&root_1, &root_2).is_err());
        }
        if other != size_1 {
            let root_other = tree.root_at(other).unwrap();
            prop_assert!(proof.verify(&root_other, &root_2).is_err());
            prop_assert!(proof.verify(&root_1, &root_other).is_err() || root_other == root_2);
        }
    }

    #[test]
    fn an_encoded_proof_cut_or_flipped_is_refused_or_another_proof(
        size in 1_u64..40, pick in any::<u64>(),
    ) {
        let tree = tree_over(&leaves(size));
        let bytes = tree.prove_inclusion(pick % size, size).unwrap().to_cbor();
        for cut in 0..bytes.len() {
            prop_assert!(InclusionProof::from_cbor(&bytes[..cut]).is_err());
        }
        for at in 0..bytes.len() {
            for bit in 0..8 {
                let mut flipped = bytes.clone();
                flipped[at] ^= 1 << bit;
                if let Ok(proof) = InclusionProof::from_cbor(&flipped) {
                    prop_assert_eq!(proof.to_cbor(), flipped);
                }
            }
        }
    }
}

/// A proof made for one size may lead to a true root only at that size. (Some wrong sizes leave
/// the climb unchanged, as RFC 9162 allows: the size is bound by whoever signs root and size.)
#[test]
fn an_inclusion_proof_for_another_size_never_leads_to_that_sizes_root() {
    let all = leaves(64);
    let tree = tree_over(&all);
    for size in 1..=64 {
        for index in 0..size {
            let proof = tree.prove_inclusion(index, size).unwrap();
            for other in (index + 1..=64).filter(|other| *other != size) {
                let claimed = InclusionProof {
                    tree_size: other,
                    ..proof.clone()
                };
                let root = tree.root_at(other).unwrap();
                assert!(claimed.verify(&all[index as usize], &root).is_err());
            }
        }
    }
}
