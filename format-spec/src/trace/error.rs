//! Why a trace was refused.

use super::ColumnName;
use crate::cbor::CborError;

/// A refusal of trace columns, canonical bytes or compressed bytes. Rows count from 0.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum TraceError {
    /// Fewer rows than a trace needs, or more than it may have.
    #[error("{rows} rows; a trace has 2 to {}", super::MAX_ROWS)]
    RowCount {
        /// Rows given.
        rows: u64,
    },
    /// More temperature channels or cells than a trace may have.
    #[error("more temperature channels or cells than a trace may have, at column {column}")]
    TooManyColumns {
        /// The first column too many.
        column: ColumnName,
    },
    /// A column that is longer or shorter than the time column.
    #[error("column {column} has {given} rows, the time column has {expected}")]
    ColumnLength {
        /// The column.
        column: ColumnName,
        /// Its rows.
        given: usize,
        /// Rows of the time column.
        expected: usize,
    },
    /// Time runs backwards.
    #[error("time runs backwards at row {row}")]
    TimeBackwards {
        /// The row that is earlier than the one before it.
        row: usize,
    },
    /// A value that no instrument gives: its magnitude is 2^62 or more, or it is a temperature
    /// below absolute zero.
    #[error("impossible value {value} in column {column} at row {row}")]
    ImpossibleValue {
        /// The column.
        column: ColumnName,
        /// The row.
        row: usize,
        /// The value, in the unit of the column's name.
        value: i64,
    },
    /// The canonical form is longer than a trace may be.
    #[error("the trace needs more than {max} bytes")]
    TooLong {
        /// Limit, bytes.
        max: u64,
    },
    /// The bytes are not the CBOR they should be.
    #[error("the trace is malformed: {0}")]
    Cbor(#[from] CborError),
    /// A version this reader does not know.
    #[error("trace version {version}; this reader knows version 1")]
    Version {
        /// Version given.
        version: u64,
    },
    /// A column name that does not belong at this place.
    #[error("column \"{name}\" is unknown, repeated or out of order")]
    ColumnOrder {
        /// Name given.
        name: String,
    },
    /// Time, current or voltage is missing.
    #[error("column {column} is missing")]
    MissingColumn {
        /// The missing column.
        column: ColumnName,
    },
    /// The array of differences has another type or length than a column of this trace has.
    #[error("column {column} does not hold one difference for each row after the first")]
    Differences {
        /// The column.
        column: ColumnName,
    },
    /// Adding up the differences leaves the range of 64-bit integers.
    #[error("the differences of column {column} overflow at row {row}")]
    Overflow {
        /// The column.
        column: ColumnName,
        /// The row.
        row: usize,
    },
    /// A second encoding of a trace: another step or width than the canonical one.
    #[error("not the canonical form of this trace, from offset {offset}")]
    NotCanonicalForm {
        /// Offset of the first byte that differs.
        offset: u64,
    },
    /// The compressed bytes are not one sound zstd frame with its content size.
    #[error("the compressed trace is damaged: {reason}")]
    Compression {
        /// What the decoder or encoder found.
        reason: String,
    },
}
