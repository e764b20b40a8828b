//! The canonical bytes of a trace: encoding, strict decoding.

use super::width::Width;
use super::{ColumnName, MAX_CELLS, MAX_ROWS, MAX_TEMPERATURES, Trace, TraceColumns, TraceError};
use crate::cbor::{CborError, Limits, Reader, check, major, write_head, write_text};

/// Longest canonical form, bytes (64 MiB).
pub const MAX_CANONICAL_LEN: u64 = 64 << 20;

/// Version of the canonical form.
const VERSION: u64 = 1;
/// Most columns: time, current, voltage, step and cycle beside temperatures and cells.
const MAX_COLUMNS: u64 = 5 + (MAX_TEMPERATURES + MAX_CELLS) as u64;
/// Map, array, map, typed array.
const DEPTH: usize = 4;

impl Trace {
    /// The canonical bytes of the trace.
    ///
    /// # Errors
    /// [`TraceError::TooLong`] beyond [`MAX_CANONICAL_LEN`].
    pub fn to_canonical(&self) -> Result<Vec<u8>, TraceError> {
        let columns = self.columns();
        let mut out = Vec::new();
        write_head(&mut out, major::MAP, 3);
        write_text(&mut out, "v");
        write_head(&mut out, major::UINT, VERSION);
        write_text(&mut out, "rows");
        write_head(&mut out, major::UINT, self.rows() as u64);
        write_text(&mut out, "columns");
        write_head(&mut out, major::ARRAY, columns.iter().count() as u64);
        for (name, values) in columns.iter() {
            write_column(&mut out, name, values);
            if out.len() as u64 > MAX_CANONICAL_LEN {
                return Err(TraceError::TooLong {
                    max: MAX_CANONICAL_LEN,
                });
            }
        }
        Ok(out)
    }

    /// Reads a trace from its canonical bytes; no other encoding of it is accepted.
    ///
    /// Read straight into columns: lengths are compared with the bytes at hand before anything is
    /// allocated, and at most 8 bytes of memory are used for each byte of input.
    ///
    /// # Errors
    /// What is wrong with the bytes or the columns, and [`TraceError::NotCanonicalForm`] if the
    /// trace has another encoding.
    pub fn from_canonical(bytes: &[u8]) -> Result<Self, TraceError> {
        if bytes.len() as u64 > MAX_CANONICAL_LEN {
            return Err(TraceError::TooLong {
                max: MAX_CANONICAL_LEN,
            });
        }
        let (columns, narrowest) =
            read_columns(bytes).map_err(|found| first_fault(bytes, found))?;
        let trace = Self::new(columns)?;
        if narrowest {
            Ok(trace)
        } else {
            Err(trace.other_encoding(bytes))
        }
    }

    /// Where `bytes` part from the trace's own encoding.
    #[cold]
    fn other_encoding(&self, bytes: &[u8]) -> TraceError {
        match self.to_canonical() {
            Ok(own) => TraceError::NotCanonicalForm {
                offset: own.iter().zip(bytes).take_while(|(a, b)| a == b).count() as u64,
            },
            Err(error) => error,
        }
    }
}

/// A broken rule of the encoding is named before a wrong content, wherever the two stand.
#[cold]
fn first_fault(bytes: &[u8], found: TraceError) -> TraceError {
    let limits = Limits {
        max_len: bytes.len(),
        max_depth: DEPTH,
        allow_tags: true,
    };
    check(bytes, &limits).err().map_or(found, TraceError::from)
}

