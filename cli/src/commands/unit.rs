//! `carrylog unit`: one unit's history, from a station's log, a file, or a server.

use crate::capture::unit_name::parse_unit;
use crate::context::Report;
use crate::failure::Failure;
use crate::files;
use crate::key_file::NamedKey;
use crate::station::{Access, Station};
use carrylog_format::bundle::{
    BundleHeader, HistoryItem, SegmentItem, peek_header, read_history, read_segment,
};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::record::{Entry, Record, Replacement};
use carrylog_format::refusal::Fault;
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::{UnitId, UnitKey};
use carrylog_format::view::EntryView;
use clap::Args;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;
use std::path::{Path, PathBuf};

/// Show one unit's history as a station's log or a bundle file holds it
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog unit bay2 FJ001/FB-44-2/000123")]
pub(crate) struct Unit {
    /// The station's folder, or a bundle file
    source: PathBuf,
    /// The unit, as MFR/PART/SERIAL
    #[arg(value_parser = parse_unit)]
    unit: UnitId,
    /// Public key file of an authority: then a file's entries are shown only if it verifies
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: Option<PathBuf>,
}

#[derive(Debug, Serialize)]
pub(crate) struct History {
    unit: String,
    unit_key: String,
    source: String,
    checked: &'static str,
    entries: Vec<HistoryEntry>,
}

#[derive(Debug, Serialize)]
struct HistoryEntry {
    log: String,
    #[serde(flatten)]
    entry: EntryView,
    /// Index of the correction that takes its place.
    #[serde(skip_serializing_if = "Option::is_none")]
    superseded_by_index: Option<u64>,
}

impl Unit {
    pub(crate) fn run(self) -> Result<History, Failure> {
        let mut found = Found::new(self.unit.key());
        let checked = if self.source.is_dir() {
            let station = Station::open(&self.source, Access::Read)?;
            let log = station.log();
            station.for_each_entry(0, station.size(), |index, entry| {
                found.look(log, index, entry)
            })?;
            "the log was checked against its seals and receipts"
        } else {
            self.read_file(&self.source, &mut found)?
        };
        if found.entries.is_empty() {
            let message = format!("nothing is recorded there of {}", self.unit);
            let next = "check manufacturer code, part number and serial number; `carrylog log` shows everything";
            return Err(Failure::new(crate::exit::Exit::Input, message, next).in_file(&self.source));
        }
        Ok(History {
            unit: self.unit.to_string(),
            unit_key: self.unit.key().to_string(),
            source: self.source.display().to_string(),
            checked,
            entries: found.finish(),
        })
    }

    fn read_file(&self, path: &Path, found: &mut Found) -> Result<&'static str, Failure> {
        let anchors = match &self.authority {
            Some(key) => vec![NamedKey::read(key)?.key],
            None => Vec::new(),
        };
        let trust = TrustStore::new(anchors);
        let refused = |e| Failure::refused(path, &e);
        let header = peek_header(files::open(path)?).map_err(refused)?;
        let input = files::open(path)?;
        let result = match header {
            BundleHeader::UnitHistory(_) => read_history(input, &trust, &mut |item| {
                if let HistoryItem::Entry {
                    log, index, entry, ..
                } = item
                {
                    found.look(log, index, entry);
                }
            })
            .map(|_| ()),
            BundleHeader::Segment(h) => read_segment(input, &trust, &mut |item| {
                if let SegmentItem::Entry { index, entry } = item {
                    found.look(h.log, index, entry);
                }
            })
            .map(|_| ()),
            _ => {
                let message = "the file holds no entries of units";
                let next = "give a log segment or a unit history";
                return Err(Failure::new(crate::exit::Exit::Input, message, next).in_file(path));
            }
        };
        match result {
            Ok(()) => Ok("the file was verified under the authority's key"),
            // Enrolment is looked at last in a segment: everything before it held.
            Err(e) if e.fault == Fault::Trust && self.authority.is_none() => Ok(
                "the signatures hold, but who signed was not checked: give --authority to check it",
            ),
            Err(e) => Err(refused(e)),
        }
    }
}

/// Gathers what concerns one unit, and what supersedes what.
struct Found {
    key: UnitKey,
    entries: Vec<(EntryId, HistoryEntry)>,
    superseded: BTreeMap<EntryId, u64>,
}

impl Found {
    fn new(key: UnitKey) -> Self {
        Self {
            key,
            entries: Vec::new(),
            superseded: BTreeMap::new(),
        }
    }

    fn look(&mut self, log: LogId, index: u64, entry: &Entry) {
        let concerns = match entry.record() {
            Record::Test(t) => t.unit.key() == self.key,
            Record::UnitEvent(e) => e.unit.key() == self.key,
            Record::Correction(c) => {
                let corrects = self.entries.iter().any(|(id, _)| *id == c.supersedes);
                if corrects {
                    self.superseded.insert(c.supersedes, index);
                }
                // A correction may move an entry to this unit, or away from it.
                corrects
                    || match &c.replacement {
                        Replacement::Test(t) => t.unit.key() == self.key,
                        Replacement::UnitEvent(e) => e.unit.key() == self.key,
                        Replacement::Withdrawn => false,
                    }
            }
            _ => false,
        };
        if concerns {
            let shown = HistoryEntry {
                log: log.to_string(),
                entry: EntryView::of(index, entry),
                superseded_by_index: None,
            };
            self.entries.push((entry.id(), shown));
        }
    }

    fn finish(self) -> Vec<HistoryEntry> {
        let superseded = self.superseded;
        self.entries
            .into_iter()
            .map(|(id, mut entry)| {
                entry.superseded_by_index = superseded.get(&id).copied();
                entry
            })
            .collect()
    }
}

impl fmt::Display for History {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.unit)?;
        for h in &self.entries {
            write!(
                f,
                "{:>5}  {}  {}",
                h.entry.index, h.entry.at, h.entry.summary
            )?;
            match h.superseded_by_index {
                Some(index) => writeln!(f, "  [corrected by entry {index}]")?,
                None => writeln!(f)?,
            }
        }
        writeln!(f, "{}: {}", self.source, self.checked)
    }
}

impl Report for History {}
