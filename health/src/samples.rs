//! The samples of one test: columns that were parsed once and cannot be wrong afterwards.
//!
//! [`Samples::parse`] is the only way in: columns of equal length, finite numbers, time that never
//! runs backwards, a declared sign of the current. Nothing about the sign is guessed.

use crate::quantity::{Amps, Seconds, Volts};

/// Most sensors of one kind that a trace may have.
pub const MAX_SENSORS: usize = 256;

/// Columns as they come from a file or record, not yet checked.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Columns {
    /// Time since the start of the test, in seconds.
    pub time_s: Vec<f64>,
    /// Current in amperes, signed as [`SignConvention`] declares.
    pub current_a: Vec<f64>,
    /// Voltage of the unit in volts.
    pub voltage_v: Vec<f64>,
    /// Temperatures in degrees Celsius, one column for each sensor.
    pub temperature_c: Vec<Vec<f64>>,
    /// Cell voltages in volts, one column for each cell.
    pub cell_voltage_v: Vec<Vec<f64>>,
    /// Step of the test schedule, if the station recorded it.
    pub step: Option<Vec<i64>>,
}

/// Which direction of current a positive number means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum SignConvention {
    /// Positive current charges the unit (Battery Data Format 1.0.0, `current_ampere`).
    PositiveCharges,
    /// Positive current discharges the unit.
    PositiveDischarges,
}

/// The samples of one test. Positive current charges, whatever the source declared.
#[derive(Debug, Clone, PartialEq)]
pub struct Samples {
    columns: Columns,
}

impl Samples {
    /// Checks `columns` and turns the current to positive = charge.
    ///
    /// # Errors
    /// [`SamplesError`] names the column and row (counted from 0) that cannot be used.
    pub fn parse(mut columns: Columns, sign: SignConvention) -> Result<Self, SamplesError> {
        let rows = columns.time_s.len();
        if rows < 2 {
            return Err(SamplesError::TooFewRows { rows });
        }
        for (column, sensors) in [
            ("temperature", &columns.temperature_c),
            ("cell voltage", &columns.cell_voltage_v),
        ] {
            if sensors.len() > MAX_SENSORS {
                return Err(SamplesError::TooManySensors {
                    column,
                    count: sensors.len(),
                });
            }
        }
        if let Some(step) = &columns.step
            && step.len() != rows
        {
            return Err(SamplesError::UnequalLength {
                column: "step",
                rows: step.len(),
                time_rows: rows,
            });
        }
        let singles = [
            ("time", &columns.time_s),
            ("current", &columns.current_a),
            ("voltage", &columns.voltage_v),
        ];
        let sensors = columns.temperature_c.iter().map(|c| ("temperature", c));
        let cells = columns.cell_voltage_v.iter().map(|c| ("cell voltage", c));
        for (column, values) in singles.into_iter().chain(sensors).chain(cells) {
            check_column(column, values, rows)?;
        }
        check_time(&columns.time_s)?;
        if sign == SignConvention::PositiveDischarges {
            columns.current_a.iter_mut().for_each(|i| *i = -*i);
        }
        Ok(Self { columns })
    }

    /// Number of rows, at least 2.
    pub fn rows(&self) -> usize {
        self.columns.time_s.len()
    }

    /// Time in seconds since the start of the test, never running backwards.
    pub fn time_s(&self) -> &[f64] {
        &self.columns.time_s
    }

    /// Current in amperes, positive = charge.
    pub fn current_a(&self) -> &[f64] {
        &self.columns.current_a
    }

    /// Voltage of the unit in volts.
    pub fn voltage_v(&self) -> &[f64] {
        &self.columns.voltage_v
    }

    /// Temperatures in degrees Celsius, one column for each sensor.
    pub fn temperature_c(&self) -> &[Vec<f64>] {
        &self.columns.temperature_c
    }

    /// Cell voltages in volts, one column for each cell.
    pub fn cell_voltage_v(&self) -> &[Vec<f64>] {
        &self.columns.cell_voltage_v
    }

    /// Step of the test schedule at each row, if the station recorded it.
    pub fn step(&self) -> Option<&[i64]> {
        self.columns.step.as_deref()
    }

