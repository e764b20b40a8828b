//! Writes a large segment to measure verification on, and its authority's public key beside it.
//!
//! `cargo run --release -p carrylog-format --example make_segment -- OUT small|traces N`
//!
//! `small`: N entries of about 254 bytes after the log's first. `traces`: N tests with a trace of
//! 1800 rows each. The key file is `OUT.authority.json`; the same arguments give the same bytes. Every
//! key in it is known to everybody: such a file proves nothing but the speed of a reader.
#![allow(
    dead_code,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    clippy::print_stdout,
    unreachable_pub,
    missing_docs,
    reason = "a program for maintainers"
)]

#[path = "../tests/support/mod.rs"]
mod support;

use carrylog_format::bundle::{SegmentStart, SegmentWriter};
use carrylog_format::ids::{LogId, TraceDigest};
use carrylog_format::public_key_form::{KeyRole, PublicKeyForm};
use carrylog_format::quantity::MicroAmpHours;
use carrylog_format::record::{Entry, Record, TestRecord, TraceRef};
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::statement::Role;
use carrylog_format::trace::{Trace, TraceColumns, compress};
use carrylog_format::tree::Frontier;
use std::fs::File;
use std::io::{BufWriter, Write};
use support::*;

/// Entries between seals.
const SEALED_EVERY: u64 = 10_000;
/// Rows of a trace: half an hour at one row a second.
const ROWS: i64 = 1800;

fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [out, kind, count] = arguments.as_slice() else {
        panic!("make_segment OUT small|traces N");
    };
    let with_traces = match kind.as_str() {
        "small" => false,
        "traces" => true,
        other => panic!("small or traces, not {other}"),
    };
    let entries = count.parse::<u64>().expect("N is a number") + 1;
    let mut authority = Authority::new(1);
    let station = key(2);
    authority.enrol(&station, Role::Station, "Bay 1 (invented)");
    let public = station.public();
    let start = SegmentStart {
        key: &public,
        frontier: &Frontier::new(),
        to: entries,
    };
    let file = BufWriter::new(File::create(out).unwrap());
    let mut writer = SegmentWriter::new(file, &start, &authority.chain).unwrap();
    let mut log = Frontier::new();
    let mut last: Option<Seal> = None;
    for index in 0..entries {
        let (entry, trace) = match index {
            0 => (opened(), None),
            _ if with_traces => {
                let (reference, compressed) = traced(index);
                (test(index, Some(reference)), Some(compressed))
            }
            _ => (test(index, None), None),
        };
        writer.entry(entry.bytes()).unwrap();
        if let Some(compressed) = trace {
            writer.trace(&compressed).unwrap();
        }
        log.push(*entry.id().hash());
        let size = index + 1;
        if size % SEALED_EVERY == 0 || size == entries {
            let content = SealContent {
                log: LogId::of(&public),
                seq: last.as_ref().map_or(0, |s| s.content().seq + 1),
                prev: last.as_ref().map(Seal::digest),
                root: log.root(),
                seen: None,
                size,
                at_ms: at(size as i64),
            };
            let seal = Seal::sign(&station, &content).unwrap();
            writer.seal(&seal).unwrap();
            last = Some(seal);
        }
    }
    writer.finish().unwrap().flush().unwrap();
    let form = PublicKeyForm::new(
        KeyRole::Authority,
        name("Fjordline Air Rescue (invented)"),
        &authority.key.public(),
    );
    let form = serde_json::to_string_pretty(&form).unwrap();
    std::fs::write(format!("{out}.authority.json"), form + "\n").unwrap();
    println!("{out}: {entries} entries");
}

fn test(index: u64, trace: Option<TraceRef>) -> Entry {
    let minutes = index as i64;
    let mut record: TestRecord = test_record(&format!("SN-{:06}", index % 500), minutes);
    let capacity = 35_000_000 + (index as i64 * 7919) % 9_000_000;
    record.declared.capacity_uah = Some(MicroAmpHours::new(capacity).unwrap());
    record.trace = trace;
    Entry::new(head(minutes), Record::Test(Box::new(record))).unwrap()
}

/// A discharge with the small noise of a measurement, so that it compresses as a measured one does.
fn traced(index: u64) -> (TraceRef, Vec<u8>) {
    let mut state = index.wrapping_mul(0x9e37_79b9_7f4a_7c15) | 1;
    let mut noise = |width: i64| {
        // Xorshift (Marsaglia 2003).
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 33) as i64 % width
    };
    let mut columns = TraceColumns::default();
    let mut temperature = Vec::new();
    for row in 0..ROWS {
        columns.time_us.push(row * 1_000_000);
        columns.current_ua.push(-22_000_000 + noise(20) * 1000);
        let sag = row * 2200 + row * row / 2;
        columns
            .voltage_uv
            .push(27_400_000 - sag / 1000 * 1000 + noise(5) * 1000);
        temperature.push(293_150 + row * 3 / 10 * 10 + noise(3) * 100);
    }
    columns.temperature_mk = vec![temperature];
    let trace = Trace::new(columns).unwrap();
    let canonical = trace.to_canonical().unwrap();
    let reference = TraceRef {
        rows: ROWS as u64,
        sha256: TraceDigest::of(&canonical),
    };
    (reference, compress(&canonical).unwrap())
}
