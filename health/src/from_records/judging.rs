//! Records as the judgement's plain inputs, and nothing else: no rule lives here.

use super::station_accuracy;
use crate::assess::{Facts, KnownCalibration};
use crate::discharge::Began;
use crate::judgement::{
    self, Calibration, CellLimits, Discharged, Evidence, Fault, Finding, InitialState,
    MeasuredResistance, ResistanceLimitBand, SheetLimits, SheetProblem, Source, Stated,
    StorageLevel, TestFacts,
};
use crate::quantity::{AmpHours, Amps, Celsius, Hertz, Ohms, Seconds, Volts, WattHours};
use crate::samples::Samples;
use crate::trace_results::TraceResults;
use crate::uncertainty;
use carrylog_format::instant::Date;
use carrylog_format::quantity::MilliKelvin;
use carrylog_format::record::{
    Computed, LimitsSheet, Resistance, ResistanceLimit, ResistanceMethod, TestRecord,
};
use carrylog_format::unit_id::UnitId;

fn celsius(value: MilliKelvin) -> Celsius {
    Celsius(value.celsius())
}

/// What the form of a test states.
pub(crate) fn test_facts(test: &TestRecord, facts: &Facts<'_>) -> TestFacts {
    let calibration = match facts.calibration {
        KnownCalibration::None => Calibration::None,
        KnownCalibration::Until(due, _) if is_before(due, test.ended_ms.date()) => {
            Calibration::Ended(due)
        }
        KnownCalibration::Until(_, accuracy) => {
            Calibration::InForce(accuracy.map(station_accuracy))
        }
        KnownCalibration::NotLookedAt => Calibration::InForce(None),
    };
    let d = &test.declared;
    TestFacts {
        purpose: test.purpose,
        started: test.started_ms,
        ended: test.ended_ms,
        recorded: facts.recorded,
        // Records of this version have no field for it, so nobody was asked.
        initial_state: Some(InitialState::NotAsked),
        stated: Stated {
            capacity: d.capacity_uah.map(|q| AmpHours(q.amp_hours())),
            energy: d.energy_uwh.map(|e| WattHours(e.watt_hours())),
            end_voltage: d.end_voltage_uv.map(|v| Volts(v.volts())),
            charge_percent: d.soc_ppm.map(|p| p.percent()),
            resistances: d
                .resistance
                .iter()
                .map(|r| stated_resistance(r, test, &calibration))
                .collect(),
            charge_accepted: None,
        },
        unit_temperature: test.unit_temperature_mk.map(celsius),
        ambient: test.ambient_mk.map(celsius),
        faults: test.faults.iter().map(|f| fault(f.as_str())).collect(),
        findings: damage(facts.damage_reported),
        calibration,
        status: None,
        insulation: None,
        functions: Vec::new(),
    }
}

fn damage(reported: bool) -> Vec<Finding> {
    let seen = Finding {
        words: "damage was seen".into(),
        heat_without_load: false,
    };
    reported.then_some(seen).into_iter().collect()
}

/// A code that speaks of temperature is one; common practice, no source.
fn fault(code: &str) -> Fault {
    Fault {
        code: code.to_owned(),
        latched: false,
        hot: code.to_uppercase().contains("TEMP"),
    }
}

fn stated_resistance(
    stated: &Resistance,
    test: &TestRecord,
    calibration: &Calibration,
) -> MeasuredResistance {
    let value = Ohms(stated.uohm.milliohms() / 1e3);
    MeasuredResistance {
        value,
        standard: calibration
            .accuracy()
            .map(|a| Ohms(uncertainty::declared_resistance(value, a).standard)),
        method: stated.method,
        frequency: stated.frequency_millihertz.map(|f| Hertz(f as f64 / 1e3)),
        delay: None,
        current: None,
        charge_percent: None,
        temperature: test.unit_temperature_mk.map(celsius),
    }
}

