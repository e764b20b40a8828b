//! What the server answers: the shapes that the API prints as JSON and the pages show.
//!
//! Every number carries its unit in its name.

mod anomalies;
mod fleet;
mod health;
mod logs;
mod units;

pub use anomalies::{AnomaliesAnswer, AnomalyAnswer};
pub use fleet::{EntryCounts, FleetAnswer, FleetLogAnswer, KeptCounts};
pub use health::FleetHealthQuestion;
pub use logs::{LogAnswer, LogsAnswer, SealAnswer};
pub use units::{HistoryAnswer, SheetAnswer, UnitAnswer, UnitsAnswer, UnitsQuestion};

/// Stands with everything that could be taken for a decision.
pub const ADVISORY: &str = "Advisory: the maintenance manual and certifying staff decide.";
