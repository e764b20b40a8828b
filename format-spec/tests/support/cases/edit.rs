//! Files taken apart into frames and put together wrongly.

use carrylog_format::cbor;
use carrylog_format::frame::{FrameReader, FrameType, FrameWriter, MAGIC};
use carrylog_format::statement::Statement;
use carrylog_format::tree::Hash;

/// A frame taken apart, to be put together wrongly.
pub type Part = (FrameType, Vec<u8>);

pub fn parts(bytes: &[u8]) -> Vec<Part> {
    let mut frames = FrameReader::new(bytes).unwrap();
    let mut parts = Vec::new();
    while let Some(frame) = frames.next_frame().unwrap() {
        parts.push((frame.kind, frame.payload));
    }
    parts
}

/// Writes frames and, in place of the last one, an end that fits them.
pub fn assemble(parts: &[Part]) -> Vec<u8> {
    let mut writer = FrameWriter::new(Vec::new()).unwrap();
    for (kind, payload) in parts.iter().filter(|(kind, _)| *kind != FrameType::End) {
        writer.write(*kind, payload).unwrap();
    }
    // {"bytes": …, "frames": …}, the only form of an end.
    let mut end = vec![0xa2];
    cbor::write_text(&mut end, "bytes");
    cbor::write_head(&mut end, 0, writer.bytes());
    cbor::write_text(&mut end, "frames");
    cbor::write_head(&mut end, 0, writer.frames());
    writer.write(FrameType::End, &end).unwrap();
    writer.finish().unwrap()
}

pub fn edit(bytes: &[u8], change: impl FnOnce(&mut Vec<Part>)) -> Vec<u8> {
    let mut list = parts(bytes);
    change(&mut list);
    assemble(&list)
}

pub fn position(list: &[Part], kind: FrameType) -> usize {
    list.iter().position(|(k, _)| *k == kind).unwrap()
}

pub fn replace_entry(bytes: &[u8], index: usize, entry: Vec<u8>) -> Vec<u8> {
    edit(bytes, |list| {
        let (place, _) = list
            .iter()
            .enumerate()
            .filter(|(_, (kind, _))| *kind == FrameType::Entry)
            .nth(index)
            .unwrap();
        list[place].1 = entry;
    })
}

/// Where a frame of type 16 is put.
#[derive(Clone, Copy, PartialEq)]
pub enum Place {
    BeforeHeader,
    BeforeEnd,
    AfterEnd,
}

pub fn raw_frame(kind: u8, payload: &[u8]) -> Vec<u8> {
    let mut out = vec![0x83, kind];
    cbor::write_bytes(&mut out, payload);
    cbor::write_bytes(&mut out, Hash::of_parts(&[&[kind], payload]).as_bytes());
    out
}

/// The same file with a frame that a reader need not know, and an end that counts it.
pub fn with_skippable(file: &[u8], place: Place) -> Vec<u8> {
    let extra = raw_frame(16, b"for a later version");
    let mut out = MAGIC.to_vec();
    let mut frames = 0;
    for (kind, payload) in parts(file) {
        let here = match kind {
            FrameType::Header => Place::BeforeHeader,
            FrameType::End => Place::BeforeEnd,
            _ => Place::AfterEnd,
        };
        if here == place && here != Place::AfterEnd {
            out.extend(&extra);
            frames += 1;
        }
        if kind == FrameType::End {
            let mut end = vec![0xa2];
            cbor::write_text(&mut end, "bytes");
            cbor::write_head(&mut end, 0, out.len() as u64);
            cbor::write_text(&mut end, "frames");
            cbor::write_head(&mut end, 0, frames);
            out.extend(raw_frame(FrameType::End as u8, &end));
        } else {
            out.extend(raw_frame(kind as u8, &payload));
            frames += 1;
        }
    }
    if place == Place::AfterEnd {
        out.extend(extra);
    }
    out
}

/// Place of the last frame of a type.
pub fn last(list: &[Part], kind: FrameType) -> usize {
    list.iter().rposition(|(k, _)| *k == kind).unwrap()
}

/// Changes the last bit of the first frame of a type.
pub fn spoil_first(list: &mut [Part], kind: FrameType) {
    let place = position(list, kind);
    let last = list[place].1.len() - 1;
    list[place].1[last] ^= 1;
}

/// Where `needle` first stands in `bytes`.
pub fn find(bytes: &[u8], needle: &[u8]) -> usize {
    bytes
        .windows(needle.len())
        .position(|w| w == needle)
        .unwrap()
}

/// Statements of two chains as frames.
pub fn statement_parts(first: &[Statement], second: &[Statement]) -> Vec<Part> {
    first
        .iter()
        .chain(second)
        .map(|s| (FrameType::Statement, s.sign1().to_vec()))
        .collect()
}
