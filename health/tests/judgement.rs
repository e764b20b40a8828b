//! What tests are worth, case by case, on a unit whose truth is known (`support/unit_model.rs`).
//!
//! Required values and tolerances stand as they were set before the code. `tests/cases judgement`
//! prints the rows. Rated 38 Ah, minimum 30.4 Ah, end voltage 20.0 V, 12 to 32 °C, the unit at 22 °C,
//! the station calibrated, the unit begun full and rested, unless a case says otherwise.
#![allow(
    missing_docs,
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    clippy::disallowed_methods,
    reason = "a test binary reads files and may fail loudly"
)]

mod support;

use carrylog_format::instant::{Date, Instant};
use carrylog_format::record::{Purpose, ResistanceMethod, Verdict};
use carrylog_health::cells::CellsAt;
use carrylog_health::judgement::{
    Calibration, CellLimits, Context, Evidence, Fault, Finding, InitialState, Judgement,
    MeasuredResistance, Reason, ReasonCode, ResistanceLimitBand, SheetLimits, Stated, StorageLevel,
    TestFacts, UnitState, as_stated, counts_for_health, from_trace, judge, say,
};
use carrylog_health::quantity::{
    AmpHours, Amps, Celsius, Hertz, Kelvins, Ohms, Seconds, Volts, WattHours,
};
use carrylog_health::samples::{Columns, Samples, SignConvention};
use carrylog_health::state_of_health::{AgainstToday, state_of_health};
use carrylog_health::trend::{Axis, CheckPoint, series_health};
use carrylog_health::uncertainty::StationAccuracy;
use carrylog_test_kit::Cases;
use proptest::prelude::*;
use support::unit_model::{Bench, Q0, a1};
use support::{beside, trace};

/// A good station: 0.05 % and 10 mA of current, 0.02 % and 5 mV of voltage, 1 K.
fn accuracy() -> StationAccuracy {
    StationAccuracy {
        current_relative: 5e-4,
        current_offset: Amps(0.01),
        current_resolution: Amps(0.0),
        voltage_relative: 2e-4,
        voltage_offset: Volts(0.005),
        voltage_resolution: Volts(0.0),
        time_relative: 1e-5,
        time_resolution: Seconds(0.0),
        temperature: Kelvins(1.0),
    }
}

fn sheet() -> SheetLimits {
    SheetLimits {
        revision: "3".into(),
        problem: None,
        rated: AmpHours(38.0),
        minimum: AmpHours(30.4),
        first: None,
        end_voltage: Volts(20.0),
        temperature: (Celsius(12.0), Celsius(32.0)),
        coefficient: None,
        agreement: None,
        test_current: None,
        start_state_waived: false,
        longest_pause: None,
        resistance: Vec::new(),
        storage: Some(StorageLevel {
            percent: 60.0,
            tolerance: 5.0,
        }),
        cell: CellLimits::default(),
        unit_max_temperature: None,
        charge_min_temperature: None,
        air_percent: Some(30.0),
        status_must_be: Vec::new(),
        insulation: None,
        functions: Vec::new(),
        charge_accepted: None,
        cautions: vec!["Charge to 30 % before it is shipped (invented manual).".into()],
        further_tests: Vec::new(),
    }
}

fn at(text: &str) -> Instant {
    let day: Date = text.parse().unwrap();
    day.start().unwrap()
}

/// A check whose form says nothing against a trace of `seconds`.
fn check(seconds: f64) -> TestFacts {
    let started = at("2026-03-01");
    TestFacts {
        purpose: Purpose::PeriodicCheck,
        started,
        ended: Instant::from_millis(started.millis() + (seconds * 1e3) as i64).unwrap(),
        recorded: None,
        initial_state: Some(InitialState::FullRested),
        stated: Stated::default(),
        unit_temperature: Some(Celsius(22.0)),
        ambient: None,
        faults: Vec::new(),
        findings: Vec::new(),
        calibration: Calibration::InForce(Some(accuracy())),
        status: None,
        insulation: None,
        functions: Vec::new(),
    }
}

/// Everything about one judged test.
struct Done {
    judgement: Judgement,
    evidence: Evidence,
    facts: TestFacts,
}

fn traced_with(
    samples: &Samples,
    sheet: &SheetLimits,
    change: impl FnOnce(&mut TestFacts),
) -> Done {
    let t = samples.time_s();
    let mut facts = check(t[t.len() - 1] - t[0]);
    change(&mut facts);
    let accuracy = facts.calibration.accuracy().copied();
    let (_, evidence) = from_trace(samples, Some(sheet), accuracy.as_ref());
    Done {
        judgement: judge(&facts, &evidence, Some(sheet)),
        evidence,
        facts,
    }
}

fn traced(bench: Bench) -> Done {
    traced_with(&bench.samples(), &sheet(), |_| {})
}

fn stated_with(sheet: Option<&SheetLimits>, change: impl FnOnce(&mut TestFacts)) -> Done {
    let mut facts = check(3800.0);
    facts.stated.capacity = Some(AmpHours(35.1));
    facts.stated.end_voltage = Some(Volts(20.0));
    change(&mut facts);
    let evidence = as_stated(&facts);
    Done {
        judgement: judge(&facts, &evidence, sheet),
        evidence,
        facts,
    }
}

