//! What a returned head means to somebody who kept an earlier one: the memory that a server cannot reach.

use super::carried::CarriedHead;
use super::head::FleetHead;
use crate::refusal::{Fault, Refusal, Rule};

/// How a head fits the one that was kept of the same fleet log.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fit {
    /// Nothing was kept of this fleet log.
    First,
    /// The same size and root.
    Same,
    /// The log only grew from this size on: proven.
    Grew {
        /// Size of the kept head.
        from: u64,
    },
    /// An older head than the kept one, signed no later: an old file.
    Older,
    /// A greater size without a proof from the kept head: nothing can be said.
    Unproven {
        /// Size of the kept head.
        kept: u64,
    },
}

/// Holds a head against the one kept of the same fleet log.
///
/// # Errors
/// [`Refusal`] under F-6: two heads under one key contradict each other.
pub fn compare(kept: Option<&FleetHead>, carried: &CarriedHead) -> Result<Fit, Refusal> {
    let head = carried.head();
    let Some(kept) = kept else {
        return Ok(Fit::First);
    };
    let refused =
        |found: String| Refusal::new(Rule::HeadMemory, Fault::Maker, carried.offset(), found);
    if head.size == kept.size {
        return if head.root == kept.root {
            Ok(Fit::Same)
        } else {
            Err(refused(format!(
                "two versions of the fleet log: the server signed two roots for size {}",
                head.size
            )))
        };
    }
    if head.size < kept.size {
        return if head.at_ms > kept.at_ms {
            Err(refused(format!(
                "the fleet log had size {} and now has {}: restored from an old copy, or two versions",
                kept.size, head.size
            )))
        } else {
            Ok(Fit::Older)
        };
    }
    let mut from_kept = carried
        .proofs()
        .iter()
        .filter(|proof| proof.size_1 == kept.size)
        .peekable();
    if from_kept.peek().is_none() {
        return Ok(Fit::Unproven { kept: kept.size });
    }
    if from_kept.all(|proof| proof.verify(&kept.root, &head.root).is_ok()) {
        Ok(Fit::Grew { from: kept.size })
    } else {
        Err(refused(format!(
            "two versions of the fleet log: its first {} leaves are not the ones that the server signed before",
            kept.size
        )))
    }
}
