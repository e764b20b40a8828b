//! `carrylog pack`: seal the log and write it to the stick, read back before it is called safe.

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files::BUNDLE_ENDING;
use crate::media;
use crate::station::{Access, Station};
use crate::verification::verify_segment;
use carrylog_format::refusal::{Fault, Refusal, Rule};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Seal the log and write what the server does not have yet to a stick
///
/// The file is written under a temporary name, synced, renamed, read back from the medium and fully
/// verified. The station's log is never changed by what happens to the stick.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog pack bay2 /media/stick")]
pub(crate) struct Pack {
    /// The station's folder
    dir: PathBuf,
    /// The folder of the stick
    media: PathBuf,
    /// Pack the whole log, not only what has no receipt
    #[arg(long, conflicts_with = "from")]
    from_start: bool,
    /// Pack from this entry on, whatever has a receipt
    #[arg(long, value_name = "INDEX")]
    from: Option<u64>,
    /// Leave the time series behind; entries, results and proofs still travel
    #[arg(long)]
    without_traces: bool,
}

#[derive(Debug, Serialize)]
pub(crate) struct Packed {
    file: String,
    file_bytes: u64,
    file_sha256: String,
    log: String,
    entry_first: u64,
    entry_last: u64,
    entries: u64,
    seals: u64,
    traces: u64,
    station: String,
    /// Whether the station's own copy of the statements enrols it.
    enrolled: bool,
}

impl Pack {
    pub(crate) fn run(self, context: &Context) -> Result<Packed, Failure> {
        let mut station = Station::open(&self.dir, Access::Write)?;
        let now = context.now()?;
        // Looked at first, so that a log with nothing to carry gets no seal for nothing.
        let from = if self.from_start { Some(0) } else { self.from };
        if from.is_none() && station.receipted_size() == station.size() {
            station.plan_segment(None, true)?;
        }
        station.seal(now)?;
        let plan = station.plan_segment(from, !self.without_traces)?;
        let path = self.media.join(file_name(&station, plan.from, plan.to));
        let bar = context.progress(plan.to - plan.from, "packing");
        let written = media::write_file(&path, |out| {
            station.write_segment(&plan, out, &mut || bar.inc(1))
        })?;
        bar.finish_and_clear();
        let bar = context.progress(plan.to - plan.from, "reading back");
        let verdict = media::read_back(&path, &written, |input| {
            verify_segment(input, station.trust(), &mut || bar.inc(1))
        })?;
        bar.finish_and_clear();
        let (enrolled, seals, traces) = match verdict {
            Ok((_, verified)) => (
                true,
                verified.seals().len() as u64,
                Some(verified.traces_present()),
            ),
            Err(refusal) if only_not_enrolled(&refusal) => {
                let sealed = |s: &&carrylog_format::seal::Seal| s.content().size > plan.from;
                (
                    false,
                    station.seals().iter().filter(sealed).count() as u64,
                    None,
                )
            }
            Err(refusal) => return Err(not_ours(&path, &refusal)),
        };
        Ok(Packed {
            file: path.display().to_string(),
            file_bytes: written.bytes,
            file_sha256: written.sha256.to_string(),
            log: station.log().to_string(),
            entry_first: plan.from,
            entry_last: plan.to - 1,
            entries: plan.to - plan.from,
            seals,
            traces: traces.unwrap_or(0),
            station: station.name().to_owned(),
            enrolled,
        })
    }
}

fn file_name(station: &Station, from: u64, to: u64) -> String {
    let log: String = station.log().to_string().chars().take(8).collect();
    format!(
        "{}-{log}-{from}-{to}.{BUNDLE_ENDING}",
        media::safe_name(station.name())
    )
}

/// The last thing a reader looks at: everything else held.
fn only_not_enrolled(refusal: &Refusal) -> bool {
    refusal.fault == Fault::Trust && matches!(refusal.rule, Rule::Enrolment | Rule::EnrolmentDates)
}

/// The bytes came back as written and still do not verify: then they were wrong when written.
fn not_ours(path: &Path, refusal: &Refusal) -> Failure {
    let next =
        "do not carry this file; keep a copy of the station's folder and call the records office";
    Failure::refused(path, refusal).meaning(Exit::Refused, next)
}

impl fmt::Display for Packed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.file)?;
        writeln!(
            f,
            "  station «{}»: entries {} to {} ({}), {} bytes",
            self.station, self.entry_first, self.entry_last, self.entries, self.file_bytes
        )?;
        writeln!(
            f,
            "  read back from the medium and verified: safe to remove"
        )?;
        if !self.enrolled {
            writeln!(
                f,
                "  note: as far as this station knows it is not enrolled; the server keeps the file aside until it is"
            )?;
        }
        Ok(())
    }
}

impl Report for Packed {}
