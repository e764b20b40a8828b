//! The segment that goes on the stick: from the last receipted size to the last seal.

use super::{Station, StationError, StoreError};
use carrylog_format::bundle::{SegmentStart, SegmentWriter};
use carrylog_format::ids::{LogId, TraceDigest};
use carrylog_format::record::{Entry, Record};
use carrylog_format::statement::{Role, Statement, StatementBody};
use carrylog_format::tree::{Frontier, leaf_hash};
use std::io::{self, Write};

/// Which entries a segment holds and what travels with them.
#[derive(Debug, Clone)]
pub struct SegmentPlan {
    /// Index of the first entry.
    pub from: u64,
    /// Index after the last entry.
    pub to: u64,
    /// Whether traces travel with the entries.
    pub with_traces: bool,
    frontier: Frontier,
}

impl Station {
    /// Plans a segment up to the last seal, from `from` or else from what has a receipt; call
    /// [`Station::seal`] first.
    ///
    /// # Errors
    /// [`StationError::NothingToPack`] if everything is receipted already, and
    /// [`StationError::NoSuchEntry`] or [`StationError::InsideFirstSeal`] if none can begin at `from`.
    pub fn plan_segment(
        &self,
        from: Option<u64>,
        with_traces: bool,
    ) -> Result<SegmentPlan, StationError> {
        let to = self.sealed_size();
        if let Some(from) = from.filter(|from| *from >= to) {
            return Err(StationError::NoSuchEntry {
                wanted: from.to_string(),
                size: self.size(),
            });
        }
        // The first seal's number is 0 only where its segment begins at 0 (rule S-2).
        let first = self.seals().first().map_or(0, |s| s.content().size);
        if let Some(from) = from.filter(|from| (1..first).contains(from)) {
            return Err(StationError::InsideFirstSeal { from, first });
        }
        let from = from.unwrap_or(self.receipted_size());
        if from >= to {
            return Err(StationError::NothingToPack { size: self.size() });
        }
        let mut frontier = Frontier::new();
        self.store
            .entries(0, from, |_, bytes| -> Result<(), StationError> {
                frontier.push(leaf_hash(bytes));
                Ok(())
            })?;
        Ok(SegmentPlan {
            from,
            to,
            with_traces,
            frontier,
        })
    }

    /// Writes the planned segment; `progress` is told of every entry.
    ///
    /// # Errors
    /// What the writer or the store reports.
    pub fn write_segment(
        &self,
        plan: &SegmentPlan,
        out: &mut dyn Write,
        progress: &mut dyn FnMut(),
    ) -> io::Result<()> {
        let start = SegmentStart {
            key: self.key(),
            frontier: &plan.frontier,
            to: plan.to,
        };
        let heads = self.heads_to_carry().map_err(io::Error::other)?;
        let statements = self.statements_to_carry();
        let mut writer = SegmentWriter::with_heads(out, &start, statements, &heads)?;
        let mut seals = self
            .seals()
            .iter()
            .skip_while(|s| s.content().size <= plan.from)
            .peekable();
        let written = self
            .store
            .entries(plan.from, plan.to, |index, bytes| -> Result<(), Stop> {
                writer.entry(bytes)?;
                if plan.with_traces {
                    let entry = Entry::parse(bytes).map_err(io::Error::other)?;
                    if let Some(digest) = trace_of(entry.record())
                        && let Some(compressed) = self.store.trace(digest)?
                    {
                        writer.trace(&compressed)?;
                    }
                }
                if let Some(seal) = seals.next_if(|s| s.content().size == index + 1) {
                    writer.seal(seal)?;
                }
                progress();
                Ok(())
            });
        written.map_err(|Stop(e)| e)?;
        writer.finish()?;
        Ok(())
    }

    /// What a reader needs to judge the segment: its authority, this key's standing, signers.
    fn statements_to_carry(&self) -> impl Iterator<Item = &Statement> {
        let own = self.log();
        self.trust()
            .statements()
            .filter(move |s| match &s.content().body {
                StatementBody::Founded { .. }
                | StatementBody::AuthorityTrusted { .. }
                | StatementBody::Ended { .. }
                | StatementBody::Withdrawn { .. } => true,
                StatementBody::Enrolled(e) => e.role == Role::Person || LogId::of(&e.key) == own,
                StatementBody::Revoked { log, .. } => *log == own,
                StatementBody::Limits(_)
                | StatementBody::Alias { .. }
                | StatementBody::DuplicateOf { .. }
                | StatementBody::Resolved { .. }
                | StatementBody::Decided { .. }
                | StatementBody::BranchChosen { .. } => false,
            })
    }
}

fn trace_of(record: &Record) -> Option<TraceDigest> {
    Some(record.test()?.trace.as_ref()?.sha256)
}

/// Folds the store's errors into the writer's, so that one loop can meet both.
struct Stop(io::Error);

impl From<io::Error> for Stop {
    fn from(e: io::Error) -> Self {
        Self(e)
    }
}

impl From<StoreError> for Stop {
    fn from(e: StoreError) -> Self {
        Self(io::Error::other(e))
    }
}
