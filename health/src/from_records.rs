//! Turns records into this crate's types and results back into records.
//!
//! The only place where the record's integers meet the `f64` that is computed with.

pub(crate) mod judging;

use crate::efficiency::Cycle;
use crate::phases::Direction;
use crate::quantity::{AmpHours, Amps, Kelvins, Ohms, Seconds, Volts};
use crate::resistance::StepReading;
use crate::samples::{Columns, Samples, SamplesError, SignConvention};
use crate::trace_results::{self, GoverningDischarge, TraceResults, TraceRules};
use crate::trend::{CheckPoint, UnitLimits};
use crate::uncertainty::{self, StationAccuracy};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::{
    DurationMs, MicroAmpHours, MicroOhms, MicroVolts, MicroWattHours, MilliKelvin, Ppm,
};
use carrylog_format::record::{
    Accuracy, Computed, Efficiency, LimitsSheet, Phase, PhaseKind, Refused, ResistanceMethod,
    StepResistance, TestRecord,
};
use carrylog_format::text::Text;
use carrylog_format::trace::Trace;

/// Program and version as results name them.
pub const COMPUTED_BY: &str = concat!("carrylog-health ", env!("CARGO_PKG_VERSION"));
/// Most phases that a record holds.
pub const MAX_PHASES: usize = 64;
/// Most efficiencies and refusals that a record holds.
const MAX_LISTED: usize = 32;

/// Computes everything that a record holds from its trace.
///
/// `end_voltage` cuts the discharge at its crossing and decides which discharges are complete;
/// without it all rows of a discharge count. `accuracy` adds standard uncertainties. What cannot be
/// computed stands in [`Computed::refused`] with its reason.
pub fn compute(
    trace: &Trace,
    end_voltage: Option<MicroVolts>,
    accuracy: Option<&Accuracy>,
) -> Computed {
    let samples = match samples(trace) {
        Ok(samples) => samples,
        Err(reason) => return nothing_of(&reason),
    };
    let rules = TraceRules {
        end_voltage: end_voltage.map(|v| Volts(v.volts())),
        ..TraceRules::default()
    };
    let results = trace_results::trace_results(&samples, &rules);
    computed(&samples, &results, accuracy.map(station_accuracy).as_ref())
}

/// The samples of a trace. Traces are positive = charge by their format.
///
/// # Errors
/// [`SamplesError::TimeStandsStill`]; a trace excludes the other causes.
pub fn samples(trace: &Trace) -> Result<Samples, SamplesError> {
    let columns = trace.columns();
    let scaled = |raw: &Vec<i64>, scale: f64| raw.iter().map(|&v| v as f64 / scale).collect();
    let celsius = |raw: &Vec<i64>| raw.iter().map(|&v| (v - 273_150) as f64 / 1e3).collect();
    let columns = Columns {
        time_s: scaled(&columns.time_us, 1e6),
        current_a: scaled(&columns.current_ua, 1e6),
        voltage_v: scaled(&columns.voltage_uv, 1e6),
        temperature_c: columns.temperature_mk.iter().map(celsius).collect(),
        cell_voltage_v: columns
            .cell_voltage_uv
            .iter()
            .map(|c| scaled(c, 1e6))
            .collect(),
        step: columns.step.clone(),
    };
    Samples::parse(columns, SignConvention::PositiveCharges)
}

/// A station's accuracies, from its calibration record.
pub fn station_accuracy(accuracy: &Accuracy) -> StationAccuracy {
    let ratio = |ppm: Ppm| ppm.percent() / 100.0;
    StationAccuracy {
        current_relative: ratio(accuracy.current_ppm),
        current_offset: Amps(accuracy.current_offset_ua.amps()),
        current_resolution: Amps(accuracy.current_resolution_ua.map_or(0.0, |v| v.amps())),
        voltage_relative: ratio(accuracy.voltage_ppm),
        voltage_offset: Volts(accuracy.voltage_offset_uv.volts()),
        voltage_resolution: Volts(accuracy.voltage_resolution_uv.map_or(0.0, |v| v.volts())),
        time_relative: ratio(accuracy.time_ppm),
        time_resolution: Seconds(accuracy.time_resolution_ms.map_or(0.0, |v| v.seconds())),
        // A difference of temperatures is the same in millikelvins and in thousandths of °C.
        temperature: Kelvins(accuracy.temperature_mk.kelvin()),
    }
}

