//! Faults as a technician meets them: each with its exit code, its words, and nothing lost.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stderr,
    reason = "a test fails by panicking"
)]

mod capture;
mod files;
mod log;
mod office;
mod stick;
#[path = "../support/mod.rs"]
mod support;
mod trust;

use std::fs;
use std::path::Path;
use support::Bench;

const VERIFY: &str = "verify stick --authority office/authority.pub.json";

/// A station with one test packed to the stick.
fn packed() -> Bench {
    let bench = Bench::with_station(2);
    bench.ok("capture bay2 test.json");
    bench.ok("pack bay2 stick");
    bench
}

fn all_bytes(dir: &Path) -> Vec<(String, Vec<u8>)> {
    let mut files: Vec<(String, Vec<u8>)> = fs::read_dir(dir)
        .unwrap()
        .map(|e| e.unwrap().path())
        .map(|p| (p.display().to_string(), fs::read(&p).unwrap()))
        .collect();
    files.sort();
    files
}
