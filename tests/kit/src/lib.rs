//! Tables of cases inside ordinary tests: one printed row a case, one assertion at the end.
//!
//! A test names its table, gives it a row for each case and finishes it. All rows are printed before anything fails, so
//! that one run shows every miss. `tests/cases NAME` collects the rows of a table from all its tests.
#![allow(
    clippy::print_stdout,
    clippy::panic,
    reason = "printing rows and failing the test is what this crate is for"
)]

use std::fmt::Display;

/// One table of cases.
///
/// ```
/// # use carrylog_test_kit::Cases;
/// let mut cases = Cases::named("arithmetic");
/// cases.row("A-1", "2 + 2 is 4", 2 + 2, 2 + 2 == 4);
/// cases.equal("A-2", 6, 2 * 3);
/// cases.finish();
/// ```
#[derive(Debug)]
pub struct Cases {
    name: String,
    total: usize,
    failed: Vec<String>,
    finished: bool,
}

/// What every row starts with, so that a script finds rows among other output.
pub const ROW: &str = "case |";

impl Cases {
    /// An empty table, called as in `tests/cases NAME`.
    pub fn named(name: impl Into<String>) -> Self {
        // The test harness has printed "test … " without an end of line; a row starts on its own.
        println!();
        Self {
            name: name.into(),
            total: 0,
            failed: Vec::new(),
            finished: false,
        }
    }

    /// Prints `case | id | required | got | ok` and remembers whether it holds.
    pub fn row(&mut self, id: impl Display, required: impl Display, got: impl Display, ok: bool) {
        self.total += 1;
        let id = cell(id);
        println!(
            "{ROW} {id} | {} | {} | {}",
            cell(required),
            cell(got),
            if ok { "ok" } else { "MISS" }
        );
        if !ok {
            self.failed.push(id);
        }
    }

    /// A row that holds when `got` equals `required`.
    pub fn equal<T: Display + PartialEq>(&mut self, id: impl Display, required: T, got: T) {
        let ok = required == got;
        self.row(id, required, got, ok);
    }

    /// Prints the count.
    ///
    /// # Panics
    /// With the ids that do not hold, and when the table has no row.
    pub fn finish(mut self) {
        self.close();
    }

    fn close(&mut self) {
        self.finished = true;
        println!(
            "{}: {} cases, {} ok",
            self.name,
            self.total,
            self.total - self.failed.len()
        );
        assert!(self.total > 0, "{}: no case was run", self.name);
        assert!(
            self.failed.is_empty(),
            "{}: not ok: {}",
            self.name,
            self.failed.join(", ")
        );
    }
}

impl Drop for Cases {
    /// A table that was forgotten is finished, so that a miss is never lost; in a test that already fails it stays quiet.
    fn drop(&mut self) {
        if !self.finished && !std::thread::panicking() {
            self.close();
        }
    }
}

/// One cell on one line, without the column mark.
fn cell(text: impl Display) -> String {
    text.to_string()
        .replace('|', "/")
        .split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::panic::catch_unwind;

    fn message(of: Box<dyn std::any::Any + Send>) -> String {
        of.downcast_ref::<String>().cloned().unwrap_or_default()
    }

    // The rows printed here must not be counted by anybody, hence names that no table has.
    #[test]
    fn a_miss_fails_at_the_end_and_names_its_ids() {
        let failed = catch_unwind(|| {
            let mut cases = Cases::named("of the kit itself");
            cases.equal("K-1", 4, 2 + 2);
            cases.equal("K-2", 5, 2 + 2);
            cases.row("K-3", "a | in\ntwo lines", "b", false);
            cases.finish();
        });
        assert_eq!(
            message(failed.unwrap_err()),
            "of the kit itself: not ok: K-2, K-3"
        );
    }

    #[test]
    fn a_forgotten_or_empty_table_fails_too() {
        let forgotten = catch_unwind(|| Cases::named("of the kit itself").row("K-1", 1, 2, false));
        assert_eq!(
            message(forgotten.unwrap_err()),
            "of the kit itself: not ok: K-1"
        );
        let empty = catch_unwind(|| Cases::named("of the kit itself").finish());
        assert_eq!(
            message(empty.unwrap_err()),
            "of the kit itself: no case was run"
        );
    }

    #[test]
    fn cells_stay_on_one_line() {
        assert_eq!(cell("a | b\n  c"), "a / b c");
    }
}
