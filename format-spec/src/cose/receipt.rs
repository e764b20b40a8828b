//! COSE receipts over an RFC 9162 tree (RFC 9942): a signed root and the proof that leads to it.

use super::sign1::{named_key, open_sign1, read_alg, read_kid, signature, write_alg, write_kid};
use super::{
    CoseError, PublicKey, SIGN1_TAG, SIGNATURE_LEN, SecretKey, exactly, label, to_be_signed,
};
use crate::cbor::{CborError, Reader, major, write_bytes, write_head};
use crate::fleet_log::{MAX_FLEET_SIZE, MIN_RECEIPT_SIZE};
use crate::tree::{ConsistencyProof, Hash, InclusionProof, TreeError};

// Numbers looked up in: RFC 9597 §2 (header 15 holds CWT claims; only in the protected header may they be
// believed), RFC 8392 §3.1.6 and §9.1.1 (claim 6 is the time of issue; keys below −65536 are for private
// use), RFC 9942 §5 and the working group's drafts 08 to 17 (395 vds, 396 vdp, 1 RFC9162_SHA256, −1
// inclusion, −2 consistency, both paths `[+ bstr]`: never empty).

/// Header label 15: CWT claims (RFC 9597).
const LABEL_CWT_CLAIMS: i64 = 15;
/// CWT claim 6: issued at (RFC 8392).
const CLAIM_ISSUED_AT: i64 = 6;
/// Private CWT claim: the fleet log and its size, `[log, size]`. RFC 9942 signs a root alone; with the
/// size signed too, and no leaf twice, the leaf's index is proven (RFC 9162 §2.1.3.2).
const CLAIM_FLEET: i64 = -65537;
/// Latest time of issue: the last second of the year 9999, less a day for every time zone.
const MAX_ISSUED_AT_S: u64 = 253_402_207_200;
/// Header label 395: verifiable data structure (RFC 9942).
const LABEL_VDS: i64 = 395;
/// Verifiable data structure 1: RFC9162_SHA256.
const VDS_RFC9162_SHA256: i64 = 1;
/// Header label 396: verifiable data structure proofs (RFC 9942).
const LABEL_VDP: i64 = 396;
/// Proof label −1: inclusion.
const PROOF_INCLUSION: i64 = -1;
/// Proof label −2: consistency.
const PROOF_CONSISTENCY: i64 = -2;

/// The proof that a receipt carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ReceiptProof {
    /// A leaf is in the tree with the signed root.
    Inclusion(InclusionProof),
    /// An older tree is the beginning of the tree with the signed root.
    Consistency(ConsistencyProof),
}

impl From<InclusionProof> for ReceiptProof {
    fn from(proof: InclusionProof) -> Self {
        Self::Inclusion(proof)
    }
}

impl From<ConsistencyProof> for ReceiptProof {
    fn from(proof: ConsistencyProof) -> Self {
        Self::Consistency(proof)
    }
}

/// What a receipt claims beside the root, under the same signature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ReceiptClaims {
    /// Seconds since 1970-01-01T00:00:00Z.
    pub issued_at_s: u64,
    /// The fleet log.
    pub fleet_log: Hash,
    /// Its size, leaves: the tree size of the proof.
    pub fleet_size: u64,
}

/// Signs a receipt: protected `{1: -19, 4: thumbprint, 15: {6: iat, -65537: [log, size]}, 395: 1}`,
/// unprotected `{396: {-1 or -2: [proof]}}`, payload nil; the root is signed as detached payload.
///
/// `root` must be the root that `proof` leads to, or no one can verify the receipt.
#[must_use]
pub fn sign_receipt(
    key: &SecretKey,
    claims: &ReceiptClaims,
    root: &Hash,
    proof: &ReceiptProof,
) -> Vec<u8> {
    let protected = protected_header(&key.public().thumbprint(), claims);
    let signature = key.sign(&to_be_signed(&protected, root.as_bytes()));
    let (proof_label, proof_bytes) = match proof {
        ReceiptProof::Inclusion(proof) => (PROOF_INCLUSION, proof.to_cbor()),
        ReceiptProof::Consistency(proof) => (PROOF_CONSISTENCY, proof.to_cbor()),
    };
    let mut out = Vec::with_capacity(protected.len() + proof_bytes.len() + 90);
    write_head(&mut out, major::TAG, SIGN1_TAG);
    write_head(&mut out, major::ARRAY, 4);
    write_bytes(&mut out, &protected);
    write_head(&mut out, major::MAP, 1);
    write_head(&mut out, major::UINT, LABEL_VDP as u64);
    write_head(&mut out, major::MAP, 1);
    write_head(&mut out, major::NINT, !proof_label as u64);
    write_head(&mut out, major::ARRAY, 1);
    write_bytes(&mut out, &proof_bytes);
    write_head(&mut out, major::SIMPLE, 22); // null: the payload is detached
    write_bytes(&mut out, &signature);
    out
}

