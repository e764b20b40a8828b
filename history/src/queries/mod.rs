//! Queries: what a person must look at. Never dropped silently, never fixed silently.
//!
//! Derived by pure functions for one scope at a time: a log, a unit, a station's part in it, the
//! statements.

mod of_log;
mod of_statements;
mod of_station;
mod of_unit;
mod query;
mod words;

pub use of_log::{EntryClock, clock_queries, log_queries};
pub use of_statements::statement_queries;
pub use of_unit::unit_queries;
pub use query::{Query, SameTest};
