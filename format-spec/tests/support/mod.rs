//! An invented authority, server and station for the tests of this crate: Fjordline Air Rescue.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    dead_code,
    unreachable_pub,
    missing_docs,
    reason = "each test file uses its own part"
)]

use carrylog_format::bundle::{HistoryWriter, SegmentStart, SegmentWriter, write_return};
use carrylog_format::cose::SecretKey;
use carrylog_format::fleet_log::{FleetTree, HeadFrame, seal_leaf};
use carrylog_format::ids::{LogId, StatementDigest};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{
    DurationMs, FlightMinutes, MicroAmpHours, MicroAmps, MicroOhms, MicroVolts, MicroWattHours,
    MilliKelvin, Ppm,
};
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::*;
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::statement::{Enrolment, Role, Statement, StatementBody};
use carrylog_format::text::{Name, Remark, Text};
use carrylog_format::tree::{Frontier, LeafTree};
use carrylog_format::trust::TrustStore;
use carrylog_format::unit_id::{PlateText, UnitId};

pub const T0: i64 = 1_767_225_600_000; // 2026-01-01T00:00:00Z

pub fn at(minutes: i64) -> Instant {
    Instant::from_millis(T0 + minutes * 60_000).unwrap()
}

pub fn key(n: u8) -> SecretKey {
    SecretKey::from_seed([n; 32])
}

pub fn name(text: &str) -> Name {
    Name::new(text).unwrap()
}

pub fn remark(text: &str) -> Remark {
    Remark::new(text).unwrap()
}

pub fn unit(serial: &str) -> UnitId {
    UnitId::new("FJ001", "FB-44-2", serial).unwrap()
}

/// An authority with its chain of statements.
pub struct Authority {
    pub key: SecretKey,
    pub chain: Vec<Statement>,
}

impl Authority {
    pub fn new(n: u8) -> Self {
        let mut authority = Self {
            key: key(n),
            chain: Vec::new(),
        };
        authority.state(StatementBody::Founded {
            name: name("Fjordline Air Rescue records office"),
        });
        authority
    }

    pub fn state(&mut self, body: StatementBody) -> StatementDigest {
        let seq = self.chain.len() as u64;
        let prev = self.chain.last().map(Statement::digest);
        let statement = Statement::sign(&self.key, seq, prev, at(seq as i64), body).unwrap();
        let digest = statement.digest();
        self.chain.push(statement);
        digest
    }

    pub fn enrol(&mut self, key: &SecretKey, role: Role, called: &str) -> StatementDigest {
        self.state(StatementBody::Enrolled(Box::new(enrolment(
            key, role, called,
        ))))
    }

    pub fn trust(&self) -> TrustStore {
        let mut trust = TrustStore::new([self.key.public()]);
        for statement in &self.chain {
            trust.add(statement.sign1()).unwrap();
        }
        trust
    }
}

/// An enrolment without dates.
pub fn enrolment(key: &SecretKey, role: Role, called: &str) -> Enrolment {
    let mut enrolment = Enrolment::plain(key.public(), name(called), role);
    if role == Role::Person {
        enrolment.roles = vec![SignOffRole::CertifyingStaff];
    }
    enrolment
}

/// An authority that trusts another one.
pub fn trusting(own: u8, partner: u8) -> Authority {
    let mut authority = Authority::new(own);
    authority.state(StatementBody::AuthorityTrusted {
        key: key(partner).public(),
        name: name("Another operator (invented)"),
        reason: remark("Stolen."),
    });
    authority
}

pub fn head(minutes: i64) -> EntryHead {
    EntryHead {
        by: name("Tech 7 (invented)"),
        at: at(minutes),
        clock: ClockQuality::Checked,
        note: None,
        ext: Extension::new(),
    }
}

pub fn opened() -> Entry {
    let event = StationChange::Opened {
        name: name("Bay 1"),
        slots: 16,
        continues: None,
    };
    Entry::new(
        head(0),
        Record::StationEvent(StationEvent {
            event,
            happened_ms: at(0),
        }),
    )
    .unwrap()
}

