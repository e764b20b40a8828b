//! Chapter 10: leaves, heads and what a reader has kept. Rules F-1 to F-7.

use super::edit::*;
use super::{Broken, Case, Scene};
use crate::support::*;
use carrylog_format::bundle::{HistoryWriter, SegmentStart, SegmentWriter, write_return};
use carrylog_format::cose;
use carrylog_format::fleet_log::checkpoint::Checkpoint;
use carrylog_format::fleet_log::head::FLEET_HEAD_CONTENT_TYPE;
use carrylog_format::fleet_log::{FleetTree, HeadFrame, seal_leaf};
use carrylog_format::frame::FrameType;
use carrylog_format::refusal::Rule;
use carrylog_format::tree::Hash;

pub const ROWS: &[Broken] = &[
    Broken::maker(Rule::FleetLeaf, "first", "a receipt for leaf 0", |s| {
        let leaves: Vec<Vec<u8>> = s.log.seals.iter().map(|x| seal_leaf(x.payload())).collect();
        let fleet = FleetTree::new(key(3), leaves.iter().map(Vec::as_slice));
        let head = fleet.head_frame(at(300), Vec::new(), &[]).unwrap();
        let slip = fleet.receipt(s.log.seals[0].payload(), 0, at(300)).unwrap();
        let (log, chain) = (s.log.id(), &s.authority.chain);
        write_return(Vec::new(), Some(log), chain, Some(&head), &[slip]).unwrap()
    }),
    Broken::maker(
        Rule::HeadForm,
        "signature",
        "a head's signature changed",
        |s| {
            let mut signed = fleet(&s.log.seals).head(at(300), Vec::new()).unwrap();
            let last = signed.len() - 1;
            signed[last] ^= 1;
            with_head(s, &HeadFrame::new(signed))
        },
    ),
    Broken::maker(
        Rule::HeadForm,
        "type",
        "a seal in the place of a head",
        |s| with_head(s, &HeadFrame::new(s.log.seals[0].sign1().to_vec())),
    ),
    Broken::maker(
        Rule::HeadForm,
        "field",
        "a head with an unknown field",
        |s| {
            let signed = fleet(&s.log.seals).head(at(300), Vec::new()).unwrap();
            let mut payload = cose::parse_sign1(&signed).unwrap().payload().to_vec();
            let at = payload.windows(4).position(|w| w == b"root").unwrap();
            payload[at] = b's';
            let signed = cose::sign1(&key(3), FLEET_HEAD_CONTENT_TYPE, &payload);
            with_head(s, &HeadFrame::new(signed))
        },
    ),
    Broken::maker(
        Rule::HeadProof,
        "size",
        "a proof that ends at another size than the head",
        |s| {
            let fleet = fleet(&s.log.seals);
            let proof = fleet.consistency(1, 2).unwrap();
            let head = HeadFrame::new(fleet.head(at(300), Vec::new()).unwrap());
            with_head(s, &head.with_proofs([&proof]))
        },
    ),
    Broken::maker(
        Rule::HeadProof,
        "checkpoint",
        "a checkpoint of another size than the head",
        |s| {
            let head = head_frame(&s.log.seals, 300, &[]);
            let other = fleet(&s.log.seals[..1]).checkpoint().unwrap();
            with_head(s, &head.with_checkpoint(other))
        },
    ),
    Broken::maker(
        Rule::HeadProof,
        "note",
        "a checkpoint whose signature is by another key",
        |s| {
            let head = head_frame(&s.log.seals, 300, &[]);
            let mut text = fleet(&s.log.seals).checkpoint().unwrap();
            // The last character before the line feed and the padding.
            let at = text.len() - 4;
            let other = if text.as_bytes()[at] == b'A' {
                "B"
            } else {
                "A"
            };
            text.replace_range(at..=at, other);
            with_head(s, &head.with_checkpoint(text))
        },
    ),
    Broken::maker(Rule::HeadOfReturn, "none", "receipts without a head", |s| {
        edit(&s.returned(), |list| {
            let place = position(list, FrameType::Head);
            list.remove(place);
        })
    }),
    Broken::maker(
        Rule::HeadOfReturn,
        "size",
        "receipts of another size than the head",
        |s| with_head(s, &head_frame(&s.log.seals[..1], 300, &[])),
    ),
    Broken::maker(
        Rule::HeadOfReturn,
        "alone",
        "a head without a receipt",
        |s| {
            edit(&s.returned(), |list| {
                list.retain(|(kind, _)| *kind != FrameType::Receipt);
            })
        },
    ),
    Broken::maker(
        Rule::HeadMemory,
        "restored",
        "a smaller size, signed later than the head that was kept",
        Scene::returned,
    )
    .after(|s| vec![grown(s).head(at(299), Vec::new()).unwrap()]),
    Broken::maker(
        Rule::HeadMemory,
        "root",
        "another root for the size that was kept",
        Scene::returned,
    )
    .after(|s| vec![other(s).head(at(200), Vec::new()).unwrap()]),
    Broken::maker(
        Rule::HeadMemory,
        "proof",
        "a proof that does not begin at the root that was kept",
        |s| with_head(s, &head_frame(&s.log.seals, 300, &[2])),
    )
    .after(|_| {
        let mut two = FleetTree::open(key(3), at(0), None).unwrap().0;
        two.push(b"another leaf");
        vec![two.head(at(200), Vec::new()).unwrap()]
    }),
    Broken::maker(
        Rule::HeadList,
        "proof",
        "a head with a proof in a segment",
        |s| segment(s, &[head_frame(&s.log.seals, 300, &[2])]),
    ),
    Broken::maker(
        Rule::HeadList,
        "twice",
        "two heads of one fleet log in a segment",
        |s| {
            let first = head_frame(&s.log.seals[..1], 200, &[]);
            segment(s, &[first, head_frame(&s.log.seals, 300, &[])])
        },
    ),
    Broken::maker(
        Rule::Order,
        "head",
        "a second head, after the receipts",
        |s| {
            edit(&s.returned(), |list| {
                let head = list[position(list, FrameType::Head)].clone();
                list.insert(list.len() - 1, head);
            })
        },
    ),
];

