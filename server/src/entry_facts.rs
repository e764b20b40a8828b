//! What the store needs to know of an entry to file it: its unit, its time, what it speaks of.

use crate::store::{Link, LinkKind};
use carrylog_format::instant::Instant;
use carrylog_format::record::{Correction, Entry, Record, Replacement, TestRecord, UnitEvent};
use carrylog_format::sign_off;
use carrylog_format::unit_id::UnitId;

/// The facts by which an entry is filed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct EntryFacts<'a> {
    /// The unit that it concerns.
    pub unit: Option<&'a UnitId>,
    /// When what it tells happened.
    pub when: Instant,
    /// What it speaks of by digest.
    pub links: Vec<Link>,
}

impl<'a> EntryFacts<'a> {
    /// The facts of one entry.
    pub(crate) fn of(entry: &'a Entry) -> Self {
        let at = entry.head().at;
        let mut links = Vec::new();
        if let Some(trace) = test_of(entry.record()).and_then(|t| t.trace.as_ref()) {
            links.push(Link {
                kind: LinkKind::Trace,
                target: *trace.sha256.hash(),
            });
        }
        match entry.record() {
            Record::Correction(c) => {
                links.push(Link {
                    kind: LinkKind::Supersedes,
                    target: *c.supersedes.hash(),
                });
            }
            Record::SignOff(s) => {
                let target = sign_off::content(s).ok().map(|content| content.entry);
                links.extend(target.map(|e| Link {
                    kind: LinkKind::SignsOff,
                    target: *e.hash(),
                }));
            }
            _ => {}
        }
        let (unit, when) = match (test_of(entry.record()), event_of(entry.record())) {
            (Some(test), _) => (Some(&test.unit), test.ended_ms),
            (None, Some(event)) => (Some(&event.unit), event.happened_ms),
            (None, None) => (None, at),
        };
        Self { unit, when, links }
    }
}

/// The test that a record states, in itself or as a correction's new content.
pub(crate) fn test_of(record: &Record) -> Option<&TestRecord> {
    match record {
        Record::Test(test) => Some(test),
        Record::Correction(Correction {
            replacement: Replacement::Test(test),
            ..
        }) => Some(test),
        _ => None,
    }
}

/// The unit event that a record states, in itself or as a correction's new content.
pub(crate) fn event_of(record: &Record) -> Option<&UnitEvent> {
    match record {
        Record::UnitEvent(event) => Some(event),
        Record::Correction(Correction {
            replacement: Replacement::UnitEvent(event),
            ..
        }) => Some(event),
        _ => None,
    }
}
