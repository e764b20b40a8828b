//! The station's log: opened only if it holds together, grown one durable entry at a time.

use super::StationError;
use super::replay::{read_seals, read_trust, receipted_size, replay};
use super::store::{Identity, Store, StoreError};
use carrylog_format::cose::PublicKey;
use carrylog_format::ids::{EntryId, LogId, TraceDigest};
use carrylog_format::instant::Instant;
use carrylog_format::record::{
    ClockQuality, Entry, EntryHead, EntryRef, Record, StationChange, StationEvent, TraceRef,
};
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::text::Name;
use carrylog_format::trace::{self, Trace, TraceError};
use carrylog_format::tree::Frontier;
use carrylog_format::trust::TrustStore;
use carrylog_format::view;
use carrylog_keys::PassphraseSource;
use carrylog_keys::{KeyRole, NamedKey, OwnedKey};
use std::fs;
use std::path::{Path, PathBuf};

const KEY_FILE: &str = "station.key";
const PUBLIC_FILE: &str = "station.pub.json";
const DATABASE: &str = "station.db";

/// A station whose log was checked from its first byte to its last.
#[derive(Debug)]
pub struct Station {
    pub(super) dir: PathBuf,
    pub(super) store: Store,
    pub(super) identity: Identity,
    pub(super) frontier: Frontier,
    pub(super) seals: Vec<Seal>,
    pub(super) receipted: u64,
    pub(super) trust: TrustStore,
    pub(super) last_at: Option<Instant>,
}

/// What a station is opened for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    /// Beside other readers.
    Read,
    /// Alone.
    Write,
}

/// What a new station needs to know.
#[derive(Debug, Clone)]
pub struct NewStation {
    /// Its name.
    pub name: Name,
    /// Number of its memory slots.
    pub slots: u16,
    /// The authority that it trusts.
    pub authority: PublicKey,
    /// The log it continues, after the loss of a key.
    pub continues: Option<LogId>,
}

/// An entry that was appended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Appended {
    /// The log.
    pub log: LogId,
    /// Its index.
    pub index: u64,
    /// Its name.
    pub id: EntryId,
}

impl Appended {
    /// The entry at its place.
    pub fn place(&self) -> EntryRef {
        EntryRef {
            log: self.log,
            entry: self.id,
            index: self.index,
        }
    }
}

/// A memory slot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Slot {
    /// Its number, from 1.
    pub number: u16,
    /// The entry that it holds, if it is taken.
    pub entry: Option<u64>,
}

/// A trace ready for the store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PackedTrace {
    /// What the entry says of it.
    pub reference: TraceRef,
    /// Its compressed canonical form.
    pub compressed: Vec<u8>,
}

impl PackedTrace {
    /// Encodes and compresses a trace.
    ///
    /// # Errors
    /// [`TraceError`] if it is too long.
    pub fn of(trace: &Trace) -> Result<Self, TraceError> {
        let canonical = trace.to_canonical()?;
        let compressed = trace::compress(&canonical)?;
        let (sha256, _) = trace::digest_compressed(&compressed, trace::MAX_CANONICAL_LEN)?;
        Ok(Self {
            reference: TraceRef {
                rows: trace.rows() as u64,
                sha256,
            },
            compressed,
        })
    }
}

impl Station {
    /// Makes a station in `dir`: key, public key, database, and entry 0.
    ///
    /// # Errors
    /// [`StationError`] if there is one already or the folder cannot be used.
    pub fn create(dir: &Path, new: &NewStation, head: EntryHead) -> Result<Self, StationError> {
        if dir.join(DATABASE).exists() {
            return Err(StoreError::Exists.into());
        }
        fs::create_dir_all(dir).map_err(|e| StationError::Folder {
            dir: dir.to_owned(),
            text: e.to_string(),
        })?;
        // The key comes first: a key without a log is harmless, a log without its key is not.
        let key = OwnedKey::generate(KeyRole::Station, new.name.clone())?;
        key.write_new(&dir.join(KEY_FILE), None)?;
        key.public().write_new(&dir.join(PUBLIC_FILE))?;
        let identity = Identity {
            key: key.secret.public(),
            authority: new.authority,
            name: new.name.to_string(),
            slots: new.slots,
        };
        let event = StationChange::Opened {
            name: new.name.clone(),
            slots: new.slots,
            continues: new.continues,
        };
        let happened_ms = head.at;
        let mut station = Self {
            dir: dir.to_owned(),
            store: Store::create(&dir.join(DATABASE), &identity)?,
            identity,
            frontier: Frontier::new(),
            seals: Vec::new(),
            receipted: 0,
            trust: TrustStore::new([new.authority]),
            last_at: None,
        };
        station.append(
            head,
            Record::StationEvent(StationEvent { event, happened_ms }),
            None,
        )?;
        Ok(station)
    }

