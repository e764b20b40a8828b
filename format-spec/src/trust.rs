//! Trust: which keys may sign, derived from authority keys that a person chose and their statements.
//!
//! A [`TrustStore`] is a grow-only set of verified statements. Everything it answers is a function
//! of that set, never of the order in which statements arrived. (SPEC.md, chapter "Statements and trust".)
//!
//! All authorities that a person chose are one side, [`Side::Own`]; each authority trusted by
//! statement is a side of its own. A key belongs to the side of the enrolment that counts for it,
//! and only that side revokes or ends it: a partner can neither lock nor free what is ours.

use crate::cose::PublicKey;
use crate::ids::{LogId, StatementDigest};
use crate::instant::{Date, Instant};
use crate::statement::{Enrolment, Role, Statement, StatementBody, StatementError};
use crate::unit_id::UnitKey;
use std::collections::{BTreeMap, BTreeSet};

/// Authority keys and the verified statements that count under them.
#[derive(Debug, Clone, Default)]
pub struct TrustStore {
    anchors: BTreeMap<LogId, PublicKey>,
    statements: BTreeMap<(LogId, u64, StatementDigest), Statement>,
    /// Statements that their own authority took back, and by which authority.
    withdrawn: BTreeSet<(LogId, StatementDigest)>,
    /// Statements of authorities that are not trusted (yet), as they came.
    waiting: BTreeMap<LogId, Vec<Vec<u8>>>,
}

/// What became of a statement that was added.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Added {
    /// It verifies and was not known.
    New(StatementDigest),
    /// It was known already.
    Known(StatementDigest),
    /// Its authority is not trusted here; it counts for nothing until it is.
    UnknownAuthority(LogId),
}

/// What the statements say of one key.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Standing {
    /// The enrolment.
    pub enrolment: Enrolment,
    /// The authority that enrolled the key.
    pub authority: LogId,
    /// Whether that authority was chosen, or is a partner.
    pub side: Side,
    /// First index that no longer counts, if the key was revoked. Never for a person.
    pub revoked_from: Option<u64>,
    /// First day on which a person's sign-off no longer counts.
    pub ended: Option<Date>,
}

/// Whose an authority is, seen by this reader.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Side {
    /// A person chose it.
    Own,
    /// A chosen authority trusts it by statement.
    Partner(LogId),
}

/// Something about an authority's statements that a person must look at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum ChainFault {
    /// A statement is missing between others.
    Missing {
        /// The authority.
        authority: LogId,
        /// The number that is missing.
        seq: u64,
    },
    /// Two statements have one number, or one does not follow the previous.
    Forked {
        /// The authority.
        authority: LogId,
        /// The number at which they part.
        seq: u64,
    },
}

impl TrustStore {
    /// Trusts these authority keys and nothing else.
    pub fn new(anchors: impl IntoIterator<Item = PublicKey>) -> Self {
        let anchors = anchors
            .into_iter()
            .map(|key| (LogId::of(&key), key))
            .collect();
        Self {
            anchors,
            ..Self::default()
        }
    }

    /// Adds a signed statement if it verifies under a trusted authority.
    ///
    /// # Errors
    /// [`StatementError`] if the bytes are malformed or a trusted authority's signature does not hold.
    pub fn add(&mut self, sign1: &[u8]) -> Result<Added, StatementError> {
        let authority = Statement::claimed_authority(sign1)?;
        let Some(key) = self.authority_key(authority) else {
            let waiting = self.waiting.entry(authority).or_default();
            if !waiting.iter().any(|w| w == sign1) && waiting.len() < MAX_WAITING {
                waiting.push(sign1.to_vec());
            }
            return Ok(Added::UnknownAuthority(authority));
        };
        let statement = Statement::verify(sign1, &key)?;
        let digest = statement.digest();
        let slot = (authority, statement.content().seq, digest);
        if self.statements.contains_key(&slot) {
            return Ok(Added::Known(digest));
        }
        let introduced = match &statement.content().body {
            StatementBody::AuthorityTrusted { key, .. }
                if self.anchors.contains_key(&authority) =>
            {
                Some(LogId::of(key))
            }
            _ => None,
        };
        if let StatementBody::Withdrawn { statement, .. } = &statement.content().body {
            self.withdrawn.insert((authority, *statement));
        }
        self.statements.insert(slot, statement);
        if let Some(other) = introduced {
            for sign1 in self.waiting.remove(&other).unwrap_or_default() {
                // What waited unverified may still be bad; it then counts for nothing.
                let _ = self.add(&sign1);
            }
        }
        Ok(Added::New(digest))
    }

