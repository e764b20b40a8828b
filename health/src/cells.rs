//! Voltages of single cells at rest, at the end of a charge and at the end of the discharge.
//!
//! The pack's voltage hides a weak cell; these figures do not. Bounds: common practice, no source.

use crate::phases::Direction;
use crate::quantity::{AmpHours, SECONDS_PER_HOUR, Seconds, Volts};
use crate::samples::Samples;
use crate::trace_results::TraceResults;

/// When the cells were read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CellsAt {
    /// After at least ten minutes without load.
    Rest,
    /// At the last row of a charge.
    EndOfCharge,
    /// At the crossing of the end voltage, or the last row of the discharge.
    EndOfDischarge,
}

/// Lowest and highest cell at one moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellReading {
    /// When.
    pub at: CellsAt,
    /// Lowest cell.
    pub lowest: Volts,
    /// Highest cell.
    pub highest: Volts,
    /// Which is the lowest, counted from 1.
    pub lowest_index: usize,
}

impl CellReading {
    /// Highest less lowest.
    pub fn spread(&self) -> Volts {
        Volts(self.highest.0 - self.lowest.0)
    }
}

/// A cell that went below its minimum under load before the discharge ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CellBelow {
    /// Which cell, counted from 1.
    pub cell: usize,
    /// First row below.
    pub row: usize,
    /// Its time.
    pub at: Seconds,
    /// Charge that had come out by then.
    pub charge: AmpHours,
}

/// What the cells of a trace show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct CellEvidence {
    /// Readings, at most one for each moment, the last of its kind.
    pub readings: Vec<CellReading>,
    /// The first cell that went below its minimum.
    pub below: Option<CellBelow>,
    /// The cells' sum is off the pack's voltage by more than 1 %: by how much, relative.
    pub doubtful: Option<f64>,
    /// Lowest voltage of any cell at any believable moment.
    pub lowest: Option<Volts>,
    /// Highest voltage of any cell.
    pub highest: Option<Volts>,
}

/// Shortest rest after which cells are read as rested.
const RESTED_S: f64 = 600.0;
/// Part by which the sum of the cells may differ from the pack.
const SUM_PART: f64 = 0.01;
/// A cell is below its minimum if it stays there for this long and for two rows.
const BELOW_S: f64 = 2.0;

/// Reads the cells of a trace. `minimum` is the least voltage of a cell under load.
pub fn cell_evidence(
    samples: &Samples,
    results: &TraceResults,
    minimum: Option<Volts>,
) -> CellEvidence {
    let cells = samples.cell_voltage_v();
    if cells.is_empty() {
        return CellEvidence::default();
    }
    let mut readings = Vec::new();
    let rested = results
        .phases
        .iter()
        .rfind(|p| p.rows.direction == Direction::Rest && p.duration.0 >= RESTED_S);
    let charge = results
        .phases
        .iter()
        .rfind(|p| p.rows.direction == Direction::Charge);
    if let Some(rest) = rested {
        readings.extend(reading(cells, CellsAt::Rest, rest.rows.last, 0.0));
    }
    if let Some(charge) = charge {
        readings.extend(reading(cells, CellsAt::EndOfCharge, charge.rows.last, 0.0));
    }
    if let Some(g) = &results.governing {
        let (row, fraction) = match g.end {
            crate::discharge::DischargeEnd::Crossed(c) => (c.row_before, c.fraction),
            crate::discharge::DischargeEnd::AtLastRow
            | crate::discharge::DischargeEnd::AboveEndVoltage
            | crate::discharge::DischargeEnd::NoEndVoltage => (g.last_row, 0.0),
        };
        readings.extend(reading(cells, CellsAt::EndOfDischarge, row, fraction));
    }
    let (lowest, highest) =
        cells
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), column| {
                let (a, b) = crate::trace_results::extremes(column);
                (low.min(a), high.max(b))
            });
    CellEvidence {
        readings,
        below: minimum.and_then(|m| below(samples, results, m.0)),
        doubtful: doubtful(samples),
        lowest: Some(Volts(lowest)),
        highest: Some(Volts(highest)),
    }
}

/// The cells at a row, or a part of the way to the next.
fn reading(cells: &[Vec<f64>], at: CellsAt, row: usize, fraction: f64) -> Option<CellReading> {
    let mut found: Option<CellReading> = None;
    for (k, column) in cells.iter().enumerate() {
        let here = *column.get(row)?;
        let next = column.get(row + 1).copied().unwrap_or(here);
        let v = here + fraction * (next - here);
        match &mut found {
            None => {
                found = Some(CellReading {
                    at,
                    lowest: Volts(v),
                    highest: Volts(v),
                    lowest_index: k + 1,
                });
            }
            Some(reading) => {
                if v < reading.lowest.0 {
                    reading.lowest = Volts(v);
                    reading.lowest_index = k + 1;
                }
                reading.highest = Volts(reading.highest.0.max(v));
            }
        }
    }
    found
}

/// The first cell below `minimum` for at least two rows and two seconds before the discharge ended.
fn below(samples: &Samples, results: &TraceResults, minimum: f64) -> Option<CellBelow> {
    let g = results.governing.as_ref()?;
    let (t, i) = (samples.time_s(), samples.current_a());
    let mut first: Option<(usize, usize)> = None;
    for (cell, column) in samples.cell_voltage_v().iter().enumerate() {
        let mut since: Option<usize> = None;
        for k in g.first_row..=g.last_row {
            if *column.get(k)? >= minimum {
                since = None;
                continue;
            }
            let from = *since.get_or_insert(k);
            if k > from && t[k] - t[from] >= BELOW_S {
                if first.is_none_or(|(_, row)| from < row) {
                    first = Some((cell, from));
                }
                break;
            }
        }
    }
    let (cell, row) = first?;
    let mut charge = 0.0;
    for k in g.first_row + 1..=row {
        charge -= 0.5 * (i[k] + i[k - 1]) * (t[k] - t[k - 1]) / SECONDS_PER_HOUR;
    }
    Some(CellBelow {
        cell: cell + 1,
        row,
        at: Seconds(t[row]),
        charge: AmpHours(charge),
    })
}

/// How far the cells' sum is off the pack's voltage in half of the rows or more, if by over 1 %.
fn doubtful(samples: &Samples) -> Option<f64> {
    let cells = samples.cell_voltage_v();
    if cells.len() < 2 {
        return None;
    }
    /// Rows looked at; a stuck or missing cell shows in all of them.
    const ROWS: usize = 1000;
    let stride = samples.rows().div_ceil(ROWS).max(1);
    let mut off: Vec<f64> = samples
        .voltage_v()
        .iter()
        .enumerate()
        .step_by(stride)
        .map(|(k, pack)| {
            let sum: f64 = cells.iter().map(|c| c[k]).sum();
            (sum - pack).abs() / pack.abs().max(f64::MIN_POSITIVE)
        })
        .collect();
    let middle = off.len() / 2;
    let median = *off.select_nth_unstable_by(middle, f64::total_cmp).1;
    (median > SUM_PART).then_some(median)
}