const W: Verdict = Verdict::WithinLimits;
const O: Verdict = Verdict::OutsideLimits;
const N: Verdict = Verdict::NotAssessable;

/// Verdict, and the first reason.
fn row(cases: &mut Cases, id: &str, done: &Done, verdict: Verdict, first: ReasonCode) {
    let j = &done.judgement;
    let reason = j.first();
    let ok = j.verdict == Some(verdict) && reason.is_some_and(|r| r.code == first);
    let required = format!("{}: {}", verdict.words(), first.code());
    cases.row(id, required, got(j), ok);
}

fn got(j: &Judgement) -> String {
    format!(
        "{}: {} ({})",
        j.verdict.map_or("no verdict", Verdict::words),
        j.first().map_or("-", |r| r.code.code()),
        j.first().map_or(String::new(), Reason::words)
    )
}

fn near(cases: &mut Cases, id: &str, required: f64, tolerance: f64, got: f64, unit: &str) {
    let ok = (got - required).abs() <= tolerance;
    let words = format!("{required} ± {tolerance} {unit}");
    cases.row(id, words, format!("{got:.4} {unit}"), ok);
}

fn told(j: &Judgement, code: ReasonCode) -> Option<&Reason> {
    j.reasons.iter().find(|r| r.code == code)
}

fn pause(seconds: f64) -> Bench {
    let before = Bench::full().rest(45.0).hold(-34.0, 1500.0).rest(seconds);
    before.until_end(-34.0).rest(45.0)
}

#[test]
fn discharges_in_pieces_are_judged_as_one() {
    let mut cases = Cases::named("judgement");
    let meets = ReasonCode::CapacityMeets;
    for (id, bench) in [
        ("A1", a1()),
        ("A2", pause(18.0)),
        ("A3", pause(70.0)),
        ("A4", pause(420.0)),
        ("A5", a1().rest(435.0).until_end(-4.0).rest(45.0)),
    ] {
        row(
            &mut cases,
            &format!("{id} verdict"),
            &traced(bench),
            W,
            meets,
        );
    }
    let interrupted = traced(pause(70.0)).judgement;
    let words = told(&interrupted, ReasonCode::Interrupted).map_or(String::new(), Reason::words);
    let ok = words == "Interrupted for 70 s in all";
    cases.row("A3 told", "Interrupted for 70 s in all", words, ok);
    let weak = || Bench::new(31.4, 1.0).rest(45.0);
    let below = ReasonCode::CapacityBelow;
    let at_once = weak().until_end(-34.0).until_end(-6.5).rest(45.0);
    row(&mut cases, "A6 at once verdict", &traced(at_once), O, below);
    let rested = weak()
        .until_end(-34.0)
        .rest(15.0)
        .until_end(-6.5)
        .rest(45.0);
    row(
        &mut cases,
        "A6 after 15 s verdict",
        &traced(rested),
        O,
        below,
    );
    let slow = weak().until_end(-6.5).rest(45.0).samples();
    let mut asks = sheet();
    asks.test_current = Some((Amps(34.0), 0.1));
    let slow = traced_with(&slow, &asks, |_| {});
    row(&mut cases, "A7", &slow, N, ReasonCode::OtherCurrent);
    let mut pulsed = Bench::full().rest(45.0);
    for _ in 0..49 {
        pulsed = pulsed.hold(-34.0, 75.0).rest(75.0);
    }
    let pulsed = traced(pulsed.until_end(-34.0).rest(45.0));
    row(&mut cases, "A8 verdict", &pulsed, W, meets);
    let half = Bench::full().rest(45.0).hold(-34.0, 600.0).rest(60.0);
    let half = half
        .hold(17.0, 600.0)
        .rest(60.0)
        .until_end(-34.0)
        .rest(45.0);
    let half = traced(half);
    row(
        &mut cases,
        "A9 verdict",
        &half,
        N,
        ReasonCode::BeganPartlyDischarged,
    );
    let words = half.judgement.first().unwrap().words();
    let required = "The discharge began with 2.83 Ah already out";
    cases.equal("A9 words", required.to_owned(), words);
    let early = traced(Bench::full().rest(45.0).hold(-34.0, 700.0).rest(45.0));
    row(
        &mut cases,
        "A10 verdict",
        &early,
        N,
        ReasonCode::StoppedEarly,
    );
    let words = early.judgement.first().unwrap().words();
    let required = "The discharge stopped early: at least 6.60 Ah";
    cases.equal("A10 words", required.to_owned(), words);
    cases.equal(
        "A10 in no state of health",
        false,
        counts_for_health(&early.judgement),
    );
    if let Some(path) = beside("ev_cell_pulses_25C.bdf.csv") {
        let mut cell = sheet();
        cell.end_voltage = Volts(3.0);
        cell.rated = AmpHours(33.1);
        cell.minimum = AmpHours(26.5);
        let done = traced_with(&trace(&path, true), &cell, |f| f.initial_state = None);
        row(&mut cases, "A11 verdict", &done, W, meets);
    }
    cases.finish();
}