    /// Time, current and voltage of a row; `None` past the end.
    pub fn row(&self, row: usize) -> Option<(Seconds, Amps, Volts)> {
        Some((
            Seconds(*self.columns.time_s.get(row)?),
            Amps(*self.columns.current_a.get(row)?),
            Volts(*self.columns.voltage_v.get(row)?),
        ))
    }

    /// Rows `first` to `last`, both included; `None` if there are no such rows.
    pub fn span(&self, first: usize, last: usize) -> Option<Span<'_>> {
        if first > last {
            return None;
        }
        Some(Span {
            first_row: first,
            time_s: self.columns.time_s.get(first..=last)?,
            current_a: self.columns.current_a.get(first..=last)?,
            voltage_v: self.columns.voltage_v.get(first..=last)?,
        })
    }

    /// All rows.
    pub fn whole(&self) -> Span<'_> {
        Span {
            first_row: 0,
            time_s: &self.columns.time_s,
            current_a: &self.columns.current_a,
            voltage_v: &self.columns.voltage_v,
        }
    }

    /// The same rows with other readings of current, voltage and temperature.
    ///
    /// The caller replaced finite readings by finite ones and left time and length alone.
    pub(crate) fn with_readings(&self, columns: Columns) -> Self {
        debug_assert_eq!(columns.time_s, self.columns.time_s);
        Self { columns }
    }

    /// The columns again.
    pub fn into_columns(self) -> Columns {
        self.columns
    }
}

/// Some consecutive rows of [`Samples`], at least one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Span<'a> {
    first_row: usize,
    time_s: &'a [f64],
    current_a: &'a [f64],
    voltage_v: &'a [f64],
}

impl<'a> Span<'a> {
    /// Number of the first row in its trace.
    pub fn first_row(&self) -> usize {
        self.first_row
    }

    /// Number of the last row in its trace.
    pub fn last_row(&self) -> usize {
        self.first_row + self.time_s.len() - 1
    }

    /// Number of rows, at least 1.
    pub fn rows(&self) -> usize {
        self.time_s.len()
    }

    /// Time in seconds.
    pub fn time_s(&self) -> &'a [f64] {
        self.time_s
    }

    /// Current in amperes, positive = charge.
    pub fn current_a(&self) -> &'a [f64] {
        self.current_a
    }

    /// Voltage in volts.
    pub fn voltage_v(&self) -> &'a [f64] {
        self.voltage_v
    }

    /// The rows up to and including the one `offset` rows after the first.
    pub fn until(&self, offset: usize) -> Self {
        let end = (offset + 1).min(self.rows());
        Self {
            first_row: self.first_row,
            time_s: &self.time_s[..end],
            current_a: &self.current_a[..end],
            voltage_v: &self.voltage_v[..end],
        }
    }

    /// The rows from the one `offset` rows after the first; the last row if that is too far.
    pub fn from(&self, offset: usize) -> Self {
        let begin = offset.min(self.rows() - 1);
        Self {
            first_row: self.first_row + begin,
            time_s: &self.time_s[begin..],
            current_a: &self.current_a[begin..],
            voltage_v: &self.voltage_v[begin..],
        }
    }

    /// Time from the first row to the last.
    pub fn duration(&self) -> Seconds {
        // A span has at least one row by construction.
        Seconds(self.time_s[self.time_s.len() - 1] - self.time_s[0])
    }
}

fn check_column(column: &'static str, values: &[f64], rows: usize) -> Result<(), SamplesError> {
    if values.len() != rows {
        return Err(SamplesError::UnequalLength {
            column,
            rows: values.len(),
            time_rows: rows,
        });
    }
    match values.iter().position(|v| !v.is_finite()) {
        Some(row) => Err(SamplesError::NotANumber { column, row }),
        None => Ok(()),
    }
}

fn check_time(time_s: &[f64]) -> Result<(), SamplesError> {
    let Some((first, rest)) = time_s.split_first() else {
        return Err(SamplesError::TooFewRows { rows: 0 });
    };
    let mut last = *first;
    for (k, &t) in rest.iter().enumerate() {
        if t < last {
            let restarted = t <= *first + (last - *first) * 0.01;
            return Err(if restarted {
                SamplesError::Restarted {
                    row: k + 1,
                    at_s: last,
                }
            } else {
                SamplesError::TimeBackwards {
                    row: k + 1,
                    from_s: last,
                    to_s: t,
                }
            });
        }
        last = t;
    }
    if last > *first {
        Ok(())
    } else {
        Err(SamplesError::TimeStandsStill)
    }
}