/// The limits of a sheet, and whether it applies to a test.
pub(crate) fn sheet_limits(sheet: &LimitsSheet, test: &TestRecord) -> SheetLimits {
    let ah = |q: carrylog_format::quantity::MicroAmpHours| AmpHours(q.amp_hours());
    let coefficient = sheet
        .capacity_coefficient_ppm_per_k
        .zip(sheet.reference_temperature_mk)
        .map(|(ppm, reference)| (ppm as f64 * 1e-6, celsius(reference)));
    SheetLimits {
        revision: sheet.manual.revision.to_string(),
        problem: problem(sheet, test),
        rated: ah(sheet.rated_capacity_uah),
        minimum: ah(sheet.minimum_capacity_uah),
        first: sheet.commissioning_capacity_uah.map(ah),
        end_voltage: Volts(sheet.end_voltage_uv.volts()),
        temperature: (
            celsius(sheet.test_min_temperature_mk),
            celsius(sheet.test_max_temperature_mk),
        ),
        coefficient,
        agreement: sheet
            .recomputation_tolerance_ppm
            .map(|p| p.percent() / 100.0),
        test_current: None,
        start_state_waived: false,
        longest_pause: None,
        resistance: sheet.resistance.iter().map(resistance_limit).collect(),
        storage: sheet.storage.as_ref().map(|s| StorageLevel {
            percent: s.soc_ppm.percent(),
            tolerance: s.tolerance_ppm.percent(),
        }),
        cell: CellLimits::default(),
        unit_max_temperature: None,
        charge_min_temperature: None,
        air_percent: sheet.air_shipment_max_soc_ppm.map(|p| p.percent()),
        status_must_be: Vec::new(),
        insulation: None,
        functions: Vec::new(),
        charge_accepted: None,
        cautions: sheet.cautions.iter().map(ToString::to_string).collect(),
        further_tests: sheet
            .complementary
            .iter()
            .map(ToString::to_string)
            .collect(),
    }
}

fn resistance_limit(limit: &ResistanceLimit) -> ResistanceLimitBand {
    let ohms = |r: carrylog_format::quantity::MicroOhms| Ohms(r.milliohms() / 1e3);
    ResistanceLimitBand {
        method: limit.method,
        most: ohms(limit.max_uohm),
        least: None,
        new: limit.new_uohm.map(ohms),
        temperature: (
            celsius(limit.min_temperature_mk),
            celsius(limit.max_temperature_mk),
        ),
        frequency: None,
        delay: None,
        current: None,
        charge_percent: None,
    }
}

/// Whether the sheet is for this part number and in force on the day of the test.
fn problem(sheet: &LimitsSheet, test: &TestRecord) -> Option<SheetProblem> {
    let of_sheet = UnitId::new(
        sheet.mfr.as_str(),
        sheet.part.as_str(),
        test.unit.serial.as_str(),
    );
    if of_sheet.is_ok_and(|id| id.key() != test.unit.key()) {
        return Some(SheetProblem::OtherPart);
    }
    let day = test.ended_ms.date();
    let before = is_before(day, sheet.valid_from);
    let after = sheet.valid_until.is_some_and(|until| is_before(until, day));
    (before || after).then_some(SheetProblem::NotInForce)
}

fn is_before(a: Date, b: Date) -> bool {
    // Dates have one spelling of fixed width, but only start() orders them without guessing.
    match (a.start(), b.start()) {
        (Ok(a), Ok(b)) => a < b,
        _ => false,
    }
}

/// Name among the refused results of what a trace shows about the beginning of a discharge.
const FULL_BEGINNING: &str = "beginning at full charge";
/// Name among the refused results of a rise of temperature without load.
const CALM_REST: &str = "rest without heating";
/// Kelvins a minute without load that are recorded. Common practice, no source.
const HEATING_K_MIN: f64 = 1.0;