fn write_column(out: &mut Vec<u8>, name: ColumnName, values: &[i64]) {
    // Values stay below 2^62, so neither a difference nor its magnitude overflows.
    let differences = || values.windows(2).map(|pair| pair[1] - pair[0]);
    let gcd = differences().fold(0, |gcd, d| greatest_common_divisor(gcd, d.unsigned_abs()));
    let step = gcd.max(1);
    let scaled = || differences().map(|difference| difference / step as i64);
    let (lowest, highest) = scaled().fold((0, 0), |(lo, hi), d| (d.min(lo), d.max(hi)));
    let width = Width::narrowest(lowest, highest);

    write_head(out, major::MAP, 4);
    write_text(out, "name");
    write_text(out, &name.to_string());
    write_text(out, "step");
    write_head(out, major::UINT, step);
    write_text(out, "delta");
    write_head(out, major::TAG, width.tag());
    let count = values.len().saturating_sub(1);
    write_head(out, major::BYTES, (count * width.len()) as u64);
    out.reserve(count * width.len());
    for difference in scaled() {
        // Little endian: the low bytes come first, and a width is 8 bytes at most.
        out.extend_from_slice(&difference.to_le_bytes()[..width.len()]);
    }
    write_text(out, "first");
    match values.first() {
        Some(&first) if first < 0 => write_head(out, major::NINT, !first as u64),
        Some(&first) => write_head(out, major::UINT, first as u64),
        None => write_head(out, major::UINT, 0),
    }
}

/// Euclid's algorithm; the divisor of 0 and n is n.
fn greatest_common_divisor(mut a: u64, mut b: u64) -> u64 {
    while b != 0 {
        (a, b) = (b, a % b);
    }
    a
}

/// The columns, and whether each has the one step and the narrowest width that its values need. The
/// reader takes shortest heads only, so there is no other encoding than by those two.
fn read_columns(bytes: &[u8]) -> Result<(TraceColumns, bool), TraceError> {
    let mut reader = Reader::new(bytes);
    exactly(
        reader.map("a trace, a map")?,
        3,
        &reader,
        "v, rows and columns",
    )?;
    key(&mut reader, "v")?;
    match reader.uint("the version")? {
        VERSION => {}
        version => return Err(TraceError::Version { version }),
    }
    key(&mut reader, "rows")?;
    let rows = reader.uint("the number of rows")?;
    if !(2..=MAX_ROWS as u64).contains(&rows) {
        return Err(TraceError::RowCount { rows });
    }
    key(&mut reader, "columns")?;
    let count = reader.array("the columns, an array")?;
    if count > MAX_COLUMNS {
        return Err(CborError::Unexpected {
            offset: reader.offset(),
            expected: "no more columns than a trace may have",
        }
        .into());
    }
    let mut columns = TraceColumns::default();
    let mut previous = None;
    let mut narrowest = true;
    for _ in 0..count {
        let column = read_column(&mut reader, rows as usize, previous)?;
        place(&mut columns, column.name, column.values);
        narrowest &= column.narrowest;
        previous = Some(column.name);
    }
    reader.end()?;
    for required in [ColumnName::Time, ColumnName::Current, ColumnName::Voltage] {
        if previous.is_none_or(|last| last < required) {
            return Err(TraceError::MissingColumn { column: required });
        }
    }
    Ok((columns, narrowest))
}

struct ReadColumn {
    name: ColumnName,
    values: Vec<i64>,
    narrowest: bool,
}

fn read_column(
    reader: &mut Reader<'_>,
    rows: usize,
    previous: Option<ColumnName>,
) -> Result<ReadColumn, TraceError> {
    exactly(
        reader.map("a column, a map")?,
        4,
        reader,
        "name, step, delta and first",
    )?;
    key(reader, "name")?;
    let text = reader.text("a column name")?;
    let column = following(previous)
        .find(|name| name.to_string() == text)
        .ok_or_else(|| TraceError::ColumnOrder {
            name: text.to_owned(),
        })?;
    key(reader, "step")?;
    let step = reader.int("the step")?;
    key(reader, "delta")?;
    let tag = reader.tag("a typed array")?;
    let bytes = reader.bytes("the differences")?;
    key(reader, "first")?;
    let first = reader.int("the first value")?;

    let wrong = TraceError::Differences { column };
    let Some(width) = Width::ALL.into_iter().find(|width| width.tag() == tag) else {
        return Err(wrong);
    };
    if bytes.len() != (rows - 1) * width.len() {
        return Err(wrong);
    }
    let mut values = Vec::with_capacity(rows);
    let mut value = first;
    let (mut lowest, mut highest, mut gcd) = (0, 0, 0);
    values.push(value);
    for element in bytes.chunks_exact(width.len()) {
        let scaled = width.read(element);
        lowest = scaled.min(lowest);
        highest = scaled.max(highest);
        if gcd != 1 {
            gcd = greatest_common_divisor(gcd, scaled.unsigned_abs());
        }
        value = scaled
            .checked_mul(step)
            .and_then(|difference| value.checked_add(difference))
            .ok_or(TraceError::Overflow {
                column,
                row: values.len(),
            })?;
        values.push(value);
    }
    // A constant column has step 1; any other has a step that leaves its differences no divisor.
    let own_step = match gcd {
        0 => step == 1,
        gcd => gcd == 1 && step > 0,
    };
    Ok(ReadColumn {
        name: column,
        values,
        narrowest: own_step && width == Width::narrowest(lowest, highest),
    })
}