#[test]
fn faults_of_the_recording_do_not_change_a_verdict_or_are_refused() {
    let mut cases = Cases::named("judgement");
    let meets = ReasonCode::CapacityMeets;
    for (id, bench) in [
        ("B1", a1().with(|c| c.voltage_v[1845..1850].fill(0.0))),
        ("B2", a1().with(|c| c.current_a[1845] = -3000.0)),
        ("B3", a1().without_rows(1500, 1680)),
    ] {
        row(
            &mut cases,
            &format!("{id} verdict"),
            &traced(bench),
            W,
            meets,
        );
    }
    let gap = traced(a1().without_rows(1500, 1800));
    row(&mut cases, "B4 verdict", &gap, N, ReasonCode::Gap);
    cases.finish();
}

#[test]
fn what_cannot_be_is_named_with_its_likely_cause() {
    let mut cases = Cases::named("judgement");
    let scaled = |by: f64, column: fn(&mut Columns) -> &mut Vec<f64>| {
        let bench = a1().with(|c| column(c).iter_mut().for_each(|v| *v *= by));
        traced_with(&bench.samples(), &sheet(), |f| {
            f.ended = Instant::from_millis(f.started.millis() + 3_804_000).unwrap();
        })
    };
    for (id, done, code) in [
        (
            "C1",
            scaled(1e3, |c| &mut c.current_a),
            ReasonCode::LooksLikeMilliamperes,
        ),
        (
            "C2",
            scaled(1e3, |c| &mut c.voltage_v),
            ReasonCode::LooksLikeMillivolts,
        ),
        (
            "C3",
            scaled(1.0 / 60.0, |c| &mut c.time_s),
            ReasonCode::LooksLikeMinutes,
        ),
        (
            "C4",
            scaled(1.0 / 3600.0, |c| &mut c.time_s),
            ReasonCode::LooksLikeHours,
        ),
    ] {
        row(&mut cases, id, &done, N, code);
    }
    let kelvin = a1().with(|c| c.temperature_c[0].iter_mut().for_each(|t| *t += 273.15));
    row(
        &mut cases,
        "C kelvin",
        &traced(kelvin),
        N,
        ReasonCode::LooksLikeKelvin,
    );
    let far = stated_with(Some(&sheet()), |f| {
        f.stated.capacity = Some(AmpHours(3510.0))
    });
    row(&mut cases, "C5", &far, N, ReasonCode::CapacityImplausible);
    let endless = stated_with(Some(&sheet()), |f| f.stated.end_voltage = None);
    row(&mut cases, "C6", &endless, N, ReasonCode::NoEndVoltage);
    let a1 = a1().samples();
    let form = |change: fn(&mut TestFacts)| traced_with(&a1, &sheet(), change);
    let other = form(|f| f.stated.capacity = Some(AmpHours(31.5)));
    row(&mut cases, "C7", &other, N, ReasonCode::CapacityDisagrees);
    let short = form(|f| f.ended = Instant::from_millis(f.started.millis() + 600_000).unwrap());
    row(
        &mut cases,
        "C8 ten minutes",
        &short,
        N,
        ReasonCode::TimesDisagree,
    );
    let high = form(|f| f.stated.end_voltage = Some(Volts(23.0)));
    row(
        &mut cases,
        "C8 23.0 V",
        &high,
        N,
        ReasonCode::EndVoltageDisagrees,
    );
    let none = form(|f| f.ended = f.started);
    row(
        &mut cases,
        "C8 start = end",
        &none,
        N,
        ReasonCode::TimesReversed,
    );
    let without = |change: fn(&mut TestFacts)| stated_with(Some(&sheet()), change);
    let start = without(|f| f.initial_state = None);
    row(
        &mut cases,
        "1a initial state",
        &start,
        N,
        ReasonCode::NoInitialState,
    );
    let temperature = without(|f| f.unit_temperature = None);
    row(
        &mut cases,
        "1a temperature",
        &temperature,
        N,
        ReasonCode::NoTemperature,
    );
    let mut waives = sheet();
    waives.start_state_waived = true;
    let waived = stated_with(Some(&waives), |f| f.initial_state = None);
    row(
        &mut cases,
        "1b start waived",
        &waived,
        W,
        ReasonCode::CapacityMeets,
    );
    let said = told(&waived.judgement, ReasonCode::StartNotStated).is_some();
    cases.equal("1b start waived, told", true, said);
    cases.finish();
}

#[test]
fn a_slow_log_keeps_its_verdict_with_a_wider_uncertainty() {
    let fine = Bench::new(Q0, 0.5).rest(360.0).until_end(-34.0).rest(360.0);
    let done = traced(fine.every(180, 77));
    assert_eq!(done.judgement.verdict, Some(W), "{}", got(&done.judgement));
    let capacity = done.judgement.capacity.unwrap();
    assert!(2.0 * capacity.measured_standard.unwrap().0 >= 0.69);
}