pub fn good(s: &Scene) -> Vec<Case> {
    let case = |name: &str, says, entries, bytes, kept: Vec<Vec<u8>>| Case {
        file: format!("good/{name}.carrylog"),
        says,
        bytes,
        authorities: s.key_hex(),
        kept_heads: kept.iter().map(hex::encode).collect(),
        expect: Ok(entries),
    };
    let before = fleet(&s.log.seals[..1]).head(at(200), Vec::new()).unwrap();
    let later = grown(s).head(at(400), Vec::new()).unwrap();
    let fleet = fleet(&s.log.seals);
    let checkpoint = Checkpoint::parse(&fleet.checkpoint().unwrap()).unwrap();
    let witnessed = checkpoint
        .clone()
        .with(checkpoint.cosign(&key(6), at(310).seconds()));
    let head = head_frame(&s.log.seals, 300, &[]);
    vec![
        case(
            "return-grown",
            "a head with a proof from the one that was kept",
            0,
            with_head(s, &head_frame(&s.log.seals, 300, &[1, 2])),
            vec![before],
        ),
        case(
            "return-older",
            "an older head than the one that was kept, signed before it",
            0,
            s.returned(),
            vec![later],
        ),
        case(
            "segment-head",
            "a segment with the head that its station took last",
            6,
            segment(s, std::slice::from_ref(&head)),
            vec![],
        ),
        case(
            "history-checkpoint",
            "a unit history with a head and its checkpoint, signed by a witness too",
            1,
            history(s, &[head.with_checkpoint(witnessed.text())]),
            vec![],
        ),
    ]
}

/// The fleet log with one leaf more.
fn grown(s: &Scene) -> FleetTree {
    let mut fleet = fleet(&s.log.seals);
    fleet.push(b"one more leaf");
    fleet
}

/// A fleet log of the same size with another last leaf.
fn other(s: &Scene) -> FleetTree {
    let mut fleet = fleet(&s.log.seals[..1]);
    fleet.push(Hash::of(b"another leaf").as_bytes());
    fleet
}

/// The return with another head.
fn with_head(s: &Scene, head: &HeadFrame) -> Vec<u8> {
    edit(&s.returned(), |list| {
        let place = position(list, FrameType::Head);
        list[place].1 = head.encode().unwrap();
    })
}

fn segment(s: &Scene, heads: &[HeadFrame]) -> Vec<u8> {
    let (public, frontier) = (s.log.key.public(), s.log.frontier(0));
    let start = SegmentStart {
        key: &public,
        frontier: &frontier,
        to: 6,
    };
    let chain = &s.authority.chain;
    let mut writer = SegmentWriter::with_heads(Vec::new(), &start, chain, heads).unwrap();
    for (entry, size) in s.log.entries.iter().zip(1..) {
        writer.entry(entry.bytes()).unwrap();
        for seal in s.log.seals.iter().filter(|x| x.content().size == size) {
            writer.seal(seal).unwrap();
        }
    }
    writer.finish().unwrap()
}

fn history(s: &Scene, heads: &[HeadFrame]) -> Vec<u8> {
    let seal = s.log.seals.last().unwrap();
    let chain = &s.authority.chain;
    let unit = unit("SN-0001");
    let mut writer =
        HistoryWriter::with_heads(Vec::new(), &unit, chain, heads, [seal], &s.slips).unwrap();
    let proof = s.log.tree.prove_inclusion(1, 6).unwrap();
    let entry = s.log.entries[1].bytes();
    writer.entry(entry, seal.digest(), &proof).unwrap();
    writer.finish().unwrap()
}