/// Why columns are no samples. Rows count from 0.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum SamplesError {
    /// Nothing can be integrated over fewer than two rows.
    #[error("the trace has {rows} rows; at least 2 are needed")]
    TooFewRows {
        /// Rows found.
        rows: usize,
    },
    /// A column has another length than the time column.
    #[error("the {column} column has {rows} rows, the time column {time_rows}")]
    UnequalLength {
        /// The column.
        column: &'static str,
        /// Its rows.
        rows: usize,
        /// Rows of the time column.
        time_rows: usize,
    },
    /// More sensors than [`MAX_SENSORS`].
    #[error("the trace has {count} {column} columns; at most {MAX_SENSORS} are taken")]
    TooManySensors {
        /// The kind of column.
        column: &'static str,
        /// Columns found.
        count: usize,
    },
    /// A value that is not a finite number.
    #[error("row {row} of the {column} column is not a number; remove the row or mend the file")]
    NotANumber {
        /// The column.
        column: &'static str,
        /// The row.
        row: usize,
    },
    /// Time ran backwards inside the trace.
    #[error("time runs backwards at row {row}, from {from_s} s to {to_s} s; mend the file")]
    TimeBackwards {
        /// The first row that lies before its predecessor.
        row: usize,
        /// Time of the row before, in seconds.
        from_s: f64,
        /// Time of the row, in seconds.
        to_s: f64,
    },
    /// Time began again: two recordings in one file.
    #[error("the recording starts again at row {row}, after {at_s} s; capture each part by itself")]
    Restarted {
        /// First row of the second recording.
        row: usize,
        /// Time at which the first recording ended, in seconds.
        at_s: f64,
    },
    /// Every row has the same time.
    #[error("every row has the same time")]
    TimeStandsStill,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn columns() -> Columns {
        Columns {
            time_s: vec![0.0, 1.0, 2.0, 3.0],
            current_a: vec![1.0, 1.0, -1.0, -1.0],
            voltage_v: vec![3.0; 4],
            ..Columns::default()
        }
    }

    #[test]
    fn the_declared_sign_turns_the_current() {
        let same = Samples::parse(columns(), SignConvention::PositiveCharges).unwrap();
        let turned = Samples::parse(columns(), SignConvention::PositiveDischarges).unwrap();
        assert_eq!(same.current_a(), [1.0, 1.0, -1.0, -1.0]);
        assert_eq!(turned.current_a(), [-1.0, -1.0, 1.0, 1.0]);
    }

    #[test]
    fn each_fault_is_named_with_its_row() {
        let parse = |change: fn(&mut Columns)| {
            let mut c = columns();
            change(&mut c);
            Samples::parse(c, SignConvention::PositiveCharges).unwrap_err()
        };
        assert_eq!(
            parse(|c| c.time_s.truncate(1)),
            SamplesError::TooFewRows { rows: 1 }
        );
        assert_eq!(
            parse(|c| c.current_a.truncate(3)),
            SamplesError::UnequalLength {
                column: "current",
                rows: 3,
                time_rows: 4
            }
        );
        assert_eq!(
            parse(|c| c.voltage_v[2] = f64::NAN),
            SamplesError::NotANumber {
                column: "voltage",
                row: 2
            }
        );
        assert_eq!(
            parse(|c| c.time_s[3] = 1.5),
            SamplesError::TimeBackwards {
                row: 3,
                from_s: 2.0,
                to_s: 1.5
            }
        );
        assert_eq!(
            parse(|c| c.time_s[3] = 0.0),
            SamplesError::Restarted { row: 3, at_s: 2.0 }
        );
        assert_eq!(
            parse(|c| c.time_s = vec![5.0; 4]),
            SamplesError::TimeStandsStill
        );
        assert_eq!(
            parse(|c| c.step = Some(vec![1])),
            SamplesError::UnequalLength {
                column: "step",
                rows: 1,
                time_rows: 4
            }
        );
    }
}