/// Case E: seven cells at 34 A for an hour, the fifth weak.
fn cells() -> Samples {
    let mut columns = Columns {
        temperature_c: vec![Vec::new()],
        cell_voltage_v: vec![Vec::new(); 7],
        ..Columns::default()
    };
    for k in 0..3690 {
        let current = if (45..3645).contains(&k) { -34.0 } else { 0.0 };
        let x = (f64::from(k) - 45.0).clamp(0.0, 3600.0) / 3600.0;
        let mut pack = 0.0;
        for (cell, column) in columns.cell_voltage_v.iter_mut().enumerate() {
            let weak = if cell == 4 {
                5.4 * (x - 0.75).max(0.0)
            } else {
                0.0
            };
            let v = 3.77 - 0.62 * x + 0.003 * current - weak;
            column.push(v);
            pack += v;
        }
        columns.time_s.push(f64::from(k));
        columns.current_a.push(current);
        columns.voltage_v.push(pack);
        columns.temperature_c[0].push(22.0);
    }
    Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
}

#[test]
fn a_weak_cell_is_outside_whatever_the_pack_says() {
    let mut cases = Cases::named("judgement");
    let mut limits = sheet();
    limits.cell.minimum = Some(Volts(2.5));
    let done = traced_with(&cells(), &limits, |_| {});
    row(&mut cases, "E", &done, O, ReasonCode::CellBelow);
    let below = done.evidence.cells.below.unwrap();
    cases.equal("E cell", 5, below.cell);
    near(
        &mut cases,
        "E below 2.5 V at",
        29.48,
        0.005,
        below.charge.0,
        "Ah",
    );
    let at_end = |r: &&carrylog_health::cells::CellReading| r.at == CellsAt::EndOfDischarge;
    let end = *done.evidence.cells.readings.iter().find(at_end).unwrap();
    near(
        &mut cases,
        "E lowest at the end",
        1.71,
        0.005,
        end.lowest.0,
        "V",
    );
    near(&mut cases, "E spread", 1.34, 0.02, end.spread().0, "V");
    cases.equal("E index", 5, end.lowest_index);
    let pack = done.judgement.capacity.unwrap().measured.0;
    near(&mut cases, "E pack", 33.951, 0.010, pack, "Ah");
    let unlimited = traced_with(&cells(), &sheet(), |_| {}).judgement;
    let said = told(&unlimited, ReasonCode::CellsWithoutLimit).is_some();
    cases.equal("E without limit: read, no limit", true, said);
    cases.finish();
}

fn ac(ohms: f64, hertz: f64) -> MeasuredResistance {
    MeasuredResistance {
        value: Ohms(ohms),
        standard: None,
        method: ResistanceMethod::Ac,
        frequency: Some(Hertz(hertz)),
        delay: None,
        current: None,
        charge_percent: None,
        temperature: Some(Celsius(20.0)),
    }
}

fn ac_limit(most: f64, low: f64, high: f64) -> ResistanceLimitBand {
    ResistanceLimitBand {
        method: ResistanceMethod::Ac,
        most: Ohms(most),
        least: None,
        new: None,
        temperature: (Celsius(low), Celsius(high)),
        frequency: Some(Hertz(1000.0)),
        delay: None,
        current: None,
        charge_percent: None,
    }
}

#[test]
fn resistances_are_compared_in_their_band_and_by_their_definition() {
    let mut cases = Cases::named("judgement");
    let mut limits = sheet();
    limits.resistance = vec![ac_limit(0.030, 15.0, 32.0), ac_limit(0.045, -5.0, 14.999)];
    let with =
        |r: MeasuredResistance| stated_with(Some(&limits), |f| f.stated.resistances = vec![r]);
    let first = with(ac(0.024, 1000.0));
    row(&mut cases, "F1", &first, W, ReasonCode::CapacityMeets);
    let meets = told(&first.judgement, ReasonCode::ResistanceMeets).copied();
    let first_band = Reason::against(ReasonCode::ResistanceMeets, 0.024, 0.030);
    cases.equal(
        "F1 band",
        first_band.words(),
        meets.map_or(String::new(), |r| r.words()),
    );
    let low = with(ac(0.024, 20.0));
    row(
        &mut cases,
        "F2",
        &low,
        N,
        ReasonCode::ResistanceOtherDefinition,
    );
    let above = with(ac(0.031, 1000.0));
    row(
        &mut cases,
        "F above",
        &above,
        O,
        ReasonCode::ResistanceAbove,
    );
    let missing = stated_with(Some(&limits), |_| {});
    row(
        &mut cases,
        "F limit not looked at",
        &missing,
        N,
        ReasonCode::ResistanceMissing,
    );
    cases.finish();
}

