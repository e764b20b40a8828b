//! `carrylog settle`: take in what came back, and free the memory that is safe to free.

use crate::commands::authority::statement_words;
use crate::context::{Context, Report, Stamp};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::station::{Access, Settled, Station, StationError, TakenHead};
use carrylog_format::bundle::{BundleHeader, peek_header};
use carrylog_format::fleet_log::Fit;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Take in receipts and statements that came back, and free the memory slots they cover
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog settle bay2 /media/stick --by \"Ada Invented\"")]
pub(crate) struct Settle {
    /// The station's folder
    dir: PathBuf,
    /// The return file, or the folder that holds it
    from: PathBuf,
    #[command(flatten)]
    stamp: Stamp,
}

#[derive(Debug, Serialize)]
pub(crate) struct SettledFiles {
    files: Vec<SettledFile>,
    /// Files of the folder that are for another station or of another kind.
    files_skipped: usize,
    entries: u64,
    entries_receipted: u64,
    slots_free: usize,
    slots: usize,
}

#[derive(Debug, Serialize)]
struct SettledFile {
    file: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    fleet_log: Option<HeadView>,
    receipts_new: Vec<ReceiptView>,
    receipts_known: u64,
    statements_new: Vec<String>,
    statements_known: u64,
    statements_ignored: u64,
    slots_freed: Vec<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_index: Option<u64>,
}

#[derive(Debug, Serialize)]
struct HeadView {
    server: String,
    leaves: u64,
    /// How it fits what this station has seen before, in words.
    found: String,
}

impl HeadView {
    fn of(taken: &TakenHead) -> Self {
        let found = match taken.fit {
            Fit::First => "first head of this server".to_owned(),
            Fit::Same => "the same log as before".to_owned(),
            Fit::Grew { from } => format!("its first {from} leaves are unchanged"),
            Fit::Older => "older return: nothing new".to_owned(),
            Fit::Unproven { kept } => format!("no proof from size {kept}"),
        };
        Self {
            server: taken.server.clone(),
            leaves: taken.size,
            found,
        }
    }
}

#[derive(Debug, Serialize)]
struct ReceiptView {
    server: String,
    issued: String,
    entries_covered: u64,
    fleet_log_index: u64,
}

impl Settle {
    pub(crate) fn run(self, context: &Context) -> Result<SettledFiles, Failure> {
        settle_files(&self.dir, &self.from, &self.stamp, context)
    }
}

/// Settles a file, or every return file in a folder that is for this station.
pub(crate) fn settle_files(
    dir: &Path,
    from: &Path,
    stamp: &Stamp,
    context: &Context,
) -> Result<SettledFiles, Failure> {
    let head = context.head(stamp)?;
    let mut station = Station::open(dir, Access::Write)?;
    let is_folder = from.is_dir();
    let (mut settled, mut files_skipped) = (Vec::new(), 0);
    for path in files::bundles(from)? {
        if is_folder && !concerns(&path, &station) {
            files_skipped += 1;
            continue;
        }
        let mut head = head.clone();
        head.clock = station.clock_quality(head.at, head.clock);
        let result = station
            .settle(files::open(&path)?, head)
            .map_err(|e| match e {
                StationError::Refused(refusal) => Failure::refused(&path, &refusal),
                other => Failure::from(other).in_file(&path),
            })?;
        settled.push(SettledFile::of(&path, &result));
    }
    if settled.is_empty() {
        let message = "no file there is a return for this station";
        let next = "deliver the segment first; the server's answer lies beside it afterwards";
        return Err(Failure::new(Exit::Input, message, next).in_file(from));
    }
    let slots = station.slots()?;
    Ok(SettledFiles {
        files: settled,
        files_skipped,
        entries: station.size(),
        entries_receipted: station.receipted_size(),
        slots_free: slots.iter().filter(|s| s.entry.is_none()).count(),
        slots: slots.len(),
    })
}

/// Whether a file claims to be a return for this station or for everybody.
fn concerns(path: &Path, station: &Station) -> bool {
    let header = files::open(path)
        .ok()
        .and_then(|input| peek_header(input).ok());
    match header {
        Some(BundleHeader::Return(h)) => h.log.is_none_or(|log| log == station.log()),
        Some(
            BundleHeader::Segment(_) | BundleHeader::UnitHistory(_) | BundleHeader::Encrypted(_),
        )
        | None => false,
    }
}

impl SettledFile {
    fn of(path: &Path, settled: &Settled) -> Self {
        Self {
            file: path.display().to_string(),
            fleet_log: settled.head.as_ref().map(HeadView::of),
            receipts_new: settled
                .receipts
                .iter()
                .map(|r| ReceiptView {
                    server: r.server_name().to_owned(),
                    issued: r.issued_at().to_string(),
                    entries_covered: r.seal().size,
                    fleet_log_index: r.fleet_index(),
                })
                .collect(),
            receipts_known: settled.known_receipts,
            statements_new: settled.adopted.new.iter().map(statement_words).collect(),
            statements_known: settled.adopted.known,
            statements_ignored: settled.adopted.ignored,
            slots_freed: settled.freed.clone(),
            entry_index: settled.entry,
        }
    }
}

impl fmt::Display for SettledFiles {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for file in &self.files {
            writeln!(f, "{}: verified", file.file)?;
            if let Some(head) = &file.fleet_log {
                writeln!(
                    f,
                    "  fleet log of «{}» at {} leaves: {}",
                    head.server, head.leaves, head.found
                )?;
            }
            for r in &file.receipts_new {
                writeln!(
                    f,
                    "  receipt by «{}» of {} for entries 0 to {}",
                    r.server,
                    r.issued,
                    r.entries_covered.saturating_sub(1)
                )?;
            }
            for statement in &file.statements_new {
                writeln!(f, "  new: {statement}")?;
            }
            if file.statements_ignored > 0 {
                writeln!(
                    f,
                    "  {} statements of authorities that this station does not trust were left out",
                    file.statements_ignored
                )?;
            }
            if file.receipts_new.is_empty() && file.statements_new.is_empty() {
                writeln!(f, "  nothing new in it")?;
            }
            if !file.slots_freed.is_empty() {
                let list: Vec<String> = file.slots_freed.iter().map(u16::to_string).collect();
                writeln!(f, "  memory slots freed: {}", list.join(", "))?;
            }
        }
        writeln!(
            f,
            "{} of {} entries receipted, {} of {} memory slots free",
            self.entries_receipted, self.entries, self.slots_free, self.slots
        )
    }
}

impl Report for SettledFiles {}
