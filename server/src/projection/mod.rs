//! Projections: what the lists and pages show, as pure functions of entries that count and of
//! statements. `rebuild` makes them again from the store.

mod decisions;
mod history;
mod sheets;
mod summary;

pub(crate) use decisions::Decisions;
pub(crate) use history::{HistoryItem, Issue, UnitHistory, capacity};
pub(crate) use sheets::{SheetInForce, Sheets};
pub(crate) use summary::sheet_in_force;
pub use summary::{Place, UnitSummary};
