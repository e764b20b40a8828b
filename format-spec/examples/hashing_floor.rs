//! The hashing floor of a file: what any verification of it has to do, and nothing else.
//!
//! `cargo run --release -p carrylog-format --example hashing_floor -- FILE`
//!
//! Reads the frames, hashes each and checks its digest, and hashes the tree nodes over the entries'
//! digests. Nothing is parsed and no signature is checked. The yardstick for `carrylog verify`.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::disallowed_methods,
    clippy::print_stdout,
    missing_docs,
    reason = "a program for maintainers"
)]

use carrylog_format::frame::{FrameReader, FrameType};
use carrylog_format::tree::Frontier;
use std::fs::File;
use std::io::BufReader;

fn main() {
    let file = std::env::args().nth(1).expect("hashing_floor FILE");
    let input = BufReader::with_capacity(1 << 16, File::open(file).unwrap());
    let mut frames = FrameReader::new(input).unwrap();
    let mut log = Frontier::new();
    while let Some(frame) = frames.next_frame().unwrap() {
        if frame.kind == FrameType::Entry {
            log.push(frame.digest);
        }
    }
    println!(
        "{} frames, {} entries, root {}",
        frames.frames(),
        log.size(),
        log.root()
    );
}
