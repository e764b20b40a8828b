//! What counts in a fleet history, and what it means: the one home of both answers.
//!
//! - One log: [`log`] decides from the set of what is known which entries count.
//! - Authorities: [`rulings`] (aliases, repeats, resolutions), [`sheets`] (limits in force),
//!   [`trust_view`] (both, with the names of stations).
//! - One test: [`judged`] computes results and verdict anew from trace, sheet and [`calibrations`].
//! - One unit: [`mod@unit`] (its life, its series, its summary), [`due`] (what falls due).
//! - What a person must look at: [`queries`].
//! - Figures: [`unit_health`] and [`fleet`], computed by `carrylog-health`, ready to be written out.
//! - Everything at once, from material of any source: [`history`].
//!
//! Pure: no I/O, no clock, no SQL. The server feeds it from its store, the command line from files;
//! equal material gives equal answers, in whatever order it came.

pub mod calibrations;
pub mod due;
pub mod entry;
pub mod filing;
pub mod fleet;
pub mod forecast_line;
pub mod history;
pub mod judged;
pub mod log;
pub mod part_fades;
pub mod queries;
pub mod rulings;
pub mod sheets;
pub mod trust_view;
pub mod unit;
pub mod unit_health;

pub use entry::KnownEntry;

#[cfg(test)]
mod samples;
