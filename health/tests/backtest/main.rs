//! What later checks showed of the statistics for few checks, beside the methods before.
//!
//! Each row states a goal and the figures; `tests/cases backtest` prints them all. Public series: NASA
//! Ames Prognostics Center of Excellence battery data set (B. Saha, K. Goebel, 2007) and the lives of
//! Severson et al., Nature Energy 2019, from the data folder beside the repository, skipped with a line
//! without it. Simulated ones are drawn from fixed seeds, so every run prints the same.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

#[path = "../support/data.rs"]
mod data;
mod public;
mod random;
mod simulated;
mod yardstick;

/// Percent of a count.
fn rate(count: usize, of: usize) -> f64 {
    count as f64 / of.max(1) as f64
}

/// The middle value; infinite ones count as such.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}
