//! The authority, the station's log and the server's receipts that all vectors are made from.

use crate::support::*;
use carrylog_format::bundle::{HistoryWriter, SegmentStart, SegmentWriter};
use carrylog_format::ids::TraceDigest;
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::{
    Correction, Entry, Record, Replacement, SignOffContent, SignOffRole, TraceRef, UnitChange,
    UnitEvent,
};
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::statement::{Role, Statement, StatementBody};
use carrylog_format::text::Remark;
use carrylog_format::trace::{Trace, TraceColumns, compress};
use carrylog_format::tree::Hash;

/// The authority, the station's log and the server's receipts that all vectors are made from.
pub struct Scene {
    pub authority: Authority,
    pub log: StationLog,
    pub slips: Vec<ReceiptSlip>,
}

pub fn trace() -> (TraceRef, Vec<u8>) {
    let rows = 200_i64;
    let trace = Trace::new(TraceColumns {
        time_us: (0..rows).map(|i| i * 1_000_000).collect(),
        current_ua: (0..rows)
            .map(|i| {
                if i < 10 {
                    0
                } else {
                    -22_000_000 + (i % 5) * 1000
                }
            })
            .collect(),
        voltage_uv: (0..rows).map(|i| 27_000_000 - i * 21_000).collect(),
        temperature_mk: vec![(0..rows).map(|i| 293_150 + i * 3).collect()],
        ..TraceColumns::default()
    })
    .unwrap();
    let canonical = trace.to_canonical().unwrap();
    let reference = TraceRef {
        rows: rows as u64,
        sha256: TraceDigest::of(&canonical),
    };
    (reference, compress(&canonical).unwrap())
}

impl Scene {
    pub fn new() -> Self {
        let mut authority = Authority::new(1);
        let mut log = StationLog::new(2);
        authority.enrol(&log.key, Role::Station, "Bay 1");
        authority.enrol(&key(3), Role::Server, "Records office");
        authority.enrol(&key(4), Role::Person, "Certifier 3 (invented)");
        authority.state(StatementBody::Limits(Box::new(full_limits_sheet())));
        let mut traced = test_record("SN-0001", 60);
        traced.trace = Some(trace().0);
        log.push(Entry::new(head(60), Record::Test(Box::new(traced.clone()))).unwrap());
        log.seal(61);
        log.push(test_entry("SN-0002", 120));
        let correction = Correction {
            reason: Remark::new("Flight hours were missing.").unwrap(),
            supersedes: log.place(1),
            replacement: Replacement::Test(Box::new(full_test_record())),
        };
        log.push(Entry::new(head(130), Record::Correction(correction)).unwrap());
        let content = SignOffContent {
            role: SignOffRole::CertifyingStaff,
            at_ms: at(140),
            entry: log.place(1),
            meaning: Remark::new("Work done as the manual states.").unwrap(),
        };
        let sign_off = carrylog_format::sign_off::sign(&key(4), &content).unwrap();
        log.push(Entry::new(head(141), Record::SignOff(sign_off)).unwrap());
        let event = UnitEvent {
            unit: unit("SN-0001"),
            event: UnitChange::Stored {
                place: name("Shelf 4"),
            },
            happened_ms: at(150),
            flight_cycles: None,
            flight_minutes: None,
        };
        log.push(Entry::new(head(150), Record::UnitEvent(event)).unwrap());
        log.seal(181);
        let slips = receipts(&log.seals, 300);
        Self {
            authority,
            log,
            slips,
        }
    }

    pub fn key_hex(&self) -> Vec<String> {
        vec![hex::encode(self.authority.key.public().to_bytes())]
    }

    pub fn segment(&self) -> Vec<u8> {
        self.segment_of(0, &self.log.entries, &self.log.seals, &self.authority.chain)
    }

    pub fn segment_of(
        &self,
        from: u64,
        entries: &[Entry],
        seals: &[Seal],
        chain: &[Statement],
    ) -> Vec<u8> {
        let public = self.log.key.public();
        let frontier = self.log.frontier(from);
        let start = SegmentStart {
            key: &public,
            frontier: &frontier,
            to: 6,
        };
        let mut writer = SegmentWriter::new(Vec::new(), &start, chain).unwrap();
        for index in from..entries.len() as u64 {
            writer.entry(entries[index as usize].bytes()).unwrap();
            if index == 1 {
                writer.trace(&trace().1).unwrap();
            }
            for seal in seals.iter().filter(|s| s.content().size == index + 1) {
                writer.seal(seal).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    /// Entries 2 to 5, with the frontier at 2.
    pub fn later(&self) -> Vec<u8> {
        let seals = &self.log.seals[1..];
        self.segment_of(2, &self.log.entries, seals, &self.authority.chain)
    }

    pub fn history(&self) -> Vec<u8> {
        let seal = self.log.seals.last().unwrap();
        let mut writer = HistoryWriter::new(
            Vec::new(),
            &unit("SN-0001"),
            &self.authority.chain,
            [seal],
            &self.slips,
        )
        .unwrap();
        for index in [1_u64, 3, 4, 5] {
            let proof = self.log.tree.prove_inclusion(index, 6).unwrap();
            writer
                .entry(
                    self.log.entries[index as usize].bytes(),
                    seal.digest(),
                    &proof,
                )
                .unwrap();
            if index == 1 {
                writer.trace(&trace().1).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    pub fn returned(&self) -> Vec<u8> {
        return_of(self.log.id(), &self.authority.chain, &self.log.seals, 300)
    }
}

pub fn seal_of(scene: &Scene, seq: u64, size: u64, root: Hash, prev: &Seal, minutes: i64) -> Seal {
    let content = SealContent {
        log: scene.log.id(),
        seq,
        prev: (seq > 0).then_some(prev.digest()),
        root,
        seen: None,
        size,
        at_ms: at(minutes),
    };
    Seal::sign(&scene.log.key, &content).unwrap()
}
