//! What a trace shows that a judgement asks for; or what the station stated, without a trace.

use super::input::{Discharged, Evidence, MeasuredResistance, SheetLimits, Source, TestFacts};
use crate::cells::cell_evidence;
use crate::clean::{SENSOR_RANGE_C, clean};
use crate::discharge::{Began, DischargeRules};
use crate::gum::COVERAGE_FACTOR;
use crate::phases::{Direction, PhaseRules, find_phases};
use crate::quantity::{AmpHours, Celsius, Seconds, Volts};
use crate::refusal::ResultName;
use crate::resistance::{self, Reading, StepReading, StepRules};
use crate::samples::Samples;
use crate::trace_results::{TraceResults, TraceRules, extremes, trace_results};
use crate::uncertainty::{self, StationAccuracy};
use carrylog_format::record::ResistanceMethod;

/// How a trace is computed under a sheet.
pub(crate) fn rules(sheet: Option<&SheetLimits>) -> TraceRules {
    let mut discharge = DischargeRules::default();
    if let Some(longest) = sheet.and_then(|s| s.longest_pause) {
        discharge.longest_rest = longest;
    }
    TraceRules {
        end_voltage: sheet.map(|s| s.end_voltage),
        discharge,
        ..TraceRules::default()
    }
}

/// Computes a trace under a sheet and takes out of it what a judgement asks for.
pub fn from_trace(
    samples: &Samples,
    sheet: Option<&SheetLimits>,
    accuracy: Option<&StationAccuracy>,
) -> (TraceResults, Evidence) {
    let results = trace_results(samples, &rules(sheet));
    let minimum = sheet.and_then(|s| s.cell.minimum);
    let (lowest, highest) = extremes(samples.voltage_v());
    let cleaned = clean(samples, sheet.map(|s| s.end_voltage.0));
    let believable = cleaned.samples.as_ref();
    let refused = results.refused.iter();
    let evidence = Evidence {
        discharged: discharged(believable, &results, accuracy),
        refused: refused
            .clone()
            .find(|r| r.result == ResultName::Capacity)
            .map(|r| r.reason),
        temperature: results.temperature.map(|t| (t.min, t.max)),
        odd_temperature: odd_temperature(samples),
        heating: heating(believable, &results),
        voltage: Some((Volts(lowest), Volts(highest))),
        lowest_end: lowest_end(&results),
        length: length(samples),
        charge_temperature: charge_temperature(believable, &results),
        charged: charged(&results),
        efficiency: efficiency(&results, accuracy),
        cells: cell_evidence(believable, &results, minimum),
        resistances: resistances(believable, &results, sheet, accuracy),
        notices: results.notices.clone(),
    };
    (results, evidence)
}

/// What a test without a trace gives: the station's own figures.
pub fn as_stated(facts: &TestFacts) -> Evidence {
    let length = (facts.ended.millis() - facts.started.millis()) as f64 / 1e3;
    let duration = (length > 0.0).then_some(Seconds(length));
    let capacity = facts.stated.capacity.filter(|q| q.0 > 0.0);
    Evidence {
        discharged: capacity.map(|q| Discharged {
            source: Source::Stated,
            capacity: q,
            standard: facts
                .calibration
                .accuracy()
                .map(|a| AmpHours(uncertainty::declared_capacity(q, duration, a).standard)),
            energy: facts.stated.energy,
            end_voltage: facts.stated.end_voltage,
            lowest_voltage: None,
            reached_the_end: None,
            at_least: q,
            current: None,
            began: Began::Unknown,
            pieces: 1,
            paused: Seconds(0.0),
            mean_temperature: None,
        }),
        lowest_end: facts.stated.end_voltage,
        ..Evidence::default()
    }
}

fn discharged(
    samples: &Samples,
    results: &TraceResults,
    accuracy: Option<&StationAccuracy>,
) -> Option<Discharged> {
    let g = results.governing.as_ref()?;
    let u = accuracy.and_then(|a| uncertainty::discharge(samples, g, a));
    Some(Discharged {
        source: Source::Trace,
        capacity: g.capacity,
        // Without stated accuracies the edges are still known.
        standard: Some(u.map_or(g.edge_standard, |u| u.capacity)),
        energy: Some(g.energy),
        end_voltage: Some(g.end_voltage),
        lowest_voltage: Some(g.lowest_voltage),
        reached_the_end: Some(g.reached_the_end()),
        at_least: AmpHours((g.seen.0 - g.put_back.0).max(0.0)),
        current: Some(g.test_current),
        began: g.began,
        pieces: g.pieces,
        paused: g.paused,
        mean_temperature: g.mean_temperature,
    })
}

/// A temperature column without one believable reading: the middle of it.
fn odd_temperature(samples: &Samples) -> Option<Celsius> {
    let columns = samples.temperature_c().iter();
    let odd = columns
        .filter(|c| !c.iter().any(|t| SENSOR_RANGE_C.contains(t)))
        .map(|c| Celsius(crate::phases::median_of(c)));
    odd.into_iter().next()
}

/// Shortest rest over which a rise of temperature is looked for, and the time it is taken over.
/// Common practice, no source.
const HEATING_S: f64 = 120.0;

