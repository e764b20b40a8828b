//! `carrylog salvage`: heal a damaged file, or save from it what can still be proven.

use super::verify::{Check, FileVerdict};
use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files::{self, BUNDLE_ENDING};
use crate::media;
use carrylog_format::cose::PublicKey;
use carrylog_format::salvage::{Healed, Healing, NotHealed, Salvaged, SavedEntry, SavedKind, save};
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Heal a damaged file from its recovery data, or save what can still be proven
///
/// A healed file has every byte that the original had. Beyond that the sound part is written as a
/// bundle of its own, and entries are listed as proven, unproven or lost. The damaged file is never
/// changed. Ends with 0 if the file was healed or is whole, with 4 if something stays lost.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog salvage bay-2-3f2a91c0-0-14.carrylog --authority authority.pub.json --out saved"
)]
pub(crate) struct Salvage {
    /// The damaged file
    file: PathBuf,
    /// Public key file of an authority that you trust; may be given more than once
    #[arg(long, value_name = "AUTHORITY.pub.json", required = true)]
    authority: Vec<PathBuf>,
    /// The folder to write to; give one on a sound disk
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// The station's public key file, if the header that names it is lost
    #[arg(long, value_name = "STATION.pub.json")]
    station: Option<PathBuf>,
}

#[derive(Debug, Serialize)]
#[serde(tag = "outcome", rename_all = "snake_case")]
pub(crate) enum Outcome {
    Healed(Box<HealedFile>),
    Saved(Box<SavedPart>),
}

#[derive(Debug, Serialize)]
pub(crate) struct HealedFile {
    file: String,
    blocks: u64,
    block_bytes: u64,
    blocks_restored: u64,
    recovery_elements: u64,
    recovery_elements_restored: u64,
    written: FileVerdict,
}

#[derive(Debug, Serialize)]
pub(crate) struct SavedPart {
    file: String,
    file_kind: &'static str,
    /// Why it was not healed.
    not_healed: String,
    proven: Vec<EntryView>,
    unproven: Vec<EntryView>,
    /// First and last index of every lost run of entries.
    lost: Vec<[u64; 2]>,
    /// First and last byte of every damaged stretch.
    damaged_bytes: Vec<[u64; 2]>,
    seals: usize,
    receipts: usize,
    statements: u64,
    /// Whether a trusted authority enrolled the key of a segment.
    #[serde(skip_serializing_if = "Option::is_none")]
    enrolled: Option<bool>,
    whole_file_searched: bool,
    /// The sound part, as a bundle of its own.
    #[serde(skip_serializing_if = "Option::is_none")]
    written: Option<FileVerdict>,
}

#[derive(Debug, Serialize)]
struct EntryView {
    #[serde(skip_serializing_if = "Option::is_none")]
    log: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    index: Option<u64>,
    entry_id: String,
    byte_offset: u64,
}

impl Salvage {
    pub(crate) fn run(self, context: &Context) -> Result<Outcome, Failure> {
        let check = Check::under(&self.authority)?;
        let station = match &self.station {
            Some(path) => Some(NamedKey::read(path)?.key),
            None => None,
        };
        let mut input = files::open(&self.file)?;
        let not_healed = match Healing::find(&mut input) {
            Ok(mut healing) => return self.write_healed(&mut healing, &check, context),
            Err(NotHealed::Io(e)) => return Err(Failure::unreadable(&self.file, &e)),
            Err(why) => why.to_string(),
        };
        self.save(not_healed, station.as_ref(), &check, context)
    }

    fn write_healed<R: io::Read + io::Seek>(
        &self,
        healing: &mut Healing<'_, R>,
        check: &Check,
        context: &Context,
    ) -> Result<Outcome, Failure> {
        let path = self.free_name("healed")?;
        let report = healing.report();
        let written = media::write_file(&path, |mut out| healing.write_to(&mut out).map(|_| ()))?;
        media::read_back(&path, &written, |_| ())?;
        let Healed {
            shards,
            shard_bytes,
            shards_restored,
            elements,
            elements_restored,
            ..
        } = report;
        Ok(Outcome::Healed(Box::new(HealedFile {
            file: self.file.display().to_string(),
            blocks: shards,
            block_bytes: shard_bytes,
            blocks_restored: shards_restored,
            recovery_elements: elements,
            recovery_elements_restored: elements_restored,
            written: check.verdict(&path, context)?,
        })))
    }

    fn save(
        &self,
        not_healed: String,
        station: Option<&PublicKey>,
        check: &Check,
        context: &Context,
    ) -> Result<Outcome, Failure> {
        let mut input = files::open(&self.file)?;
        let unreadable = |e: io::Error| Failure::unreadable(&self.file, &e);
        let saved = save(&mut input, check.trust(), station).map_err(unreadable)?;
        // Written to nowhere first: a file that would hold nothing is not made.
        let has_sound_part = saved
            .write_sound_part(&mut input, io::sink())
            .map_err(unreadable)?;
        let written = if has_sound_part {
            let path = self.free_name("sound")?;
            let written = media::write_file(&path, |out| {
                saved.write_sound_part(&mut input, out).map(|_| ())
            })?;
            media::read_back(&path, &written, |_| ())?;
            Some(check.verdict(&path, context)?)
        } else {
            None
        };
        let part = SavedPart::of(&self.file, not_healed, &saved, written);
        Ok(Outcome::Saved(Box::new(part)))
    }

