//! Verifies a file of `make_segment` through its door and does nothing with what it holds.
//!
//! `cargo run --release -p carrylog-format --example verify_file -- FILE`
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::disallowed_methods,
    clippy::print_stdout,
    missing_docs,
    reason = "a program for maintainers"
)]

use carrylog_format::bundle::read_segment;
use carrylog_format::public_key_form::PublicKeyForm;
use carrylog_format::trust::TrustStore;
use std::fs::File;
use std::io::BufReader;

fn main() {
    let file = std::env::args().nth(1).expect("verify_file FILE");
    let form = std::fs::read_to_string(format!("{file}.authority.json")).unwrap();
    let form: PublicKeyForm = serde_json::from_str(&form).unwrap();
    let trust = TrustStore::new([form.key().unwrap()]);
    let input = BufReader::with_capacity(1 << 16, File::open(file).unwrap());
    let mut items = 0_u64;
    let segment = read_segment(input, &trust, &mut |_| items += 1).unwrap();
    println!(
        "{items} items, {} entries, {} traces, root {}",
        segment.entries(),
        segment.traces_present(),
        segment.after().root()
    );
}
