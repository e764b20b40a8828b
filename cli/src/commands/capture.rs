//! `carrylog capture`: one test into the station's log.

use crate::capture::json::parse_test;
use crate::context::{Context, Report, Stamp};
use crate::evaluate::{Evaluation, read_trace};
use crate::failure::Failure;
use crate::files;
use crate::station::{Access, PackedTrace, Station};
use carrylog_format::record::{Record, TestRecord};
use carrylog_format::view::TestView;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Capture one test: compute from its trace, assess, append to the log
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog capture bay2 test.json --trace discharge.csv --slot 3 --by \"Ada Invented\"",
    after_long_help = FORM)]
pub(crate) struct Capture {
    /// The station's folder
    dir: PathBuf,
    /// The test as a form (JSON; --help shows a whole one)
    test: PathBuf,
    /// The test's trace as a table (CSV)
    #[arg(long, value_name = "TABLE.csv")]
    trace: Option<PathBuf>,
    /// How to read a table that does not have the columns of the Battery Data Format
    #[arg(long, value_name = "MAP.json", requires = "trace")]
    map: Option<PathBuf>,
    /// Memory slot that holds the raw result; goes before the form's
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..))]
    slot: Option<u16>,
    /// Swelling, leak, smell, dents or heat without load was seen
    #[arg(long)]
    damage_seen: bool,
    /// Compute and assess, but write nothing
    #[arg(long)]
    dry_run: bool,
    #[command(flatten)]
    stamp: Stamp,
}

const FORM: &str = "\
A whole form; what is not known is left out, what the form does not have is refused:
  {
    \"mfr\": \"FJ001\", \"part\": \"FB-44-2\", \"serial\": \"000123\",
    \"purpose\": \"periodic_check\",
    \"started\": \"2026-03-01T09:30:00Z\", \"ended\": \"2026-03-01T11:30:00Z\",
    \"operator\": \"Ada Invented\", \"remark\": \"after storage\", \"slot\": 3,
    \"registration\": \"ZZ-FJA\", \"position\": \"aft\",
    \"flight_hours\": 812.5, \"flight_cycles\": 1400,
    \"ambient_celsius\": 21.5, \"unit_celsius\": 22.0,
    \"capacity_ah\": 43.2, \"energy_wh\": 1105.5, \"end_voltage_v\": 20.0, \"soc_percent\": 0,
    \"resistance_mohm\": 14.8, \"resistance_method\": \"ac\", \"resistance_frequency_hz\": 1000,
    \"faults\": [\"F12\"]
  }
Purposes: commissioning, periodic_check, storage_charge, charge, discharge, status_check,
complementary_test. Resistance methods: ac, dc_step, dc_two_step.

A trace needs the columns \"Test Time / s\", \"Voltage / V\" and \"Current / A\" (positive = charge), and
may have \"Temperature T1 / degC\" to T5, \"Cell Voltage 1 / V\" to 32, \"Step Count / 1\", \"Cycle Count / 1\".
Any other table needs a mapping:
  {
    \"separator\": \";\", \"decimal_comma\": true,
    \"time\": {\"column\": \"t\", \"unit\": \"min\"},
    \"current\": {\"column\": \"I\", \"unit\": \"mA\", \"sign\": \"positive_discharges\"},
    \"voltage\": {\"column\": \"U\", \"unit\": \"mV\"},
    \"temperatures\": [{\"column\": \"T\", \"unit\": \"degC\"}], \"step\": \"Step\"
  }

Example:
  carrylog capture bay2 test.json --trace discharge.csv --slot 3 --by \"Ada Invented\"";

#[derive(Debug, Serialize)]
pub(crate) struct Captured {
    /// Absent in a dry run.
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_index: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_id: Option<String>,
    /// The entry at its place, as statements name it: `LOG:INDEX:ENTRY`.
    #[serde(skip_serializing_if = "Option::is_none")]
    place: Option<String>,
    test: TestView,
    state: &'static str,
    cautions: Vec<String>,
    notes: Vec<String>,
    #[serde(skip)]
    evaluation: String,
    #[serde(skip)]
    unit: String,
    #[serde(skip)]
    purpose: &'static str,
}

impl Capture {
    pub(crate) fn run(&self, context: &Context) -> Result<Captured, Failure> {
        let form = parse_test(&files::read_form(&self.test)?)
            .map_err(|e| Failure::form(&self.test, &e))?;
        let trace = match &self.trace {
            Some(path) => Some(read_trace(path, self.map.as_deref())?),
            None => None,
        };
        let mut stamp = self.stamp.clone();
        stamp.by = stamp.by.or(form.operator);
        stamp.remark = stamp.remark.or(form.remark);
        let mut head = context.head(&stamp)?;

        let access = if self.dry_run {
            Access::Read
        } else {
            Access::Write
        };
        let mut station = Station::open(&self.dir, access)?;
        let mut test = form.record;
        test.slot = self.slot.or(test.slot);
        station.check_slot(test.slot)?;
        let evaluation = Evaluation::at_station(&station, &test, trace.as_ref(), self.damage_seen)?;
        evaluation.enter(&mut test);
        let mut notes = evaluation.notes.clone();
        head.clock = station.clock_quality(head.at, head.clock);
        if station.clock_quality(head.at, stamp.clock.into()) != stamp.clock.into() {
            notes.push(
                "the clock runs behind the last entry: noted as doubtful; set it and record that with `station clock-set`"
                    .into(),
            );
        }
        if test.ended_ms > head.at {
            notes.push("the test ends after this machine's clock: check both clocks".into());
        }
        let packed = trace
            .as_ref()
            .map(PackedTrace::of)
            .transpose()
            .map_err(trace_failure)?;
        test.trace = packed.as_ref().map(|p| p.reference.clone());
        let mut captured = Captured::of(&test, &evaluation, notes);
        if !self.dry_run {
            let appended = station.append(head, Record::Test(Box::new(test)), packed.as_ref())?;
            captured.entry_index = Some(appended.index);
            captured.entry_id = Some(appended.id.to_string());
            captured.place = Some(appended.place().to_string());
        }
        Ok(captured)
    }
}

fn trace_failure(e: carrylog_format::trace::TraceError) -> Failure {
    let next = "split the test, or export it with fewer rows";
    Failure::new(crate::exit::Exit::Input, e.to_string(), next)
}

impl Captured {
    fn of(test: &TestRecord, evaluation: &Evaluation, notes: Vec<String>) -> Self {
        Self {
            entry_index: None,
            entry_id: None,
            place: None,
            test: TestView::of(test),
            state: evaluation.state,
            cautions: evaluation.cautions.clone(),
            notes,
            evaluation: evaluation.to_string(),
            unit: test.unit.to_string(),
            purpose: test.purpose.words(),
        }
    }
}

impl fmt::Display for Captured {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.entry_index {
            Some(index) => writeln!(f, "entry {index}: {}, {}", self.unit, self.purpose)?,
            None => writeln!(f, "nothing written: {}, {}", self.unit, self.purpose)?,
        }
        write!(f, "{}", self.evaluation)?;
        for caution in &self.cautions {
            writeln!(f, "  caution: {caution}")?;
        }
        for note in &self.notes {
            writeln!(f, "  note: {note}")?;
        }
        if let (Some(_), Some(slot)) = (self.entry_index, self.test.slot) {
            writeln!(
                f,
                "  memory slot {slot} stays taken until a receipt comes back"
            )?;
        }
        Ok(())
    }
}

impl Report for Captured {}