/// Fastest rise without load over two minutes, kelvins a minute.
pub(crate) fn heating(samples: &Samples, results: &TraceResults) -> Option<f64> {
    let t = samples.time_s();
    let mut fastest: Option<f64> = None;
    let rests = results
        .phases
        .iter()
        .filter(|p| p.rows.direction == Direction::Rest && p.duration.0 >= HEATING_S);
    for rest in rests {
        for column in samples.temperature_c() {
            let mut from = rest.rows.first;
            for k in rest.rows.first..=rest.rows.last {
                while t[k] - t[from + 1] >= HEATING_S {
                    from += 1;
                }
                let dt = t[k] - t[from];
                let believable =
                    SENSOR_RANGE_C.contains(&column[k]) && SENSOR_RANGE_C.contains(&column[from]);
                if dt >= HEATING_S && believable {
                    let rise = (column[k] - column[from]) / dt * 60.0;
                    fastest = Some(fastest.map_or(rise, |f| f.max(rise)));
                }
            }
        }
    }
    fastest
}

/// Lowest voltage at the end of a phase, and of the whole trace if it has no other.
fn lowest_end(results: &TraceResults) -> Option<Volts> {
    let ends = results.phases.iter().map(|p| p.end_voltage.0);
    ends.reduce(f64::min).map(Volts)
}

fn length(samples: &Samples) -> Option<Seconds> {
    let t = samples.time_s();
    Some(Seconds(t.last()? - t.first()?))
}

fn charge_temperature(samples: &Samples, results: &TraceResults) -> Option<Celsius> {
    let charges = results
        .phases
        .iter()
        .filter(|p| p.rows.direction == Direction::Charge);
    let mut lowest: Option<f64> = None;
    for charge in charges {
        for column in samples.temperature_c() {
            let rows = column.get(charge.rows.first..=charge.rows.last)?;
            let (low, _) = extremes(rows);
            if SENSOR_RANGE_C.contains(&low) {
                lowest = Some(lowest.map_or(low, |l| l.min(low)));
            }
        }
    }
    lowest.map(Celsius)
}

fn charged(results: &TraceResults) -> Option<AmpHours> {
    let charges = results
        .phases
        .iter()
        .filter(|p| p.rows.direction == Direction::Charge);
    charges
        .map(|p| p.charge.0)
        .reduce(|a, b| a + b)
        .map(AmpHours)
}

/// How far the last coulombic efficiency lies over one, and the expanded uncertainty of that: both
/// charges come from one instrument, so its gain cancels and its offset over both does not.
fn efficiency(results: &TraceResults, accuracy: Option<&StationAccuracy>) -> Option<(f64, f64)> {
    let cycle = results.cycles.last()?;
    let phases = results.phases.get(cycle.first_phase..=cycle.last_phase)?;
    let hours: f64 = phases.iter().map(|p| p.duration.0 / 3600.0).sum();
    let offset = accuracy.map_or(0.0, |a| crate::gum::rectangular(a.current_offset.0));
    let expanded = COVERAGE_FACTOR * offset * hours / cycle.charge_in.0;
    Some((cycle.coulombic - 1.0, expanded))
}

/// Resistances from the trace: the step at the onset of the discharge, at its first steady row and at
/// each delay that the sheet asks for; and by two steps.
fn resistances(
    samples: &Samples,
    results: &TraceResults,
    sheet: Option<&SheetLimits>,
    accuracy: Option<&StationAccuracy>,
) -> Vec<MeasuredResistance> {
    let mut found: Vec<MeasuredResistance> = Vec::new();
    let of_step = |reading: &StepReading| MeasuredResistance {
        value: reading.resistance,
        standard: accuracy
            .map(|a| crate::quantity::Ohms(uncertainty::step_resistance(reading, a).standard)),
        method: ResistanceMethod::DcStep,
        frequency: None,
        delay: Some(reading.delay),
        current: Some(crate::quantity::Amps(
            (reading.current_after.0 - reading.current_before.0).abs(),
        )),
        charge_percent: None,
        temperature: temperature_at(samples, reading.row_before),
    };
    found.extend(results.resistance.as_ref().map(of_step));
    let asked = sheet.map(|s| s.resistance.as_slice()).unwrap_or_default();
    let delays = asked
        .iter()
        .filter(|l| l.method == ResistanceMethod::DcStep)
        .filter_map(|l| l.delay);
    if let Some(g) = &results.governing {
        let phases = find_phases(samples, &PhaseRules::default());
        for delay in delays {
            let rules = StepRules {
                reading: Reading::Delay(delay),
                ..StepRules::default()
            };
            let onset = g.first_row.checked_sub(1);
            let reading =
                onset.and_then(|row| resistance::step_reading(samples, row, &phases, &rules).ok());
            found.extend(reading.as_ref().map(of_step));
        }
    }
    found.extend(results.two_step.as_ref().map(|r| MeasuredResistance {
        value: r.resistance,
        standard: None,
        method: ResistanceMethod::DcTwoStep,
        frequency: None,
        delay: Some(r.second_delay),
        current: Some(r.second_current),
        charge_percent: None,
        temperature: temperature_at(samples, r.row_before),
    }));
    found
}

fn temperature_at(samples: &Samples, row: usize) -> Option<Celsius> {
    let here = samples.temperature_c().iter().filter_map(|c| c.get(row));
    let good: Vec<f64> = here
        .copied()
        .filter(|t| SENSOR_RANGE_C.contains(t))
        .collect();
    (!good.is_empty()).then(|| Celsius(good.iter().sum::<f64>() / good.len() as f64))
}
