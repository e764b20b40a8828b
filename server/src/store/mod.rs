//! The store: the only module tree that knows SQL.
//!
//! Entries, seals, segments, statements, traces and files kept aside are truth; logs' states, units
//! and queries are projections that `rebuild` makes again. One transaction a bundle, synchronous
//! FULL: what is acknowledged is durable.

mod computed;
mod database;
mod deliveries;
mod entries;
mod error;
mod fleet;
mod heads;
mod kept;
mod links;
mod logs;
mod queries;
mod schema;
mod singles;
mod stamps;
mod statements;
mod tokens;
mod traces;
mod units;

pub use error::StoreError;

pub(crate) use computed::*;
pub(crate) use database::*;
pub(crate) use deliveries::*;
pub(crate) use entries::*;
pub(crate) use fleet::*;
pub(crate) use heads::*;
pub(crate) use kept::*;
pub(crate) use links::*;
pub(crate) use logs::*;
pub(crate) use queries::*;
pub(crate) use singles::*;
pub(crate) use stamps::*;
pub(crate) use statements::*;
pub(crate) use tokens::*;
pub(crate) use traces::*;
pub(crate) use units::*;
