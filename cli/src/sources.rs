//! Reads sources: station folders under their own trust, files under the keys that a person gave.

use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::station::{Access, Station};
use carrylog_format::bundle::{
    BundleHeader, HistoryItem, ReturnItem, SegmentItem, peek_header, read_history, read_return,
    read_segment,
};
use carrylog_format::ids::{LogId, TraceDigest};
use carrylog_format::record::Entry;
use carrylog_format::seal::Seal;
use carrylog_format::trace::{self, Trace};
use carrylog_format::tree::{Frontier, Hash};
use carrylog_format::trust::TrustStore;
use carrylog_history::history::{History, Material};
use carrylog_history::judged::Recomputation;
use carrylog_history::log::{LogMaterial, SealFact, Segment, SingleEntry};
use carrylog_history::trust_view::TrustView;
use carrylog_keys::NamedKey;
use clap::Args;
use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

/// The database that makes a folder a station's.
const STATION_DATABASE: &str = "station.db";
/// Most folders looked at inside one folder.
const MAX_FOLDERS: usize = 10_000;

/// Where records come from.
#[derive(Debug, Args)]
pub(crate) struct Sources {
    /// Station folders, bundle files, or folders that hold them
    #[arg(required = true, value_name = "SOURCE")]
    sources: Vec<PathBuf>,
    /// Public key file of an authority that you trust: files are read under it. May be given more
    /// than once; a station's folder brings its own
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: Vec<PathBuf>,
}

/// Everything that the sources hold, verified, and the traces that can be asked for.
struct Gathered {
    /// Under all keys that a person or a station's folder trusts, with every statement found.
    trust: TrustStore,
    logs: BTreeMap<LogId, LogMaterial>,
    entries: BTreeMap<(LogId, u64, Hash), Entry>,
    /// Compressed traces out of files.
    traces: BTreeMap<TraceDigest, Vec<u8>>,
    /// Names of stations whose folders were read.
    names: BTreeMap<LogId, String>,
}

enum Found {
    Station(PathBuf),
    File(PathBuf),
}

impl Sources {
    /// Reads all sources; what counts and what it means is decided in `carrylog-history`.
    ///
    /// # Errors
    /// [`Failure`] if a source cannot be read or is refused by its door.
    pub(crate) fn history(&self) -> Result<History, Failure> {
        let (stations, gathered) = self.gather()?;
        gathered.history(&stations)
    }

    fn gather(&self) -> Result<(Vec<Station>, Gathered), Failure> {
        let (mut stations, mut files) = (Vec::new(), Vec::new());
        for path in &self.sources {
            for found in look(path)? {
                match found {
                    Found::Station(dir) => stations.push(Station::open(&dir, Access::Read)?),
                    Found::File(file) => files.push(file),
                }
            }
        }
        let mut keys = Vec::new();
        for path in &self.authority {
            keys.push(NamedKey::read_authority(path)?.key);
        }
        if keys.is_empty()
            && let Some(file) = files.first()
        {
            let message = "a file counts only under the key of an authority that you trust";
            let next = "give its public key: --authority AUTHORITY.pub.json";
            return Err(Failure::new(Exit::Usage, message, next).in_file(file));
        }
        let theirs = stations
            .iter()
            .flat_map(|s| s.trust().anchors().map(|(_, key)| *key));
        let mut gathered = Gathered {
            trust: TrustStore::new(keys.iter().copied().chain(theirs)),
            logs: BTreeMap::new(),
            entries: BTreeMap::new(),
            traces: BTreeMap::new(),
            names: BTreeMap::new(),
        };
        for station in &stations {
            gathered.take_station(station)?;
        }
        // Returns first: they bring the enrolments that a segment may lack.
        let mut headed = Vec::new();
        for file in files {
            let header =
                peek_header(files::open(&file)?).map_err(|e| Failure::refused(&file, &e))?;
            headed.push((!matches!(header, BundleHeader::Return(_)), header, file));
        }
        headed.sort_by_key(|(later, _, _)| *later);
        let mut trust = TrustStore::new(keys);
        for (_, header, file) in headed {
            gathered.take_file(&header, &file, &mut trust)?;
        }
        Ok((stations, gathered))
    }
}

impl Gathered {
    fn take_station(&mut self, station: &Station) -> Result<(), Failure> {
        for statement in station.trust().statements() {
            // The station's folder has verified it; under its own keys it cannot fail.
            let _ = self.trust.add(statement.sign1());
        }
        let log = station.log();
        self.names.insert(log, station.name().to_owned());
        let entries = &mut self.entries;
        let mut leaves = Vec::new();
        station.for_each_entry(0, station.size(), |index, entry| {
            let leaf = *entry.id().hash();
            leaves.push(leaf);
            entries.insert((log, index, leaf), entry.clone());
        })?;
        let known = self.logs.entry(log).or_default();
        known.at_home = true;
        known.seals.extend(station.seals().iter().map(seal_fact));
        known.segments.push(Segment {
            before: Frontier::new(),
            leaves,
        });
        Ok(())
    }

