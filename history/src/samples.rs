//! Records for this crate's tests.

use crate::calibrations::Calibrations;
use crate::entry::KnownEntry;
use crate::log::EntryStatus;
use crate::trust_view::TrustView;
use crate::unit::{Mentions, Unit, UnitHistory};
use carrylog_format::ids::LogId;
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{MicroAmpHours, MicroOhms, MicroVolts, MilliKelvin, Ppm};
use carrylog_format::record::{
    ClockQuality, Declared, Entry, EntryHead, Extension, Purpose, Record, Resistance,
    ResistanceMethod, TestRecord, UnitChange, UnitEvent,
};
use carrylog_format::text::Text;
use carrylog_format::tree::Hash;
use carrylog_format::unit_id::UnitId;

fn entry(at: Instant, record: Record) -> Entry {
    let head = EntryHead {
        by: Text::new("Technician 7 (invented)").unwrap(),
        at,
        clock: ClockQuality::Checked,
        note: None,
        ext: Extension::new(),
    };
    Entry::new(head, record).unwrap()
}

pub(crate) fn test_entry(test: TestRecord) -> Entry {
    entry(test.ended_ms, Record::Test(Box::new(test)))
}

pub(crate) fn event(at: Instant, event: UnitChange) -> Entry {
    let record = UnitEvent {
        unit: test(40.0).unit,
        event,
        happened_ms: at,
        flight_cycles: None,
        flight_minutes: None,
    };
    entry(at, Record::UnitEvent(record))
}

/// The one unit that these entries of one log tell of, without trust or traces.
pub(crate) fn history_of(entries: Vec<Entry>) -> Unit {
    let trust = TrustView::default();
    let known = entries
        .into_iter()
        .zip(0..)
        .map(|(entry, index)| KnownEntry {
            log: LogId::from_hash(Hash::of(b"log")),
            index,
            status: EntryStatus::Accepted,
            arrived: None,
            entry,
        });
    let history = UnitHistory::assemble(known, &Mentions::default(), &trust);
    let key = test(40.0).unit.key();
    Unit::of(&key, history, &trust, &Calibrations::default(), &mut |_| {
        None
    })
    .unwrap()
}

pub(crate) fn test(capacity_ah: f64) -> TestRecord {
    let instant = |text: &str| text.parse::<Instant>().unwrap();
    TestRecord {
        slot: None,
        unit: UnitId::new("fj001", "FB-44", "0001").unwrap(),
        trace: None,
        faults: Vec::new(),
        on_wing: None,
        purpose: Purpose::PeriodicCheck,
        computed: None,
        declared: Declared {
            soc_ppm: Some(Ppm::from_percent(25.0).unwrap()),
            energy_uwh: None,
            resistance: Some(Resistance {
                uohm: MicroOhms::from_milliohms(12.0).unwrap(),
                method: ResistanceMethod::Ac,
                frequency_millihertz: Some(1_000_000),
            }),
            capacity_uah: Some(MicroAmpHours::from_amp_hours(capacity_ah).unwrap()),
            end_voltage_uv: Some(MicroVolts::from_volts(20.0).unwrap()),
        },
        ended_ms: instant("2025-03-01T15:00:00Z"),
        ambient_mk: None,
        assessment: None,
        started_ms: instant("2025-03-01T09:00:00Z"),
        flight_cycles: None,
        flight_minutes: None,
        unit_temperature_mk: Some(MilliKelvin::from_celsius(20.0).unwrap()),
    }
}
