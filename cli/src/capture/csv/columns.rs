//! The columns of a table: found by name, converted to stored units, checked cell by cell.

use super::{CsvError, MAX_COLUMNS};
use crate::capture::mapping::{MappedColumn, MappedColumns, Mapping, ZERO_CELSIUS_MK};
use carrylog_format::trace::{
    MAX_ABS_VALUE, MAX_CELLS, MAX_ROWS, MAX_TEMPERATURES, Trace, TraceColumns,
};
use csv::ByteRecord;

/// The first line: names as written and as compared.
pub(super) struct Header {
    pub(super) names: Vec<String>,
    keys: Vec<String>,
}

impl Header {
    pub(super) fn parse(row: &ByteRecord) -> Result<Self, CsvError> {
        if row.len() > MAX_COLUMNS {
            return Err(CsvError::TooManyColumns { found: row.len() });
        }
        let mut names = Vec::with_capacity(row.len());
        for cell in row {
            let text = std::str::from_utf8(cell).map_err(|_| CsvError::NotUtf8 { line: 1 })?;
            names.push(text.trim_start_matches('\u{feff}').trim().to_owned());
        }
        let keys: Vec<String> = names.iter().map(|n| compared(n)).collect();
        for (at, key) in keys.iter().enumerate() {
            if !key.is_empty() && keys.iter().skip(at + 1).any(|k| k == key) {
                return Err(CsvError::RepeatedColumn {
                    column: names.swap_remove(at),
                });
            }
        }
        Ok(Self { names, keys })
    }

    fn find(&self, name: &str) -> Option<usize> {
        let key = compared(name);
        self.keys.iter().position(|k| *k == key)
    }

    fn find_any(&self, names: &[&str]) -> Option<usize> {
        names.iter().find_map(|name| self.find(name))
    }

    fn need(&self, name: &str, accepted: &[&str]) -> Result<usize, CsvError> {
        self.find_any(accepted)
            .ok_or_else(|| CsvError::MissingColumn {
                column: name.to_owned(),
                accepted: accepted.iter().map(|a| (*a).to_owned()).collect(),
                found: self.names.clone(),
            })
    }
}

/// Upper and lower case and runs of spaces make no difference in a column's name.
fn compared(name: &str) -> String {
    name.split_whitespace()
        .collect::<Vec<_>>()
        .join(" ")
        .to_lowercase()
}

/// One column of the table on its way into the trace.
struct Column {
    index: usize,
    name: String,
    factor: f64,
    offset: f64,
    values: Vec<i64>,
}

pub(super) struct Columns {
    time: Column,
    current: Column,
    voltage: Column,
    temperatures: Vec<Column>,
    cells: Vec<Column>,
    step: Option<Column>,
    cycle: Option<Column>,
}

impl Columns {
    pub(super) fn find(header: &Header, mapping: &Mapping) -> Result<Self, CsvError> {
        let columns = match &mapping.columns {
            Some(mapped) => Self::mapped(header, mapped)?,
            None => Self::battery_data_format(header)?,
        };
        if columns.temperatures.len() > MAX_TEMPERATURES || columns.cells.len() > MAX_CELLS {
            return Err(CsvError::TooManyColumns {
                found: header.names.len(),
            });
        }
        Ok(columns)
    }

    fn battery_data_format(header: &Header) -> Result<Self, CsvError> {
        let column = |index: usize, factor: f64, offset: f64| Column {
            index,
            name: header.names.get(index).cloned().unwrap_or_default(),
            factor,
            offset,
            values: Vec::new(),
        };
        let time = match header.find_any(&["Test Time / ms", "test_time_millisecond"]) {
            Some(ms) if header.find_any(&TIME_NAMES).is_none() => column(ms, 1e3, 0.0),
            _ => column(header.need("test time", &TIME_NAMES)?, 1e6, 0.0),
        };
        let surface =
            header.find_any(&["Surface Temperature / degC", "surface_temperature_celsius"]);
        let channels = (1..=MAX_TEMPERATURES).filter_map(|t| {
            header
                .find(&format!("Temperature T{t} / degC"))
                .or_else(|| header.find(&format!("temperature_t{t}_celsius")))
        });
        let cells = (1..=MAX_CELLS).map_while(|c| {
            header
                .find(&format!("Cell Voltage {c} / V"))
                .or_else(|| header.find(&format!("cell_voltage_{c}_volt")))
        });
        Ok(Self {
            time,
            current: column(
                header.need("current", &["Current / A", "current_ampere"])?,
                1e6,
                0.0,
            ),
            voltage: column(
                header.need("voltage", &["Voltage / V", "voltage_volt"])?,
                1e6,
                0.0,
            ),
            temperatures: channels
                .chain(surface)
                .map(|index| column(index, 1e3, ZERO_CELSIUS_MK))
                .collect(),
            cells: cells.map(|index| column(index, 1e6, 0.0)).collect(),
            step: header
                .find_any(&STEP_NAMES)
                .map(|index| column(index, 1.0, 0.0)),
            cycle: header
                .find_any(&["Cycle Count / 1", "cycle_count"])
                .map(|index| column(index, 1.0, 0.0)),
        })
    }