    /// Opens the station in `dir` and checks its whole log against its seals and receipts.
    ///
    /// # Errors
    /// [`StationError`] if there is none, it is in use, or it does not hold together.
    pub fn open(dir: &Path, access: Access) -> Result<Self, StationError> {
        let path = dir.join(DATABASE);
        if !path.is_file() {
            return Err(StationError::NoStation {
                dir: dir.to_owned(),
            });
        }
        let store = match access {
            Access::Read => Store::open_to_read(&path)?,
            Access::Write => Store::open_to_write(&path)?,
        };
        let identity = store.identity()?;
        let seals = read_seals(&store, &identity.key)?;
        let (frontier, last_at) = replay(&store, &seals)?;
        let receipted = receipted_size(&store, &seals)?;
        let trust = read_trust(&store, &identity.authority)?;
        Ok(Self {
            dir: dir.to_owned(),
            store,
            identity,
            frontier,
            seals,
            receipted,
            trust,
            last_at,
        })
    }

    /// Appends one entry, durable when this returns. A test takes its memory slot.
    ///
    /// # Errors
    /// [`StationError`]; the log is then as it was.
    pub fn append(
        &mut self,
        head: EntryHead,
        record: Record,
        trace: Option<&PackedTrace>,
    ) -> Result<Appended, StationError> {
        let slot = match &record {
            Record::Test(test) => {
                self.check_slot(test.slot)?;
                test.slot
            }
            // A correction's test did not run again: it takes no slot.
            Record::UnitEvent(_)
            | Record::StationEvent(_)
            | Record::Correction(_)
            | Record::SignOff(_)
            | Record::Unknown { .. } => None,
        };
        let entry = Entry::new(head, record)?;
        let index = self.size();
        let change = self.store.change()?;
        change.entry(index, &entry)?;
        if let Some(trace) = trace {
            change.trace(trace.reference.sha256, &trace.compressed)?;
        }
        if let Some(slot) = slot {
            change.take_slot(slot, index)?;
        }
        change.commit()?;
        self.grow(&entry);
        Ok(Appended {
            log: self.log(),
            index,
            id: entry.id(),
        })
    }

    /// Seals what is not sealed yet; the last seal covers everything when this returns. `passphrase` is
    /// asked only if there is something to seal and the key is protected.
    ///
    /// # Errors
    /// [`StationError`] if the station's key is not there or is another one.
    pub fn seal(
        &mut self,
        at_ms: Instant,
        passphrase: &PassphraseSource,
    ) -> Result<&Seal, StationError> {
        if self.sealed_size() < self.size() {
            let key = OwnedKey::read(&self.dir.join(KEY_FILE), passphrase)?.secret;
            if key.public() != self.identity.key {
                return Err(StationError::OtherKey);
            }
            let content = SealContent {
                log: self.log(),
                seq: self.seals.len() as u64,
                prev: self.seals.last().map(Seal::digest),
                root: self.frontier.root(),
                seen: self.seen()?,
                size: self.size(),
                at_ms,
            };
            let seal = Seal::sign(&key, &content)?;
            let change = self.store.change()?;
            change.seal(&seal)?;
            change.commit()?;
            self.seals.push(seal);
        }
        self.seals.last().ok_or_else(|| StationError::Inconsistent {
            found: "no seal".into(),
        })
    }

    /// Whether a test may take `slot` now.
    ///
    /// # Errors
    /// [`StationError::NoSuchSlot`], [`StationError::SlotTaken`] or [`StationError::MemoryFull`].
    pub fn check_slot(&self, slot: Option<u16>) -> Result<(), StationError> {
        let slots = self.identity.slots;
        let taken = self.store.slots()?;
        if slots > 0 && taken.len() >= usize::from(slots) {
            return Err(StationError::MemoryFull { slots });
        }
        let Some(slot) = slot else { return Ok(()) };
        if slot == 0 || slot > slots {
            return Err(StationError::NoSuchSlot { slot, slots });
        }
        match taken.iter().find(|(number, _)| *number == slot) {
            None => Ok(()),
            Some((_, entry)) => {
                let what = view::summary(self.entry(*entry)?.record());
                Err(StationError::SlotTaken {
                    slot,
                    entry: *entry,
                    what,
                })
            }
        }
    }

