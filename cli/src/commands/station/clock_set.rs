//! `carrylog station clock-set`: the station's clock was set.

use crate::commands::written::Written;
use crate::context::{Context, Stamp};
use crate::failure::Failure;
use crate::station::{Access, Station};
use carrylog_format::instant::Instant;
use carrylog_format::record::{Record, StationChange, StationEvent};
use carrylog_format::view;
use clap::Args;
use std::path::PathBuf;

/// Record that the station's clock was set, and against what
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog station clock-set bay2 --before 2026-03-01T09:12:00Z --after 2026-03-01T09:30:00Z \
    --remark \"radio clock in the hangar\" --clock checked --by \"Ada Invented\""
)]
pub(crate) struct ClockSet {
    /// The station's folder
    dir: PathBuf,
    /// What the clock showed
    #[arg(long, value_name = "RFC3339")]
    before: Instant,
    /// What it was set to
    #[arg(long, value_name = "RFC3339")]
    after: Instant,
    #[command(flatten)]
    stamp: Stamp,
}

impl ClockSet {
    pub(super) fn run(self, context: &Context) -> Result<Written, Failure> {
        let head = context.head(&self.stamp)?;
        let mut station = Station::open(&self.dir, Access::Write)?;
        let event = StationChange::ClockSet {
            before_ms: self.before,
            after_ms: self.after,
        };
        let record = Record::StationEvent(StationEvent {
            event,
            happened_ms: head.at,
        });
        let summary = view::summary(&record);
        // What was said of the clock stands: setting it back is how it comes to run behind.
        let appended = station.append(head, record, None)?;
        Ok(Written::of(appended, summary))
    }
}
