//! Traces from tables: CSV (RFC 4180, other separators by mapping) into checked columns.
//!
//! Limits: 2^24 rows, 64 columns, 64 KiB a line. Errors name line and column as an editor shows
//! them, counted from 1.

use super::mapping::{MappedColumn, MappedColumns, Mapping, ZERO_CELSIUS_MK};
use carrylog_format::trace::{
    MAX_ABS_VALUE, MAX_CELLS, MAX_ROWS, MAX_TEMPERATURES, Trace, TraceColumns, TraceError,
};
use csv::ByteRecord;
use std::io::{self, Read};

/// Most columns of a table.
pub const MAX_COLUMNS: usize = 64;
/// Longest line of a table, bytes.
pub const MAX_LINE_BYTES: usize = 64 * 1024;

/// Reads a whole table as a trace.
///
/// # Errors
/// [`CsvError`] with line and column.
pub fn read_trace<R: Read>(input: R, mapping: &Mapping) -> Result<Trace, CsvError> {
    let mut table = csv::ReaderBuilder::new()
        .delimiter(mapping.separator)
        .has_headers(false)
        .flexible(true)
        .from_reader(LineLimit {
            input,
            line: 1,
            length: 0,
        });
    let mut row = ByteRecord::new();
    if !next(&mut table, &mut row)? {
        return Err(CsvError::Empty);
    }
    let header = Header::parse(&row)?;
    let mut columns = Columns::find(&header, mapping)?;
    while next(&mut table, &mut row)? {
        let line = row.position().map_or(0, csv::Position::line);
        if row.len() == 1 && row.get(0).is_some_and(|cell| cell.trim_ascii().is_empty()) {
            continue;
        }
        if row.len() != header.names.len() {
            let (found, expected) = (row.len(), header.names.len());
            return Err(CsvError::Ragged {
                line,
                found,
                expected,
            });
        }
        columns.push(&row, line, mapping.decimal_comma)?;
    }
    columns.finish()
}

fn next<R: Read>(table: &mut csv::Reader<R>, row: &mut ByteRecord) -> Result<bool, CsvError> {
    table.read_byte_record(row).map_err(|e| {
        let text = e.to_string();
        match e.into_kind() {
            csv::ErrorKind::Io(cause) => {
                match cause.get_ref().and_then(|c| c.downcast_ref::<LongLine>()) {
                    Some(long) => CsvError::LineTooLong { line: long.line },
                    None => CsvError::Unreadable(cause.to_string()),
                }
            }
            _ => CsvError::Unreadable(text),
        }
    })
}

/// The first line: names as written and as compared.
struct Header {
    names: Vec<String>,
    keys: Vec<String>,
}