/// The capacity that stands for a test: from its trace, else as the station stated it. `None` if
/// neither is there or it is zero, which is a fault of the record and no capacity.
pub fn capacity_of(test: &TestRecord) -> Option<AmpHours> {
    let computed = test.computed.as_ref().and_then(|c| c.capacity_uah);
    let capacity = computed.or(test.declared.capacity_uah)?;
    (capacity.raw() > 0).then(|| AmpHours(capacity.amp_hours()))
}

/// The resistance of a test by `method`: as the station stated it, else from its trace.
pub fn resistance_of(test: &TestRecord, method: ResistanceMethod) -> Option<Ohms> {
    let declared = test
        .declared
        .resistance
        .as_ref()
        .filter(|r| r.method == method);
    let step = test.computed.as_ref().and_then(|c| c.resistance.as_ref());
    let step = step.filter(|_| method == ResistanceMethod::DcStep);
    let value = declared.map(|r| r.uohm).or(step.map(|s| s.uohm))?;
    Some(Ohms(value.milliohms() / 1e3))
}

/// A test as a point of a unit's series, with `value` the capacity or resistance.
pub fn check_point(test: &TestRecord, value: f64) -> CheckPoint {
    CheckPoint {
        day: day_of(test.ended_ms),
        flight_hours: test.flight_minutes.map(|m| m.hours()),
        flight_cycles: test.flight_cycles.map(|c| c as f64),
        value,
        standard: None,
    }
}

/// Days since 1970-01-01, the axis of a unit's series.
pub fn day_of(instant: Instant) -> f64 {
    instant.millis() as f64 / MS_PER_DAY
}

/// The instant of a day on that axis; `None` before 1970 or past the last instant of a record.
pub fn instant_of(day: f64) -> Option<Instant> {
    let ms = day * MS_PER_DAY;
    if ms.is_finite() {
        Instant::from_millis(ms as i64).ok()
    } else {
        None
    }
}

/// Reference values of a unit from its limits sheet; resistances by `method`.
pub fn unit_limits(sheet: &LimitsSheet, method: ResistanceMethod) -> UnitLimits {
    let limit = sheet.resistance.iter().find(|l| l.method == method);
    let ohms = |value: MicroOhms| Ohms(value.milliohms() / 1e3);
    UnitLimits {
        rated: AmpHours(sheet.rated_capacity_uah.amp_hours()),
        minimum: AmpHours(sheet.minimum_capacity_uah.amp_hours()),
        resistance_new: limit.and_then(|l| l.new_uohm).map(ohms),
        resistance_max: limit.map(|l| ohms(l.max_uohm)),
    }
}

const MS_PER_DAY: f64 = 86_400_000.0;

fn computed(
    samples: &Samples,
    results: &TraceResults,
    accuracy: Option<&StationAccuracy>,
) -> Computed {
    let refused = results.refused.iter();
    let mut computed = nothing(
        refused
            .map(|r| refusal(&r.result.to_string(), &r.reason.to_string()))
            .collect(),
    );
    let count = results.phases.len();
    let listed = results.phases.iter().take(MAX_PHASES);
    match listed.map(phase).collect::<Option<Vec<Phase>>>() {
        Some(phases) => computed.phases = phases,
        None => computed
            .refused
            .push(refusal("phases", "a value is too large for a record")),
    }
    if count > MAX_PHASES {
        let why = format!("{count} phases were found; the first {MAX_PHASES} are listed");
        computed.refused.push(refusal("full list of phases", &why));
    }
    for (result, why) in judging::shown_besides(samples, results) {
        computed.refused.insert(0, refusal(result, &why));
    }
    computed.refused.truncate(MAX_LISTED);
    let cycles = results.cycles.iter().take(MAX_LISTED);
    computed.efficiency = cycles.filter_map(efficiency).collect();
    computed.resistance = results
        .resistance
        .as_ref()
        .and_then(|r| step_resistance(r, accuracy));
    computed.charge_20_to_90_ms = results
        .charge_20_to_90
        .and_then(|c| DurationMs::from_seconds(c.duration.0).ok());
    if let Some(range) = results.temperature {
        computed.temperature_max_mk = MilliKelvin::from_celsius(range.max.0).ok();
        computed.temperature_min_mk = MilliKelvin::from_celsius(range.min.0).ok();
    }
    if let Some(governing) = &results.governing {
        set_governing(&mut computed, samples, governing, accuracy);
    }
    computed
}

