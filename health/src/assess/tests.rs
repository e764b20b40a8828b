//! Verdicts, one by one.

use super::*;
use crate::judgement::Caution;
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{
    MicroAmpHours, MicroAmps, MicroOhms, MicroVolts, MilliKelvin, Ppm,
};
use carrylog_format::record::{
    CheckIntervals, Declared, ManualReference, Resistance, ResistanceLimit, ResistanceMethod,
    StorageRule,
};
use carrylog_format::record::{Purpose, Verdict};
use carrylog_format::text::Text;
use carrylog_format::unit_id::UnitId;

pub(crate) fn sheet() -> LimitsSheet {
    let celsius = |c| MilliKelvin::from_celsius(c).unwrap();
    LimitsSheet {
        mfr: Text::new("FJ001").unwrap(),
        part: Text::new("FB-44").unwrap(),
        manual: ManualReference {
            revision: Text::new("3").unwrap(),
            reference: Text::new("FB-44-CMM").unwrap(),
        },
        storage: Some(StorageRule {
            soc_ppm: Ppm::from_percent(40.0).unwrap(),
            valid_days: 180,
            tolerance_ppm: Ppm::from_percent(5.0).unwrap(),
        }),
        cautions: Vec::new(),
        intervals: CheckIntervals {
            days: Some(730),
            first_days: Some(365),
            flight_minutes: None,
        },
        resistance: vec![ResistanceLimit {
            method: ResistanceMethod::Ac,
            max_uohm: MicroOhms::from_milliohms(20.0).unwrap(),
            new_uohm: Some(MicroOhms::from_milliohms(10.0).unwrap()),
            max_temperature_mk: celsius(25.0),
            min_temperature_mk: celsius(15.0),
        }],
        valid_from: "2024-01-01".parse().unwrap(),
        valid_until: None,
        complementary: vec![Text::new("Insulation test").unwrap()],
        end_voltage_uv: MicroVolts::from_volts(20.0).unwrap(),
        rated_capacity_uah: MicroAmpHours::from_amp_hours(44.0).unwrap(),
        minimum_capacity_uah: MicroAmpHours::from_amp_hours(35.2).unwrap(),
        test_max_temperature_mk: celsius(30.0),
        test_min_temperature_mk: celsius(15.0),
        air_shipment_max_soc_ppm: Some(Ppm::from_percent(30.0).unwrap()),
        reference_temperature_mk: None,
        commissioning_capacity_uah: Some(MicroAmpHours::from_amp_hours(44.0).unwrap()),
        recomputation_tolerance_ppm: Some(Ppm::from_percent(1.0).unwrap()),
        capacity_coefficient_ppm_per_k: None,
    }
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

/// 0.5 % of current, no offset: U = 2 · 0.005 / √3 of the capacity, 0.58 %.
fn accuracy() -> Accuracy {
    Accuracy {
        time_ppm: Ppm::new(0).unwrap(),
        current_ppm: Ppm::new(5_000).unwrap(),
        voltage_ppm: Ppm::new(1_000).unwrap(),
        temperature_mk: MilliKelvin::new(1_000).unwrap(),
        current_offset_ua: MicroAmps::new(0).unwrap(),
        voltage_offset_uv: MicroVolts::new(0).unwrap(),
        time_resolution_ms: None,
        current_resolution_ua: None,
        voltage_resolution_uv: None,
    }
}

fn sheet_id() -> StatementDigest {
    StatementDigest::from_hash(carrylog_format::tree::leaf_hash(b"sheet"))
}

fn run_with(test: &TestRecord, sheet: &LimitsSheet, facts: &Facts<'_>) -> Assessed {
    assess(
        test,
        test.computed.as_ref(),
        Some((sheet, sheet_id())),
        facts,
    )
}

fn run(test: &TestRecord, sheet: &LimitsSheet) -> Assessed {
    let accuracy = accuracy();
    let due = "2025-12-31".parse().unwrap();
    let facts = Facts {
        calibration: KnownCalibration::Until(due, Some(&accuracy)),
        ..Facts::default()
    };
    run_with(test, sheet, &facts)
}

fn assessment(done: &Assessed) -> &Assessment {
    done.assessment.as_ref().unwrap()
}

fn verdict(done: &Assessed) -> Verdict {
    assessment(done).verdict
}

fn reasons(assessed: &Assessed) -> String {
    let reasons = assessment(assessed).reasons.iter();
    reasons.map(|r| format!("{r}\n")).collect()
}

#[test]
fn a_capacity_well_above_its_limit_is_within_limits() {
    let done = run(&test(40.0), &sheet());
    assert_eq!(verdict(&done), Verdict::WithinLimits, "{}", reasons(&done));
    assert_eq!(
        assessment(&done).next,
        [NextStep::ChargeForInstallation, NextStep::StorageCharge]
    );
    assert!(reasons(&done).contains("FB-44-CMM, revision 3"));
    assert!(reasons(&done).contains("Resistance 20.0 % above that of a new unit"));
}

#[test]
fn every_assessment_says_that_it_is_advisory() {
    for capacity in [10.0, 35.2, 40.0] {
        assert!(reasons(&run(&test(capacity), &sheet())).contains("certifying staff decide"));
    }
}

#[test]
fn the_guard_band_lies_between_the_limit_and_the_limit_plus_u() {
    // U = 2 · 0.005/√3 · Q: from 35.2 Ah up to 35.2 / (1 − 0.0057735) = 35.404 Ah.
    for (capacity, verdict) in [
        (35.19, Verdict::OutsideLimits),
        (35.2, Verdict::InsideGuardBand),
        (35.40, Verdict::InsideGuardBand),
        (35.41, Verdict::WithinLimits),
    ] {
        assert_eq!(
            assessment(&run(&test(capacity), &sheet())).verdict,
            verdict,
            "{capacity}"
        );
    }
}

#[test]
fn below_the_limit_the_sheets_tests_and_quarantine_come_next() {
    let done = run(&test(30.0), &sheet());
    assert_eq!(
        assessment(&done).next,
        [NextStep::ComplementaryTests, NextStep::Quarantine]
    );
    assert_eq!(done.judgement.state, UnitState::OutsideLimits);
    assert_eq!(
        done.said.first,
        "Outside the sheet's limits: 30.00 Ah < 35.20 Ah."
    );
}

#[test]
fn a_new_unit_is_held_to_the_commissioning_capacity() {
    let mut new = test(40.0);
    new.purpose = Purpose::Commissioning;
    assert_eq!(verdict(&run(&new, &sheet())), Verdict::OutsideLimits);
}

#[test]
fn what_the_record_does_not_allow_is_not_assessable_and_says_why() {
    type Change = fn(&mut TestRecord, &mut LimitsSheet);
    let cases: [(Change, &str); 9] = [
        (
            |t, _| t.unit_temperature_mk = None,
            "No temperature was recorded",
        ),
        (
            |t, _| t.unit_temperature_mk = Some(MilliKelvin::from_celsius(5.0).unwrap()),
            "The unit was at 5.0 °C; the test counts only to 15.0 °C",
        ),
        (
            |t, _| t.faults = vec![Text::new("E12").unwrap()],
            "The station reported a fault",
        ),
        (
            |t, _| t.declared.capacity_uah = None,
            "No capacity was recorded",
        ),
        (
            |t, _| t.declared.capacity_uah = Some(MicroAmpHours::new(0).unwrap()),
            "No capacity was recorded",
        ),
        (
            |t, _| t.declared.resistance = None,
            "none was recorded as it asks",
        ),
        (
            |_, s| s.part = Text::new("FB-45").unwrap(),
            "another part number",
        ),
        (
            |_, s| s.valid_from = "2025-03-02".parse().unwrap(),
            "not in force on the day",
        ),
        (
            |t, _| t.declared.end_voltage_uv = Some(MicroVolts::from_volts(19.0).unwrap()),
            "ended at 19.00 V, not at 20.00 V",
        ),
    ];
    for (change, words) in cases {
        let (mut t, mut s) = (test(40.0), sheet());
        change(&mut t, &mut s);
        let done = run(&t, &s);
        assert_eq!(verdict(&done), Verdict::NotAssessable, "{}", reasons(&done));
        assert!(
            reasons(&done).contains(words),
            "{words}: {}",
            reasons(&done)
        );
    }
}

#[test]
fn conditions_come_first_a_faulted_test_says_nothing_about_the_unit() {
    let mut t = test(30.0);
    t.faults = vec![Text::new("E12").unwrap()];
    assert_eq!(verdict(&run(&t, &sheet())), Verdict::NotAssessable);
}

#[test]
fn a_discharge_that_stopped_early_is_at_least_so_much_and_not_assessable() {
    let early = |capacity| {
        let mut t = test(capacity);
        t.declared.end_voltage_uv = Some(MicroVolts::from_volts(22.0).unwrap());
        run(&t, &sheet())
    };
    assert_eq!(verdict(&early(40.0)), Verdict::NotAssessable);
    assert!(reasons(&early(40.0)).contains("at least 40.00 Ah"));
    assert_eq!(verdict(&early(30.0)), Verdict::NotAssessable);
}

#[test]
fn an_expired_calibration_and_none_are_not_assessable() {
    let t = test(40.0);
    let ended = KnownCalibration::Until("2025-02-28".parse().unwrap(), None);
    for (calibration, words) in [
        (ended, "The calibration ended on 2025-02-28"),
        (
            KnownCalibration::None,
            "No calibration of the station is known",
        ),
    ] {
        let facts = Facts {
            calibration,
            ..Facts::default()
        };
        let done = run_with(&t, &sheet(), &facts);
        assert_eq!(verdict(&done), Verdict::NotAssessable);
        assert_eq!(done.judgement.state, UnitState::NoCalibration);
        assert!(reasons(&done).contains(words), "{}", reasons(&done));
    }
}

#[test]
fn a_resistance_by_another_method_is_never_compared() {
    let mut t = test(40.0);
    t.declared.resistance.as_mut().unwrap().method = ResistanceMethod::DcTwoStep;
    let done = run(&t, &sheet());
    assert_eq!(verdict(&done), Verdict::NotAssessable);
}

#[test]
fn a_resistance_above_its_limit_is_outside() {
    let mut t = test(40.0);
    t.declared.resistance.as_mut().unwrap().uohm = MicroOhms::from_milliohms(20.1).unwrap();
    assert_eq!(verdict(&run(&t, &sheet())), Verdict::OutsideLimits);
}

#[test]
fn capacity_is_corrected_only_with_the_sheets_coefficient() {
    let mut s = sheet();
    s.reference_temperature_mk = Some(MilliKelvin::from_celsius(25.0).unwrap());
    assert!(!reasons(&run(&test(40.0), &s)).contains("corrected"));
    s.capacity_coefficient_ppm_per_k = Some(10_000);
    // 20 °C against 25 °C at 1 % a kelvin: 40 / 0.95 = 42.105 Ah.
    assert!(
        reasons(&run(&test(40.0), &s)).contains("40.00 Ah corrected for temperature to 42.11 Ah")
    );
}

#[test]
fn damage_means_quarantine_and_never_charging() {
    let t = test(40.0);
    let facts = Facts {
        damage_reported: true,
        ..Facts::default()
    };
    let done = run_with(&t, &sheet(), &facts);
    assert_eq!(assessment(&done).next, [NextStep::Quarantine]);
    assert_eq!(done.said.cautions[0], Caution::NeverChargeOrDischarge);
}

#[test]
fn an_over_discharged_unit_is_never_charged() {
    let mut t = test(40.0);
    t.declared.end_voltage_uv = Some(MicroVolts::from_volts(12.0).unwrap());
    let done = run(&t, &sheet());
    assert_eq!(assessment(&done).next, [NextStep::Quarantine]);
    assert!(done.said.cautions.contains(&Caution::NeverCharge));
}

#[test]
fn a_test_without_trace_is_judged_by_what_its_record_computed() {
    let mut t = test(40.0);
    t.declared.capacity_uah = None;
    t.computed = Some(carrylog_format::record::Computed {
        capacity_uah: Some(MicroAmpHours::from_amp_hours(39.0).unwrap()),
        end_voltage_uv: Some(MicroVolts::from_volts(20.0).unwrap()),
        ..crate::from_records::empty_computed()
    });
    let done = run(&t, &sheet());
    assert_eq!(verdict(&done), Verdict::WithinLimits, "{}", reasons(&done));
    assert!(reasons(&done).contains("Capacity 39.00 Ah"));
}

#[test]
fn damage_is_named_without_a_sheet_too() {
    let facts = Facts {
        damage_reported: true,
        ..Facts::default()
    };
    let done = assess(&test(40.0), None, None, &facts);
    assert!(done.assessment.is_none());
    assert_eq!(done.judgement.state, UnitState::SetAsideDamage);
    assert_eq!(done.judgement.reasons[0].line(), DAMAGE_REPORTED);
}

#[test]
fn a_storage_charge_is_held_to_the_sheets_level() {
    let mut t = test(40.0);
    t.purpose = Purpose::StorageCharge;
    for (soc, verdict) in [
        (40.0, Verdict::WithinLimits),
        (45.0, Verdict::WithinLimits),
        (46.0, Verdict::OutsideLimits),
    ] {
        t.declared.soc_ppm = Some(Ppm::from_percent(soc).unwrap());
        assert_eq!(assessment(&run(&t, &sheet())).verdict, verdict, "{soc} %");
    }
}