    /// Takes over what a file holds once its door has let all of it through.
    fn take_file(
        &mut self,
        header: &BundleHeader,
        path: &Path,
        trust: &mut TrustStore,
    ) -> Result<(), Failure> {
        let input = files::open(path)?;
        let refused = |e| Failure::refused(path, &e);
        let (mut statements, mut entries, mut traces) = (Vec::new(), Vec::new(), Vec::new());
        let (mut leaves, mut seals, mut singles) = (Vec::new(), BTreeMap::new(), Vec::new());
        match header {
            BundleHeader::Segment(h) => {
                let verified = read_segment(input, trust, &mut |item| match item {
                    SegmentItem::Statement(sign1) => statements.push(sign1.to_vec()),
                    SegmentItem::Entry { index, entry } => {
                        leaves.push(*entry.id().hash());
                        entries.push((h.log, index, entry.clone()));
                    }
                    SegmentItem::Trace { digest, compressed } => {
                        traces.push((digest, compressed.to_vec()));
                    }
                    _ => {}
                })
                .map_err(refused)?;
                let known = self.logs.entry(h.log).or_default();
                known.seals.extend(verified.seals().iter().map(seal_fact));
                known.segments.push(Segment {
                    before: verified.before().clone(),
                    leaves,
                });
            }
            BundleHeader::UnitHistory(_) => {
                read_history(input, trust, &mut |item| match item {
                    HistoryItem::Statement(sign1) => statements.push(sign1.to_vec()),
                    HistoryItem::Seal(seal) => {
                        seals.insert(seal.digest(), seal_fact(seal));
                    }
                    HistoryItem::Entry {
                        log,
                        index,
                        entry,
                        seal,
                        ..
                    } => {
                        singles.push((log, index, *entry.id().hash(), seal));
                        entries.push((log, index, entry.clone()));
                    }
                    HistoryItem::Trace { digest, compressed } => {
                        traces.push((digest, compressed.to_vec()));
                    }
                    _ => {}
                })
                .map_err(refused)?;
            }
            // Every other kind has a door of its own that says so if it is not what it claims.
            _ => {
                read_return(input, trust, &mut |item| {
                    if let ReturnItem::Statement(sign1) = item {
                        statements.push(sign1.to_vec());
                    }
                })
                .map_err(refused)?;
            }
        }
        for sign1 in statements {
            // Verified by the door under the same keys.
            let _ = trust.add(&sign1);
            let _ = self.trust.add(&sign1);
        }
        for (log, index, leaf, seal) in singles {
            // The door has led every entry to a seal of the same file.
            if let Some(seal) = seals.get(&seal) {
                let known = self.logs.entry(log).or_default();
                known.singles.push(SingleEntry {
                    index,
                    leaf,
                    seal_size: seal.size,
                    seal_root: seal.root,
                    seal_at: seal.at,
                });
            }
        }
        let entries = entries.into_iter();
        self.entries
            .extend(entries.map(|(log, index, entry)| ((log, index, *entry.id().hash()), entry)));
        self.traces.extend(traces);
        Ok(())
    }

    fn history(self, stations: &[Station]) -> Result<History, Failure> {
        let material = Material {
            trust: TrustView::of(self.trust).with_own_names(self.names),
            logs: self.logs,
            entries: self.entries,
        };
        let traces = self.traces;
        let mut failed = None;
        let mut recompute = |asked: &Recomputation<'_>| {
            let found = find_trace(&traces, stations, asked.trace);
            let found = found.unwrap_or_else(|failure| {
                failed = Some(failure);
                None
            });
            found.map(|trace| asked.run(&trace))
        };
        let history = History::of(material, &mut recompute);
        match failed {
            Some(failure) => Err(failure),
            None => Ok(history),
        }
    }
}

fn find_trace(
    traces: &BTreeMap<TraceDigest, Vec<u8>>,
    stations: &[Station],
    digest: TraceDigest,
) -> Result<Option<Trace>, Failure> {
    let mut found = traces.get(&digest).cloned();
    for station in stations {
        if found.is_none() {
            found = station.trace(digest)?;
        }
    }
    let Some(compressed) = found else {
        return Ok(None);
    };
    let broken = |e: trace::TraceError| {
        let next = "read the log from its stick or from the server";
        Failure::new(Exit::Refused, format!("trace {digest}: {e}"), next)
    };
    let canonical = trace::decompress(&compressed, trace::MAX_CANONICAL_LEN).map_err(broken)?;
    Trace::from_canonical(&canonical).map(Some).map_err(broken)
}

fn seal_fact(seal: &Seal) -> SealFact {
    let content = seal.content();
    SealFact {
        seq: content.seq,
        size: content.size,
        root: content.root,
        at: content.at_ms,
    }
}

/// What a path stands for: a station, a file, or the stations and bundles right inside a folder.
fn look(path: &Path) -> Result<Vec<Found>, Failure> {
    let meta = fs::metadata(path).map_err(|e| Failure::unreadable(path, &e))?;
    if !meta.is_dir() {
        return Ok(vec![Found::File(path.to_owned())]);
    }
    if path.join(STATION_DATABASE).is_file() {
        return Ok(vec![Found::Station(path.to_owned())]);
    }
    let mut folders = Vec::new();
    let inside = fs::read_dir(path).map_err(|e| Failure::unreadable(path, &e))?;
    for entry in inside.take(MAX_FOLDERS) {
        let entry = entry.map_err(|e| Failure::unreadable(path, &e))?;
        if entry.path().join(STATION_DATABASE).is_file() {
            folders.push(entry.path());
        }
    }
    folders.sort();
    let mut found: Vec<Found> = folders.into_iter().map(Found::Station).collect();
    match files::bundles(path) {
        Ok(bundles) => found.extend(bundles.into_iter().map(Found::File)),
        // A folder of stations needs no bundle beside them.
        Err(_) if !found.is_empty() => {}
        Err(nothing) => return Err(nothing),
    }
    Ok(found)
}
