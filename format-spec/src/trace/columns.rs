//! The columns of a trace in memory, and what must hold for them.

use std::fmt;

use super::TraceError;

/// Most rows of a trace: 2^24, more than six months at one row a second.
pub const MAX_ROWS: usize = 1 << 24;
/// Most temperature channels.
pub const MAX_TEMPERATURES: usize = 5;
/// Most cells with a voltage column.
pub const MAX_CELLS: usize = 32;
/// Bound on the magnitude of any value: differences of such values fit 64 bits.
pub const MAX_ABS_VALUE: i64 = (1 << 62) - 1;

/// A column of a trace; the order of the variants is the order of columns in the canonical form.
/// The name gives the unit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum ColumnName {
    /// `time_us`: time, µs, from an origin of the instrument's choice.
    Time,
    /// `current_ua`: current, µA; positive charges the unit, negative discharges it.
    Current,
    /// `voltage_uv`: voltage of the unit, µV.
    Voltage,
    /// `temperature_1_mk` …: temperature of a channel counted from 1, mK.
    Temperature(u8),
    /// `cell_01_voltage_uv` …: voltage of a cell counted from 1, µV.
    CellVoltage(u8),
    /// `step`: number of the step of the test program.
    Step,
    /// `cycle`: number of the cycle of the test program.
    Cycle,
}

impl fmt::Display for ColumnName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Time => f.write_str("time_us"),
            Self::Current => f.write_str("current_ua"),
            Self::Voltage => f.write_str("voltage_uv"),
            Self::Temperature(channel) => write!(f, "temperature_{channel}_mk"),
            Self::CellVoltage(cell) => write!(f, "cell_{cell:02}_voltage_uv"),
            Self::Step => f.write_str("step"),
            Self::Cycle => f.write_str("cycle"),
        }
    }
}

/// The columns that a [`Trace`] is made of; all have one value a row.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct TraceColumns {
    /// Time, µs; never runs backwards.
    pub time_us: Vec<i64>,
    /// Current, µA; positive charges the unit (the sign of the open Battery Data Format).
    pub current_ua: Vec<i64>,
    /// Voltage of the unit, µV.
    pub voltage_uv: Vec<i64>,
    /// Temperature channels, mK; up to [`MAX_TEMPERATURES`].
    pub temperature_mk: Vec<Vec<i64>>,
    /// Cell voltages, µV; up to [`MAX_CELLS`].
    pub cell_voltage_uv: Vec<Vec<i64>>,
    /// Step numbers, if known.
    pub step: Option<Vec<i64>>,
    /// Cycle numbers, if known.
    pub cycle: Option<Vec<i64>>,
}

impl TraceColumns {
    /// All columns with their names, in canonical order.
    pub fn iter(&self) -> impl Iterator<Item = (ColumnName, &[i64])> {
        let required = [
            (ColumnName::Time, &self.time_us),
            (ColumnName::Current, &self.current_ua),
            (ColumnName::Voltage, &self.voltage_uv),
        ];
        let temperatures = (1..).map(ColumnName::Temperature).zip(&self.temperature_mk);
        let cells = (1..)
            .map(ColumnName::CellVoltage)
            .zip(&self.cell_voltage_uv);
        let step = self.step.iter().map(|values| (ColumnName::Step, values));
        let cycle = self.cycle.iter().map(|values| (ColumnName::Cycle, values));
        required
            .into_iter()
            .chain(temperatures)
            .chain(cells)
            .chain(step)
            .chain(cycle)
            .map(|(name, values)| (name, values.as_slice()))
    }
}

/// A time series that holds together: at least two rows, all columns of one length, time never
/// backwards, every value possible.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trace {
    columns: TraceColumns,
}

