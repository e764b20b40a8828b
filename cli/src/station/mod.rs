//! A station: its key, its append-only log on disk, its memory slots and what it was told to trust.
//!
//! The folder of a station holds `station.key` (secret), `station.pub.json` and `station.db`.

mod error;
mod heads;
mod log;
mod replay;
mod schema;
mod segment;
mod settle;
mod store;

pub use error::StationError;
pub use heads::{KeptHead, TakenHead};
pub use log::{Access, Appended, NewStation, PackedTrace, Slot, Station};
pub use segment::SegmentPlan;
pub use settle::{Adopted, Settled};
pub use store::StoreError;
