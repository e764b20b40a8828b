//! Bundles: the files that travel. One door for each kind takes bytes and trust and returns a
//! verified bundle or a refusal; a verified bundle has no other constructor.

mod header;
mod history_reader;
mod history_writer;
mod read_ahead;
mod return_bundle;
mod segment_reader;
mod segment_writer;
mod statements;

pub use header::{
    BundleHeader, EncryptedHeader, HistoryHeader, ReturnHeader, SegmentHeader, peek_header,
};
pub use history_reader::{
    HistoryItem, LogPart, MAX_HISTORY_ELEMENTS, VerifiedHistory, read_history,
};
pub use history_writer::HistoryWriter;
pub use return_bundle::{ReturnItem, VerifiedReturn, read_return, write_return};
pub use segment_reader::{MAX_ENTRIES, SegmentItem, VerifiedSegment, read_segment};
pub use segment_writer::{SegmentStart, SegmentWriter};

pub(crate) use header::{BUNDLE_VERSION, check_end, missing_end, out_of_order, read_header};
pub(crate) use history_writer::ProvenForm;
pub(crate) use segment_writer::write_end;
