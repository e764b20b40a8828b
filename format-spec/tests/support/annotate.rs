//! The worked example of SPEC.md: the bytes of a file, line by line, with what each line is.

use carrylog_format::frame::{FrameReader, FrameType, MAGIC};
use std::fmt::Write;

/// Lines of `offset  bytes` under a heading for each frame.
pub fn annotate(file: &[u8]) -> String {
    let mut out = String::new();
    let mut frames = FrameReader::new(file).unwrap();
    line(&mut out, 0, &MAGIC, "tag 55799, self-described CBOR");
    while let Some(frame) = frames.next_frame().unwrap() {
        let start = frame.offset as usize;
        let payload = frame.payload_offset as usize;
        let end = payload + frame.payload.len();
        let what = format!(
            "frame, type {} ({}), {} bytes",
            frame.kind as u8,
            words(frame.kind),
            frame.payload.len()
        );
        line(&mut out, start, &file[start..payload], &what);
        line(&mut out, payload, &frame.payload, content(frame.kind));
        line(
            &mut out,
            end,
            &file[end..end + 34],
            "SHA-256(type byte ‖ payload)",
        );
    }
    out
}

fn line(out: &mut String, offset: usize, bytes: &[u8], what: &str) {
    writeln!(out, "      ; {what}").unwrap();
    for (i, chunk) in bytes.chunks(32).enumerate() {
        writeln!(out, "{:5} {}", offset + i * 32, hex::encode(chunk)).unwrap();
    }
}

fn words(kind: FrameType) -> &'static str {
    match kind {
        FrameType::Entry => "entry",
        FrameType::Header => "header",
        FrameType::Frontier => "frontier",
        FrameType::Seal => "seal",
        FrameType::Statement => "statement",
        FrameType::End => "end",
        _ => "other",
    }
}

fn content(kind: FrameType) -> &'static str {
    match kind {
        FrameType::Entry => "the entry: v, by, body (event opened), kind, at_ms, clock",
        FrameType::Header => "{segment: {v: 1, to: 1, key, log, from: 0}}",
        FrameType::Frontier => "[]: nothing comes before entry 0",
        FrameType::Seal => "COSE_Sign1 over {log, seq: 0, root, size: 1, at_ms}",
        FrameType::Statement => "COSE_Sign1 over {v, seq, body, prev, at_ms, authority}",
        FrameType::End => "{bytes: offset of this frame, frames: frames before it}",
        _ => "payload",
    }
}

/// The bytes that annotated lines stand for.
pub fn bytes_of(text: &str) -> Vec<u8> {
    let digits: String = text
        .lines()
        .filter(|l| !l.trim_start().starts_with(';') && !l.trim().is_empty())
        .filter_map(|l| l.split_whitespace().nth(1))
        .collect();
    hex::decode(digits).unwrap()
}