impl Trace {
    /// Checks columns and makes a trace of them.
    ///
    /// # Errors
    /// [`TraceError::RowCount`], [`TraceError::TooManyColumns`], [`TraceError::ColumnLength`],
    /// [`TraceError::TimeBackwards`] or [`TraceError::ImpossibleValue`], with column and row.
    pub fn new(columns: TraceColumns) -> Result<Self, TraceError> {
        let rows = columns.time_us.len();
        if !(2..=MAX_ROWS).contains(&rows) {
            return Err(TraceError::RowCount { rows: rows as u64 });
        }
        if columns.temperature_mk.len() > MAX_TEMPERATURES {
            let column = ColumnName::Temperature(MAX_TEMPERATURES as u8 + 1);
            return Err(TraceError::TooManyColumns { column });
        }
        if columns.cell_voltage_uv.len() > MAX_CELLS {
            let column = ColumnName::CellVoltage(MAX_CELLS as u8 + 1);
            return Err(TraceError::TooManyColumns { column });
        }
        for (column, values) in columns.iter() {
            if values.len() != rows {
                let given = values.len();
                return Err(TraceError::ColumnLength {
                    column,
                    given,
                    expected: rows,
                });
            }
            let lowest = match column {
                ColumnName::Temperature(_) => 0,
                _ => -MAX_ABS_VALUE,
            };
            let possible = lowest..=MAX_ABS_VALUE;
            if let Some((row, &value)) = values
                .iter()
                .enumerate()
                .find(|(_, value)| !possible.contains(value))
            {
                return Err(TraceError::ImpossibleValue { column, row, value });
            }
        }
        if let Some(before) = columns
            .time_us
            .windows(2)
            .position(|pair| pair[1] < pair[0])
        {
            return Err(TraceError::TimeBackwards { row: before + 1 });
        }
        Ok(Self { columns })
    }

    /// The number of rows, at least 2.
    #[must_use]
    pub fn rows(&self) -> usize {
        self.columns.time_us.len()
    }

    /// The columns.
    #[must_use]
    pub fn columns(&self) -> &TraceColumns {
        &self.columns
    }

    /// Gives the columns back.
    #[must_use]
    pub fn into_columns(self) -> TraceColumns {
        self.columns
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns(rows: usize) -> TraceColumns {
        TraceColumns {
            time_us: (0..rows as i64).collect(),
            current_ua: vec![-1; rows],
            voltage_uv: vec![28_000_000; rows],
            ..TraceColumns::default()
        }
    }

    #[test]
    fn too_few_and_too_many_rows_are_refused() {
        for rows in [0, 1, MAX_ROWS + 1] {
            let refused = Trace::new(columns(rows));
            assert_eq!(refused, Err(TraceError::RowCount { rows: rows as u64 }));
        }
        assert!(Trace::new(columns(2)).is_ok());
    }

    #[test]
    fn a_column_of_another_length_is_refused_by_name() {
        let odd = TraceColumns {
            cell_voltage_uv: vec![vec![1; 3], vec![1; 2]],
            ..columns(3)
        };
        let column = ColumnName::CellVoltage(2);
        assert_eq!(
            Trace::new(odd),
            Err(TraceError::ColumnLength {
                column,
                given: 2,
                expected: 3
            })
        );
    }

    #[test]
    fn time_may_stand_still_but_not_run_backwards() {
        let time = |time_us: &[i64]| {
            Trace::new(TraceColumns {
                time_us: time_us.to_vec(),
                ..columns(time_us.len())
            })
        };
        assert!(time(&[-5, -5, 0, 0]).is_ok());
        assert_eq!(
            time(&[0, 2, 1, 3]),
            Err(TraceError::TimeBackwards { row: 2 })
        );
    }

    #[test]
    fn values_beyond_any_instrument_are_refused_with_their_row() {
        let column = ColumnName::Temperature(1);
        let cold = TraceColumns {
            temperature_mk: vec![vec![0, -1]],
            ..columns(2)
        };
        assert_eq!(
            Trace::new(cold),
            Err(TraceError::ImpossibleValue {
                column,
                row: 1,
                value: -1
            })
        );
        let huge = TraceColumns {
            current_ua: vec![0, i64::MIN],
            ..columns(2)
        };
        let column = ColumnName::Current;
        assert_eq!(
            Trace::new(huge),
            Err(TraceError::ImpossibleValue {
                column,
                row: 1,
                value: i64::MIN
            })
        );
    }

    #[test]
    fn too_many_channels_are_refused() {
        let hot = TraceColumns {
            temperature_mk: vec![vec![1; 2]; 6],
            ..columns(2)
        };
        let column = ColumnName::Temperature(6);
        assert_eq!(Trace::new(hot), Err(TraceError::TooManyColumns { column }));
        let many = TraceColumns {
            cell_voltage_uv: vec![vec![1; 2]; 300],
            ..columns(2)
        };
        let column = ColumnName::CellVoltage(33);
        assert_eq!(Trace::new(many), Err(TraceError::TooManyColumns { column }));
    }
}
