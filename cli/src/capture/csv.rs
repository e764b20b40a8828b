//! Traces from tables: CSV (RFC 4180, other separators by mapping) into checked columns.
//!
//! Limits: 2^24 rows, 64 columns, 64 KiB a line. Errors name line and column as an editor shows
//! them, counted from 1.

mod columns;
mod error;

pub use error::CsvError;

use super::mapping::Mapping;
use carrylog_format::trace::Trace;
use columns::{Columns, Header};
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::capture::mapping::parse_mapping;
    use carrylog_format::trace::TraceError;

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
