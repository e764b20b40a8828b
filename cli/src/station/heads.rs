//! The station's memory of fleet logs: the newest head taken of each, and what a new one means beside it.
//!
//! A server that was restored from an old copy, or that shows two versions of its log, cannot reach
//! this memory: its next return is refused here and kept as evidence.

use super::{Station, StationError};
use carrylog_format::fleet_log::head::{self, FleetHead};
use carrylog_format::fleet_log::{CarriedHead, Fit, HeadFrame, MAX_HEADS, compare};
use carrylog_format::ids::LogId;
use carrylog_format::refusal::Refusal;
use carrylog_format::tree::Hash;
use std::fs;
use std::path::PathBuf;

/// Folder of refused files that prove something, inside the station's folder.
const EVIDENCE: &str = "evidence";

/// A head that was taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptHead {
    /// The signed head.
    pub signed: Vec<u8>,
    /// What it states.
    pub head: FleetHead,
}

/// What became of the head in a return.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TakenHead {
    /// The server's enrolled name.
    pub server: String,
    /// Size of the fleet log, leaves.
    pub size: u64,
    /// How it fits the one kept before.
    pub fit: Fit,
}

impl Station {
    /// The newest head taken of each fleet log, the one taken last at the end.
    ///
    /// # Errors
    /// [`StationError::Inconsistent`] if a kept head is none.
    pub fn kept_heads(&self) -> Result<Vec<KeptHead>, StationError> {
        let parse = |signed: Vec<u8>| {
            let head = head::parse(&signed).map_err(|e| StationError::Inconsistent {
                found: format!("a kept head of a fleet log: {e}"),
            })?;
            Ok(KeptHead { signed, head })
        };
        self.store.heads()?.into_iter().map(parse).collect()
    }

    /// The name of the head that was taken last: what a seal says that the station saw.
    pub(super) fn seen(&self) -> Result<Option<Hash>, StationError> {
        let kept = self.kept_heads()?;
        Ok(kept.last().and_then(|kept| head::name(&kept.signed).ok()))
    }

    /// The heads that travel in a segment: of the fleet logs taken last, ascending by log.
    pub(super) fn heads_to_carry(&self) -> Result<Vec<HeadFrame>, StationError> {
        let mut kept = self.kept_heads()?;
        let older = kept.len().saturating_sub(MAX_HEADS);
        kept.drain(..older);
        kept.sort_by_key(|kept| kept.head.log);
        Ok(kept
            .into_iter()
            .map(|kept| HeadFrame::new(kept.signed))
            .collect())
    }

    /// Holds a returned head against the one kept of its fleet log.
    pub(super) fn judge_head(&self, carried: &CarriedHead) -> Result<TakenHead, Refusal> {
        let kept = self.kept_of(carried.log());
        Ok(TakenHead {
            server: carried.server().unwrap_or_default().to_owned(),
            size: carried.head().size,
            fit: compare(kept.as_ref(), carried)?,
        })
    }

    /// Whether the head takes the place of the kept one: later, never smaller.
    pub(super) fn is_newer(&self, carried: &CarriedHead) -> bool {
        self.kept_of(carried.log())
            .is_none_or(|kept| carried.head().at_ms >= kept.at_ms)
    }

    fn kept_of(&self, log: LogId) -> Option<FleetHead> {
        let kept = self.kept_heads().unwrap_or_default();
        kept.into_iter()
            .map(|kept| kept.head)
            .find(|head| head.log == log)
    }

    /// Keeps a refused return in the station's folder, under its own digest.
    pub(super) fn keep_evidence(&self, bytes: &[u8]) -> Result<PathBuf, StationError> {
        let folder = self.dir.join(EVIDENCE);
        let name = format!("return-{}.carrylog", Hash::of(bytes));
        let path = folder.join(name);
        fs::create_dir_all(&folder)
            .and_then(|()| fs::write(&path, bytes))
            .map_err(|e| StationError::Folder {
                dir: folder,
                text: e.to_string(),
            })?;
        Ok(path)
    }
}
