//! The floors of the house: who may import whom, and that what counts is decided in one place.
//!
//! Read from the manifests and sources themselves, so that an old way cannot come back unseen.

#![allow(clippy::unwrap_used, reason = "a test fails by panicking")]

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    let manifest = Path::new(env!("CARGO_MANIFEST_DIR"));
    manifest.parent().unwrap().to_owned()
}

/// Crates of ours that a crate depends on, its tests left out.
fn ours(folder: &str) -> Vec<String> {
    let text = fs::read_to_string(root().join(folder).join("Cargo.toml")).unwrap();
    let mut section = String::new();
    let mut found = Vec::new();
    for line in text.lines() {
        if line.starts_with('[') {
            line.clone_into(&mut section);
        }
        let name: String = line
            .chars()
            .take_while(|c| c.is_ascii_alphanumeric() || *c == '-')
            .collect();
        if section == "[dependencies]" && name.starts_with("carrylog") {
            found.push(name);
        }
    }
    found.sort();
    found
}

/// Every source below a folder, by its path from the root, without its tests and comments.
fn sources(folder: &str) -> Vec<(String, String)> {
    let mut waiting = vec![root().join(folder)];
    let mut found = Vec::new();
    while let Some(path) = waiting.pop() {
        if path.is_dir() {
            waiting.extend(fs::read_dir(&path).unwrap().map(|e| e.unwrap().path()));
            continue;
        }
        let name = path.strip_prefix(root()).unwrap().to_string_lossy();
        let name = name.replace('\\', "/");
        if !name.ends_with(".rs") || name.ends_with("tests.rs") {
            continue;
        }
        let text = fs::read_to_string(&path).unwrap();
        let product = text.split("#[cfg(test)]").next().unwrap_or_default();
        let lines = product
            .lines()
            .filter(|l| !l.trim_start().starts_with("//"));
        found.push((name, lines.collect::<Vec<_>>().join("\n")));
    }
    assert!(!found.is_empty(), "{folder} has no sources");
    found
}

/// Sources below `folder` that hold one of `words`, but for those whose path begins with one of `but`.
fn holding(folder: &str, words: &[&str], but: &[&str]) -> Vec<String> {
    let mut found = Vec::new();
    for (name, text) in sources(folder) {
        let excused = but.iter().any(|allowed| name.starts_with(allowed));
        let held = words.iter().find(|word| text.contains(**word));
        if let (Some(word), false) = (held, excused) {
            found.push(format!("{name}: {word}"));
        }
    }
    found.sort();
    found
}

#[test]
fn imports_point_one_way() {
    assert_eq!(ours("format-spec"), [""; 0]);
    assert_eq!(ours("health"), ["carrylog-format"]);
    assert_eq!(ours("history"), ["carrylog-format", "carrylog-health"]);
    for below in ["format-spec", "health", "history", "server"] {
        let all = ours(below);
        assert!(!all.contains(&"carrylog".to_owned()), "{below}: {all:?}");
    }
}

#[test]
fn history_health_and_format_open_no_files_and_read_no_clock() {
    let ways = [
        "std::fs",
        "fs::File",
        "std::net",
        "std::env",
        "SystemTime",
        "Instant::now",
        "Timestamp::now",
        "Zoned::now",
        "rusqlite",
    ];
    for pure in ["history/src", "health/src", "format-spec/src"] {
        assert_eq!(holding(pure, &ways, &[]), [""; 0], "{pure}");
    }
}

#[test]
fn sql_stands_in_the_stores_only() {
    let words = [
        "SELECT ",
        "INSERT ",
        "UPDATE ",
        "DELETE FROM",
        "CREATE TABLE",
    ];
    let stores = [
        "server/src/store/",
        "cli/src/station/store.rs",
        "cli/src/station/schema.rs",
    ];
    for folder in ["server/src", "cli/src", "history/src"] {
        assert_eq!(holding(folder, &words, &stores), [""; 0], "{folder}");
    }
}

#[test]
fn what_counts_and_what_it_means_is_decided_in_history_only() {
    // Who decides it apart must take rulings or sheets apart, or call the figures by itself.
    let ways = [
        "StatementBody::DuplicateOf",
        "StatementBody::Alias",
        "StatementBody::BranchChosen",
        "StatementBody::Limits",
        "due_checks(",
        "series_health(",
        "fleet_statistics(",
        "station_biases(",
        "matched_sets(",
        "from_records::compute(",
        "assess::assess(",
    ];
    // They state these things, show them as stated, carry them on, or say what a new one touches.
    let but = [
        "cli/src/commands/authority/",
        "cli/src/commands/station/show.rs",
        "cli/src/station/segment.rs",
        "cli/src/authority.rs",
        "server/src/statement_effect.rs",
    ];
    for folder in ["cli/src", "server/src"] {
        assert_eq!(holding(folder, &ways, &but), [""; 0], "{folder}");
    }
}
