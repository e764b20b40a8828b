//! `carrylog unit`: one unit's history, from a station's log, a file, or a server.

use crate::capture::unit_name::parse_unit;
use crate::context::Report;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::server_client::{ServerClient, token_from};
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
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use serde_json::Value;
use std::collections::BTreeMap;
use std::fmt;
use std::path::Path;

/// Show one unit's history as a station's log, a bundle file or a server holds it
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog unit bay2 FJ001/FB-44-2/000123")]
pub(crate) struct Unit {
    /// The station's folder, a bundle file, or the address of a server
    source: String,
    /// The unit, as MFR/PART/SERIAL
    #[arg(value_parser = parse_unit)]
    unit: UnitId,
    /// Public key file of an authority: then a file's entries are shown only if it verifies
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: Option<std::path::PathBuf>,
    /// Name of the environment variable that holds the server's token
    #[arg(long, value_name = "NAME")]
    token_env: Option<String>,
}

#[derive(Debug, Serialize)]
pub(crate) struct History {
    unit: String,
    unit_key: String,
    source: String,
    checked: &'static str,
    entries: Vec<Line>,
    /// The server's whole answer.
    #[serde(skip_serializing_if = "Option::is_none")]
    server_answer: Option<Value>,
}

/// One entry of the history.
#[derive(Debug, Serialize)]
struct Line {
    index: u64,
    at: String,
    summary: String,
    /// What became of it: corrected, disputed, signed off …
    remarks: Vec<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    log: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry: Option<EntryView>,
}

const WHOLE_LOG: &str = "the log was checked against its seals and receipts";
const VERIFIED: &str = "the file was verified under the authority's key";
const NOT_TRUSTED: &str =
    "the signatures hold, but who signed was not checked: give --authority to check it";
const SERVER_SAYS: &str = "the server says so; a unit history file proves it";

impl Unit {
    pub(crate) fn run(self) -> Result<History, Failure> {
        if self.source.starts_with("http://") || self.source.starts_with("https://") {
            return self.ask_server();
        }
        let path = Path::new(&self.source);
        let mut found = Found::new(self.unit.key());
        let checked = if path.is_dir() {
            let station = Station::open(path, Access::Read)?;
            let log = station.log();
            station.for_each_entry(0, station.size(), |i, entry| found.look(log, i, entry))?;
            WHOLE_LOG
        } else {
            self.read_file(path, &mut found)?
        };
        if found.entries.is_empty() {
            let message = format!("nothing is recorded there of {}", self.unit);
            let next = "check manufacturer code, part number and serial number; `carrylog log` shows everything";
            return Err(Failure::new(Exit::Input, message, next).in_file(path));
        }
        Ok(self.history(checked, found.finish(), None))
    }

    fn history(&self, checked: &'static str, entries: Vec<Line>, answer: Option<Value>) -> History {
        History {
            unit: self.unit.to_string(),
            unit_key: self.unit.key().to_string(),
            source: self.source.clone(),
            checked,
            entries,
            server_answer: answer,
        }
    }

    fn ask_server(&self) -> Result<History, Failure> {
        let client = ServerClient::new(&self.source, token_from(self.token_env.as_deref())?)?;
        let answer = client.fetch_unit(&self.unit.key())?;
        let history = answer.get("history").and_then(Value::as_array);
        let entries = history.map(|items| items.iter().map(served_line).collect());
        Ok(self.history(SERVER_SAYS, entries.unwrap_or_default(), Some(answer)))
    }

    fn read_file(&self, path: &Path, found: &mut Found) -> Result<&'static str, Failure> {
        let anchors = match &self.authority {
            Some(key) => vec![NamedKey::read_authority(key)?.key],
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
                return Err(Failure::new(Exit::Input, message, next).in_file(path));
            }
        };
        match result {
            Ok(()) => Ok(VERIFIED),
            // Enrolment is looked at last in a segment: everything before it held.
            Err(e) if e.fault == Fault::Trust && self.authority.is_none() => Ok(NOT_TRUSTED),
            Err(e) => Err(refused(e)),
        }
    }
}

/// Gathers what concerns one unit, and what supersedes what.
struct Found {
    key: UnitKey,
    entries: Vec<(EntryId, Line)>,
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
                let corrects = self.entries.iter().any(|(id, _)| *id == c.supersedes.entry);
                if corrects {
                    self.superseded.insert(c.supersedes.entry, index);
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
            let view = EntryView::of(index, entry);
            let line = Line {
                index,
                at: view.at.clone(),
                summary: view.summary.clone(),
                remarks: Vec::new(),
                log: Some(log.to_string()),
                entry: Some(view),
            };
            self.entries.push((entry.id(), line));
        }
    }

    fn finish(self) -> Vec<Line> {
        let superseded = self.superseded;
        let lines = self.entries.into_iter().map(|(id, mut line)| {
            let by = superseded
                .get(&id)
                .map(|index| format!("corrected by entry {index}"));
            line.remarks.extend(by);
            line
        });
        lines.collect()
    }
}

/// A line out of what the server answers.
fn served_line(item: &Value) -> Line {
    let text = |from: &Value, field: &str| {
        from.get(field)
            .and_then(Value::as_str)
            .unwrap_or_default()
            .to_owned()
    };
    let is = |field: &str| item.get(field).and_then(Value::as_bool).unwrap_or(false);
    let entry = item.get("entry").unwrap_or(&Value::Null);
    let mut remarks = vec![format!("station «{}»", text(item, "station"))];
    if !is("counts") {
        remarks.push(format!("does not count ({})", text(item, "status")));
    }
    let because = text(item, "superseded_because");
    if !because.is_empty() {
        remarks.push(format!("corrected: {because}"));
    }
    let signers = item.get("signed_off_by").and_then(Value::as_array);
    remarks.extend(
        signers
            .into_iter()
            .flatten()
            .filter_map(Value::as_str)
            .map(|s| format!("signed off by {s}")),
    );
    if is("receipt") {
        remarks.push("receipted".into());
    }
    Line {
        index: entry
            .get("index")
            .and_then(Value::as_u64)
            .unwrap_or_default(),
        at: text(entry, "at"),
        summary: text(entry, "summary"),
        remarks,
        log: None,
        entry: None,
    }
}

impl fmt::Display for History {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.unit)?;
        for line in &self.entries {
            write!(f, "{:>5}  {}  {}", line.index, line.at, line.summary)?;
            if line.remarks.is_empty() {
                writeln!(f)?;
            } else {
                writeln!(f, "  [{}]", line.remarks.join("; "))?;
            }
        }
        writeln!(f, "{}: {}", self.source, self.checked)
    }
}

impl Report for History {}
