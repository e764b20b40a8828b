//! Fjordline Air Rescue (invented) in memory: an authority, stations with their logs, and a server.
#![allow(
    dead_code,
    missing_docs,
    unreachable_pub,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "each test file uses its own part"
)]

use carrylog_format::bundle::{SegmentStart, SegmentWriter, write_return};
use carrylog_format::cose::SecretKey;
use carrylog_format::ids::{LogId, StatementDigest};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{MicroAmpHours, MicroVolts, MilliKelvin, Ppm};
use carrylog_format::record::*;
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::statement::{Enrolment, Role, Statement, StatementBody};
use carrylog_format::text::{Name, Remark, Text};
use carrylog_format::tree::{Frontier, LeafTree};
use carrylog_format::unit_id::{PlateText, UnitId};
use carrylog_server::{Config, Server};
use std::sync::Arc;
use tempfile::TempDir;

pub const T0: i64 = 1_767_225_600_000; // 2026-01-01T00:00:00Z
pub const DAY: i64 = 24 * 60;

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

pub fn ah(value: f64) -> MicroAmpHours {
    MicroAmpHours::from_amp_hours(value).unwrap()
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
            name: name("Fjordline records office (invented)"),
        });
        authority
    }

    pub fn state(&mut self, body: StatementBody) -> StatementDigest {
        let seq = self.chain.len() as u64;
        let prev = self.chain.last().map(Statement::digest);
        let statement = Statement::sign(&self.key, seq, prev, at(seq as i64), body).unwrap();
        self.chain.push(statement);
        self.chain.last().unwrap().digest()
    }

    pub fn enrol(&mut self, key: &SecretKey, role: Role, called: &str) -> StatementDigest {
        self.enrol_within(key, role, called, None, None)
    }

    pub fn enrol_within(
        &mut self,
        key: &SecretKey,
        role: Role,
        called: &str,
        from: Option<&str>,
        until: Option<&str>,
    ) -> StatementDigest {
        let mut enrolment = Enrolment::plain(key.public(), name(called), role);
        enrolment.from = from.map(|d| d.parse().unwrap());
        enrolment.until = until.map(|d| d.parse().unwrap());
        if role == Role::Person {
            enrolment.roles = vec![SignOffRole::CertifyingStaff];
        }
        self.state(StatementBody::Enrolled(Box::new(enrolment)))
    }

    pub fn enrol_server(&mut self, records: &Records) -> StatementDigest {
        let called = name("Fjordline server (invented)");
        let key = *records.server.public_key();
        self.state(StatementBody::Enrolled(Box::new(Enrolment::plain(
            key,
            called,
            Role::Server,
        ))))
    }

    pub fn revoke(&mut self, log: LogId, from_size: u64) -> StatementDigest {
        self.state(StatementBody::Revoked {
            log,
            root: None,
            reason: remark("stolen (invented)"),
            from_size,
        })
    }

    /// A file with these statements.
    pub fn file(&self, statements: &[Statement]) -> Vec<u8> {
        write_return(Vec::new(), None, statements, None, &[]).unwrap()
    }

    /// A file with all statements.
    pub fn whole_file(&self) -> Vec<u8> {
        self.file(&self.chain)
    }
}

pub fn head(minutes: i64) -> EntryHead {
    EntryHead {
        by: name("Technician 7 (invented)"),
        at: at(minutes),
        clock: ClockQuality::Checked,
        note: None,
        ext: Extension::new(),
    }
}

pub fn opened(called: &str) -> Entry {
    let event = StationChange::Opened {
        name: name(called),
        slots: 16,
        continues: None,
    };
    station_event(event, 0)
}

pub fn station_event(event: StationChange, minutes: i64) -> Entry {
    let record = Record::StationEvent(StationEvent {
        event,
        happened_ms: at(minutes),
    });
    Entry::new(head(minutes), record).unwrap()
}

