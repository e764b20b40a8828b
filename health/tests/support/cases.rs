//! Cases of a document as lines `id | required | got | ok`; fails at the end if one is not met.
#![allow(dead_code, reason = "each test binary uses its own part")]

use std::io::Write;

/// The rows of one document, or of a part of it.
pub(crate) struct Cases {
    document: &'static str,
    rows: usize,
    missed: Vec<String>,
}

impl Cases {
    pub(crate) fn new(document: &'static str) -> Self {
        Self {
            document,
            rows: 0,
            missed: Vec::new(),
        }
    }

    pub(crate) fn row(&mut self, id: &str, required: &str, got: &str, ok: bool) {
        self.rows += 1;
        let line = format!(
            "{id} | {required} | {got} | {}\n",
            if ok { "ok" } else { "NO" }
        );
        // Straight to the stream: the test harness hides what a passing test prints.
        std::io::stderr()
            .write_all(line.as_bytes())
            .expect("standard error takes a line");
        if !ok {
            self.missed.push(line);
        }
    }

    pub(crate) fn near(&mut self, id: &str, required: f64, tolerance: f64, got: f64, unit: &str) {
        self.row(
            id,
            &format!("{required} ± {tolerance} {unit}"),
            &format!("{got:.4} {unit}"),
            (got - required).abs() <= tolerance,
        );
    }

    #[track_caller]
    pub(crate) fn finish(self) {
        let met = self.rows - self.missed.len();
        assert!(
            self.missed.is_empty(),
            "{}: {met} of {} met; not:\n{}",
            self.document,
            self.rows,
            self.missed.concat()
        );
    }
}