pub fn test_entry(serial: &str, minutes: i64) -> Entry {
    Entry::new(
        head(minutes),
        Record::Test(Box::new(test_record(serial, minutes))),
    )
    .unwrap()
}

pub fn test_record(serial: &str, minutes: i64) -> TestRecord {
    TestRecord {
        slot: Some(3),
        unit: unit(serial),
        trace: None,
        faults: vec![],
        on_wing: None,
        purpose: Purpose::PeriodicCheck,
        computed: None,
        declared: Declared {
            capacity_uah: Some(MicroAmpHours::from_amp_hours(41.5).unwrap()),
            ..Declared::default()
        },
        ended_ms: at(minutes),
        started_ms: at(minutes - 60),
        ambient_mk: None,
        assessment: None,
        flight_cycles: None,
        flight_minutes: None,
        unit_temperature_mk: None,
    }
}

/// A test with every optional field filled, so that the order of all fields is exercised.
pub fn full_test_record() -> TestRecord {
    let uah = |v| MicroAmpHours::from_amp_hours(v).unwrap();
    let uwh = |v| MicroWattHours::from_watt_hours(v).unwrap();
    let uv = |v| MicroVolts::from_volts(v).unwrap();
    let celsius = |v| MilliKelvin::from_celsius(v).unwrap();
    let digest = carrylog_format::tree::Hash::of(b"example");
    TestRecord {
        trace: Some(TraceRef {
            rows: 2,
            sha256: carrylog_format::ids::TraceDigest::from_hash(digest),
        }),
        faults: vec![Text::new("E07").unwrap()],
        on_wing: Some(OnWing {
            position: Text::new("1L").unwrap(),
            registration: name("FJ-ABC"),
        }),
        computed: Some(Computed {
            by: Text::new("carrylog-health 0.1.0").unwrap(),
            phases: vec![Phase {
                kind: PhaseKind::Discharge,
                row_first: 0,
                row_last: 1,
                energy_uwh: uwh(1100.0),
                charge_uah: uah(41.4),
                duration_ms: DurationMs::from_seconds(3600.0).unwrap(),
                end_voltage_uv: uv(21.0),
                start_voltage_uv: uv(27.0),
            }],
            refused: vec![Refused {
                why: Text::new("half a cycle has no efficiency").unwrap(),
                result: Text::new("efficiency").unwrap(),
            }],
            energy_uwh: Some(uwh(1100.0)),
            efficiency: vec![Efficiency {
                energy_ppm: Ppm::from_percent(95.0).unwrap(),
                coulombic_ppm: Ppm::from_percent(99.7).unwrap(),
                phase_first: 0,
                phase_last: 1,
            }],
            resistance: Some(StepResistance {
                row: 1,
                uohm: MicroOhms::from_milliohms(14.8).unwrap(),
                delay_ms: DurationMs::from_seconds(1.0).unwrap(),
                std_uohm: Some(MicroOhms::from_milliohms(0.1).unwrap()),
            }),
            capacity_uah: Some(uah(41.4)),
            end_voltage_uv: Some(uv(21.0)),
            energy_std_uwh: Some(uwh(2.0)),
            capacity_std_uah: Some(uah(0.05)),
            governing_phase: Some(0),
            charge_20_to_90_ms: Some(DurationMs::from_seconds(2400.0).unwrap()),
            temperature_max_mk: Some(celsius(31.0)),
            temperature_min_mk: Some(celsius(19.0)),
            temperature_mean_mk: Some(celsius(25.0)),
        }),
        declared: Declared {
            soc_ppm: Some(Ppm::from_percent(70.0).unwrap()),
            energy_uwh: Some(uwh(1101.0)),
            resistance: Some(Resistance {
                uohm: MicroOhms::from_milliohms(14.7).unwrap(),
                method: ResistanceMethod::Ac,
                frequency_millihertz: Some(1_000_000),
            }),
            capacity_uah: Some(uah(41.5)),
            end_voltage_uv: Some(uv(21.0)),
        },
        ambient_mk: Some(celsius(21.0)),
        assessment: Some(Assessment {
            next: vec![NextStep::ChargeForInstallation],
            sheet: StatementDigest::from_hash(digest),
            reasons: vec![Remark::new("Capacity is above the minimum.").unwrap()],
            verdict: Verdict::WithinLimits,
        }),
        flight_cycles: Some(812),
        flight_minutes: Some(FlightMinutes::from_hours(540.5).unwrap()),
        unit_temperature_mk: Some(celsius(20.0)),
        ..test_record("SN-0001", 60)
    }
}

