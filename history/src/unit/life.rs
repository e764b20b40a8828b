//! The history of one unit: its entries in order, corrections, repeats and sign-offs applied.
//!
//! Nothing is left out: what was superseded, withdrawn or repeated stays visible and says so.

use crate::entry::KnownEntry;
use crate::filing::EntryFacts;
use crate::judged::{Basis, Judged};
use crate::log::EntryStatus;
use carrylog_format::ids::EntryId;
use carrylog_format::instant::Instant;
use carrylog_format::quantity::MicroAmpHours;
use carrylog_format::record::{
    Assessment, Computed, Correction, Record, Replacement, ResistanceMethod, TestRecord, UnitEvent,
};
use carrylog_format::unit_id::UnitKey;
use carrylog_health::quantity::Ohms;

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
    /// The name of its log's owner.
    pub station: String,
    /// The correction that took its place.
    pub superseded: Option<Superseded>,
    /// More than one correction names it.
    pub competing: Vec<EntryId>,
    /// The entry that it repeats, as an authority said.
    pub repeats: Option<EntryId>,
    /// Who signed it off.
    pub sign_offs: Vec<SignedOff>,
    /// Entries of any unit that name the same trace.
    pub same_trace: Vec<Issue>,
    /// The test that it states, judged anew.
    pub judged: Option<Judged>,
}

/// One sign-off of an entry.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SignedOff {
    /// The entry that holds it.
    pub entry: EntryId,
    /// Who signed, or in words why it does not count.
    pub by: Result<String, String>,
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
    /// The unit that it names, under its shown key.
    pub unit: UnitKey,
}

impl HistoryItem {
    /// An entry on its own.
    pub fn new(known: KnownEntry, station: String) -> Self {
        Self {
            known,
            station,
            superseded: None,
            competing: Vec::new(),
            repeats: None,
            sign_offs: Vec::new(),
            same_trace: Vec::new(),
            judged: None,
        }
    }

    /// Applies the corrections that name this entry. Of several that count, the last one holds.
    pub fn apply_corrections(&mut self, corrections: &[KnownEntry]) {
        let counting: Vec<_> = counting_corrections(corrections).collect();
        if let Some((known, correction)) = counting.last() {
            self.superseded = Some(Superseded::by(known, correction));
        }
        if counting.len() > 1 {
            self.competing = counting.iter().map(|(c, _)| c.id()).collect();
        }
    }

    /// Lets a later correction of the same entry take the place of this one.
    pub fn apply_rivals(&mut self, rivals: &[KnownEntry]) {
        let last = counting_corrections(rivals).last();
        if let Some((known, correction)) = last.filter(|(known, _)| known.id() != self.id()) {
            self.superseded
                .get_or_insert_with(|| Superseded::by(known, correction));
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

    /// Results of the test: computed anew where the trace is known, else as the station stated them.
    pub fn results(&self) -> Option<&Computed> {
        let anew = self.judged.as_ref().and_then(|j| j.computed.as_ref());
        anew.or_else(|| self.test()?.computed.as_ref())
    }

    /// The capacity that stands for the test: from its trace, else as the station stated it. `None`
    /// if neither is there or it is zero, which is a fault of the record and no capacity.
    pub fn capacity(&self) -> Option<MicroAmpHours> {
        let computed = self.results().and_then(|c| c.capacity_uah);
        let capacity = computed.or(self.test()?.declared.capacity_uah)?;
        (capacity.raw() > 0).then_some(capacity)
    }

    /// Standard uncertainty of [`Self::capacity`]; `None` where the station's stated value stands.
    pub fn capacity_standard(&self) -> Option<MicroAmpHours> {
        let computed = self.results()?;
        computed.capacity_uah?;
        computed.capacity_std_uah
    }

    /// The resistance of the test by `method`: as the station stated it, else from its trace.
    pub fn resistance(&self, method: ResistanceMethod) -> Option<Ohms> {
        let declared = self.test()?.declared.resistance.as_ref();
        let declared = declared.filter(|r| r.method == method).map(|r| r.uohm);
        let step = self.results().and_then(|c| c.resistance.as_ref());
        let step = step.filter(|_| method == ResistanceMethod::DcStep);
        let value = declared.or(step.map(|s| s.uohm))?;
        Some(Ohms(value.milliohms() / 1e3))
    }

    /// The assessment that counts: recomputed, or as stated where that cannot be.
    pub fn assessment(&self) -> Option<&Assessment> {
        match &self.judged {
            Some(judged) => judged.assessment.as_ref(),
            None => self.test()?.assessment.as_ref(),
        }
    }

    /// What the assessment rests on.
    pub fn basis(&self) -> Basis {
        self.judged.as_ref().map_or(Basis::AsStated, |j| j.basis)
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

impl Superseded {
    fn by(known: &KnownEntry, correction: &Correction) -> Self {
        Self {
            by: known.id(),
            reason: correction.reason.to_string(),
            withdrawn: correction.replacement == Replacement::Withdrawn,
        }
    }
}

fn counting_corrections(
    corrections: &[KnownEntry],
) -> impl Iterator<Item = (&KnownEntry, &Correction)> {
    corrections
        .iter()
        .filter(|c| c.status == EntryStatus::Accepted)
        .filter_map(|c| match c.entry.record() {
            Record::Correction(correction) => Some((c, correction)),
            _ => None,
        })
}
