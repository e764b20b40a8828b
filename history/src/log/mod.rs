//! Which entries of one log count: a pure function of everything known of it.

mod branches;
mod digest;
mod merge;
mod singles;
mod state;
mod status;

pub use branches::Segment;
pub use digest::{Run, fleet_digest, log_digest, runs_digest};
pub use merge::{Choice, Fork, Gap, Known, Merged, Piece, merge};
pub use singles::{SingleEntry, Singles};
pub use state::{DerivedLog, LogMaterial, LogReport, SealFact, counts_wholly};
pub use status::EntryStatus;
