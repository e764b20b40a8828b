//! What an authority states: one body for each thing that only an authority may say.

use super::Enrolment;
use crate::cose::PublicKey;
use crate::ids::{LogId, StatementDigest};
use crate::instant::Date;
use crate::record::{EntryRef, LimitsSheet};
use crate::text::{Name, Remark};
use crate::tree::Hash;
use crate::unit_id::UnitId;
use serde::{Deserialize, Serialize};

/// What an authority states. Fields of each body stand in canonical key order.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum StatementBody {
    /// The authority introduces itself: always statement 0.
    Founded {
        /// Its name.
        name: Name,
    },
    /// A key may sign for a station, a server, a person or a witness.
    Enrolled(Box<Enrolment>),
    /// A key's log counts only up to a size; a wrong clock cannot reopen it.
    Revoked {
        /// The log.
        log: LogId,
        /// For a server: the root of its fleet log at `from_size`.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        root: Option<Hash>,
        /// Why.
        reason: Remark,
        /// First index that no longer counts.
        from_size: u64,
    },
    /// A person signs no more from a day on; what was signed before stays.
    Ended {
        /// The person: the log id of the key.
        who: LogId,
        /// First day on which a sign-off no longer counts.
        from: Date,
        /// Why.
        reason: Remark,
    },
    /// An earlier statement of the same authority no longer counts.
    Withdrawn {
        /// Why.
        reason: Remark,
        /// The statement that is taken back.
        statement: StatementDigest,
    },
    /// A proposal was looked at: a correction that does not count by itself.
    Decided {
        /// Whether it holds.
        accept: bool,
        /// Why.
        reason: Remark,
        /// The correction.
        proposal: EntryRef,
    },
    /// Reference values of one part number.
    Limits(Box<LimitsSheet>),
    /// Two spellings are one unit.
    Alias {
        /// The spelling that is given up.
        unit: UnitId,
        /// The identity that it belongs to.
        same_as: UnitId,
    },
    /// One entry repeats another.
    DuplicateOf {
        /// The entry that counts.
        of: EntryRef,
        /// The entry that repeats it.
        entry: EntryRef,
        /// Why.
        reason: Remark,
    },
    /// A query was looked at and settled.
    Resolved {
        /// The query's name.
        query: Name,
        /// Why.
        reason: Remark,
    },
    /// Of two branches of one log, this one counts.
    BranchChosen {
        /// The log.
        log: LogId,
        /// Root of the chosen branch at `size`.
        root: Hash,
        /// A size at which the branches differ.
        size: u64,
        /// Why.
        reason: Remark,
    },
    /// Another operator's authority is trusted for its own stations and people.
    AuthorityTrusted {
        /// Its public key.
        key: PublicKey,
        /// Its name.
        name: Name,
        /// Why.
        reason: Remark,
    },
}

impl StatementBody {
    /// Whether a `withdrawn` statement can take it back. The rest is stated anew instead.
    pub fn can_be_withdrawn(&self) -> bool {
        match self {
            Self::Revoked { .. }
            | Self::Ended { .. }
            | Self::Decided { .. }
            | Self::Limits(_)
            | Self::Alias { .. }
            | Self::DuplicateOf { .. }
            | Self::Resolved { .. }
            | Self::BranchChosen { .. }
            | Self::AuthorityTrusted { .. } => true,
            Self::Founded { .. } | Self::Enrolled(_) | Self::Withdrawn { .. } => false,
        }
    }
}