    fn free_name(&self, what: &str) -> Result<PathBuf, Failure> {
        let mut name = self.file.file_stem().unwrap_or_default().to_owned();
        name.push(format!("-{what}.{BUNDLE_ENDING}"));
        let path = self.out.join(name);
        if path.exists() {
            let next = "give another folder, or remove the file that is there";
            return Err(Failure::new(Exit::Input, "the file is there already", next).in_file(&path));
        }
        Ok(path)
    }
}

impl SavedPart {
    fn of(path: &Path, not_healed: String, saved: &Salvaged, written: Option<FileVerdict>) -> Self {
        let last = |range: &std::ops::Range<u64>| [range.start, range.end.saturating_sub(1)];
        Self {
            file: path.display().to_string(),
            file_kind: match saved.kind() {
                SavedKind::Segment => "segment",
                SavedKind::UnitHistory => "unit_history",
                SavedKind::Return => "return",
                SavedKind::Encrypted => "encrypted",
                SavedKind::Unknown => "unknown",
            },
            not_healed,
            proven: saved.proven().iter().map(EntryView::of).collect(),
            unproven: saved.unproven().iter().map(EntryView::of).collect(),
            lost: saved.lost().iter().map(last).collect(),
            damaged_bytes: saved.damage().iter().map(last).collect(),
            seals: saved.seals().len(),
            receipts: saved.receipts().len(),
            statements: saved.statements(),
            enrolled: (saved.kind() == SavedKind::Segment).then(|| saved.standing().is_some()),
            whole_file_searched: saved.search_complete(),
            written,
        }
    }
}

impl EntryView {
    fn of(saved: &SavedEntry) -> Self {
        Self {
            log: saved.log().map(|log| log.to_string()),
            index: saved.index(),
            entry_id: saved.id().to_string(),
            byte_offset: saved.offset(),
        }
    }
}

impl Report for Outcome {
    fn exit(&self) -> Exit {
        match self {
            Self::Healed(healed) => healed.written.exit(),
            Self::Saved(part) if part.nothing_wrong() => Exit::Done,
            Self::Saved(_) => Exit::Refused,
        }
    }
}

impl SavedPart {
    fn nothing_wrong(&self) -> bool {
        let sound = self
            .written
            .as_ref()
            .is_some_and(|v| v.exit() == Exit::Done);
        sound && self.damaged_bytes.is_empty() && self.lost.is_empty() && self.unproven.is_empty()
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Healed(healed) => healed.fmt(f),
            Self::Saved(part) => part.fmt(f),
        }
    }
}

impl fmt::Display for HealedFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.blocks_restored == 0 && self.recovery_elements_restored == 0 {
            writeln!(f, "{}: nothing in it is damaged", self.file)?;
        } else {
            writeln!(f, "{}: healed, every byte is as it was", self.file)?;
        }
        writeln!(
            f,
            "  {} of {} blocks of {} bytes and {} of {} recovery elements were damaged",
            self.blocks_restored,
            self.blocks,
            self.block_bytes,
            self.recovery_elements_restored,
            self.recovery_elements
        )?;
        self.written.fmt(f)
    }
}

impl fmt::Display for SavedPart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}: not healed: {}", self.file, self.not_healed)?;
        if self.file_kind == "encrypted" {
            writeln!(
                f,
                "  it is encrypted: without healing nothing in it can be saved"
            )?;
        }
        let mut line = |name: &str, text: String| writeln!(f, "  {name:<9} {text}");
        line("damaged", or_none(&self.damaged_bytes, "bytes"))?;
        line("proven", entries(&self.proven))?;
        line("unproven", entries(&self.unproven))?;
        line("lost", or_none(&self.lost, "entries"))?;
        line(
            "also",
            format!(
                "{} seals, {} receipts, {} statements hold",
                self.seals, self.receipts, self.statements
            ),
        )?;
        if self.enrolled == Some(false) {
            line(
                "note",
                "no trusted authority enrolled the station's key".into(),
            )?;
        }
        if !self.whole_file_searched {
            line("note", "the file was not searched to its end".into())?;
        }
        match &self.written {
            Some(verdict) => {
                writeln!(f, "the sound part is a bundle of its own:")?;
                verdict.fmt(f)?;
            }
            None => writeln!(f, "no part of it can stand as a bundle of its own")?,
        }
        writeln!(f, "the station still has what is lost here: pack it again")
    }
}

/// Most runs that one line names.
const RUNS_SHOWN: usize = 20;

fn or_none(runs: &[[u64; 2]], noun: &str) -> String {
    if runs.is_empty() {
        return "none".into();
    }
    let mut words: Vec<String> = runs
        .iter()
        .take(RUNS_SHOWN)
        .map(|[first, last]| {
            if first == last {
                first.to_string()
            } else {
                format!("{first} to {last}")
            }
        })
        .collect();
    if runs.len() > RUNS_SHOWN {
        words.push(format!("and {} more (see --json)", runs.len() - RUNS_SHOWN));
    }
    format!("{noun} {}", words.join(", "))
}

/// Entries by their indexes, neighbours as runs.
fn entries(list: &[EntryView]) -> String {
    let mut indexes: Vec<u64> = list.iter().filter_map(|e| e.index).collect();
    let unnumbered = list.len() - indexes.len();
    indexes.sort_unstable();
    let mut runs: Vec<[u64; 2]> = Vec::new();
    for index in indexes {
        match runs.last_mut() {
            Some([_, last]) if *last + 1 == index => *last = index,
            _ => runs.push([index, index]),
        }
    }
    let numbered = or_none(&runs, "entries");
    match (unnumbered, runs.is_empty()) {
        (0, _) => numbered,
        (n, true) => format!("{n} whose place in the log is not known"),
        (n, false) => format!("{numbered}, and {n} whose place in the log is not known"),
    }
}