fn set_governing(
    computed: &mut Computed,
    samples: &Samples,
    governing: &GoverningDischarge,
    accuracy: Option<&StationAccuracy>,
) {
    computed.capacity_uah = MicroAmpHours::from_amp_hours(governing.capacity.0).ok();
    computed.energy_uwh = MicroWattHours::from_watt_hours(governing.energy.0).ok();
    computed.end_voltage_uv = MicroVolts::from_volts(governing.end_voltage.0).ok();
    computed.temperature_mean_mk = governing
        .mean_temperature
        .and_then(|t| MilliKelvin::from_celsius(t.0).ok());
    if governing.phase < computed.phases.len() {
        computed.governing_phase = u16::try_from(governing.phase).ok();
    }
    if let Some(accuracy) = accuracy
        && let Some(u) = uncertainty::discharge(samples, governing, accuracy)
    {
        computed.capacity_std_uah = MicroAmpHours::from_amp_hours(u.capacity.0).ok();
        computed.energy_std_uwh = MicroWattHours::from_watt_hours(u.energy.0).ok();
    }
}

/// No result, with the reason.
fn nothing_of(reason: &SamplesError) -> Computed {
    nothing(vec![refusal("every result", &reason.to_string())])
}

/// Computed results without one.
#[cfg(test)]
pub(crate) fn empty_computed() -> Computed {
    nothing(Vec::new())
}

fn nothing(refused: Vec<Refused>) -> Computed {
    Computed {
        by: text(COMPUTED_BY),
        phases: Vec::new(),
        refused,
        efficiency: Vec::new(),
        energy_uwh: None,
        resistance: None,
        capacity_uah: None,
        end_voltage_uv: None,
        energy_std_uwh: None,
        governing_phase: None,
        capacity_std_uah: None,
        charge_20_to_90_ms: None,
        temperature_max_mk: None,
        temperature_min_mk: None,
        temperature_mean_mk: None,
    }
}

fn phase(phase: &trace_results::Phase) -> Option<Phase> {
    Some(Phase {
        kind: match phase.rows.direction {
            Direction::Charge => PhaseKind::Charge,
            Direction::Discharge => PhaseKind::Discharge,
            Direction::Rest => PhaseKind::Rest,
        },
        row_last: phase.rows.last as u64,
        row_first: phase.rows.first as u64,
        charge_uah: MicroAmpHours::from_amp_hours(phase.charge.0).ok()?,
        energy_uwh: MicroWattHours::from_watt_hours(phase.energy.0).ok()?,
        duration_ms: DurationMs::from_seconds(phase.duration.0).ok()?,
        end_voltage_uv: MicroVolts::from_volts(phase.end_voltage.0).ok()?,
        start_voltage_uv: MicroVolts::from_volts(phase.start_voltage.0).ok()?,
    })
}

fn efficiency(cycle: &Cycle) -> Option<Efficiency> {
    Some(Efficiency {
        energy_ppm: Ppm::from_percent(100.0 * cycle.energy).ok()?,
        phase_last: u16::try_from(cycle.last_phase).ok()?,
        phase_first: u16::try_from(cycle.first_phase).ok()?,
        coulombic_ppm: Ppm::from_percent(100.0 * cycle.coulombic).ok()?,
    })
}

fn step_resistance(
    reading: &StepReading,
    accuracy: Option<&StationAccuracy>,
) -> Option<StepResistance> {
    let std = accuracy.map(|a| uncertainty::step_resistance(reading, a).standard);
    Some(StepResistance {
        row: reading.row_before as u64,
        uohm: micro_ohms(reading.resistance.0)?,
        delay_ms: DurationMs::from_seconds(reading.delay.0).ok()?,
        std_uohm: std.and_then(micro_ohms),
    })
}

fn micro_ohms(ohms: f64) -> Option<MicroOhms> {
    MicroOhms::from_milliohms(ohms * 1e3).ok()
}

fn refusal(result: &str, why: &str) -> Refused {
    Refused {
        why: text(why),
        result: text(result),
    }
}

/// Text of our own making, cut to what the field holds.
fn text<const MAX: usize>(raw: &str) -> Text<MAX> {
    let mut end = raw.len().min(MAX);
    while !raw.is_char_boundary(end) {
        end -= 1;
    }
    #[expect(
        clippy::expect_used,
        reason = "our own words are never empty and hold no control characters"
    )]
    Text::new(&raw[..end]).expect("our own words")
}
