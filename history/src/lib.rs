//! What counts in a fleet history, and what it means: the one home of both answers.
//!
//! - One log: [`log`] decides from the set of what is known which entries count.
//! - Authorities: [`rulings`] (aliases, repeats, resolutions), [`sheets`] (limits in force).
//! - One unit: [`unit`] (its life, its summary).
//! - What a person must look at: [`queries`].
//!
//! Pure: no I/O, no clock, no SQL. The server feeds it from its store, the command line from files;
//! equal material gives equal answers, in whatever order it came.

pub mod anomalies;
pub mod entry;
pub mod filing;
pub mod log;
pub mod queries;
pub mod record_facts;
pub mod rulings;
pub mod sheets;
pub mod unit;

#[cfg(test)]
mod samples;

pub use entry::KnownEntry;
