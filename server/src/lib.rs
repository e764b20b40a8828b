//! The carrylog fleet server: verifies what a stick brings, merges it into one fleet history and
//! answers with receipts.

mod anomalies;
pub mod branches;
mod entry_facts;
pub mod fleet_digest;
mod fleet_log;
mod import;
mod intake;
mod key_files;
mod log_state;
pub mod merge;
mod outcome;
mod projection;
mod projector;
mod rebuild;
mod server;
mod store;
mod trust_change;
mod trust_view;
mod writer;

pub use import::ImportError;
pub use key_files::{KeyFileError, PublicKeyFile, authority};
pub use outcome::{Merge, Outcome, Refused};
pub use rebuild::Rebuilt;
pub use server::{Clock, Config, OpenError, Server, digest_of, init};
pub use store::StoreError;
pub use writer::KeepLimits;
