//! Why a table is no trace.

use super::{MAX_COLUMNS, MAX_LINE_BYTES};
use carrylog_format::trace::{MAX_CELLS, MAX_ROWS, MAX_TEMPERATURES, TraceError};

/// Why a table is no trace.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
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
