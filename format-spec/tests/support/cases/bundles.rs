//! Chapter 9: the order of frames in a bundle. Rule B-7.

use super::Broken;
use super::edit::*;
use carrylog_format::frame::FrameType;
use carrylog_format::refusal::Rule;

pub const ROWS: &[Broken] = &[
    Broken::maker(Rule::Order, "order", "an entry before the frontier", |s| {
        edit(&s.segment(), |list| {
            let frontier = position(list, FrameType::Frontier);
            let moved = list.remove(frontier);
            list.insert(frontier + 1, moved);
        })
    }),
    Broken::maker(Rule::Order, "receipt", "a receipt inside a segment", |s| {
        edit(&s.segment(), |list| {
            let slip = s.slips[0].encode().unwrap();
            list.insert(2, (FrameType::Receipt, slip));
        })
    }),
    Broken::maker(
        Rule::Order,
        "frontier",
        "no frontier and nothing after it",
        |s| {
            edit(&s.segment(), |list| {
                list.retain(|(kind, _)| {
                    !matches!(
                        kind,
                        FrameType::Frontier | FrameType::Entry | FrameType::Seal | FrameType::Trace
                    )
                });
            })
        },
    ),
];
