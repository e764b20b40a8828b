//! One unit: its life out of the entries that concern it, and its summary.

mod life;
mod mentions;
mod summary;

pub use life::{HistoryItem, Issue, Superseded, UnitHistory, capacity};
pub use mentions::Mentions;
pub use summary::{Place, UnitSummary, sheet_in_force};