/// A limits sheet with every optional field filled.
pub fn full_limits_sheet() -> LimitsSheet {
    let celsius = |v| MilliKelvin::from_celsius(v).unwrap();
    LimitsSheet {
        mfr: PlateText::new("FJ001").unwrap(),
        part: PlateText::new("FB-44-2").unwrap(),
        manual: ManualReference {
            revision: name("4 (invented)"),
            reference: name("CMM 24-30-11 (invented)"),
        },
        storage: Some(StorageRule {
            soc_ppm: Ppm::from_percent(70.0).unwrap(),
            valid_days: 180,
            tolerance_ppm: Ppm::from_percent(5.0).unwrap(),
        }),
        cautions: vec![Remark::new("High current: isolate before connecting.").unwrap()],
        intervals: CheckIntervals {
            days: Some(365),
            first_days: Some(730),
            flight_minutes: Some(FlightMinutes::from_hours(600.0).unwrap()),
        },
        resistance: vec![ResistanceLimit {
            method: ResistanceMethod::DcStep,
            max_uohm: MicroOhms::from_milliohms(25.0).unwrap(),
            new_uohm: Some(MicroOhms::from_milliohms(14.0).unwrap()),
            max_temperature_mk: celsius(30.0),
            min_temperature_mk: celsius(15.0),
        }],
        valid_from: "2024-01-01".parse().unwrap(),
        valid_until: Some("2030-12-31".parse().unwrap()),
        complementary: vec![Remark::new("Repeat the discharge after a full charge.").unwrap()],
        end_voltage_uv: MicroVolts::from_volts(21.0).unwrap(),
        test_max_temperature_mk: celsius(30.0),
        test_min_temperature_mk: celsius(15.0),
        minimum_capacity_uah: MicroAmpHours::from_amp_hours(35.2).unwrap(),
        rated_capacity_uah: MicroAmpHours::from_amp_hours(44.0).unwrap(),
        air_shipment_max_soc_ppm: Some(Ppm::from_percent(30.0).unwrap()),
        capacity_coefficient_ppm_per_k: Some(-5000),
        reference_temperature_mk: Some(celsius(20.0)),
        recomputation_tolerance_ppm: Some(Ppm::from_percent(1.0).unwrap()),
        commissioning_capacity_uah: Some(MicroAmpHours::from_amp_hours(44.0).unwrap()),
    }
}

/// Accuracies with every optional field filled.
pub fn full_accuracy() -> Accuracy {
    Accuracy {
        time_ppm: Ppm::new(50).unwrap(),
        current_ppm: Ppm::new(1000).unwrap(),
        voltage_ppm: Ppm::new(500).unwrap(),
        temperature_mk: MilliKelvin::new(1000).unwrap(),
        current_offset_ua: MicroAmps::new(5000).unwrap(),
        voltage_offset_uv: MicroVolts::new(2000).unwrap(),
        time_resolution_ms: Some(DurationMs::new(100).unwrap()),
        current_resolution_ua: Some(MicroAmps::new(10_000).unwrap()),
        voltage_resolution_uv: Some(MicroVolts::new(1000).unwrap()),
    }
}

/// The fleet log of the server with key 3, in which these seals stand from leaf 1 on.
pub fn fleet(seals: &[Seal]) -> FleetTree {
    let (mut fleet, _) = FleetTree::open(key(3), at(0), None).unwrap();
    for seal in seals {
        fleet.push(&seal_leaf(seal.payload()));
    }
    fleet
}