/// The columns that may stand behind `previous`. Channels and cells are counted without gaps, and
/// none of time, current and voltage is left out.
fn following(previous: Option<ColumnName>) -> impl Iterator<Item = ColumnName> {
    use ColumnName::{CellVoltage, Current, Cycle, Step, Temperature, Time, Voltage};
    let candidates: [Option<ColumnName>; 4] = match previous {
        None => [Some(Time), None, None, None],
        Some(Time) => [Some(Current), None, None, None],
        Some(Current) => [Some(Voltage), None, None, None],
        Some(Voltage) => [
            Some(Temperature(1)),
            Some(CellVoltage(1)),
            Some(Step),
            Some(Cycle),
        ],
        Some(Temperature(n)) => [
            Some(Temperature(n + 1)),
            Some(CellVoltage(1)),
            Some(Step),
            Some(Cycle),
        ],
        Some(CellVoltage(n)) => [Some(CellVoltage(n + 1)), Some(Step), Some(Cycle), None],
        Some(Step) => [Some(Cycle), None, None, None],
        Some(Cycle) => [None; 4],
    };
    candidates.into_iter().flatten()
}

fn place(columns: &mut TraceColumns, name: ColumnName, values: Vec<i64>) {
    match name {
        ColumnName::Time => columns.time_us = values,
        ColumnName::Current => columns.current_ua = values,
        ColumnName::Voltage => columns.voltage_uv = values,
        ColumnName::Temperature(_) => columns.temperature_mk.push(values),
        ColumnName::CellVoltage(_) => columns.cell_voltage_uv.push(values),
        ColumnName::Step => columns.step = Some(values),
        ColumnName::Cycle => columns.cycle = Some(values),
    }
}

fn key(reader: &mut Reader<'_>, expected: &'static str) -> Result<(), CborError> {
    let offset = reader.offset();
    if reader.text(expected)? == expected {
        Ok(())
    } else {
        Err(CborError::Unexpected { offset, expected })
    }
}