/// What a trace shows that a judgement asks for and that no other field of a record holds.
pub(crate) fn shown_besides(
    samples: &Samples,
    results: &TraceResults,
) -> Vec<(&'static str, String)> {
    let mut shown = Vec::new();
    match results.governing.map(|g| g.began) {
        Some(Began::Partly { out: Some(out) }) => {
            shown.push((FULL_BEGINNING, format!("{:.3} Ah were out already", out.0)));
        }
        Some(Began::Partly { out: None }) => {
            shown.push((
                FULL_BEGINNING,
                "the charge before it did not come to its end".into(),
            ));
        }
        Some(Began::Charged | Began::Unknown) | None => {}
    }
    let rise = judgement::heating(samples, results);
    if let Some(rise) = rise.filter(|r| *r > HEATING_K_MIN) {
        shown.push((CALM_REST, format!("{rise:.2} K/min without load")));
    }
    shown
}

/// The first number of a sentence of [`shown_besides`].
fn number(computed: &Computed, result: &str) -> Option<Option<f64>> {
    let refused = computed
        .refused
        .iter()
        .find(|r| r.result.as_str() == result);
    refused.map(|r| {
        let first = r.why.as_str().split(' ').next();
        first.and_then(|text| text.parse().ok())
    })
}

/// What a record holds as computed. Stations and everybody after them judge by this alone, so that
/// one record has one verdict.
pub(crate) fn recorded_evidence(computed: &Computed, test: &TestRecord) -> Evidence {
    let unfinished = computed
        .refused
        .iter()
        .any(|r| r.result.as_str() == "capacity to the end voltage");
    let end_voltage = computed.end_voltage_uv.map(|v| Volts(v.volts()));
    let governing = computed
        .governing_phase
        .and_then(|k| computed.phases.get(usize::from(k)));
    let discharged = computed.capacity_uah.filter(|q| q.raw() > 0).map(|q| {
        let capacity = AmpHours(q.amp_hours());
        Discharged {
            source: Source::Trace,
            capacity,
            standard: computed.capacity_std_uah.map(|u| AmpHours(u.amp_hours())),
            energy: computed.energy_uwh.map(|e| WattHours(e.watt_hours())),
            end_voltage,
            lowest_voltage: governing.map(|p| Volts(p.end_voltage_uv.volts())),
            reached_the_end: Some(!unfinished),
            at_least: capacity,
            current: governing.and_then(|p| {
                let hours = p.duration_ms.seconds() / 3600.0;
                (hours > 0.0).then(|| Amps(p.charge_uah.amp_hours() / hours))
            }),
            began: match number(computed, FULL_BEGINNING) {
                Some(out) => Began::Partly {
                    out: out.map(AmpHours),
                },
                None => Began::Unknown,
            },
            pieces: 1,
            paused: Seconds(0.0),
            mean_temperature: computed.temperature_mean_mk.map(celsius),
        }
    });
    let ends = computed.phases.iter().map(|p| p.end_voltage_uv.volts());
    let starts = computed.phases.iter().map(|p| p.start_voltage_uv.volts());
    let lowest_end = ends.clone().reduce(f64::min).map(Volts);
    let lowest = ends.clone().chain(starts.clone()).reduce(f64::min);
    let highest = ends.chain(starts).reduce(f64::max);
    let lengths = computed.phases.iter().map(|p| p.duration_ms.seconds());
    let step = computed.resistance.as_ref().map(|r| MeasuredResistance {
        value: Ohms(r.uohm.milliohms() / 1e3),
        standard: r.std_uohm.map(|u| Ohms(u.milliohms() / 1e3)),
        method: ResistanceMethod::DcStep,
        frequency: None,
        delay: Some(Seconds(r.delay_ms.seconds())),
        current: None,
        charge_percent: None,
        temperature: test.unit_temperature_mk.map(celsius),
    });
    Evidence {
        refused: discharged
            .is_none()
            .then_some(crate::refusal::RefusalReason::NoDischarge),
        discharged,
        temperature: computed
            .temperature_min_mk
            .zip(computed.temperature_max_mk)
            .map(|(a, b)| (celsius(a), celsius(b))),
        heating: number(computed, CALM_REST).flatten(),
        voltage: lowest.zip(highest).map(|(a, b)| (Volts(a), Volts(b))),
        lowest_end,
        length: lengths.reduce(|a, b| a + b).map(Seconds),
        resistances: step.into_iter().collect(),
        ..Evidence::default()
    }
}
