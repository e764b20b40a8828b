//! The history of one unit: its entries in order, corrections, repeats and sign-offs applied.
//!
//! Nothing is left out: what was superseded, withdrawn or repeated stays visible and says so.

use crate::entry::KnownEntry;
use crate::filing::EntryFacts;
use crate::log::EntryStatus;
use carrylog_format::ids::EntryId;
use carrylog_format::instant::Instant;
use carrylog_format::quantity::MicroAmpHours;
use carrylog_format::record::{Record, Replacement, TestRecord, UnitEvent};

/// Everything known of one unit.
#[derive(Debug, Clone, Default)]
pub struct UnitHistory {
    /// Entries by time of what they tell, then log, then index.
    pub items: Vec<HistoryItem>,
}

/// One entry in a unit's history.
#[derive(Debug, Clone)]
pub struct HistoryItem {
    /// The entry with its place and status.
    pub known: KnownEntry,
    /// The correction that took its place.
    pub superseded: Option<Superseded>,
    /// More than one correction names it.
    pub competing: Vec<EntryId>,
    /// The entry that it repeats, as an authority said.
    pub repeats: Option<EntryId>,
    /// Who signed it off, with what was wrong if it does not count.
    pub sign_offs: Vec<Result<String, String>>,
    /// Entries of any unit that name the same trace.
    pub same_trace: Vec<Issue>,
}

/// The correction that took an entry's place.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Superseded {
    /// The correction.
    pub by: EntryId,
    /// Its reason.
    pub reason: String,
    /// Nothing took the entry's place.
    pub withdrawn: bool,
}

/// Another entry that has to do with this one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Issue {
    /// The other entry.
    pub entry: EntryId,
    /// The unit that it names.
    pub unit: String,
}

impl HistoryItem {
    /// An entry on its own.
    pub fn new(known: KnownEntry) -> Self {
        Self {
            known,
            superseded: None,
            competing: Vec::new(),
            repeats: None,
            sign_offs: Vec::new(),
            same_trace: Vec::new(),
        }
    }

    /// Applies the corrections that name this entry. Of several that count, the last one holds.
    pub fn apply_corrections(&mut self, corrections: &[KnownEntry]) {
        let counting: Vec<_> = corrections
            .iter()
            .filter(|c| c.status == EntryStatus::Accepted)
            .filter_map(|c| match c.entry.record() {
                Record::Correction(correction) => Some((c, correction)),
                _ => None,
            })
            .collect();
        if let Some((known, correction)) = counting.last() {
            self.superseded = Some(Superseded {
                by: known.id(),
                reason: correction.reason.to_string(),
                withdrawn: correction.replacement == Replacement::Withdrawn,
            });
        }
        if counting.len() > 1 {
            self.competing = counting.iter().map(|(c, _)| c.entry.id()).collect();
        }
    }

    /// The entry's id.
    pub fn id(&self) -> EntryId {
        self.known.entry.id()
    }

    /// Whether it counts for what is shown of the unit.
    pub fn counts(&self) -> bool {
        self.known.status == EntryStatus::Accepted
            && self.superseded.is_none()
            && self.repeats.is_none()
    }

    /// The test that it states.
    pub fn test(&self) -> Option<&TestRecord> {
        self.known.entry.record().test()
    }

    /// The unit event that it states.
    pub fn event(&self) -> Option<&UnitEvent> {
        self.known.entry.record().unit_event()
    }

    /// When what it tells happened.
    pub fn when(&self) -> Instant {
        EntryFacts::of(&self.known.entry).when
    }
}

impl UnitHistory {
    /// Orders items by time, log and index.
    pub fn of(mut items: Vec<HistoryItem>) -> Self {
        items.sort_by_key(|i| (i.when(), i.known.log, i.known.index, i.id()));
        Self { items }
    }

    /// Items that count.
    pub fn counting(&self) -> impl DoubleEndedIterator<Item = &HistoryItem> {
        self.items.iter().filter(|i| i.counts())
    }

    /// Tests that count, in order.
    pub fn tests(&self) -> impl DoubleEndedIterator<Item = (&HistoryItem, &TestRecord)> {
        self.counting().filter_map(|i| Some((i, i.test()?)))
    }

    /// Unit events that count, in order.
    pub fn events(&self) -> impl DoubleEndedIterator<Item = (&HistoryItem, &UnitEvent)> {
        self.counting().filter_map(|i| Some((i, i.event()?)))
    }
}

/// The capacity of a test: computed from its trace, or else as the station stated it.
pub fn capacity(test: &TestRecord) -> Option<MicroAmpHours> {
    test.computed
        .as_ref()
        .and_then(|c| c.capacity_uah)
        .or(test.declared.capacity_uah)
}