fn exactly(
    found: u64,
    count: u64,
    reader: &Reader<'_>,
    expected: &'static str,
) -> Result<(), CborError> {
    if found == count {
        Ok(())
    } else {
        Err(CborError::Unexpected {
            offset: reader.offset(),
            expected,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn small() -> TraceColumns {
        TraceColumns {
            time_us: vec![0, 1_000_000, 2_000_000],
            current_ua: vec![-3, -3, -3],
            voltage_uv: vec![28_000_000, 27_999_000, 27_700_000],
            ..TraceColumns::default()
        }
    }

    /// Laid out by hand from RFC 8949 and RFC 8746: a reader in any language gets these bytes.
    #[test]
    fn the_canonical_form_is_this_one() {
        let bytes = Trace::new(small()).unwrap().to_canonical().unwrap();
        let expected = [
            "a3 6176 01 64726f7773 03 67636f6c756d6e73 83",
            // time_us: step 1 000 000, differences 1 and 1 as sint8.
            "a4 646e616d65 6774696d655f7573 6473746570 1a000f4240",
            "6564656c7461 d848 42 0101 656669727374 00",
            // current_ua: constant, so step 1 and differences 0.
            "a4 646e616d65 6a63757272656e745f7561 6473746570 01",
            "6564656c7461 d848 42 0000 656669727374 22",
            // voltage_uv: step 1000, differences −1 and −299 as sint16, little endian.
            "a4 646e616d65 6a766f6c746167655f7576 6473746570 1903e8",
            "6564656c7461 d84d 44 ffff d5fe 656669727374 1a01ab3f00",
        ];
        assert_eq!(hex::encode(&bytes), expected.concat().replace(' ', ""));
        assert_eq!(
            Trace::from_canonical(&bytes).unwrap().into_columns(),
            small()
        );
    }

    #[test]
    fn the_widest_differences_survive() {
        let top = super::super::MAX_ABS_VALUE;
        for pair in [
            vec![-top, top],
            vec![top, -top],
            vec![0, 127],
            vec![0, 1 << 40],
        ] {
            // The second difference keeps the divisor at 1.
            let current_ua = [&pair[..], &[pair[1] - pair[1].signum()]].concat();
            let columns = TraceColumns {
                current_ua,
                ..small()
            };
            let bytes = Trace::new(columns.clone()).unwrap().to_canonical().unwrap();
            assert_eq!(
                Trace::from_canonical(&bytes).unwrap().into_columns(),
                columns
            );
        }
    }

    /// Replaces the one occurrence of some bytes, given in hexadecimal.
    fn replaced(from: &str, to: &str) -> Result<Trace, TraceError> {
        let text = hex::encode(Trace::new(small()).unwrap().to_canonical().unwrap());
        let (from, to) = (from.replace(' ', ""), to.replace(' ', ""));
        assert_eq!(text.matches(&from).count(), 1, "{from}");
        Trace::from_canonical(&hex::decode(text.replace(&from, &to)).unwrap())
    }

    #[test]
    fn a_step_or_width_other_than_the_canonical_one_is_refused() {
        let not_canonical = |outcome| matches!(outcome, Err(TraceError::NotCanonicalForm { .. }));
        let half_step = replaced(
            "1a000f4240 6564656c7461d848420101",
            "1a0007a120 6564656c7461d848420202",
        );
        assert!(not_canonical(half_step));
        assert!(not_canonical(replaced("d848420101", "d84d4401000100")));
        let any_step_of_a_constant = replaced("6473746570 01", "6473746570 02");
        assert!(not_canonical(any_step_of_a_constant));
        let negative_step = replaced(
            "1a000f4240 6564656c7461d848420101",
            "3a000f423f 6564656c7461d84842ffff",
        );
        assert!(not_canonical(negative_step));
    }

    #[test]
    fn hostile_counts_are_refused_before_memory_is_taken() {
        let rows = "64726f7773 03";
        for (to, count) in [
            ("64726f7773 01", 1),
            ("64726f7773 1affffffff", u64::from(u32::MAX)),
        ] {
            assert_eq!(
                replaced(rows, to),
                Err(TraceError::RowCount { rows: count })
            );
        }
        let column = ColumnName::Time;
        let more_rows_than_bytes = replaced(rows, "64726f7773 1a01000000");
        assert_eq!(
            more_rows_than_bytes,
            Err(TraceError::Differences { column })
        );
        assert!(matches!(
            replaced("67636f6c756d6e73 83", "67636f6c756d6e73 9affffffff"),
            Err(TraceError::Cbor(CborError::LengthBeyondEnd { .. }))
        ));
    }

    #[test]
    fn differences_that_overflow_are_refused_with_their_row() {
        let column = ColumnName::Time;
        let overflow = replaced("1a000f4240", "1b7fffffffffffffff");
        assert_eq!(overflow, Err(TraceError::Overflow { column, row: 2 }));
    }

    #[test]
    fn unknown_missing_and_misplaced_columns_are_refused() {
        let name = "time_ms".to_owned();
        assert_eq!(
            replaced("6774696d655f7573", "6774696d655f6d73"),
            Err(TraceError::ColumnOrder { name })
        );
        let name = "voltage_uv".to_owned();
        assert_eq!(
            replaced("6a63757272656e745f7561", "6a766f6c746167655f7576").unwrap_err(),
            TraceError::ColumnOrder { name }
        );
        assert_eq!(
            replaced("6176 01", "6176 02"),
            Err(TraceError::Version { version: 2 })
        );
        let none = hex::decode("a36176 01 64726f7773 03 67636f6c756d6e73 80".replace(' ', ""));
        assert_eq!(
            Trace::from_canonical(&none.unwrap()),
            Err(TraceError::MissingColumn {
                column: ColumnName::Time
            })
        );
    }
}