pub fn unit_event(serial: &str, event: UnitChange, minutes: i64) -> Entry {
    let record = Record::UnitEvent(UnitEvent {
        unit: unit(serial),
        event,
        happened_ms: at(minutes),
        flight_cycles: None,
        flight_minutes: None,
    });
    Entry::new(head(minutes), record).unwrap()
}

pub fn installed(serial: &str, registration: &str, minutes: i64) -> Entry {
    let on = OnWing {
        position: Text::new("1L").unwrap(),
        registration: name(registration),
    };
    unit_event(serial, UnitChange::Installed(on), minutes)
}

/// A periodic check with a stated capacity.
pub fn check(serial: &str, capacity_ah: f64, minutes: i64) -> TestRecord {
    TestRecord {
        slot: Some((minutes % 16) as u16),
        unit: unit(serial),
        trace: None,
        faults: vec![],
        on_wing: None,
        purpose: Purpose::PeriodicCheck,
        computed: None,
        declared: Declared {
            capacity_uah: Some(ah(capacity_ah)),
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

pub fn computed(capacity_ah: f64) -> Computed {
    Computed {
        by: Text::new("carrylog-health 0.1.0").unwrap(),
        phases: vec![],
        refused: vec![],
        energy_uwh: None,
        efficiency: vec![],
        resistance: None,
        capacity_uah: Some(ah(capacity_ah)),
        end_voltage_uv: None,
        energy_std_uwh: None,
        capacity_std_uah: None,
        governing_phase: None,
        charge_20_to_90_ms: None,
        temperature_max_mk: None,
        temperature_min_mk: None,
        temperature_mean_mk: None,
    }
}

pub fn assessed(sheet: StatementDigest, verdict: Verdict) -> Assessment {
    Assessment {
        next: vec![],
        sheet,
        reasons: vec![remark("Capacity compared with the minimum of the sheet.")],
        verdict,
    }
}

pub fn entry(record: TestRecord) -> Entry {
    let minutes = (record.ended_ms.millis() - T0) / 60_000;
    Entry::new(head(minutes), Record::Test(Box::new(record))).unwrap()
}

pub fn test_entry(serial: &str, minutes: i64) -> Entry {
    entry(check(serial, 41.5, minutes))
}

pub fn correction(supersedes: EntryRef, replacement: Replacement, minutes: i64) -> Entry {
    let record = Record::Correction(Correction {
        reason: remark("typing error (invented)"),
        supersedes,
        replacement,
    });
    Entry::new(head(minutes), record).unwrap()
}

pub fn sheet() -> LimitsSheet {
    let celsius = |v| MilliKelvin::from_celsius(v).unwrap();
    LimitsSheet {
        mfr: PlateText::new("FJ001").unwrap(),
        part: PlateText::new("FB-44-2").unwrap(),
        manual: ManualReference {
            revision: name("4 (invented)"),
            reference: name("CMM 24-30-11 (invented)"),
        },
        storage: None,
        cautions: vec![remark("High current: isolate before connecting.")],
        intervals: CheckIntervals {
            days: Some(365),
            first_days: Some(730),
            flight_minutes: None,
        },
        resistance: vec![],
        valid_from: "2020-01-01".parse().unwrap(),
        valid_until: None,
        complementary: vec![],
        end_voltage_uv: MicroVolts::from_volts(21.0).unwrap(),
        test_max_temperature_mk: celsius(30.0),
        test_min_temperature_mk: celsius(15.0),
        minimum_capacity_uah: ah(35.2),
        rated_capacity_uah: ah(44.0),
        air_shipment_max_soc_ppm: None,
        capacity_coefficient_ppm_per_k: None,
        reference_temperature_mk: None,
        recomputation_tolerance_ppm: Some(Ppm::from_percent(2.0).unwrap()),
        commissioning_capacity_uah: None,
    }
}

/// A station's log in memory.
pub struct Station {
    pub key: SecretKey,
    pub entries: Vec<Entry>,
    pub traces: Vec<(u64, Vec<u8>)>,
    pub tree: LeafTree,
    pub seals: Vec<Seal>,
}

impl Station {
    pub fn new(n: u8) -> Self {
        let mut station = Self {
            key: key(n),
            entries: Vec::new(),
            traces: Vec::new(),
            tree: LeafTree::new(),
            seals: Vec::new(),
        };
        station.push(opened(&format!("Bay {n}")));
        station
    }

    /// A copy of the station's folder and key, as a thief or a careless restore has it.
    pub fn copy(&self) -> Self {
        Self {
            key: SecretKey::from_seed(*self.key.seed()),
            entries: self.entries.clone(),
            traces: self.traces.clone(),
            tree: self.tree.clone(),
            seals: self.seals.clone(),
        }
    }

    /// Where an entry of this log stands.
    pub fn place(&self, entry: &Entry) -> EntryRef {
        let index = self.entries.iter().position(|e| e.id() == entry.id());
        EntryRef {
            log: self.id(),
            entry: entry.id(),
            index: index.unwrap() as u64,
        }
    }

    pub fn id(&self) -> LogId {
        LogId::of(&self.key.public())
    }

    pub fn len(&self) -> u64 {
        self.tree.len()
    }

    pub fn push(&mut self, entry: Entry) {
        self.tree.push(*entry.id().hash());
        self.entries.push(entry);
    }

    /// Seals the log as it is.
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

    /// Tests of these units, one every ten minutes from `minutes` on, and a seal.
    pub fn tests(&mut self, serials: &[&str], minutes: i64) {
        for (i, serial) in serials.iter().enumerate() {
            self.push(test_entry(serial, minutes + 10 * i as i64));
        }
        self.seal(minutes + 10 * serials.len() as i64);
    }

    pub fn frontier(&self, size: u64) -> Frontier {
        self.tree.frontier_at(size).unwrap()
    }

    /// The segment of `from..to`; both are sizes at which the log was sealed, or `from` is 0.
    pub fn segment(&self, from: u64, to: u64, statements: &[Statement]) -> Vec<u8> {
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
            for (_, compressed) in self.traces.iter().filter(|(at, _)| *at == index) {
                writer.trace(compressed).unwrap();
            }
            for seal in self.seals.iter().filter(|s| s.content().size == index + 1) {
                writer.seal(seal).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    /// The whole log up to its last seal.
    pub fn whole(&self, statements: &[Statement]) -> Vec<u8> {
        self.segment(0, self.seals.last().unwrap().content().size, statements)
    }
}

/// A server in a folder of its own, whose clock stands still.
pub struct Records {
    pub dir: TempDir,
    pub server: Arc<Server>,
}

impl Records {
    /// A server that trusts `authority` and knows nothing.
    pub fn trusting(authority: &Authority) -> Self {
        let dir = folder();
        let name = carrylog_format::text::Name::new("Fjordline server (invented)").unwrap();
        carrylog_server::init(dir.path(), &name, None).unwrap();
        let server = Arc::new(Server::open(config(&dir, Some(authority))).unwrap());
        Self { dir, server }
    }

    /// The same server after a restart.
    pub fn reopened(self) -> Self {
        drop(self.server);
        let server = Arc::new(Server::open(config(&self.dir, None)).unwrap());
        Self {
            dir: self.dir,
            server,
        }
    }

    pub fn deliver(&self, bytes: &[u8]) -> carrylog_server::Outcome {
        self.server.deliver_bytes(bytes).unwrap()
    }

    pub fn digest(&self) -> String {
        self.server.fleet_digest().unwrap().to_string()
    }
}

/// A folder in memory where there is one: these tests are about content, and sync it often.
pub fn folder() -> TempDir {
    tempfile::tempdir_in("/dev/shm")
        .or_else(|_| tempfile::tempdir())
        .unwrap()
}

/// The server's clock stands at day 4000 after [`T0`].
pub fn config(dir: &TempDir, authority: Option<&Authority>) -> Config {
    let mut config = Config::new(dir.path()).trusting(authority.map(|a| a.key.public()));
    config.clock = Arc::new(|| at(4000 * DAY));
    config
}
