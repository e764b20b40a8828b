//! Temperatures and cell voltages of a trace, drop-outs left out by name.

use super::{CellSpread, GoverningDischarge, Phase, TemperatureRange};
use crate::clean::SENSOR_RANGE_C;
use crate::phases::Direction;
use crate::quantity::{Celsius, Volts};
use crate::samples::Samples;

/// Lowest and highest reading of all sensors that give believable ones.
pub(super) fn temperature_range(samples: &Samples) -> Option<TemperatureRange> {
    let columns = samples.temperature_c().iter().map(|c| extremes(c));
    let believable =
        columns.filter(|(low, high)| SENSOR_RANGE_C.contains(low) && SENSOR_RANGE_C.contains(high));
    let (min, max) = believable.fold((f64::INFINITY, f64::NEG_INFINITY), |(min, max), (a, b)| {
        (min.min(a), max.max(b))
    });
    (min <= max).then_some(TemperatureRange {
        min: Celsius(min),
        max: Celsius(max),
    })
}

/// Lowest and highest value; lanes of eight keep the comparison off the critical path.
pub(crate) fn extremes(values: &[f64]) -> (f64, f64) {
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

/// `1/T · ∫ ϑ dt` from row `first` to row `last` by the trapezoid rule, mean of all sensors; intervals
/// next to an implausible reading are left out.
pub(crate) fn mean_temperature(samples: &Samples, first: usize, last: usize) -> Option<Celsius> {
    let time = samples.time_s().get(first..=last)?;
    let (mut sum, mut length) = (0.0, 0.0);
    for column in samples.temperature_c() {
        let values = column.get(first..=last)?;
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
        at_discharge_end: governing.map(|g| Volts(spread(g.last_row))),
        at_charge_end: last_charge.map(|p| Volts(spread(p.rows.last))),
    })
}
