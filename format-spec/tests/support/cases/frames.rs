//! Chapter 3: frames, header, end. Rules B-1 to B-9.

use super::Broken;
use super::edit::*;
use carrylog_format::frame::{FrameType, FrameWriter};
use carrylog_format::recovery::{self, Percent};
use carrylog_format::refusal::Rule;

pub const ROWS: &[Broken] = &[
    Broken::medium(Rule::Magic, "empty", "nothing at all", |_| vec![]),
    Broken::medium(Rule::Magic, "text", "a text file", |_| {
        b"time,current,voltage\n".to_vec()
    }),
    Broken::medium(
        Rule::FrameForm,
        "cut",
        "cut in the middle of a frame",
        |s| {
            let segment = s.segment();
            segment[..first_entry(&segment) + 40].to_vec()
        },
    ),
    Broken::medium(Rule::FrameForm, "array", "a frame of four elements", |s| {
        changed(&s.segment(), 0, |_| 0x84)
    }),
    Broken::medium(
        Rule::FrameForm,
        "length",
        "the header's length in two bytes instead of one",
        |s| {
            let segment = s.segment();
            [&segment[..5], &[0x59, 0, segment[6]], &segment[7..]].concat()
        },
    ),
    Broken::medium(
        Rule::FrameForm,
        "gap",
        "ten bytes missing from a frame",
        |s| {
            let segment = s.segment();
            let at = first_entry(&segment);
            [&segment[..at + 20], &segment[at + 30..]].concat()
        },
    ),
    Broken::medium(
        Rule::FrameLimit,
        "entry",
        "an entry that claims 16 MiB",
        |s| {
            let segment = s.segment();
            let at = first_entry(&segment);
            [&segment[..at], &[0x83, 0, 0x5a, 1, 0, 0, 0]].concat()
        },
    ),
    Broken::medium(
        Rule::FrameDigest,
        "bit",
        "one bit of an entry flipped",
        |s| changed(&s.segment(), 20, |b| b ^ 1),
    ),
    Broken::maker(Rule::FrameType, "type", "a frame of type 15", |s| {
        changed(&s.segment(), 1, |_| 15)
    }),
    Broken::maker(Rule::Header, "kind", "a header of an unknown kind", |s| {
        edit(&s.segment(), |list| {
            let place = find(&list[0].1, b"segment");
            list[0].1[place] = b'S';
        })
    }),
    Broken::maker(Rule::Header, "version", "a header of version 2", |s| {
        edit(&s.segment(), |list| {
            let place = find(&list[0].1, b"\x61v\x01");
            list[0].1[place + 2] = 2;
        })
    }),
    Broken::maker(Rule::Header, "none", "no header", |s| {
        edit(&s.segment(), |list| {
            list.remove(0);
        })
    }),
    Broken::maker(
        Rule::Header,
        "skippable",
        "a frame that may be skipped, before the header",
        |s| with_skippable(&s.segment(), Place::BeforeHeader),
    ),
    Broken::medium(Rule::End, "none", "cut right before the end frame", |s| {
        let segment = s.segment();
        let end = segment.windows(2).rposition(|w| w == [0x83, 10]).unwrap();
        segment[..end].to_vec()
    }),
    Broken::medium(Rule::End, "count", "a whole frame cut out", |s| {
        // Every other frame is sound, the count is not.
        let mut writer = FrameWriter::new(Vec::new()).unwrap();
        for (kind, payload) in parts(&s.segment()) {
            if kind != FrameType::Trace {
                writer.write(kind, &payload).unwrap();
            }
        }
        writer.finish().unwrap()
    }),
    Broken::maker(Rule::End, "after", "the file's frames twice", |s| {
        let segment = s.segment();
        [&segment[..], &segment[3..]].concat()
    }),
    Broken::maker(
        Rule::End,
        "skippable",
        "a frame that may be skipped, after the end",
        |s| with_skippable(&s.segment(), Place::AfterEnd),
    ),
    Broken::maker(
        Rule::Recovery,
        "other",
        "recovery data of another file",
        |s| {
            let other = s.returned();
            let mut data = Vec::new();
            recovery::append(
                &mut std::io::Cursor::new(&other),
                &mut data,
                Percent::default(),
            )
            .unwrap();
            [s.segment(), data].concat()
        },
    ),
];

/// Offset of the first entry's frame.
fn first_entry(segment: &[u8]) -> usize {
    find(segment, &[0x83, 0, 0x58])
}

/// The segment with one byte changed, counted from the first entry's frame.
fn changed(segment: &[u8], from_entry: usize, to: fn(u8) -> u8) -> Vec<u8> {
    let at = first_entry(segment) + from_entry;
    let mut bytes = segment.to_vec();
    bytes[at] = to(bytes[at]);
    bytes
}
