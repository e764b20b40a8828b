//! Anomalies: what a person must look at. Never dropped silently, never fixed silently.
//!
//! Derived by pure functions for one scope at a time: a unit's history, a log, the statements.

mod of_log;
mod of_statements;
mod of_unit;
mod query;

pub use of_log::{EntryClock, clock_anomalies, log_anomalies};
pub use of_statements::statement_anomalies;
pub use of_unit::{Calibrations, unit_anomalies};
pub use query::{Anomaly, AnomalyKind};
