//! The carrylog fleet server: verifies what a stick brings, merges it into one fleet history and
//! answers with receipts.
//!
//! [`Server`] is the whole of it without HTTP; [`router`] and [`serve`] put it on the network. Where
//! things are: `import` is the one door, `carrylog-history` decides what counts and what it means,
//! `projector` writes it down, `store` alone knows SQL, `api` alone HTTP, `pages` alone HTML.

pub mod answers;
mod api;
pub mod args;
mod audit;
mod audit_projections;
mod cut;
mod fleet_log;
mod fleet_proofs;
mod folder_lock;
mod import;
mod intake;
mod key_files;
mod log_state;
mod merge_history;
mod merge_segment;
mod outcome;
mod pages;
mod projector;
mod rebuild;
mod serve;
mod server;
mod statement_effect;
mod store;
mod tokens;
mod trust_change;
mod unit_history;
mod writer;

pub use api::router;
pub use audit::AuditReport;
pub use folder_lock::LockError;
pub use import::ImportError;
pub use key_files::{AuthorityError, authority};
pub use outcome::{HistoryMerge, HistoryOrigin, Merge, Outcome, Refused};
pub use rebuild::Rebuilt;
pub use serve::{ServeError, serve};
pub use server::{Clock, Config, OpenError, Server, digest_of, init};
pub use store::StoreError;
pub use tokens::{AccessRole, Permission, TokenError, TokenName};
pub use writer::KeepLimits;