#[test]
fn a_correction_for_temperature_stands_in_every_comparison() {
    let mut cases = Cases::named("judgement");
    let mut corrects = sheet();
    corrects.coefficient = Some((0.005, Celsius(20.0)));
    // The case runs at 10 °C and 26 °C, so the test must count there.
    corrects.temperature = (Celsius(5.0), Celsius(32.0));
    let mut points = Vec::new();
    let mut last = None;
    for k in 0..10 {
        let (celsius, factor) = if k % 2 == 0 {
            (10.0, 0.95)
        } else {
            (26.0, 1.03)
        };
        let q = (36.5 - 0.35 * f64::from(k)) * factor;
        let done = stated_with(Some(&corrects), |f| {
            f.stated.capacity = Some(AmpHours(q));
            f.unit_temperature = Some(Celsius(celsius));
        });
        let required = [(0, 34.675), (1, 37.2345), (9, 34.3505)];
        if let Some((_, ah)) = required.iter().find(|(n, _)| *n == k) {
            near(
                &mut cases,
                &format!("F3 check {k} as measured"),
                *ah,
                1e-4,
                q,
                "Ah",
            );
        }
        assert!(
            counts_for_health(&done.judgement),
            "{}",
            got(&done.judgement)
        );
        let capacity = done.judgement.capacity.unwrap();
        points.push(CheckPoint {
            day: 180.0 * f64::from(k),
            flight_hours: None,
            flight_cycles: None,
            value: capacity.reference.0,
            standard: capacity.reference_standard.map(|u| u.0),
        });
        last = Some(capacity);
    }
    let on: Date = "2026-03-01".parse().unwrap();
    let soh = state_of_health(&last.unwrap(), on, &corrects).unwrap();
    near(
        &mut cases,
        "F3 state of health",
        87.8,
        0.05,
        100.0 * soh.ratio,
        "%",
    );
    near(&mut cases, "F3 slope", -0.71, 0.01, a_year(&points), "Ah/y");
    let far = stated_with(Some(&corrects), |f| {
        f.unit_temperature = Some(Celsius(20.0 - 15.1));
    });
    let told = told(&far.judgement, ReasonCode::TooFarToCorrect).is_some();
    cases.equal(
        "F3 beyond 15 K",
        true,
        told && far.judgement.verdict == Some(N),
    );
    cases.finish();
}

fn a_year(points: &[CheckPoint]) -> f64 {
    let series = series_health(points, &[], None);
    let days = series.trends.iter().find(|(axis, _)| *axis == Axis::Days);
    days.unwrap().1.as_ref().unwrap().line.slope * 365.25
}

/// 12 mΩ and 6 mΩ with a time constant of 4 s behind 26 V; rows every 10 ms, each holding to the next.
fn relaxing(parts: &[(f64, f64)]) -> Samples {
    let (dt, tau) = (0.01, 4.0);
    let mut columns = Columns {
        temperature_c: vec![Vec::new()],
        ..Columns::default()
    };
    let mut behind = 0.0;
    for &(current, seconds) in parts {
        for _ in 0..(seconds / dt).round() as usize {
            columns.time_s.push(columns.time_s.len() as f64 * dt);
            columns.current_a.push(current);
            columns.voltage_v.push(26.0 + 0.012 * current + behind);
            columns.temperature_c[0].push(22.0);
            behind += (0.006 * current - behind) * (1.0 - (-dt / tau).exp());
        }
    }
    Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
}

#[test]
fn resistances_from_traces_are_read_at_their_delay_and_by_two_steps() {
    let mut cases = Cases::named("judgement");
    let pulse = relaxing(&[(0.0, 20.0), (-34.0, 60.0), (0.0, 20.0)]);
    let mut asks = sheet();
    asks.resistance = [0.5, 1.0, 10.0, 30.0]
        .iter()
        .map(|delay| ResistanceLimitBand {
            method: ResistanceMethod::DcStep,
            frequency: None,
            delay: Some(Seconds(*delay)),
            ..ac_limit(0.030, 12.0, 32.0)
        })
        .collect();
    let (_, evidence) = from_trace(&pulse, Some(&asks), Some(&accuracy()));
    for (delay, milliohm) in [(0.5, 12.705), (1.0, 13.327), (10.0, 17.508), (30.0, 17.997)] {
        let at = |r: &&MeasuredResistance| {
            r.method == ResistanceMethod::DcStep
                && r.delay.is_some_and(|d| (d.0 - delay).abs() < 2e-3 * delay)
        };
        let r = evidence
            .resistances
            .iter()
            .find(at)
            .map_or(0.0, |r| r.value.0);
        let id = format!("F4 {delay} s");
        near(&mut cases, &id, milliohm, 0.005 * milliohm, 1e3 * r, "mΩ");
    }
    let steps = relaxing(&[(0.0, 20.0), (-7.6, 10.0), (-38.0, 1.2), (0.0, 20.0)]);
    let (_, evidence) = from_trace(&steps, Some(&sheet()), Some(&accuracy()));
    let two = |r: &&MeasuredResistance| r.method == ResistanceMethod::DcTwoStep;
    let r = evidence
        .resistances
        .iter()
        .find(two)
        .map_or(0.0, |r| r.value.0);
    near(&mut cases, "F5", 13.354, 0.005 * 13.354, 1e3 * r, "mΩ");
    cases.finish();
}

/// Seven checks, every 180 days, 36.9 Ah less 0.45 Ah each.
fn seven() -> Vec<(f64, Done)> {
    let one = |k: i32| {
        let q = 36.9 - 0.45 * f64::from(k);
        let done = stated_with(Some(&sheet()), |f| f.stated.capacity = Some(AmpHours(q)));
        (180.0 * f64::from(k), done)
    };
    (0..7).map(one).collect()
}

