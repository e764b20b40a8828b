//! Why a station did not do what was asked.

use super::store::StoreError;
use carrylog_format::ids::LogId;
use carrylog_format::record::EntryError;
use carrylog_format::refusal::Refusal;
use carrylog_format::seal::SealError;
use carrylog_keys::KeyFileError;
use std::path::PathBuf;

/// Why a station did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StationError {
    /// The folder holds no station.
    #[error("{} holds no station", dir.display())]
    NoStation {
        /// The folder.
        dir: PathBuf,
    },
    /// The folder cannot be made or used.
    #[error("{}: {text}", dir.display())]
    Folder {
        /// The folder.
        dir: PathBuf,
        /// The fault in the system's words.
        text: String,
    },
    /// The station's database.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The station's key.
    #[error(transparent)]
    Key(#[from] KeyFileError),
    /// The key in the folder is not the one that the log is named after.
    #[error("station.key is not the key of this station's log")]
    OtherKey,
    /// Entries, seals and receipts do not fit each other.
    #[error("the station's log does not hold together: {found}")]
    Inconsistent {
        /// What was found.
        found: String,
    },
    /// The slot holds a test for which there is no receipt.
    #[error("memory slot {slot} still holds entry {entry} ({what}), for which there is no receipt")]
    SlotTaken {
        /// The slot.
        slot: u16,
        /// The entry that it holds.
        entry: u64,
        /// The entry in one line.
        what: String,
    },
    /// A slot that the station does not have.
    #[error("the station has memory slots 1 to {slots}; there is no slot {slot}")]
    NoSuchSlot {
        /// The slot asked for.
        slot: u16,
        /// Number of slots.
        slots: u16,
    },
    /// Every slot holds a test without a receipt.
    #[error(
        "all {slots} memory slots hold tests for which there is no receipt: the station is locked"
    )]
    MemoryFull {
        /// Number of slots.
        slots: u16,
    },
    /// Everything is receipted already.
    #[error("there is nothing to pack: the server's receipt covers all {size} entries")]
    NothingToPack {
        /// Size of the log.
        size: u64,
    },
    /// A segment cannot begin between the first entry and the first seal.
    #[error("no segment can begin at entry {from}: the first seal covers entries 0 to {}", first.saturating_sub(1))]
    InsideFirstSeal {
        /// The index asked for.
        from: u64,
        /// Size under the first seal.
        first: u64,
    },
    /// No entry of that number or hash.
    #[error("the log has no entry {wanted}; it has entries 0 to {}", size.saturating_sub(1))]
    NoSuchEntry {
        /// What was asked for.
        wanted: String,
        /// Size of the log.
        size: u64,
    },
    /// A receipt speaks of this log but of a seal that this station never made.
    #[error("the receipt is for a seal over {size} entries that this station never made")]
    ForeignSeal {
        /// Size in the receipt's seal.
        size: u64,
    },
    /// Two heads of one fleet log contradict each other; the file is kept as evidence.
    #[error("refused: {refusal}; kept as evidence in {}", evidence.display())]
    Contradicted {
        /// What was found.
        refusal: Refusal,
        /// Where the file is kept.
        evidence: PathBuf,
    },
    /// A return whose head cannot be held against the kept one.
    #[error(
        "nothing was taken: the server's log had size {kept} here and the file gives no proof from there to size {size}"
    )]
    NoProof {
        /// Size of the kept head.
        kept: u64,
        /// Size of the returned head.
        size: u64,
    },
    /// An older return with receipts that are not known here.
    #[error(
        "nothing was taken: this return is older than the last one and has receipts that are not known here"
    )]
    OlderReturn,
    /// The return file is for another station.
    #[error("the file is for log {}, not for this station", .log.short())]
    OtherStation {
        /// The log it is for.
        log: LogId,
    },
    /// The file was refused.
    #[error(transparent)]
    Refused(#[from] Refusal),
    /// An entry could not be made.
    #[error(transparent)]
    Entry(#[from] EntryError),
    /// A seal could not be made or read.
    #[error(transparent)]
    Seal(#[from] SealError),
}
