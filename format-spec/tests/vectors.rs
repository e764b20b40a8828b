//! The frozen vectors: every file has the verdict that the manifest states, and the manifest covers
//! every rule of SPEC.md.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::disallowed_methods,
    unreachable_pub,
    missing_docs,
    reason = "a test fails by panicking"
)]

#[path = "support/annotate.rs"]
mod annotate;
#[path = "support/cases/mod.rs"]
mod cases;
#[path = "support/manifest.rs"]
mod manifest;
mod support;

use carrylog_format::bundle::{BundleHeader, peek_header, read_history, read_return, read_segment};
use carrylog_format::cose::PublicKey;
use carrylog_format::fleet_log;
use carrylog_format::fleet_log::head::{self, FleetHead};
use carrylog_format::refusal::{Refusal, Rule};
use carrylog_format::trust::TrustStore;
use manifest::Manifest;
use std::collections::BTreeSet;
use std::path::PathBuf;

/// Rules for those who write and sign: no single file can show that they were broken.
const WITHOUT_VECTOR: &[&str] = &["F-2", "F-8"];

fn dir() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR"))
}

fn open(bytes: &[u8], trust: &TrustStore, kept: &[FleetHead]) -> Result<u64, Refusal> {
    match peek_header(bytes)? {
        BundleHeader::Return(_) => {
            let read = read_return(bytes, trust, &mut |_| {})?;
            if let Some(carried) = read.head() {
                let kept = kept.iter().find(|head| head.log == carried.log());
                fleet_log::compare(kept, carried)?;
            }
            Ok(0)
        }
        BundleHeader::UnitHistory(_) => {
            read_history(bytes, trust, &mut |_| {}).map(|h| h.entries())
        }
        _ => read_segment(bytes, trust, &mut |_| {}).map(|s| s.entries()),
    }
}

#[test]
fn every_vector_has_the_verdict_of_the_manifest() {
    let text = std::fs::read_to_string(dir().join("vectors/manifest.json")).unwrap();
    let manifest: Manifest = serde_json::from_str(&text).unwrap();
    assert!(
        manifest.vectors.len() >= 45,
        "an empty manifest proves nothing"
    );
    for vector in &manifest.vectors {
        let bytes = std::fs::read(dir().join("vectors").join(&vector.file)).unwrap();
        let keys = vector
            .authorities
            .iter()
            .map(|h| PublicKey::from_bytes(hex::decode(h).unwrap().try_into().unwrap()).unwrap());
        let kept: Vec<FleetHead> = vector
            .kept_heads
            .iter()
            .map(|h| head::parse(&hex::decode(h).unwrap()).unwrap())
            .collect();
        let verdict = open(&bytes, &TrustStore::new(keys), &kept);
        match (vector.expect.as_str(), verdict) {
            ("accept", Ok(entries)) => assert_eq!(Some(entries), vector.entries, "{}", vector.file),
            ("refuse", Err(refusal)) => {
                assert_eq!(
                    Some(refusal.rule.id()),
                    vector.rule.as_deref(),
                    "{}: {refusal}",
                    vector.file
                );
                assert_eq!(
                    Some(refusal.fault.word()),
                    vector.fault.as_deref(),
                    "{}",
                    vector.file
                );
            }
            (expected, verdict) => panic!("{}: {expected} expected, got {verdict:?}", vector.file),
        }
    }
}

#[test]
fn the_frozen_files_are_those_that_the_generator_makes() {
    let all = cases::all();
    for case in &all {
        let frozen = std::fs::read(dir().join("vectors").join(&case.file)).unwrap();
        assert!(
            frozen == case.bytes,
            "{} differs: write the vectors again",
            case.file
        );
    }
    let text = std::fs::read_to_string(dir().join("vectors/manifest.json")).unwrap();
    let manifest: Manifest = serde_json::from_str(&text).unwrap();
    assert_eq!(manifest, Manifest::of(&all));
}

#[test]
fn rules_in_code_spec_and_vectors_are_the_same() {
    let spec = std::fs::read_to_string(dir().join("SPEC.md")).unwrap();
    let stated: BTreeSet<&str> = spec
        .lines()
        .filter_map(|l| l.strip_prefix("- **")?.split_once("**"))
        .map(|(id, _)| id)
        .filter(|id| {
            id.split_once('-')
                .is_some_and(|(a, b)| a.len() == 1 && b.parse::<u8>().is_ok())
        })
        .filter(|id| !WITHOUT_VECTOR.contains(id))
        .collect();
    let enforced: BTreeSet<&str> = Rule::ALL.iter().map(|r| r.id()).collect();
    assert_eq!(stated, enforced);
    // A MUST outside a rule would be one that nobody checks.
    for (number, line) in spec.lines().enumerate() {
        if line.contains("MUST") && number > 12 {
            let paragraph_is_rule = spec
                .lines()
                .take(number + 1)
                .collect::<Vec<_>>()
                .iter()
                .rev()
                .find(|l| l.starts_with("- ") || l.is_empty())
                .is_some_and(|l| l.starts_with("- **"));
            assert!(paragraph_is_rule, "line {}: {line}", number + 1);
        }
    }
    let broken: BTreeSet<String> = Manifest::of(&cases::all())
        .vectors
        .into_iter()
        .filter_map(|v| {
            let rule = v.rule?;
            assert!(
                v.file.starts_with(&format!("bad/{rule}-")),
                "{} breaks {rule}",
                v.file
            );
            Some(rule)
        })
        .collect();
    let without_vector: Vec<&&str> = enforced
        .iter()
        .filter(|id| !broken.contains(**id))
        .collect();
    // I-1 is about the medium, not the bytes.
    assert_eq!(without_vector, [&"I-1"]);
    for id in WITHOUT_VECTOR {
        let line = spec
            .lines()
            .position(|l| l.starts_with(&format!("- **{id}**")));
        let rule: Vec<&str> = spec.lines().skip(line.unwrap()).take(4).collect();
        assert!(rule.concat().contains("(No vector:"), "{id}");
    }
}

#[test]
fn the_worked_example_of_the_spec_is_the_file_it_shows() {
    let spec = std::fs::read_to_string(dir().join("SPEC.md")).unwrap();
    let (_, rest) = spec.split_once("<!-- worked-example:begin -->").unwrap();
    let (text, _) = rest.split_once("<!-- worked-example:end -->").unwrap();
    let lines: String = text
        .lines()
        .filter(|l| !l.starts_with("```"))
        .map(|l| format!("{l}\n"))
        .collect();
    assert_eq!(annotate::bytes_of(&lines), cases::example());
    let written = annotate::annotate(&cases::example());
    assert!(
        written == lines.trim_start_matches('\n'),
        "write the vectors again"
    );
}