/// A receipt as received. Nothing in it is to be believed before it is verified.
///
/// The signature covers the root and the claims. The proof itself stands outside of it, but its tree
/// size is the signed one, and for one size a path that leads from a leaf to the root has one index.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Receipt<'a> {
    protected: &'a [u8],
    kid: [u8; 32],
    claims: ReceiptClaims,
    proof: ReceiptProof,
    signature: [u8; SIGNATURE_LEN],
}

/// Reads a receipt in the one form that [`sign_receipt`] writes. Nothing is verified yet.
///
/// # Errors
/// [`CoseError::Cbor`] with the offset of what does not belong, [`CoseError::Proof`],
/// [`CoseError::DeprecatedAlgorithm`], [`CoseError::UnsupportedAlgorithm`] or
/// [`CoseError::Length`].
pub fn parse_receipt(bytes: &[u8]) -> Result<Receipt<'_>, CoseError> {
    let mut reader = Reader::new(bytes);
    let protected = open_sign1(&mut reader)?;
    let (kid, claims) = parse_protected(protected)?;
    let proof = parse_unprotected(&mut reader)?;
    reader.null("null, the detached payload")?;
    let signature = signature(&mut reader)?;
    reader.end()?;
    Ok(Receipt {
        protected,
        kid,
        claims,
        proof,
        signature,
    })
}

impl Receipt<'_> {
    /// The thumbprint of the key that is claimed to have signed.
    #[must_use]
    pub fn kid(&self) -> [u8; 32] {
        self.kid
    }

    /// What it claims.
    #[must_use]
    pub fn claims(&self) -> &ReceiptClaims {
        &self.claims
    }

    /// The proof carried.
    #[must_use]
    pub fn proof(&self) -> &ReceiptProof {
        &self.proof
    }

    /// Checks that the holder of `key` signed a tree that contains this leaf.
    ///
    /// # Errors
    /// [`CoseError::OtherProof`] for a consistency receipt, [`CoseError::Proof`],
    /// [`CoseError::OtherKey`], [`CoseError::BadSignature`] (also for another leaf, since another
    /// root follows from it).
    pub fn verify_inclusion(
        &self,
        key: &PublicKey,
        leaf: &Hash,
    ) -> Result<VerifiedReceipt, CoseError> {
        match &self.proof {
            ReceiptProof::Inclusion(proof) => self.verify_root(key, proof.root(leaf)?),
            ReceiptProof::Consistency(_) => Err(CoseError::OtherProof {
                expected: "an inclusion proof",
            }),
        }
    }

    /// Checks that the holder of `key` signed a tree that begins with the tree of `older_root`.
    ///
    /// # Errors
    /// [`CoseError::OtherProof`] for an inclusion receipt, [`CoseError::Proof`],
    /// [`CoseError::OtherKey`], [`CoseError::BadSignature`].
    pub fn verify_consistency(
        &self,
        key: &PublicKey,
        older_root: &Hash,
    ) -> Result<VerifiedReceipt, CoseError> {
        match &self.proof {
            ReceiptProof::Consistency(proof) => {
                self.verify_root(key, proof.newer_root(older_root)?)
            }
            ReceiptProof::Inclusion(_) => Err(CoseError::OtherProof {
                expected: "a consistency proof",
            }),
        }
    }

    fn verify_root(&self, key: &PublicKey, root: Hash) -> Result<VerifiedReceipt, CoseError> {
        let size = match &self.proof {
            ReceiptProof::Inclusion(proof) => proof.tree_size,
            ReceiptProof::Consistency(proof) => proof.size_2,
        };
        if size != self.claims.fleet_size {
            return Err(CoseError::OtherSize {
                signed: self.claims.fleet_size,
                proof: size,
            });
        }
        named_key(&self.kid, key)?;
        key.verify(
            &to_be_signed(self.protected, root.as_bytes()),
            &self.signature,
        )?;
        Ok(VerifiedReceipt {
            root,
            claims: self.claims,
        })
    }
}

/// What a verified receipt says: the root that was signed, of which log and size, and when.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct VerifiedReceipt {
    root: Hash,
    claims: ReceiptClaims,
}

impl VerifiedReceipt {
    /// The root signed.
    #[must_use]
    pub fn root(&self) -> Hash {
        self.root
    }

    /// The issue time by the signer's clock, seconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn issued_at_s(&self) -> u64 {
        self.claims.issued_at_s
    }

    /// Size of the tree that the root is of, leaves.
    #[must_use]
    pub fn fleet_size(&self) -> u64 {
        self.claims.fleet_size
    }
}