impl Header {
    fn parse(row: &ByteRecord) -> Result<Self, CsvError> {
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

struct Columns {
    time: Column,
    current: Column,
    voltage: Column,
    temperatures: Vec<Column>,
    cells: Vec<Column>,
    step: Option<Column>,
    cycle: Option<Column>,
}

impl Columns {
    fn find(header: &Header, mapping: &Mapping) -> Result<Self, CsvError> {
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

    fn push(&mut self, row: &ByteRecord, line: u64, comma: bool) -> Result<(), CsvError> {
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

    fn finish(self) -> Result<Trace, CsvError> {
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

/// Refuses a line that is longer than any table's, before it fills the memory.
struct LineLimit<R> {
    input: R,
    line: u64,
    length: usize,
}

impl<R: Read> Read for LineLimit<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let got = self.input.read(buffer)?;
        for byte in buffer.iter().take(got) {
            if *byte == b'\n' {
                self.line += 1;
                self.length = 0;
            } else {
                self.length += 1;
                if self.length > MAX_LINE_BYTES {
                    return Err(io::Error::other(LongLine { line: self.line }));
                }
            }
        }
        Ok(got)
    }
}

#[derive(Debug, thiserror::Error)]
#[error("line {line} is too long")]
struct LongLine {
    line: u64,
}

/// Why a table is no trace.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum CsvError {
    /// Nothing in it.
    #[error("the table is empty")]
    Empty,
    /// A first line and nothing after it.
    #[error("the table has a first line but no rows")]
    NoRows,
    /// A column that is needed is not there.
    #[error(
        "the table has no column for {column} (looked for {}; the first line has {})",
        list(.accepted),
        list(.found)
    )]
    MissingColumn {
        /// What is needed.
        column: String,
        /// Names that would do.
        accepted: Vec<String>,
        /// Names in the first line.
        found: Vec<String>,
    },
    /// Two columns have one name.
    #[error("the first line names the column «{column}» twice")]
    RepeatedColumn {
        /// The name.
        column: String,
    },
    /// More columns than are read.
    #[error(
        "the table has too many columns ({found}); at most {MAX_COLUMNS} are read, among them {MAX_TEMPERATURES} temperatures and {MAX_CELLS} cells"
    )]
    TooManyColumns {
        /// Columns found.
        found: usize,
    },
    /// More rows than a trace may have.
    #[error("the table has more than {MAX_ROWS} rows")]
    TooManyRows,
    /// A line without end.
    #[error("line {line} is longer than {MAX_LINE_BYTES} bytes")]
    LineTooLong {
        /// The line.
        line: u64,
    },
    /// A row with more or fewer cells than the first line.
    #[error("line {line} has {found} cells; the first line has {expected}")]
    Ragged {
        /// The line.
        line: u64,
        /// Cells found.
        found: usize,
        /// Cells expected.
        expected: usize,
    },
    /// A cell that holds no finite number of a possible size.
    #[error("line {line}, column «{column}»: «{text}» is not a usable number")]
    NotANumber {
        /// The line.
        line: u64,
        /// The column.
        column: String,
        /// The cell, shortened.
        text: String,
    },
    /// Time runs backwards.
    #[error("line {line}: time runs backwards, from {} s to {} s", seconds(*.before_us), seconds(*.now_us))]
    TimeBackwards {
        /// The line.
        line: u64,
        /// Time in the row before, µs.
        before_us: i64,
        /// Time in this row, µs.
        now_us: i64,
    },
    /// Text in an unknown encoding.
    #[error("line {line} is not UTF-8 text")]
    NotUtf8 {
        /// The line.
        line: u64,
    },
    /// The columns hold together as a table, but not as a trace.
    #[error(transparent)]
    Trace(#[from] TraceError),
    /// The file cannot be read further.
    #[error("the table cannot be read: {0}")]
    Unreadable(String),
}

fn list(names: &[String]) -> String {
    names
        .iter()
        .map(|n| format!("«{n}»"))
        .collect::<Vec<_>>()
        .join(", ")
}

