//! `carrylog log`: the entries of a station's log or of a file.

use crate::context::Report;
use crate::failure::Failure;
use crate::files;
use crate::station::{Access, Station};
use carrylog_format::bundle::{
    BundleHeader, HistoryItem, SegmentItem, peek_header, read_history, read_segment,
};
use carrylog_format::refusal::{Fault, Refusal};
use carrylog_format::trust::TrustStore;
use carrylog_format::view::EntryView;
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Show the entries of a station's log, or of a bundle file
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog log bay2 --from 10")]
pub(crate) struct Log {
    /// The station's folder, or a bundle file
    source: PathBuf,
    /// First entry to show
    #[arg(long, value_name = "INDEX", default_value_t = 0)]
    from: u64,
    /// Most entries to show
    #[arg(long, value_name = "N", default_value_t = 1000)]
    limit: usize,
    /// Public key file of an authority: then a file's entries are shown only if it verifies
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: Option<PathBuf>,
}

#[derive(Debug, Serialize)]
pub(crate) struct Entries {
    source: String,
    checked: &'static str,
    more: u64,
    entries: Vec<EntryView>,
}

const WHOLE_LOG: &str = "the log was checked against its seals and receipts";
const VERIFIED: &str = "the file was verified under the authority's key";
const NOT_TRUSTED: &str =
    "the signatures hold, but who signed was not checked: give --authority to check it";

impl Log {
    pub(crate) fn run(self) -> Result<Entries, Failure> {
        if self.source.is_dir() {
            self.of_station()
        } else {
            self.of_file(&self.source)
        }
    }

    fn of_station(&self) -> Result<Entries, Failure> {
        let station = Station::open(&self.source, Access::Read)?;
        let to = station
            .size()
            .min(self.from.saturating_add(self.limit as u64));
        let mut entries = Vec::new();
        station.for_each_entry(self.from, to, |index, entry| {
            entries.push(EntryView::of(index, entry));
        })?;
        let more = station.size().saturating_sub(to.max(self.from));
        Ok(Entries {
            source: self.source.display().to_string(),
            checked: WHOLE_LOG,
            more,
            entries,
        })
    }

    fn of_file(&self, path: &Path) -> Result<Entries, Failure> {
        let anchors = match &self.authority {
            Some(key) => vec![NamedKey::read_authority(key)?.key],
            None => Vec::new(),
        };
        let trust = TrustStore::new(anchors);
        let header = peek_header(files::open(path)?).map_err(|e| Failure::refused(path, &e))?;
        let (mut entries, mut more) = (Vec::new(), 0);
        let mut take = |index: u64, entry: &carrylog_format::record::Entry| {
            if index < self.from {
                return;
            }
            if entries.len() < self.limit {
                entries.push(EntryView::of(index, entry));
            } else {
                more += 1;
            }
        };
        let input = files::open(path)?;
        let result: Result<(), Refusal> = match header {
            BundleHeader::UnitHistory(_) => read_history(input, &trust, &mut |item| {
                if let HistoryItem::Entry { index, entry, .. } = item {
                    take(index, entry);
                }
            })
            .map(|_| ()),
            // The door of segments says of the other kinds that they are none.
            BundleHeader::Segment(_) | BundleHeader::Return(_) | BundleHeader::Encrypted(_) => {
                read_segment(input, &trust, &mut |item| {
                    if let SegmentItem::Entry { index, entry } = item {
                        take(index, entry);
                    }
                })
                .map(|_| ())
            }
        };
        let checked = match result {
            Ok(()) => VERIFIED,
            // Enrolment is looked at last: everything before it held.
            Err(e) if e.fault == Fault::Trust && self.authority.is_none() => NOT_TRUSTED,
            Err(e) => return Err(Failure::refused(path, &e)),
        };
        Ok(Entries {
            source: path.display().to_string(),
            checked,
            more,
            entries,
        })
    }
}

impl fmt::Display for Entries {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for e in &self.entries {
            writeln!(f, "{:>5}  {}  {:<18}  {}", e.index, e.at, e.by, e.summary)?;
            if let Some(note) = &e.note {
                writeln!(f, "       remark: {}", carrylog_format::text::shown(note))?;
            }
        }
        if self.more > 0 {
            writeln!(f, "{} more entries: use --from or --limit", self.more)?;
        }
        writeln!(f, "{}: {}", self.source, self.checked)
    }
}

impl Report for Entries {}
