//! Chapters 6 and 7: logs and seals. Rules L-1, L-2, S-1 to S-4.

use super::Broken;
use super::edit::*;
use super::scene::seal_of;
use crate::support::key;
use carrylog_format::bundle::{BundleHeader, SegmentHeader};
use carrylog_format::cbor;
use carrylog_format::cose;
use carrylog_format::frame::FrameType;
use carrylog_format::refusal::Rule;
use carrylog_format::seal::SEAL_CONTENT_TYPE;

pub const ROWS: &[Broken] = &[
    Broken::maker(Rule::Frontier, "frontier", "an empty frontier at 2", |s| {
        edit(&s.later(), |list| {
            let place = position(list, FrameType::Frontier);
            list[place].1 = vec![0x80];
        })
    }),
    Broken::maker(
        Rule::LogKey,
        "key",
        "a header whose key is not the log's",
        |s| {
            edit(&s.segment(), |list| {
                let header = BundleHeader::Segment(SegmentHeader {
                    v: 1,
                    to: 6,
                    key: key(9).public(),
                    log: s.log.id(),
                    from: 0,
                });
                list[0].1 = header.encode().unwrap();
            })
        },
    ),
    Broken::maker(
        Rule::SealSignature,
        "signature",
        "a seal's signature changed, its frame's digest made to fit",
        |s| edit(&s.segment(), |list| spoil_first(list, FrameType::Seal)),
    ),
    Broken::maker(Rule::SealSignature, "key", "a seal by another key", |s| {
        edit(&s.segment(), |list| {
            let seal = position(list, FrameType::Seal);
            let payload = cbor::to_canonical(s.log.seals[0].content()).unwrap();
            list[seal].1 = cose::sign1(&key(9), SEAL_CONTENT_TYPE, &payload);
        })
    }),
    Broken::maker(
        Rule::SealChain,
        "number",
        "a seal number 0 that names a previous seal",
        |s| {
            edit(&s.segment(), |list| {
                let seal = last(list, FrameType::Seal);
                let mut content = s.log.seals[1].content().clone();
                content.seq = 0;
                let payload = cbor::to_canonical(&content).unwrap();
                list[seal].1 = cose::sign1(&s.log.key, SEAL_CONTENT_TYPE, &payload);
            })
        },
    ),
    Broken::maker(Rule::SealChain, "dropped", "the first seal left out", |s| {
        edit(&s.segment(), |list| {
            let seal = position(list, FrameType::Seal);
            list.remove(seal);
        })
    }),
    Broken::maker(
        Rule::SealChain,
        "previous",
        "a seal that names another previous seal",
        |s| {
            let root = s.log.tree.root_at(6).unwrap();
            let wrong = seal_of(s, 1, 6, root, &s.log.seals[1], 181);
            let seals = [s.log.seals[0].clone(), wrong];
            s.segment_of(0, &s.log.entries, &seals, &s.authority.chain)
        },
    ),
    Broken::maker(Rule::SealRoot, "swapped", "two entries swapped", |s| {
        edit(&s.segment(), |list| {
            let entries: Vec<usize> = (0..list.len())
                .filter(|i| list[*i].0 == FrameType::Entry)
                .collect();
            list.swap(entries[2], entries[3]);
        })
    }),
    Broken::maker(
        Rule::SealMissing,
        "unsealed",
        "entries after the last seal",
        |s| {
            edit(&s.segment(), |list| {
                let seal = last(list, FrameType::Seal);
                list.remove(seal);
            })
        },
    ),
];
