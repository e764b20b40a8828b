//! Traces: the time series of a test, their one canonical form, and its compression.
//!
//! Canonical form: the deterministic CBOR map
//! `{"v": 1, "rows": n, "columns": [{"name", "step", "delta", "first"}, …]}`. A column is its
//! first value and the n − 1 differences between neighbours, divided by `step` (their greatest
//! common divisor, or 1 if the column is constant), in the narrowest signed typed array of RFC
//! 8746 that holds them: tag 72 (8 bit), 77, 78 or 79 (16, 32 or 64 bit, little endian). Columns
//! stand in the order of [`ColumnName`]. A trace is identified by the SHA-256 of these bytes;
//! compression (zstd, RFC 8878) is transport and identifies nothing.

mod canonical;
mod columns;
mod compressed;
mod error;
mod width;

pub use canonical::MAX_CANONICAL_LEN;
pub use columns::{
    ColumnName, MAX_ABS_VALUE, MAX_CELLS, MAX_ROWS, MAX_TEMPERATURES, Trace, TraceColumns,
};
pub(crate) use compressed::Expander;
pub use compressed::{compress, decompress, digest_compressed};
pub use error::TraceError;
