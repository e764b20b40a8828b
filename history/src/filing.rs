//! By what an entry is filed: its unit, its time, what it speaks of.

use carrylog_format::instant::Instant;
use carrylog_format::record::{Entry, Record};
use carrylog_format::sign_off;
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitId;

/// How an entry speaks of something by its digest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub enum LinkKind {
    /// It supersedes that entry.
    Supersedes = 1,
    /// It signs that entry off.
    SignsOff = 2,
    /// It names that trace.
    Trace = 3,
}

/// One link of an entry.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Link {
    /// How.
    pub kind: LinkKind,
    /// What.
    pub target: Hash,
}

/// The facts by which an entry is filed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EntryFacts<'a> {
    /// The unit that it concerns.
    pub unit: Option<&'a UnitId>,
    /// When what it tells happened.
    pub when: Instant,
    /// What it speaks of by digest.
    pub links: Vec<Link>,
}

impl<'a> EntryFacts<'a> {
    /// The facts of one entry.
    pub fn of(entry: &'a Entry) -> Self {
        let at = entry.head().at;
        let mut links = Vec::new();
        if let Some(trace) = entry.record().test().and_then(|t| t.trace.as_ref()) {
            links.push(Link {
                kind: LinkKind::Trace,
                target: *trace.sha256.hash(),
            });
        }
        match entry.record() {
            Record::Correction(c) => {
                links.push(Link {
                    kind: LinkKind::Supersedes,
                    target: *c.supersedes.entry.hash(),
                });
            }
            Record::SignOff(s) => {
                let target = sign_off::content(s).ok().map(|content| content.entry);
                links.extend(target.map(|e| Link {
                    kind: LinkKind::SignsOff,
                    target: *e.entry.hash(),
                }));
            }
            _ => {}
        }
        let (unit, when) = match (entry.record().test(), entry.record().unit_event()) {
            (Some(test), _) => (Some(&test.unit), test.ended_ms),
            (None, Some(event)) => (Some(&event.unit), event.happened_ms),
            (None, None) => (None, at),
        };
        Self { unit, when, links }
    }
}