fn health_of(cases: &mut Cases, id: &str, checks: &[(f64, Done)]) {
    let counted = checks
        .iter()
        .filter(|(_, done)| counts_for_health(&done.judgement));
    let counted: Vec<_> = counted
        .map(|(day, done)| (*day, done.judgement.capacity.unwrap()))
        .collect();
    let (day, newest) = counted.last().unwrap();
    let on: Date = "2026-03-01".parse().unwrap();
    let soh = state_of_health(newest, on, &sheet()).unwrap();
    near(
        cases,
        &format!("{id} state of health"),
        90.0,
        0.05,
        100.0 * soh.ratio,
        "%",
    );
    cases.equal(format!("{id} of the 7th's date"), 1080.0, *day);
    let points: Vec<CheckPoint> = counted
        .iter()
        .map(|(day, c)| CheckPoint {
            day: *day,
            flight_hours: None,
            flight_cycles: None,
            value: c.reference.0,
            standard: None,
        })
        .collect();
    near(
        cases,
        &format!("{id} slope"),
        -0.913,
        0.001,
        a_year(&points),
        "Ah/y",
    );
    let series = series_health(&points, &[], None);
    let outliers: usize = series
        .trends
        .iter()
        .filter_map(|(_, t)| t.as_ref().ok())
        .map(|t| t.outliers.len())
        .sum();
    cases.equal(format!("{id} outliers"), 0, outliers);
}

#[test]
fn what_is_not_assessable_stays_out_of_the_state_of_health() {
    let mut cases = Cases::named("judgement");
    let mut checks = seven();
    let early = stated_with(Some(&sheet()), |f| {
        f.stated.capacity = Some(AmpHours(14.2));
        f.stated.end_voltage = Some(Volts(23.1));
    });
    row(&mut cases, "G1", &early, N, ReasonCode::StoppedEarly);
    checks.push((1260.0, early));
    health_of(&mut cases, "G1", &checks);
    checks.pop();
    let cold = stated_with(Some(&sheet()), |f| {
        f.stated.capacity = Some(AmpHours(25.0));
        f.unit_temperature = Some(Celsius(-8.0));
    });
    row(&mut cases, "G2", &cold, N, ReasonCode::OutsideTemperature);
    checks.push((1260.0, cold));
    health_of(&mut cases, "G2", &checks);
    cases.finish();
}

/// State, what is said first and the suggestion.
fn state(
    cases: &mut Cases,
    id: &str,
    done: &Done,
    state: UnitState,
    first: &str,
    suggestion: &str,
) {
    let sheet = sheet();
    let said = said(done, Some(&sheet));
    let ok = said.state == state && said.first == first && said.suggestion == suggestion;
    let required = format!("{}: {first} {suggestion}", state.code());
    let got = format!("{}: {} {}", said.state.code(), said.first, said.suggestion);
    cases.row(id, required, got, ok);
}

fn said(done: &Done, sheet: Option<&SheetLimits>) -> carrylog_health::judgement::Said {
    let seen = done.facts.findings.first().map(|f| f.words.as_str());
    let context = Context {
        first: done.judgement.first(),
        sheet,
        seen,
        charged_cold: told(&done.judgement, ReasonCode::ChargedCold).is_some(),
        ..Context::default()
    };
    say(done.judgement.state, &context)
}

fn swelling(f: &mut TestFacts) {
    f.findings = vec![Finding {
        words: "swelling".into(),
        heat_without_load: false,
    }];
}

fn reading(f: &mut TestFacts) {
    f.purpose = Purpose::StatusCheck;
    f.stated = Stated::default();
}

fn storage(percent: f64) -> impl Fn(&mut TestFacts) {
    move |f| {
        f.purpose = Purpose::StorageCharge;
        f.stated = Stated {
            charge_percent: Some(percent),
            ..Stated::default()
        };
    }
}