fn protected_header(kid: &[u8; 32], claims: &ReceiptClaims) -> Vec<u8> {
    let mut out = Vec::with_capacity(128);
    write_head(&mut out, major::MAP, 4);
    write_alg(&mut out);
    write_kid(&mut out, kid);
    write_head(&mut out, major::UINT, LABEL_CWT_CLAIMS as u64);
    write_head(&mut out, major::MAP, 2);
    write_head(&mut out, major::UINT, CLAIM_ISSUED_AT as u64);
    write_head(&mut out, major::UINT, claims.issued_at_s);
    write_head(&mut out, major::NINT, !CLAIM_FLEET as u64);
    write_head(&mut out, major::ARRAY, 2);
    write_bytes(&mut out, claims.fleet_log.as_bytes());
    write_head(&mut out, major::UINT, claims.fleet_size);
    write_head(&mut out, major::UINT, LABEL_VDS as u64);
    write_head(&mut out, major::UINT, VDS_RFC9162_SHA256 as u64);
    out
}

fn parse_protected(bytes: &[u8]) -> Result<([u8; 32], ReceiptClaims), CoseError> {
    let mut reader = Reader::new(bytes);
    let members = reader.map("the protected header, a map")?;
    read_alg(&mut reader)?;
    exactly(
        members,
        4,
        0,
        "a protected header of algorithm, key, issue time and tree type",
    )?;
    let kid = read_kid(&mut reader)?;
    label(&mut reader, LABEL_CWT_CLAIMS, "header label 15, the claims")?;
    let claims = parse_claims(&mut reader)?;
    label(&mut reader, LABEL_VDS, "header label 395, the tree type")?;
    label(
        &mut reader,
        VDS_RFC9162_SHA256,
        "tree type 1, RFC9162_SHA256",
    )?;
    reader.end()?;
    Ok((kid, claims))
}

fn parse_claims(reader: &mut Reader<'_>) -> Result<ReceiptClaims, CoseError> {
    const FLEET: &str = "the fleet log and its size";
    let at = reader.offset();
    let members = reader.map("the claims, a map")?;
    exactly(members, 2, at, "two claims: issue time and fleet log")?;
    label(reader, CLAIM_ISSUED_AT, "claim 6, the issue time")?;
    let at = reader.offset();
    let issued_at_s = reader.uint("the issue time, whole seconds")?;
    in_range(
        issued_at_s <= MAX_ISSUED_AT_S,
        at,
        "a time of issue before the year 10000",
    )?;
    label(reader, CLAIM_FLEET, "claim -65537, the fleet log")?;
    let at = reader.offset();
    exactly(reader.array(FLEET)?, 2, at, FLEET)?;
    let at = reader.offset();
    let fleet_log = Hash::try_from(reader.bytes(FLEET)?).map_err(|_| CborError::Unexpected {
        offset: at,
        expected: "the fleet log, 32 bytes",
    })?;
    let at = reader.offset();
    let fleet_size = reader.uint("the fleet log's size")?;
    let known = (MIN_RECEIPT_SIZE..=MAX_FLEET_SIZE).contains(&fleet_size);
    in_range(known, at, "a fleet log's size, 2 to 2^53")?;
    Ok(ReceiptClaims {
        issued_at_s,
        fleet_log,
        fleet_size,
    })
}

fn in_range(holds: bool, offset: u64, expected: &'static str) -> Result<(), CborError> {
    match holds {
        true => Ok(()),
        false => Err(CborError::Unexpected { offset, expected }),
    }
}