    /// All memory slots.
    ///
    /// # Errors
    /// [`StationError::Store`].
    pub fn slots(&self) -> Result<Vec<Slot>, StationError> {
        let taken = self.store.slots()?;
        let holds = |number| {
            taken
                .iter()
                .find(|(n, _)| *n == number)
                .map(|(_, entry)| *entry)
        };
        Ok((1..=self.identity.slots)
            .map(|number| Slot {
                number,
                entry: holds(number),
            })
            .collect())
    }

    /// An entry by its index.
    ///
    /// # Errors
    /// [`StationError::NoSuchEntry`].
    pub fn entry(&self, index: u64) -> Result<Entry, StationError> {
        let bytes = self
            .store
            .entry(index)?
            .ok_or_else(|| self.no_such(index.to_string()))?;
        Ok(Entry::parse(&bytes)?)
    }

    /// The index of an entry that is named by its index or by its hash.
    ///
    /// # Errors
    /// [`StationError::NoSuchEntry`].
    pub fn find(&self, wanted: &str) -> Result<u64, StationError> {
        if let Ok(id) = wanted.parse::<EntryId>() {
            return self
                .store
                .index_of(id)?
                .ok_or_else(|| self.no_such(wanted.into()));
        }
        match wanted.parse::<u64>() {
            Ok(index) if index < self.size() => Ok(index),
            _ => Err(self.no_such(wanted.into())),
        }
    }

    /// Hands out entries `from..to` in order.
    ///
    /// # Errors
    /// [`StationError`] if an entry does not parse.
    pub fn for_each_entry(
        &self,
        from: u64,
        to: u64,
        mut each: impl FnMut(u64, &Entry),
    ) -> Result<(), StationError> {
        self.store.entries(from, to, |index, bytes| {
            each(index, &Entry::parse(bytes)?);
            Ok(())
        })
    }

    /// The compressed bytes of a trace.
    ///
    /// # Errors
    /// [`StationError::Store`].
    pub fn trace(&self, digest: TraceDigest) -> Result<Option<Vec<u8>>, StationError> {
        Ok(self.store.trace(digest)?)
    }

    /// What to write down about the clock: it is doubtful if it runs behind the last entry.
    pub fn clock_quality(&self, now: Instant, claimed: ClockQuality) -> ClockQuality {
        if self.last_at.is_some_and(|last| now < last) {
            ClockQuality::Doubtful
        } else {
            claimed
        }
    }

    /// The station's log.
    pub fn log(&self) -> LogId {
        LogId::of(&self.identity.key)
    }

    /// The station's public key.
    pub fn key(&self) -> &PublicKey {
        &self.identity.key
    }

    /// The public key as it is handed to the authority.
    ///
    /// # Errors
    /// [`StationError::Key`].
    pub fn public_key_file(&self) -> Result<NamedKey, StationError> {
        Ok(NamedKey::read(&self.dir.join(PUBLIC_FILE))?)
    }

    /// The station's name.
    pub fn name(&self) -> &str {
        &self.identity.name
    }

    /// The authority that the station trusts.
    pub fn authority(&self) -> &PublicKey {
        &self.identity.authority
    }

    /// What the station was told to trust.
    pub fn trust(&self) -> &TrustStore {
        &self.trust
    }

    /// Number of entries.
    pub fn size(&self) -> u64 {
        self.frontier.size()
    }

    /// Number of entries under a seal.
    pub fn sealed_size(&self) -> u64 {
        self.seals.last().map_or(0, |s| s.content().size)
    }

    /// Number of entries under a server's receipt.
    pub fn receipted_size(&self) -> u64 {
        self.receipted
    }

    /// All seals, in order.
    pub fn seals(&self) -> &[Seal] {
        &self.seals
    }

    pub(super) fn grow(&mut self, entry: &Entry) {
        self.frontier.push(*entry.id().hash());
        self.last_at = Some(entry.head().at);
    }

    fn no_such(&self, wanted: String) -> StationError {
        StationError::NoSuchEntry {
            wanted,
            size: self.size(),
        }
    }
}