#[test]
fn what_endangers_is_said_first() {
    let mut cases = Cases::named("judgement");
    let apart = "Keep it apart and have it decided.";
    let h1 = stated_with(None, |f| {
        reading(f);
        swelling(f);
    });
    let damage = UnitState::SetAsideDamage;
    state(&mut cases, "H1", &h1, damage, "Set aside: swelling.", apart);
    let h2 = stated_with(Some(&sheet()), swelling);
    state(
        &mut cases,
        "H2 its own test",
        &h2,
        damage,
        "Set aside: swelling.",
        apart,
    );
    let h3 = stated_with(Some(&sheet()), |f| {
        reading(f);
        f.stated.end_voltage = Some(Volts(12.9));
    });
    let low = UnitState::SetAsideOverDischarged;
    state(
        &mut cases,
        "H3",
        &h3,
        low,
        "Set aside: 12.90 V under 18.00 V.",
        apart,
    );
    let h4 = stated_with(Some(&sheet()), |f| {
        storage(60.0)(f);
        f.stated.end_voltage = Some(Volts(12.5));
    });
    row(&mut cases, "H4 verdict", &h4, O, ReasonCode::OverDischarged);
    state(
        &mut cases,
        "H4",
        &h4,
        low,
        "Set aside: 12.50 V under 18.00 V.",
        apart,
    );
    let off = UnitState::ChargeOff;
    let h5 = stated_with(Some(&sheet()), storage(93.0));
    let first = "93.0 %; the sheet asks 60.0 %.";
    state(&mut cases, "H5 93 %", &h5, off, first, "Discharge to 60 %.");
    let h5 = stated_with(Some(&sheet()), storage(38.0));
    let first = "38.0 %; the sheet asks 60.0 %.";
    state(&mut cases, "H5 38 %", &h5, off, first, "Charge to 60 %.");
    let leave = "Leave it where it is and have it decided.";
    let hot = UnitState::SetAsideHot;
    let first = "Set aside: 68.0 °C, above 60.0 °C.";
    let warm = stated_with(Some(&sheet()), |f| f.unit_temperature = Some(Celsius(68.0)));
    state(&mut cases, "H6 check at 68 °C", &warm, hot, first, leave);
    let warm = stated_with(Some(&sheet()), |f| {
        storage(60.0)(f);
        f.unit_temperature = Some(Celsius(68.0));
    });
    state(&mut cases, "H6 storage at 68 °C", &warm, hot, first, leave);
    let fault = stated_with(Some(&sheet()), |f| {
        f.faults = vec![Fault {
            code: "OVERTEMP".into(),
            latched: false,
            hot: true,
        }];
    });
    let first = "Set aside: A latched fault.";
    state(&mut cases, "H6 OVERTEMP", &fault, hot, first, leave);
    let cold = stated_with(Some(&sheet()), |f| {
        f.purpose = Purpose::Charge;
        f.unit_temperature = Some(Celsius(-12.0));
    });
    let cautions = said(&cold, Some(&sheet())).cautions;
    let cold = cautions.contains(&carrylog_health::judgement::Caution::ColdCharge);
    cases.equal("H6 cold charge cautioned", true, cold);
    cases.finish();
}

#[test]
fn sheets_and_calibrations_that_change_or_come_later() {
    let mut cases = Cases::named("judgement");
    let i2 = stated_with(Some(&sheet()), |f| f.stated.capacity = Some(AmpHours(33.0)));
    cases.equal("I2 then", W.words(), i2.judgement.verdict.unwrap().words());
    let mut today = sheet();
    today.minimum = AmpHours(34.2);
    today.revision = "4".into();
    let on: Date = "2026-03-01".parse().unwrap();
    let soh = state_of_health(&i2.judgement.capacity.unwrap(), on, &today).unwrap();
    let (state, reason) = soh.asks_for().unwrap();
    let context = Context {
        first: Some(&reason),
        sheet: Some(&today),
        ..Context::default()
    };
    let first = say(state, &context).first;
    let required = "Below today's limit (rev. 4): 33.00 Ah < 34.20 Ah.".to_owned();
    cases.equal("I2 today", required, first);
    today.minimum = AmpHours(32.999);
    let soh = state_of_health(&i2.judgement.capacity.unwrap(), on, &today).unwrap();
    let close = soh.today == AgainstToday::TooClose;
    cases.equal("I2 within U: too close to tell", true, close);
    let small = |f: &mut TestFacts| f.stated.capacity = Some(AmpHours(6.2));
    let before = stated_with(None, small);
    let unassessed = before.judgement.verdict.is_none()
        && before.judgement.state == UnitState::NoSheet
        && !counts_for_health(&before.judgement);
    cases.equal(
        "I3 without a sheet: unassessed, not passed",
        true,
        unassessed,
    );
    let later = judge(&before.facts, &before.evidence, Some(&sheet()));
    cases.equal(
        "I3 with the sheet",
        O.words(),
        later.verdict.unwrap().words(),
    );
    for (id, calibration, code) in [
        ("I5 none", Calibration::None, ReasonCode::NoCalibration),
        (
            "I5 expired",
            Calibration::Ended("2026-02-28".parse().unwrap()),
            ReasonCode::CalibrationEnded,
        ),
    ] {
        let done = stated_with(Some(&sheet()), |f| f.calibration = calibration);
        row(&mut cases, id, &done, N, code);
    }
    cases.finish();
}

/// Every kind of test that the cases hold, for the rules on words.
fn everything() -> Vec<Done> {
    let mut all = vec![
        traced(a1()),
        traced(pause(420.0)),
        traced(a1().without_rows(1500, 1800)),
        traced(Bench::full().rest(45.0).hold(-34.0, 700.0).rest(45.0)),
        stated_with(None, reading),
        stated_with(None, |f| {
            reading(f);
            swelling(f);
        }),
    ];
    let changes: [fn(&mut TestFacts); 10] = [
        |_| {},
        swelling,
        |f| {
            f.findings = vec![Finding {
                words: "smoke".into(),
                heat_without_load: true,
            }]
        },
        |f| f.unit_temperature = Some(Celsius(68.0)),
        |f| f.stated.end_voltage = Some(Volts(12.9)),
        |f| f.stated.capacity = Some(AmpHours(30.3999)),
        |f| f.stated.capacity = Some(AmpHours(30.4001)),
        |f| f.stated.capacity = Some(AmpHours(3510.0)),
        |f| f.calibration = Calibration::None,
        |f| f.initial_state = None,
    ];
    all.extend(changes.map(|change| stated_with(Some(&sheet()), change)));
    all.extend([93.0, 60.0, 38.0].map(|p| stated_with(Some(&sheet()), storage(p))));
    all
}