fn parse_unprotected(reader: &mut Reader<'_>) -> Result<ReceiptProof, CoseError> {
    const ONE_PROOF: &str = "an unprotected header of one proof";
    let at = reader.offset();
    exactly(reader.map(ONE_PROOF)?, 1, at, ONE_PROOF)?;
    label(reader, LABEL_VDP, "header label 396, the proofs")?;
    let at = reader.offset();
    exactly(reader.map(ONE_PROOF)?, 1, at, ONE_PROOF)?;
    let kind_at = reader.offset();
    let kind = reader.int("the kind of proof")?;
    let at = reader.offset();
    exactly(reader.array(ONE_PROOF)?, 1, at, ONE_PROOF)?;
    let proof = reader.bytes("a proof, a byte string")?;
    match kind {
        PROOF_INCLUSION => {
            let inclusion = InclusionProof::from_cbor(proof)?;
            // RFC 9942: `[+ bstr]`. Only a tree of one leaf would need an empty path.
            if inclusion.path.is_empty() {
                return Err(CoseError::Proof(TreeError::PathLength { given: 0 }));
            }
            Ok(inclusion.into())
        }
        PROOF_CONSISTENCY => Ok(ConsistencyProof::from_cbor(proof)?.into()),
        _ => Err(CborError::Unexpected {
            offset: kind_at,
            expected: "-1 (inclusion) or -2 (consistency)",
        }
        .into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tree::{LeafTree, leaf_hash};

    const ISSUED_AT_S: u64 = 1_750_000_000;

    fn claims(fleet_size: u64) -> ReceiptClaims {
        ReceiptClaims {
            issued_at_s: ISSUED_AT_S,
            fleet_log: Hash::of(b"fleet log"),
            fleet_size,
        }
    }

    fn key() -> SecretKey {
        SecretKey::from_seed([7; 32])
    }

    fn leaf(index: u64) -> Hash {
        leaf_hash(&index.to_be_bytes())
    }

    fn tree(size: u64) -> LeafTree {
        let mut tree = LeafTree::new();
        (0..size).for_each(|index| tree.push(leaf(index)));
        tree
    }

    fn inclusion(index: u64, size: u64) -> Vec<u8> {
        let tree = tree(size);
        let proof = tree.prove_inclusion(index, size).unwrap().into();
        sign_receipt(&key(), &claims(size), &tree.root_at(size).unwrap(), &proof)
    }

    #[test]
    fn an_inclusion_receipt_verifies_for_its_leaf_only() {
        for size in 2..20 {
            for index in 0..size {
                let bytes = inclusion(index, size);
                let receipt = parse_receipt(&bytes).unwrap();
                assert_eq!(receipt.kid(), key().public().thumbprint());
                let verified = receipt
                    .verify_inclusion(&key().public(), &leaf(index))
                    .unwrap();
                assert_eq!(verified.root(), tree(size).root_at(size).unwrap());
                assert_eq!(verified.issued_at_s(), ISSUED_AT_S);
                assert_eq!(
                    receipt.verify_inclusion(&key().public(), &leaf(index + 1)),
                    Err(CoseError::BadSignature)
                );
            }
        }
    }

    #[test]
    fn a_consistency_receipt_leads_from_the_older_root_to_the_signed_one() {
        let tree = tree(11);
        let newer = tree.root_at(11).unwrap();
        for size_1 in 1..11 {
            let proof = tree.prove_consistency(size_1, 11).unwrap().into();
            let bytes = sign_receipt(&key(), &claims(11), &newer, &proof);
            let receipt = parse_receipt(&bytes).unwrap();
            let older = tree.root_at(size_1).unwrap();
            let verified = receipt.verify_consistency(&key().public(), &older).unwrap();
            assert_eq!(verified.root(), newer);
            let refused = receipt
                .verify_consistency(&key().public(), &leaf(99))
                .unwrap_err();
            // Perfect and equal trees have no hash of their own to compare with: the root that
            // follows is not the signed one.
            assert!(matches!(
                refused,
                CoseError::Proof(TreeError::RootMismatch) | CoseError::BadSignature
            ));
            assert!(matches!(
                receipt.verify_inclusion(&key().public(), &leaf(0)),
                Err(CoseError::OtherProof { .. })
            ));
        }
    }

    /// Size and index too: the size is signed, and with it the index is proven.
    #[test]
    fn every_flipped_bit_and_every_cut_of_a_receipt_is_refused() {
        for (index, size) in [(1, 2), (2, 5), (4, 5), (6, 7)] {
            let bytes = inclusion(index, size);
            for at in 0..bytes.len() {
                assert!(parse_receipt(&bytes[..at]).is_err());
                for bit in 0..8 {
                    let mut flipped = bytes.clone();
                    flipped[at] ^= 1 << bit;
                    let verified = parse_receipt(&flipped)
                        .and_then(|r| r.verify_inclusion(&key().public(), &leaf(index)));
                    assert!(verified.is_err(), "byte {at} bit {bit}");
                }
            }
        }
    }

    #[test]
    fn a_tree_of_one_leaf_and_equal_sizes_have_no_receipt() {
        let one = tree(1);
        let root = one.root_at(1).unwrap();
        let proof = one.prove_inclusion(0, 1).unwrap().into();
        for size in [1, 2] {
            assert!(parse_receipt(&sign_receipt(&key(), &claims(size), &root, &proof)).is_err());
        }
        let proof = tree(3).prove_consistency(3, 3).unwrap().into();
        let bytes = sign_receipt(&key(), &claims(3), &tree(3).root_at(3).unwrap(), &proof);
        assert!(parse_receipt(&bytes).is_err());
    }

    #[test]
    fn a_receipt_is_no_signed_message_and_a_signed_message_no_receipt() {
        let receipt = inclusion(0, 3);
        assert!(crate::cose::parse_sign1(&receipt).is_err());
        let message = crate::cose::sign1(&key(), "application/x-sample", b"payload");
        assert!(parse_receipt(&message).is_err());
    }
}
