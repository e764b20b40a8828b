//! Finds and reads open data: the fixtures in the repository, and the folder beside it.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::io::Write;
use std::path::{Path, PathBuf};

pub(crate) fn fixture(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../fixtures/published")
        .join(name)
}

/// A file of the data folder beside the repository, or `None` with a line that says it was skipped.
pub(crate) fn beside(name: &str) -> Option<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let candidates = ["../shared/data", "../../shared/data"].map(|d| root.join(d).join(name));
    let found = candidates.into_iter().find(|p| p.exists());
    if found.is_none() {
        // Straight to the stream: the test harness hides what the print macros say in a passing test.
        let line =
            format!("SKIPPED: {name} is not in ../shared/data; nothing was checked with it\n");
        std::io::stderr()
            .write_all(line.as_bytes())
            .expect("standard error takes a line");
    }
    found
}

/// Columns of a CSV file by header; text columns come back as NaN.
pub(crate) fn csv(path: &Path) -> (Vec<String>, Vec<Vec<f64>>) {
    let text = std::fs::read_to_string(path).expect("the file reads");
    let mut lines = text.lines();
    let header: Vec<String> = lines
        .next()
        .expect("a header")
        .split(',')
        .map(str::to_owned)
        .collect();
    let mut columns = vec![Vec::new(); header.len()];
    for line in lines {
        for (column, cell) in columns.iter_mut().zip(line.split(',')) {
            column.push(cell.parse().unwrap_or(f64::NAN));
        }
    }
    (header, columns)
}

pub(crate) fn column(path: &Path, name: &str) -> Vec<f64> {
    let (header, columns) = csv(path);
    let at = header
        .iter()
        .position(|h| h == name)
        .unwrap_or_else(|| panic!("column {name}"));
    columns[at].clone()
}
