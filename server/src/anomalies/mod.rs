//! Anomalies: what a person must look at. Never dropped silently, never fixed silently.
//!
//! Derived by pure functions for one scope at a time: a unit's history, a log, the statements.

mod anomaly;
mod of_log;
mod of_statements;
mod of_unit;

pub use anomaly::{Anomaly, AnomalyKind};
pub(crate) use of_log::{clock_anomalies, log_anomalies};
pub(crate) use of_statements::statement_anomalies;
pub(crate) use of_unit::{Calibrations, unit_anomalies};
