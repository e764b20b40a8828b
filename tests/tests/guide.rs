//! The contributor guide says what is so: its tests exist, its dependencies are the workspace's.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a test fails by panicking"
)]

use serde_json::Value;
use std::collections::BTreeSet;
use std::path::PathBuf;
use std::process::Command;

fn root() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("..")
}

/// The cells of the rows of the table under a heading of DEVELOPERS.md.
fn table(heading: &str) -> Vec<Vec<String>> {
    let guide = std::fs::read_to_string(root().join("DEVELOPERS.md")).unwrap();
    let (_, after) = guide.split_once(&format!("\n## {heading}\n")).unwrap();
    let section = after.split("\n## ").next().unwrap();
    let rows = section.lines().filter(|line| line.starts_with('|')).skip(2);
    let cells = |row: &str| {
        row.trim_matches('|')
            .split('|')
            .map(|c| c.trim().to_owned())
            .collect()
    };
    rows.map(cells).collect()
}

/// Names without what stands in brackets.
fn names(cell: &str) -> BTreeSet<String> {
    let mut outside = String::new();
    let mut depth = 0;
    for c in cell.chars() {
        match c {
            '(' => depth += 1,
            ')' => depth -= 1,
            c if depth == 0 => outside.push(c),
            _ => {}
        }
    }
    outside.split(',').map(|n| n.trim().to_owned()).collect()
}

#[test]
fn every_dependency_has_a_reason_and_no_reason_is_without_its_dependency() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let output = Command::new(cargo)
        .args([
            "metadata",
            "--no-deps",
            "--offline",
            "--format-version",
            "1",
        ])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    let metadata: Value = serde_json::from_slice(&output.stdout).unwrap();
    let packages = metadata["packages"].as_array().unwrap();
    let name = |v: &Value| v["name"].as_str().unwrap().to_owned();
    let ours: BTreeSet<String> = packages.iter().map(name).collect();
    let used: BTreeSet<String> = packages
        .iter()
        .flat_map(|p| p["dependencies"].as_array().unwrap())
        .map(name)
        .filter(|dependency| !ours.contains(dependency))
        .collect();
    let reasons: BTreeSet<String> = table("Dependencies and their reasons")
        .iter()
        .flat_map(|row| names(&row[0]))
        .collect();
    let unexplained: Vec<_> = used.difference(&reasons).collect();
    let unused: Vec<_> = reasons.difference(&used).collect();
    assert!(unexplained.is_empty(), "without a reason: {unexplained:?}");
    assert!(unused.is_empty(), "without a dependency: {unused:?}");
}

/// A row names files, and after each the tests in it.
#[test]
fn every_fault_of_the_guide_is_tested_where_it_says() {
    let rows = table("Faults and where each is tested");
    assert!(rows.len() > 5, "the table was found");
    for row in rows {
        let (mut source, mut tests) = (None, 0);
        for word in row[2].split('`').skip(1).step_by(2) {
            if word.contains('/') {
                let path = root().join(word);
                source = Some(
                    std::fs::read_to_string(&path)
                        .unwrap_or_else(|e| panic!("{}: {}: {e}", row[0], path.display())),
                );
            } else {
                let source = source
                    .as_ref()
                    .unwrap_or_else(|| panic!("{}: no file", row[0]));
                assert!(
                    source.contains(&format!("fn {word}(")),
                    "{}: there is no test {word}",
                    row[0]
                );
                tests += 1;
            }
        }
        assert!(tests > 0, "{}: names no test", row[0]);
    }
}
