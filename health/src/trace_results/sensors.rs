//! Temperatures and cell voltages of a trace, drop-outs left out by name.

use super::{CellSpread, GoverningDischarge, Phase, TemperatureRange};
use crate::phases::{Direction, PhaseRows};
use crate::quantity::{Celsius, Volts};
use crate::refusal::Notice;
use crate::samples::Samples;

/// Temperatures outside this range are a broken sensor wire, not a battery.
const SENSOR_RANGE_C: std::ops::RangeInclusive<f64> = -80.0..=400.0;

pub(super) fn temperature_range(
    samples: &Samples,
    notices: &mut Vec<Notice>,
) -> Option<TemperatureRange> {
    let (mut min, mut max) = (f64::INFINITY, f64::NEG_INFINITY);
    for (sensor, column) in samples.temperature_c().iter().enumerate() {
        let (low, high) = extremes(column);
        if SENSOR_RANGE_C.contains(&low) && SENSOR_RANGE_C.contains(&high) {
            (min, max) = (min.min(low), max.max(high));
            continue;
        }
        let good = || {
            column
                .iter()
                .copied()
                .filter(|v| SENSOR_RANGE_C.contains(v))
        };
        min = good().fold(min, f64::min);
        max = good().fold(max, f64::max);
        let rows = column.len() - good().count();
        notices.push(Notice::TemperatureDropOut { sensor, rows });
    }
    (min <= max).then_some(TemperatureRange {
        min: Celsius(min),
        max: Celsius(max),
    })
}

/// Lowest and highest value; lanes of eight keep the comparison off the critical path.
pub(super) fn extremes(values: &[f64]) -> (f64, f64) {
    let mut low = [f64::INFINITY; 8];
    let mut high = [f64::NEG_INFINITY; 8];
    let (chunks, rest) = values.as_chunks::<8>();
    for chunk in chunks {
        for (lane, &v) in chunk.iter().enumerate() {
            low[lane] = if v < low[lane] { v } else { low[lane] };
            high[lane] = if v > high[lane] { v } else { high[lane] };
        }
    }
    let low = low
        .iter()
        .chain(rest)
        .copied()
        .fold(f64::INFINITY, f64::min);
    let high = high
        .iter()
        .chain(rest)
        .copied()
        .fold(f64::NEG_INFINITY, f64::max);
    (low, high)
}

/// `1/T · ∫ ϑ dt` over the rows of a phase by the trapezoid rule, mean of all sensors; intervals
/// next to a drop-out are left out.
pub(super) fn mean_temperature(samples: &Samples, rows: &PhaseRows) -> Option<Celsius> {
    let time = samples.time_s().get(rows.first..=rows.last)?;
    let (mut sum, mut length) = (0.0, 0.0);
    for column in samples.temperature_c() {
        let values = column.get(rows.first..=rows.last)?;
        for k in 1..values.len() {
            if SENSOR_RANGE_C.contains(&values[k]) && SENSOR_RANGE_C.contains(&values[k - 1]) {
                let dt = time[k] - time[k - 1];
                sum += 0.5 * dt * (values[k] + values[k - 1]);
                length += dt;
            }
        }
    }
    (length > 0.0).then(|| Celsius(sum / length))
}

pub(super) fn cell_spread(
    samples: &Samples,
    phases: &[Phase],
    governing: Option<&GoverningDischarge>,
) -> Option<CellSpread> {
    let cells = samples.cell_voltage_v();
    if cells.len() < 2 {
        return None;
    }
    let spread = |row: usize| {
        let values = cells.iter().filter_map(|c| c.get(row));
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), &v| {
            (low.min(v), high.max(v))
        });
        high - low
    };
    let mut widest = (0, spread(0));
    for row in 1..samples.rows() {
        let here = spread(row);
        if here > widest.1 {
            widest = (row, here);
        }
    }
    let last_charge = phases
        .iter()
        .rfind(|p| p.rows.direction == Direction::Charge);
    Some(CellSpread {
        largest: Volts(widest.1),
        row: widest.0,
        at_discharge_end: governing
            .and_then(|g| phases.get(g.phase))
            .map(|p| Volts(spread(p.rows.last))),
        at_charge_end: last_charge.map(|p| Volts(spread(p.rows.last))),
    })
}