/// The seven rules on words, for one state in one context.
fn contradictions(said: &carrylog_health::judgement::Said) -> Vec<String> {
    let mut wrong = Vec::new();
    let cautions: Vec<String> = said
        .cautions
        .iter()
        .map(|c| c.to_string().to_lowercase())
        .collect();
    let suggestion = said.suggestion.to_lowercase();
    let first = said.first.to_lowercase();
    if said.state.set_aside() {
        let work = ["charg", "ship", "repeat", "install"];
        let harmless = |c: &&String| {
            c.starts_with("never") || c.contains("forbidden") || c.starts_with("not by air")
        };
        let texts = cautions
            .iter()
            .filter(|c| !harmless(c))
            .chain([&suggestion]);
        for text in texts {
            if work.iter().any(|w| text.contains(w)) {
                wrong.push(format!("set aside, yet: {text}"));
            }
        }
        if first.contains("within") {
            wrong.push(format!("set aside and within: {first}"));
        }
    }
    let all = || cautions.iter().chain([&suggestion, &first]);
    let still = all().any(|t| t.contains("do not touch or move"));
    let carried = all().any(|t| {
        t.contains("carry") || t.contains("outside the building") || t.contains("keep it apart")
    });
    if still && carried {
        wrong.push("do not move, yet carry".into());
    }
    if said.state == UnitState::HeatWithoutLoad && said.cautions.len() != 1 {
        wrong.push("beside a danger nothing else is said".into());
    }
    let mut once = cautions.clone();
    once.sort();
    once.dedup();
    if once.len() != cautions.len() {
        wrong.push("a caution twice".into());
    }
    for text in all() {
        for word in ["passed", "good for", "airworthy", "released", "sheet says"] {
            if text.contains(word) {
                wrong.push(format!("says {word}: {text}"));
            }
        }
    }
    wrong
}

#[test]
fn no_state_of_any_case_says_two_things_that_contradict() {
    let mut cases = Cases::named("judgement");
    let limits = sheet();
    let all = everything();
    let mut checked = 0;
    let mut wrong = Vec::new();
    for done in &all {
        for state in UnitState::ALL {
            for (shipping, for_storage) in [(false, None), (true, Some(true)), (true, Some(false))]
            {
                let context = Context {
                    first: done.judgement.first(),
                    sheet: Some(&limits),
                    seen: Some("swelling"),
                    shipping,
                    for_storage,
                    charged_cold: true,
                    ..Context::default()
                };
                wrong.extend(contradictions(&say(state, &context)));
                checked += 1;
            }
        }
        wrong.extend(contradictions(&said(done, Some(&limits))));
    }
    let got = wrong
        .first()
        .map_or(format!("none in {checked} texts"), Clone::clone);
    cases.row("§5 contradictions", "none", got, wrong.is_empty());
    // The state that one test asks for is the gravest of what its reasons ask for.
    let mixed = stated_with(Some(&sheet()), |f| {
        swelling(f);
        f.stated.end_voltage = Some(Volts(12.9));
        f.unit_temperature = Some(Celsius(68.0));
    });
    let state = mixed.judgement.state.code();
    cases.equal("§5 one state, the gravest", "set_aside_damage", state);
    cases.finish();
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn any_form_is_judged_without_a_panic_and_without_contradiction(
        capacity in prop::option::of(-1e3..1e5_f64),
        end in prop::option::of(-10.0..1e5_f64),
        energy in prop::option::of(-1e3..1e6_f64),
        temperature in prop::option::of(-400.0..400.0_f64),
        percent in prop::option::of(-50.0..1000.0_f64),
        seconds in -1e6..1e6_f64,
        damaged in any::<bool>(),
        purpose in 0_usize..7,
        sheeted in any::<bool>(),
    ) {
        let purposes = [
            Purpose::Commissioning, Purpose::PeriodicCheck, Purpose::StorageCharge, Purpose::Charge,
            Purpose::Discharge, Purpose::StatusCheck, Purpose::ComplementaryTest,
        ];
        let sheet = sheet();
        let done = stated_with(sheeted.then_some(&sheet), |f| {
            f.purpose = purposes[purpose];
            f.stated = Stated {
                capacity: capacity.map(AmpHours),
                energy: energy.map(WattHours),
                end_voltage: end.map(Volts),
                charge_percent: percent,
                ..Stated::default()
            };
            f.unit_temperature = temperature.map(Celsius);
            f.ended = Instant::from_millis(f.started.millis() + (seconds * 1e3) as i64).unwrap();
            if damaged {
                swelling(f);
            }
        });
        prop_assert_eq!(done.judgement.verdict.is_some(), sheeted);
        let said = said(&done, sheeted.then_some(&sheet));
        prop_assert!(contradictions(&said).is_empty(), "{:?}", said);
        if damaged {
            prop_assert!(said.state <= UnitState::SetAsideDamage);
        }
        if counts_for_health(&done.judgement) {
            let q = done.judgement.capacity.unwrap().reference.0;
            prop_assert!((0.05 * 38.0..=1.5 * 38.0).contains(&q));
        }
    }
}