/// A receipt for each of these seals, signed at the same size.
pub fn receipts(seals: &[Seal], minutes: i64) -> Vec<ReceiptSlip> {
    let fleet = fleet(seals);
    let receipt = |(seal, index): (&Seal, u64)| fleet.receipt(seal.payload(), index, at(minutes));
    seals.iter().zip(1..).map(|s| receipt(s).unwrap()).collect()
}

/// The head that [`receipts`] are signed at, as a return carries it, with proofs from these sizes.
pub fn head_frame(seals: &[Seal], minutes: i64, from: &[u64]) -> HeadFrame {
    let fleet = fleet(seals);
    fleet.head_frame(at(minutes), Vec::new(), from).unwrap()
}

/// A whole return: statements, head, and a receipt for each of these seals.
pub fn return_of(log: LogId, statements: &[Statement], seals: &[Seal], minutes: i64) -> Vec<u8> {
    let head = head_frame(seals, minutes, &[]);
    let slips = receipts(seals, minutes);
    write_return(Vec::new(), Some(log), statements, Some(&head), &slips).unwrap()
}

/// A station's log in memory.
pub struct StationLog {
    pub key: SecretKey,
    pub entries: Vec<Entry>,
    pub tree: LeafTree,
    pub seals: Vec<Seal>,
}

impl StationLog {
    pub fn new(n: u8) -> Self {
        let mut log = Self {
            key: key(n),
            entries: Vec::new(),
            tree: LeafTree::new(),
            seals: Vec::new(),
        };
        log.push(opened());
        log
    }

    pub fn id(&self) -> LogId {
        LogId::of(&self.key.public())
    }

    pub fn push(&mut self, entry: Entry) {
        self.tree.push(*entry.id().hash());
        self.entries.push(entry);
    }

    pub fn seal(&mut self, minutes: i64) {
        let size = self.tree.len();
        let content = SealContent {
            log: self.id(),
            seq: self.seals.len() as u64,
            prev: self.seals.last().map(Seal::digest),
            root: self.tree.root_at(size).unwrap(),
            seen: None,
            size,
            at_ms: at(minutes),
        };
        self.seals.push(Seal::sign(&self.key, &content).unwrap());
    }

    /// The reference to an entry of this log.
    pub fn place(&self, index: u64) -> EntryRef {
        EntryRef {
            log: self.id(),
            entry: self.entries[index as usize].id(),
            index,
        }
    }

    pub fn frontier(&self, size: u64) -> Frontier {
        self.tree.frontier_at(size).unwrap()
    }

    /// The segment from `from` to the newest seal, with these statements.
    pub fn segment(&self, from: u64, statements: &[Statement]) -> Vec<u8> {
        let to = self.seals.last().unwrap().content().size;
        let public = self.key.public();
        let frontier = self.frontier(from);
        let start = SegmentStart {
            key: &public,
            frontier: &frontier,
            to,
        };
        let mut writer = SegmentWriter::new(Vec::new(), &start, statements).unwrap();
        for index in from..to {
            writer.entry(self.entries[index as usize].bytes()).unwrap();
            for seal in self.seals.iter().filter(|s| s.content().size == index + 1) {
                writer.seal(seal).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    /// The history of one unit, with a proof of each entry to the newest seal.
    pub fn history(
        &self,
        of: &UnitId,
        statements: &[Statement],
        receipts: &[ReceiptSlip],
    ) -> Vec<u8> {
        let seal = self.seals.last().unwrap();
        let mut writer = HistoryWriter::new(Vec::new(), of, statements, [seal], receipts).unwrap();
        for (index, entry) in self.entries.iter().enumerate() {
            let concerned = match entry.record() {
                Record::Test(t) => t.unit.key() == of.key(),
                Record::UnitEvent(e) => e.unit.key() == of.key(),
                _ => false,
            };
            if concerned {
                let proof = self
                    .tree
                    .prove_inclusion(index as u64, seal.content().size)
                    .unwrap();
                writer.entry(entry.bytes(), seal.digest(), &proof).unwrap();
            }
        }
        writer.finish().unwrap()
    }
}