    fn mapped(header: &Header, mapped: &MappedColumns) -> Result<Self, CsvError> {
        let plain = |name: &str, factor: f64, offset: f64| -> Result<Column, CsvError> {
            let index = header.need(name, &[name])?;
            Ok(Column {
                index,
                name: name.to_owned(),
                factor,
                offset,
                values: Vec::new(),
            })
        };
        let scaled = |m: &MappedColumn| plain(&m.name, m.factor, m.offset);
        let whole = |name: &Option<String>| name.as_ref().map(|n| plain(n, 1.0, 0.0)).transpose();
        Ok(Self {
            time: scaled(&mapped.time)?,
            current: scaled(&mapped.current)?,
            voltage: scaled(&mapped.voltage)?,
            temperatures: mapped
                .temperatures
                .iter()
                .map(scaled)
                .collect::<Result<_, _>>()?,
            cells: mapped
                .cell_voltages
                .iter()
                .map(scaled)
                .collect::<Result<_, _>>()?,
            step: whole(&mapped.step)?,
            cycle: whole(&mapped.cycle)?,
        })
    }

    pub(super) fn push(
        &mut self,
        row: &ByteRecord,
        line: u64,
        comma: bool,
    ) -> Result<(), CsvError> {
        if self.time.values.len() >= MAX_ROWS {
            return Err(CsvError::TooManyRows);
        }
        let before = self.time.values.last().copied();
        let one = [&mut self.time, &mut self.current, &mut self.voltage];
        let rest = self.temperatures.iter_mut().chain(&mut self.cells);
        for column in one
            .into_iter()
            .chain(rest)
            .chain(&mut self.step)
            .chain(&mut self.cycle)
        {
            column.push(row, line, comma)?;
        }
        match (before, self.time.values.last()) {
            (Some(before_us), Some(&now_us)) if now_us < before_us => {
                Err(CsvError::TimeBackwards {
                    line,
                    before_us,
                    now_us,
                })
            }
            _ => Ok(()),
        }
    }

    pub(super) fn finish(self) -> Result<Trace, CsvError> {
        let values = |columns: Vec<Column>| columns.into_iter().map(|c| c.values).collect();
        let columns = TraceColumns {
            time_us: self.time.values,
            current_ua: self.current.values,
            voltage_uv: self.voltage.values,
            temperature_mk: values(self.temperatures),
            cell_voltage_uv: values(self.cells),
            step: self
                .step
                .map(|c| c.values)
                .filter(|steps| !counts_rows(steps)),
            cycle: self.cycle.map(|c| c.values),
        };
        if columns.time_us.is_empty() {
            return Err(CsvError::NoRows);
        }
        Ok(Trace::new(columns)?)
    }
}

impl Column {
    fn push(&mut self, row: &ByteRecord, line: u64, comma: bool) -> Result<(), CsvError> {
        let cell = row.get(self.index).unwrap_or_default().trim_ascii();
        let bad = |text: &[u8]| CsvError::NotANumber {
            line,
            column: self.name.clone(),
            text: String::from_utf8_lossy(text).chars().take(40).collect(),
        };
        let text = std::str::from_utf8(cell).map_err(|_| bad(cell))?;
        let number: f64 = if comma {
            if text.contains('.') {
                return Err(bad(cell));
            }
            text.replace(',', ".").parse().map_err(|_| bad(cell))?
        } else {
            text.parse().map_err(|_| bad(cell))?
        };
        let stored = (number * self.factor + self.offset).round();
        if !stored.is_finite() || stored.abs() > MAX_ABS_VALUE as f64 {
            return Err(bad(cell));
        }
        self.values.push(stored as i64);
        Ok(())
    }
}

/// Whether a step column counts the points inside each step instead of the steps: the Battery Data
/// Format calls a point counter `Step Index`, and older files use the same name for the step.
fn counts_rows(steps: &[i64]) -> bool {
    let changes = steps
        .windows(2)
        .filter(|pair| pair.first() != pair.last())
        .count();
    changes * 2 > steps.len()
}

const TIME_NAMES: [&str; 2] = ["Test Time / s", "test_time_second"];
/// In order of preference: a count of steps says more than the number of a step that may repeat.
const STEP_NAMES: [&str; 6] = [
    "Step Count / 1",
    "step_count",
    "Step ID / 1",
    "step_id",
    "Step Index / 1",
    "step_index",
];
