//! Chapter 10: receipts. Rules.

use super::edit::*;
use super::{Broken, Scene};
use crate::support::*;
use carrylog_format::cose::{ReceiptClaims, ReceiptProof, parse_receipt, sign_receipt};
use carrylog_format::frame::FrameType;
use carrylog_format::ids::LogId;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::refusal::Rule;
use carrylog_format::statement::StatementBody;
use carrylog_format::tree::InclusionProof;

pub const ROWS: &[Broken] = &[
    Broken::maker(
        Rule::ReceiptProof,
        "signature",
        "a receipt's signature changed",
        |s| edit(&s.returned(), |list| spoil_first(list, FrameType::Receipt)),
    ),
    Broken::trust(
        Rule::Receipt,
        "revoked",
        "a receipt by a server that was revoked from a larger size",
        |s| {
            let mut authority = Scene::new().authority;
            authority.state(StatementBody::Revoked {
                log: LogId::of(&key(3).public()),
                root: None,
                reason: remark("Stolen."),
                from_size: 9,
            });
            return_of(s.log.id(), &authority.chain, &s.log.seals, 300)
        },
    ),
    Broken::trust(
        Rule::Receipt,
        "partner",
        "a receipt by a server that only a partner enrolled",
        |s| {
            let own = trusting(5, 1);
            edit(&s.returned(), |list| {
                list.splice(1..1, statement_parts(&own.chain, &[]));
            })
        },
    )
    .read_by(5),
    Broken::trust(
        Rule::Receipt,
        "server",
        "a receipt by a server that is not enrolled",
        |s| return_of(s.log.id(), &s.authority.chain[..2], &s.log.seals, 300),
    ),
    Broken::maker(
        Rule::Receipt,
        "consistency",
        "a consistency receipt beside a seal",
        |s| {
            let receipt = fleet(&s.log.seals).consistency_receipt(2, 3, at(300));
            with_receipt(s, receipt.unwrap())
        },
    ),
    Broken::maker(Rule::Receipt, "path", "an empty path", |s| {
        let mut proof = proof(s);
        proof.path.clear();
        with_receipt(s, signed(s, &claims(s), proof))
    }),
    Broken::maker(
        Rule::Receipt,
        "seconds",
        "issued after the last instant",
        |s| {
            let late = ReceiptClaims {
                issued_at_s: 253_402_207_201,
                ..claims(s)
            };
            with_receipt(s, signed(s, &late, proof(s)))
        },
    ),
    Broken::maker(
        Rule::ReceiptProof,
        "index",
        "the leaf index changed in a receipt",
        |s| {
            let mut proof = proof(s);
            proof.leaf_index = 2;
            with_receipt(s, signed(s, &claims(s), proof))
        },
    ),
    Broken::maker(
        Rule::ReceiptSize,
        "size",
        "the tree size changed in a receipt",
        |s| {
            let mut proof = proof(s);
            proof.tree_size = 4;
            with_receipt(s, signed(s, &claims(s), proof))
        },
    ),
    Broken::maker(
        Rule::ReceiptSize,
        "log",
        "a receipt that speaks of another fleet log than its signer's",
        |s| {
            let other = ReceiptClaims {
                fleet_log: *s.log.id().hash(),
                ..claims(s)
            };
            with_receipt(s, signed(s, &other, proof(s)))
        },
    ),
];

fn claims(s: &Scene) -> ReceiptClaims {
    let fleet = fleet(&s.log.seals);
    ReceiptClaims {
        issued_at_s: at(300).seconds(),
        fleet_log: *fleet.log().hash(),
        fleet_size: fleet.size(),
    }
}

/// The proof of the first seal, leaf 1 of 3.
fn proof(s: &Scene) -> InclusionProof {
    let receipt = parse_receipt(s.slips[0].receipt()).unwrap();
    match receipt.proof() {
        ReceiptProof::Inclusion(proof) => proof.clone(),
        ReceiptProof::Consistency(_) => unreachable!("a slip holds an inclusion proof"),
    }
}

fn signed(s: &Scene, claims: &ReceiptClaims, proof: InclusionProof) -> Vec<u8> {
    let root = fleet(&s.log.seals).root_at(3).unwrap();
    sign_receipt(&key(3), claims, &root, &proof.into())
}

/// The return with another receipt for the first seal.
fn with_receipt(s: &Scene, receipt: Vec<u8>) -> Vec<u8> {
    let seal = s.log.seals[0].payload().to_vec();
    edit(&s.returned(), |list| {
        let place = position(list, FrameType::Receipt);
        list[place].1 = ReceiptSlip::from_parts(seal, receipt).encode().unwrap();
    })
}
