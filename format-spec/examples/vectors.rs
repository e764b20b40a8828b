//! Writes the test vectors, their manifest and the worked example of SPEC.md.
//!
//! `cargo run -p carrylog-format --example vectors -- format-spec`
#![allow(
    dead_code,
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    clippy::print_stdout,
    unreachable_pub,
    missing_docs,
    reason = "a program for maintainers"
)]

#[path = "../tests/support/annotate.rs"]
mod annotate;
#[path = "../tests/support/cases/mod.rs"]
mod cases;
#[path = "../tests/support/manifest.rs"]
mod manifest;
#[path = "../tests/support/mod.rs"]
mod support;

use std::path::Path;

fn main() {
    let dir = std::env::args()
        .nth(1)
        .unwrap_or_else(|| "format-spec".to_owned());
    let dir = Path::new(&dir);
    let all = cases::all();
    for case in &all {
        let path = dir.join("vectors").join(&case.file);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        std::fs::write(path, &case.bytes).unwrap();
    }
    let manifest = serde_json::to_string_pretty(&manifest::Manifest::of(&all)).unwrap();
    std::fs::write(dir.join("vectors/manifest.json"), manifest + "\n").unwrap();
    let spec = std::fs::read_to_string(dir.join("SPEC.md")).unwrap();
    let (begin, end) = (
        "<!-- worked-example:begin -->\n",
        "<!-- worked-example:end -->",
    );
    let (head, rest) = spec.split_once(begin).unwrap();
    let (_, tail) = rest.split_once(end).unwrap();
    let example = annotate::annotate(&cases::example());
    std::fs::write(
        dir.join("SPEC.md"),
        format!("{head}{begin}```text\n{example}```\n{end}{tail}"),
    )
    .unwrap();
    println!("{} vectors written", all.len());
}
