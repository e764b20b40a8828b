//! Chapter 5: traces. Rule X-1.

use super::Broken;
use super::edit::*;
use carrylog_format::frame::FrameType;
use carrylog_format::refusal::Rule;
use carrylog_format::trace::{Trace, TraceColumns, compress};

pub const ROWS: &[Broken] = &[
    Broken::maker(Rule::Trace, "foreign", "a trace that no entry names", |s| {
        edit(&s.segment(), |list| {
            let place = position(list, FrameType::Trace);
            let other = Trace::new(TraceColumns {
                time_us: vec![0, 1],
                current_ua: vec![0, 0],
                voltage_uv: vec![1, 1],
                ..TraceColumns::default()
            })
            .unwrap();
            list[place].1 = compress(&other.to_canonical().unwrap()).unwrap();
        })
    }),
    Broken::maker(
        Rule::Trace,
        "compression",
        "a trace that is not compressed",
        |s| {
            edit(&s.segment(), |list| {
                let place = position(list, FrameType::Trace);
                list[place].1 = b"not compressed".to_vec();
            })
        },
    ),
];