    /// The key under which an authority's statements are verified: chosen by a person, or trusted by
    /// the statement of one that was, even if that trust was withdrawn since. Trust goes one step and
    /// no further. Whether the statements count is a question for [`TrustStore::side`].
    pub fn authority_key(&self, authority: LogId) -> Option<PublicKey> {
        if let Some(key) = self.anchors.get(&authority) {
            return Some(*key);
        }
        self.trusted_by(self.statements.values(), authority)
    }

    /// The side of an authority; `None` if it is not trusted, or no longer.
    pub fn side(&self, authority: LogId) -> Option<Side> {
        if self.anchors.contains_key(&authority) {
            return Some(Side::Own);
        }
        self.trusted_by(self.decisions(), authority)
            .map(|_| Side::Partner(authority))
    }

    fn trusted_by<'s>(
        &self,
        mut statements: impl Iterator<Item = &'s Statement>,
        authority: LogId,
    ) -> Option<PublicKey> {
        statements.find_map(|s| match &s.content().body {
            StatementBody::AuthorityTrusted { key, .. }
                if LogId::of(key) == authority
                    && self.anchors.contains_key(&s.content().authority) =>
            {
                Some(*key)
            }
            _ => None,
        })
    }

    /// Whether a statement was taken back by the authority that made it. What cannot be taken back
    /// is stated anew instead.
    pub fn is_withdrawn(&self, statement: &Statement) -> bool {
        statement.content().body.can_be_withdrawn()
            && self
                .withdrawn
                .contains(&(statement.content().authority, statement.digest()))
    }

    /// The authority keys that a person chose.
    pub fn anchors(&self) -> impl Iterator<Item = (&LogId, &PublicKey)> {
        self.anchors.iter()
    }

    /// Whether a person chose this authority; others are trusted by statement only.
    pub fn is_chosen(&self, authority: LogId) -> bool {
        self.anchors.contains_key(&authority)
    }

    /// All verified statements, by authority and number.
    pub fn statements(&self) -> impl Iterator<Item = &Statement> {
        self.statements.values()
    }

    /// Statements in force by the authorities that a person chose: only these decide about units,
    /// limits, duplicates, proposals, queries and branches. An authority that is trusted by statement
    /// enrols, revokes and ends its own keys and no more.
    pub fn decisions(&self) -> impl Iterator<Item = &Statement> {
        self.statements
            .values()
            .filter(|s| self.anchors.contains_key(&s.content().authority))
            .filter(|s| !self.is_withdrawn(s))
    }

    /// Every name of one unit: its own, and all that alias statements join to it, step by step.
    pub fn names_of(&self, unit: &UnitKey) -> BTreeSet<UnitKey> {
        let pairs: Vec<(UnitKey, UnitKey)> = self
            .decisions()
            .filter_map(|s| match &s.content().body {
                StatementBody::Alias { unit, same_as } => Some((unit.key(), same_as.key())),
                _ => None,
            })
            .collect();
        let mut names = BTreeSet::from([unit.clone()]);
        loop {
            let before = names.len();
            for (a, b) in &pairs {
                if names.contains(a) || names.contains(b) {
                    names.extend([a.clone(), b.clone()]);
                }
            }
            if names.len() == before {
                return names;
            }
        }
    }

    /// What the statements say of the key that `log` is named after; `None` if it is not enrolled.
    ///
    /// A person's chosen authority goes before one that is only trusted by statement; among
    /// authorities of equal rank the greatest number counts, then the greatest name of a statement.
    /// A partner enrols no witness.
    pub fn standing(&self, log: LogId) -> Option<Standing> {
        let mut found: Option<(_, Side, LogId, &Enrolment)> = None;
        for statement in self.statements.values() {
            let content = statement.content();
            let StatementBody::Enrolled(enrolment) = &content.body else {
                continue;
            };
            if LogId::of(&enrolment.key) != log {
                continue;
            }
            let Some(side) = self.side(content.authority) else {
                continue;
            };
            if side != Side::Own && enrolment.role == Role::Witness {
                continue;
            }
            let rank = (side == Side::Own, content.seq, statement.digest());
            if found.as_ref().is_none_or(|(best, ..)| rank > *best) {
                found = Some((rank, side, content.authority, enrolment));
            }
        }
        let (_, side, authority, enrolment) = found?;
        let person = enrolment.role == Role::Person;
        Some(Standing {
            enrolment: enrolment.clone(),
            authority,
            side,
            revoked_from: if person {
                None
            } else {
                self.revocation(log, side)
            },
            ended: if person { self.end(log, side) } else { None },
        })
    }

    /// The smallest size from which `log` is revoked by the side that enrolled its key.
    pub fn revoked_from(&self, log: LogId) -> Option<u64> {
        self.standing(log)?.revoked_from
    }

    fn revocation(&self, log: LogId, side: Side) -> Option<u64> {
        self.of_side(side)
            .filter_map(|s| match &s.content().body {
                StatementBody::Revoked {
                    log: l, from_size, ..
                } if *l == log => Some(*from_size),
                _ => None,
            })
            .min()
    }

    fn end(&self, person: LogId, side: Side) -> Option<Date> {
        self.of_side(side)
            .filter_map(|s| match &s.content().body {
                StatementBody::Ended { who, from, .. } if *who == person => Some(*from),
                _ => None,
            })
            .min()
    }

    /// Statements in force of one side.
    fn of_side(&self, side: Side) -> impl Iterator<Item = &Statement> {
        self.statements
            .values()
            .filter(move |s| match side {
                Side::Own => self.anchors.contains_key(&s.content().authority),
                Side::Partner(partner) => s.content().authority == partner,
            })
            .filter(|s| !self.is_withdrawn(s))
    }

    /// Statements of partners that reach beyond their own keys: they have no effect here.
    pub fn without_effect(&self) -> impl Iterator<Item = &Statement> {
        self.statements.values().filter(|s| {
            let Some(side @ Side::Partner(_)) = self.side(s.content().authority) else {
                return false;
            };
            match &s.content().body {
                StatementBody::Revoked { log: key, .. } | StatementBody::Ended { who: key, .. } => {
                    self.standing(*key).is_none_or(|key| key.side != side)
                }
                StatementBody::Enrolled(e) => e.role == Role::Witness,
                StatementBody::Founded { .. } | StatementBody::Withdrawn { .. } => false,
                StatementBody::Decided { .. }
                | StatementBody::Limits(_)
                | StatementBody::Alias { .. }
                | StatementBody::DuplicateOf { .. }
                | StatementBody::Resolved { .. }
                | StatementBody::BranchChosen { .. }
                | StatementBody::AuthorityTrusted { .. } => true,
            }
        })
    }

    /// The name of the partner that enrolled a key, to be shown wherever the key's own name is;
    /// `None` if a chosen authority did.
    pub fn enrolled_by(&self, standing: &Standing) -> Option<String> {
        match standing.side {
            Side::Own => None,
            Side::Partner(partner) => Some(
                self.authority_name(partner)
                    .unwrap_or_else(|| format!("authority {}", partner.short())),
            ),
        }
    }

    /// Enrolled keys of one role that are not revoked, with their names.
    pub fn enrolled(&self, role: Role) -> Vec<Standing> {
        let mut logs: Vec<LogId> = self
            .statements
            .values()
            .filter_map(|s| match &s.content().body {
                StatementBody::Enrolled(e) if e.role == role => Some(LogId::of(&e.key)),
                _ => None,
            })
            .collect();
        logs.sort();
        logs.dedup();
        logs.into_iter()
            .filter_map(|log| self.standing(log))
            .filter(|s| s.enrolment.role == role)
            .collect()
    }

    /// Gaps and forks in the statement chains of the trusted authorities.
    pub fn chain_faults(&self) -> Vec<ChainFault> {
        let mut faults = Vec::new();
        let mut last: Option<(LogId, u64, StatementDigest)> = None;
        for ((authority, seq, digest), statement) in &self.statements {
            let (authority, seq) = (*authority, *seq);
            match last {
                Some((a, s, _)) if a == authority && s == seq => {
                    faults.push(ChainFault::Forked { authority, seq });
                }
                Some((a, s, d)) if a == authority && s + 1 == seq => {
                    let follows = statement.content().prev == Some(d);
                    faults.extend((!follows).then_some(ChainFault::Forked { authority, seq }));
                }
                Some((a, s, _)) if a == authority => {
                    faults.push(ChainFault::Missing {
                        authority,
                        seq: s + 1,
                    });
                }
                _ if seq > 0 => {
                    faults.push(ChainFault::Missing { authority, seq: 0 });
                }
                _ => {}
            }
            last = Some((authority, seq, *digest));
        }
        faults
    }

    /// The name an authority gave itself, or that it was trusted under.
    pub fn authority_name(&self, authority: LogId) -> Option<String> {
        self.statements
            .values()
            .find_map(|s| match &s.content().body {
                StatementBody::Founded { name } if s.content().authority == authority => {
                    Some(name.to_string())
                }
                _ => None,
            })
    }
}

/// Statements of one unknown authority that are kept waiting; more are dropped.
const MAX_WAITING: usize = 4096;

impl Standing {
    /// Whether the key may have signed at `at`, by the signer's own clock.
    pub fn covers(&self, at: Instant) -> bool {
        let day = at.date();
        self.enrolment.from.is_none_or(|from| day >= from)
            && self.enrolment.until.is_none_or(|until| day <= until)
    }
}
