//! `carrylog correct`: new content for an earlier entry, which stays visible.

use crate::capture::event::parse_event;
use crate::capture::json::parse_test;
use crate::commands::written::Written;
use crate::context::{Context, Stamp};
use crate::evaluate::{Evaluation, read_trace};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::station::{Access, PackedTrace, Station};
use carrylog_format::instant::Instant;
use carrylog_format::record::{Correction, EntryRef, Record, Replacement, TestRecord};
use carrylog_format::text::Remark;
use carrylog_format::trace;
use clap::Args;
use std::path::{Path, PathBuf};

/// Correct an earlier entry; the old one stays visible for ever
///
/// The new content is a whole form of the same kind: a test (see `carrylog capture --help`) or an
/// event (the options of `carrylog event` as JSON fields, with "event"). A test keeps the trace of the
/// entry it corrects unless another is given.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog correct bay2 12 --reason \"serial number misread\" --with test.json --by \"Ada Invented\""
)]
pub(crate) struct Correct {
    /// The station's folder
    dir: PathBuf,
    /// The entry, by index or hash
    entry: String,
    /// Why
    #[arg(long, value_name = "TEXT")]
    reason: Remark,
    /// The new content as a form (JSON)
    #[arg(
        long = "with",
        value_name = "FORM.json",
        required_unless_present = "withdraw"
    )]
    content: Option<PathBuf>,
    /// The entry was made in error; nothing takes its place
    #[arg(long, conflicts_with = "content")]
    withdraw: bool,
    /// Another trace for a corrected test (CSV)
    #[arg(long, value_name = "TABLE.csv", requires = "content")]
    trace: Option<PathBuf>,
    /// How to read a table that does not have the columns of the Battery Data Format
    #[arg(long, value_name = "MAP.json", requires = "trace")]
    map: Option<PathBuf>,
    #[command(flatten)]
    stamp: Stamp,
}

impl Correct {
    pub(crate) fn run(&self, context: &Context) -> Result<Written, Failure> {
        let mut head = context.head(&self.stamp)?;
        let mut station = Station::open(&self.dir, Access::Write)?;
        let index = station.find(&self.entry)?;
        let old = station.entry(index)?;
        let (replacement, packed) = match &self.content {
            None => (Replacement::Withdrawn, None),
            Some(path) => self.replacement(&station, old.record(), path, head.at)?,
        };
        head.clock = station.clock_quality(head.at, head.clock);
        let record = Record::Correction(Correction {
            reason: self.reason.clone(),
            supersedes: EntryRef {
                log: station.log(),
                entry: old.id(),
                index,
            },
            replacement,
        });
        let summary = carrylog_format::view::summary(&record);
        let appended = station.append(head, record, packed.as_ref())?;
        Ok(Written::of(appended, summary))
    }

    fn replacement(
        &self,
        station: &Station,
        old: &Record,
        path: &Path,
        now: Instant,
    ) -> Result<(Replacement, Option<PackedTrace>), Failure> {
        let bytes = files::read_form(path)?;
        match corrected(old) {
            Some(Corrected::Test(old)) => {
                let form = parse_test(&bytes).map_err(|e| Failure::form(path, &e))?;
                let mut test = form.record;
                let packed = self.enter_trace(station, old, &mut test)?;
                Ok((Replacement::Test(Box::new(test)), packed))
            }
            Some(Corrected::Event) => {
                let event = parse_event(&bytes, now).map_err(|e| Failure::form(path, &e))?;
                Ok((Replacement::UnitEvent(Box::new(event)), None))
            }
            None => {
                let message = format!("an entry of kind {} cannot be corrected", old.kind());
                let next = "tests and unit events can; record a new entry instead";
                Err(Failure::new(Exit::Input, message, next))
            }
        }
    }

    /// Computes and assesses again: from the new trace, or from the one the old entry names.
    fn enter_trace(
        &self,
        station: &Station,
        old: &TestRecord,
        test: &mut TestRecord,
    ) -> Result<Option<PackedTrace>, Failure> {
        let unusable = |e: trace::TraceError| {
            Failure::new(
                Exit::Input,
                e.to_string(),
                "give the trace again with --trace",
            )
        };
        let (parsed, packed) = match (&self.trace, &old.trace) {
            (Some(path), _) => {
                let parsed = read_trace(path, self.map.as_deref())?;
                let packed = PackedTrace::of(&parsed).map_err(unusable)?;
                test.trace = Some(packed.reference.clone());
                (Some(parsed), Some(packed))
            }
            (None, Some(reference)) => {
                test.trace = Some(reference.clone());
                let kept = station.trace(reference.sha256)?;
                let parsed = match kept {
                    Some(compressed) => {
                        let bytes = trace::decompress(&compressed, trace::MAX_CANONICAL_LEN)
                            .map_err(unusable)?;
                        Some(trace::Trace::from_canonical(&bytes).map_err(unusable)?)
                    }
                    None => None,
                };
                (parsed, None)
            }
            (None, None) => (None, None),
        };
        Evaluation::at_station(station, test, parsed.as_ref(), false)?.enter(test);
        Ok(packed)
    }
}

enum Corrected<'a> {
    Test(&'a TestRecord),
    Event,
}

/// What an entry states of a unit, in itself or as an earlier correction.
fn corrected(record: &Record) -> Option<Corrected<'_>> {
    match record {
        Record::Test(test) => Some(Corrected::Test(test)),
        Record::UnitEvent(_) => Some(Corrected::Event),
        Record::Correction(c) => match &c.replacement {
            Replacement::Test(test) => Some(Corrected::Test(test)),
            Replacement::UnitEvent(_) => Some(Corrected::Event),
            Replacement::Withdrawn => None,
        },
        Record::StationEvent(_) | Record::SignOff(_) | Record::Unknown { .. } => None,
    }
}
