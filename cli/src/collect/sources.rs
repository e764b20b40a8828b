//! Reads sources: station folders under their own trust, files under the keys that a person gave.

use super::units::Collection;
use crate::context::Context;
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::key_file::NamedKey;
use crate::station::{Access, Station};
use carrylog_format::bundle::{
    BundleHeader, HistoryItem, ReturnItem, SegmentItem, peek_header, read_history, read_return,
    read_segment,
};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::record::Entry;
use carrylog_format::trust::TrustStore;
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

/// Everything that the sources hold, verified, before it is decided what counts.
pub(super) struct Gathered {
    /// Under all keys that a person or a station's folder trusts, with every statement found.
    pub(super) trust: TrustStore,
    /// Entries by name, each at its place.
    pub(super) entries: BTreeMap<EntryId, Placed>,
    /// Names of stations whose folders were read.
    pub(super) names: BTreeMap<LogId, String>,
}

/// An entry at its place.
#[derive(Debug)]
pub(super) struct Placed {
    /// The log.
    pub(super) log: LogId,
    /// Its index there.
    pub(super) index: u64,
    /// The entry.
    pub(super) entry: Entry,
}

enum Found {
    Station(PathBuf),
    File(PathBuf),
}

impl Sources {
    /// Reads all sources and decides what counts, as of `context`'s clock.
    ///
    /// # Errors
    /// [`Failure`] if a source cannot be read or is refused by its door.
    pub(crate) fn collect(&self, context: &Context) -> Result<Collection, Failure> {
        let today = context.now()?.date();
        Ok(Collection::of(self.gather()?, today))
    }

    fn gather(&self) -> Result<Gathered, Failure> {
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
            entries: BTreeMap::new(),
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
        Ok(gathered)
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
        station.for_each_entry(0, station.size(), |index, entry| {
            take(entries, log, index, entry.clone());
        })?;
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
        let (mut statements, mut entries) = (Vec::new(), Vec::new());
        match header {
            BundleHeader::Segment(h) => {
                read_segment(input, trust, &mut |item| match item {
                    SegmentItem::Statement(sign1) => statements.push(sign1.to_vec()),
                    SegmentItem::Entry { index, entry } => {
                        entries.push((h.log, index, entry.clone()));
                    }
                    _ => {}
                })
                .map_err(refused)?;
            }
            BundleHeader::UnitHistory(_) => {
                read_history(input, trust, &mut |item| match item {
                    HistoryItem::Statement(sign1) => statements.push(sign1.to_vec()),
                    HistoryItem::Entry {
                        log, index, entry, ..
                    } => entries.push((log, index, entry.clone())),
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
        for (log, index, entry) in entries {
            take(&mut self.entries, log, index, entry);
        }
        Ok(())
    }
}

/// One entry in two sources is one entry.
fn take(entries: &mut BTreeMap<EntryId, Placed>, log: LogId, index: u64, entry: Entry) {
    entries
        .entry(entry.id())
        .or_insert(Placed { log, index, entry });
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
