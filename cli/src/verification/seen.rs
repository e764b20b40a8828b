//! What passed through a door: counted, and said in words.

use super::counted;
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::record::{Entry, Record, SignOff};
use carrylog_format::sign_off;
use carrylog_format::trust::{ChainFault, TrustStore};
use carrylog_format::unit_id::UnitKey;
use std::collections::{BTreeMap, BTreeSet};

/// Counts what passes through a door.
pub(super) struct Seen {
    trust: TrustStore,
    kinds: BTreeMap<String, u64>,
    units: BTreeSet<UnitKey>,
    last_at: Option<Instant>,
    clock_back: u64,
    sign_offs: Vec<SignOff>,
    unknown: u64,
}

impl Seen {
    /// Nothing seen yet.
    pub(super) fn new(trust: &TrustStore) -> Self {
        Self {
            trust: trust.clone(),
            kinds: BTreeMap::new(),
            units: BTreeSet::new(),
            last_at: None,
            clock_back: 0,
            sign_offs: Vec::new(),
            unknown: 0,
        }
    }

    /// A statement that the door has verified.
    pub(super) fn statement(&mut self, sign1: &[u8]) {
        // The door has verified it; here it only helps to name authorities and signers.
        let _ = self.trust.add(sign1);
    }

    /// An entry in its order.
    pub(super) fn entry(&mut self, entry: &Entry) {
        let record = entry.record();
        *self.kinds.entry(kind_words(record)).or_default() += 1;
        match record {
            Record::Test(t) => {
                self.units.insert(t.unit.key());
            }
            Record::UnitEvent(e) => {
                self.units.insert(e.unit.key());
            }
            Record::SignOff(s) => self.sign_offs.push(s.clone()),
            Record::Unknown { .. } => self.unknown += 1,
            Record::StationEvent(_) | Record::Correction(_) => {}
        }
        if self.last_at.is_some_and(|last| entry.head().at < last) {
            self.clock_back += 1;
        }
        self.last_at = Some(entry.head().at);
    }

    /// Number of units that were named.
    pub(super) fn units(&self) -> u64 {
        self.units.len() as u64
    }

    /// The kinds of records, each with its number.
    pub(super) fn kinds(&self) -> String {
        let parts: Vec<String> = self
            .kinds
            .iter()
            .map(|(kind, n)| counted(*n, kind))
            .collect();
        parts.join(", ")
    }

    /// Whether entries are in order, and what the clock says of it.
    pub(super) fn order(&self, seals: u64, from_start: bool) -> Vec<String> {
        let mut order = vec![format!(
            "yes: {} in an unbroken chain{}",
            counted(seals, "seal"),
            if from_start {
                " from the first entry"
            } else {
                ""
            }
        )];
        if self.clock_back > 0 {
            order.push(format!(
                "{} older than the one before by the station's clock: the clock was set back or is doubtful",
                match self.clock_back {
                    1 => "1 entry is".to_owned(),
                    n => format!("{n} entries are"),
                }
            ));
        }
        order
    }

    /// Whether the statements are one chain.
    pub(super) fn chain_faults(&self) -> Vec<String> {
        let faults: Vec<String> = self
            .trust
            .chain_faults()
            .iter()
            .map(|fault| match fault {
                ChainFault::Missing { seq, .. } => format!("statement {seq} is missing"),
                ChainFault::Forked { seq, .. } => {
                    format!("there are two statements {seq}: ask the authority")
                }
            })
            .collect();
        if faults.is_empty() {
            vec!["yes: the authority's statements are one chain".into()]
        } else {
            faults
        }
    }

    /// What no file can prove.
    pub(super) fn not_checked(&self) -> Vec<String> {
        let mut list = vec![
            "whether what was measured is right, and whether the station's clock was".to_owned(),
        ];
        let (mut good, mut faults) = (0, BTreeMap::<String, u64>::new());
        for s in &self.sign_offs {
            match sign_off::verify(s, &self.trust) {
                Ok(_) => good += 1,
                Err(e) => *faults.entry(e.to_string()).or_default() += 1,
            }
        }
        for (fault, n) in faults {
            list.push(format!("{n} of {} sign-offs: {fault}", good + n));
        }
        if self.unknown > 0 {
            list.push(format!(
                "{} entries of kinds that this program does not know",
                self.unknown
            ));
        }
        list
    }

    /// The name of an authority, as far as it is known.
    pub(super) fn authority_name(&self, authority: LogId) -> String {
        self.trust
            .authority_name(authority)
            .unwrap_or_else(|| format!("authority {}", authority.short()))
    }
}

fn kind_words(record: &Record) -> String {
    match record {
        Record::Test(_) => "test".into(),
        Record::UnitEvent(_) => "unit event".into(),
        Record::StationEvent(_) => "station event".into(),
        Record::Correction(_) => "correction".into(),
        Record::SignOff(_) => "sign-off".into(),
        Record::Unknown { kind, .. } => format!("entry of kind «{kind}»"),
    }
}