fn seconds(us: i64) -> f64 {
    us as f64 / 1e6
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::mapping::parse_mapping;

    fn read(text: &str) -> Result<Trace, CsvError> {
        read_trace(text.as_bytes(), &Mapping::default())
    }

    #[test]
    fn labels_and_machine_names_read_alike() {
        let labels = "Test Time / s,Voltage / V,Current / A,Temperature T1 / degC,Step Index / 1,Cycle Count / 1\n\
                      0,3.3,-4.4,25,12,1\n1.5,3.29,-4.4,25.5,12,1\n";
        let names = "\u{feff}test_time_second,voltage_volt,current_ampere,temperature_t1_celsius,step_index,cycle_count\r\n\
                     0,3.3,-4.4,25,12,1\r\n1.5,3.29,-4.4,25.5,12,1\r\n\r\n";
        let trace = read(labels).unwrap();
        assert_eq!(trace, read(names).unwrap());
        let columns = trace.columns();
        assert_eq!(columns.time_us, [0, 1_500_000]);
        assert_eq!(columns.current_ua, [-4_400_000; 2]);
        assert_eq!(columns.voltage_uv, [3_300_000, 3_290_000]);
        assert_eq!(columns.temperature_mk, [[298_150, 298_650]]);
        assert_eq!(columns.step.as_deref(), Some(&[12, 12][..]));
        assert_eq!(columns.cycle.as_deref(), Some(&[1, 1][..]));
    }

    #[test]
    fn a_mapping_reads_other_units_signs_and_commas() {
        let mapping = parse_mapping(
            br#"{"separator": ";", "decimal_comma": true,
                "time": {"column": "t", "unit": "min"},
                "current": {"column": "I", "unit": "mA", "sign": "positive_discharges"},
                "voltage": {"column": "U", "unit": "mV"},
                "cell_voltages": [{"column": "Z1", "unit": "V"}]}"#,
        )
        .unwrap();
        let table = "t;U;I;Z1;extra\n0;25000,5;1500;3,6;x\n0,5;24990;1500;3,59;y\n";
        let trace = read_trace(table.as_bytes(), &mapping).unwrap();
        assert_eq!(trace.columns().time_us, [0, 30_000_000]);
        assert_eq!(trace.columns().current_ua, [-1_500_000; 2]);
        assert_eq!(trace.columns().voltage_uv, [25_000_500, 24_990_000]);
        assert_eq!(trace.columns().cell_voltage_uv, [[3_600_000, 3_590_000]]);
    }

    const HEAD: &str = "Test Time / s,Voltage / V,Current / A\n";

    #[test]
    fn faults_are_named_by_line_and_column() {
        let bad = |rows: &str| read(&format!("{HEAD}{rows}")).unwrap_err();
        let text = bad("0,3.3,1\n1,three,1\n");
        assert_eq!(
            text,
            CsvError::NotANumber {
                line: 3,
                column: "Voltage / V".into(),
                text: "three".into()
            }
        );
        for cell in ["", "NaN", "inf", "1e40", "3,3"] {
            let refused = bad(&format!("0,\"{cell}\",1\n"));
            assert!(
                matches!(refused, CsvError::NotANumber { line: 2, .. }),
                "{cell}: {refused}"
            );
        }
        assert_eq!(
            bad("0,3,1\n5,3,1\n4.5,3,1\n"),
            CsvError::TimeBackwards {
                line: 4,
                before_us: 5_000_000,
                now_us: 4_500_000
            }
        );
        assert_eq!(
            bad("0,3\n"),
            CsvError::Ragged {
                line: 2,
                found: 2,
                expected: 3
            }
        );
        assert_eq!(bad(""), CsvError::NoRows);
        assert_eq!(
            bad("0,3,1\n"),
            CsvError::Trace(TraceError::RowCount { rows: 1 })
        );
        assert_eq!(read(""), Err(CsvError::Empty));
    }

    #[test]
    fn a_missing_or_repeated_column_is_named() {
        let refused = read("Test Time / s,Current / A\n0,1\n").unwrap_err();
        assert!(matches!(&refused, CsvError::MissingColumn { column, .. } if column == "voltage"));
        assert!(refused.to_string().contains("«Voltage / V»"), "{refused}");
        let refused = read("Voltage / V,Current / A,voltage / v,Test Time / s\n").unwrap_err();
        assert_eq!(
            refused,
            CsvError::RepeatedColumn {
                column: "Voltage / V".into()
            }
        );
    }

    #[test]
    fn limits_hold_before_memory_fills() {
        let long = "x".repeat(MAX_LINE_BYTES + 1);
        assert_eq!(read(&long), Err(CsvError::LineTooLong { line: 1 }));
        assert_eq!(
            read(&format!("{HEAD}0,3,1\n\"{long}\n")),
            Err(CsvError::LineTooLong { line: 3 })
        );
        let wide = vec!["c"; MAX_COLUMNS + 1].join(",");
        assert_eq!(
            read(&wide),
            Err(CsvError::TooManyColumns {
                found: MAX_COLUMNS + 1
            })
        );
    }

    #[test]
    fn a_counter_of_points_is_not_taken_for_a_step() {
        let head = "Test Time / s,Voltage / V,Current / A,Step Index / 1\n";
        let trace = read(&format!("{head}0,3,1,1\n1,3,1,2\n2,3,1,3\n3,3,-1,1\n")).unwrap();
        assert_eq!(trace.columns().step, None);
    }

    proptest::proptest! {
        #[test]
        fn no_input_makes_the_reader_panic(bytes: Vec<u8>) {
            let _ = read_trace(bytes.as_slice(), &Mapping::default());
        }

        #[test]
        fn no_rows_make_the_reader_panic(rows in "[0-9.,eE\\-\n\";a]{0,80}") {
            let _ = read(&format!("{HEAD}{rows}"));
        }
    }
}
