//! Battery health computed from test records: pure functions with units in their types.
//!
//! From a trace to results ([`trace_results`], [`resistance`]). This crate does no I/O, reads no
//! clock and prints nothing. Every figure is advisory: the maintenance manual and certifying staff
//! decide.

pub mod anomalies;
pub mod assess;
pub mod charging;
pub mod control_chart;
pub mod due;
pub mod efficiency;
pub mod fleet;
pub mod forecast;
pub mod from_records;
pub mod gum;
pub mod integrate;
pub mod matching;
pub mod phases;
pub mod quantity;
pub mod refusal;
pub mod regression;
pub mod resistance;
pub mod robust;
pub mod samples;
pub mod special;
pub mod station_bias;
pub mod survival;
pub mod trace_results;
pub mod trend;
pub mod uncertainty;
