//! Return bundles: receipts and statements that go back to a station.

use super::header::{
    BUNDLE_VERSION, BundleHeader, ReturnHeader, check_end, missing_end, out_of_order, read_header,
};
use super::segment_writer::write_end;
use super::statements::StatementIntake;
use crate::fleet_log::{CarriedHead, HeadFrame};
use crate::frame::{FrameReader, FrameType, FrameWriter};
use crate::ids::LogId;
use crate::receipt::{ReceiptSlip, VerifiedReceipt};
use crate::refusal::{Fault, Refusal, Rule};
use crate::statement::Statement;
use crate::trust::TrustStore;
use std::io::{self, Read, Write};

/// Something read from a return bundle: each is verified by itself.
#[derive(Debug)]
pub enum ReturnItem<'a> {
    /// A statement that verifies under a trusted authority.
    Statement(&'a [u8]),
    /// A receipt by an enrolled server.
    Receipt(&'a VerifiedReceipt),
}

/// A return bundle that was verified from its first to its last byte.
#[derive(Debug, Clone)]
pub struct VerifiedReturn {
    log: Option<LogId>,
    head: Option<CarriedHead>,
    receipts: Vec<VerifiedReceipt>,
    statements_ignored: u64,
}

impl VerifiedReturn {
    /// The log that the receipts are for; `None` in a file that holds statements only.
    pub fn log(&self) -> Option<LogId> {
        self.log
    }

    /// The head of the fleet log that the receipts are of; there is one if there are receipts.
    pub fn head(&self) -> Option<&CarriedHead> {
        self.head.as_ref()
    }

    /// The receipts.
    pub fn receipts(&self) -> &[VerifiedReceipt] {
        &self.receipts
    }

    /// Statements of authorities that are not trusted here.
    pub fn statements_ignored(&self) -> u64 {
        self.statements_ignored
    }
}

/// Writes a return bundle: statements, and receipts for `log` if there is one, with the head of the
/// fleet log that they are signed at.
///
/// # Errors
/// What the writer underneath reports.
pub fn write_return<'s, W: Write>(
    out: W,
    log: Option<LogId>,
    statements: impl IntoIterator<Item = &'s Statement>,
    head: Option<&HeadFrame>,
    receipts: &[ReceiptSlip],
) -> io::Result<W> {
    let header = BundleHeader::Return(ReturnHeader {
        v: BUNDLE_VERSION,
        log,
    });
    let mut frames = FrameWriter::new(out)?;
    frames.write(
        FrameType::Header,
        &header.encode().map_err(io::Error::other)?,
    )?;
    for statement in statements {
        frames.write(FrameType::Statement, statement.sign1())?;
    }
    if let Some(head) = head {
        frames.write(FrameType::Head, &head.encode().map_err(io::Error::other)?)?;
    }
    for slip in receipts {
        frames.write(
            FrameType::Receipt,
            &slip.encode().map_err(io::Error::other)?,
        )?;
    }
    write_end(frames)
}

/// Reads and verifies a whole return bundle.
///
/// # Errors
/// [`Refusal`] with rule, offset and fault.
pub fn read_return<R: Read>(
    input: R,
    trust: &TrustStore,
    sink: &mut dyn FnMut(ReturnItem<'_>),
) -> Result<VerifiedReturn, Refusal> {
    let mut frames = FrameReader::new(input)?;
    let BundleHeader::Return(header) = read_header(&mut frames)? else {
        return Err(Refusal::new(
            Rule::Header,
            Fault::Maker,
            0,
            "the file is not a return bundle",
        ));
    };
    let mut statements = StatementIntake::new(trust);
    let mut verified = VerifiedReturn {
        log: header.log,
        head: None,
        receipts: Vec::new(),
        statements_ignored: 0,
    };
    loop {
        let at = frames.offset();
        let Some(frame) = frames.next_frame()? else {
            return Err(missing_end(at));
        };
        if frame.kind == FrameType::Statement && verified.head.is_none() {
            statements.take(&frame, &mut |s| sink(ReturnItem::Statement(s)))?;
            continue;
        }
        statements.close(&mut |s| sink(ReturnItem::Statement(s)))?;
        match frame.kind {
            FrameType::Head if verified.head.is_none() && header.log.is_some() => {
                let head = HeadFrame::read(&frame.payload, frame.offset, statements.trust())?;
                verified.head = Some(head);
            }
            FrameType::Receipt => {
                let receipt = ReceiptSlip::parse(&frame.payload)
                    .and_then(|slip| slip.verify(statements.trust()))
                    .map_err(|e| e.refusal(frame.offset))?;
                if Some(receipt.seal().log) != header.log {
                    let found = "a receipt is for another log than the header names";
                    let refusal = Refusal::new(Rule::Receipt, Fault::Maker, frame.offset, found);
                    return Err(refusal);
                }
                let standing = statements.trust().standing(receipt.server());
                if let Some(partner) = standing
                    .as_ref()
                    .and_then(|s| statements.trust().enrolled_by(s))
                {
                    let found = format!(
                        "the receipt's server is enrolled by {partner} only: its receipts free no memory here"
                    );
                    let refusal = Refusal::new(Rule::Receipt, Fault::Trust, frame.offset, found);
                    return Err(refusal);
                }
                let same = verified.head.as_ref().is_some_and(|carried| {
                    let head = carried.head();
                    (head.log, head.size, head.root)
                        == (receipt.server(), receipt.fleet_size(), receipt.fleet_root())
                });
                if !same {
                    let found = "a receipt is not of the log, size and root of the head before it";
                    return Err(head_of_return(frame.offset, found));
                }
                sink(ReturnItem::Receipt(&receipt));
                verified.receipts.push(receipt);
            }
            FrameType::End => {
                check_end(&mut frames, &frame)?;
                if let Some(head) = verified
                    .head
                    .as_ref()
                    .filter(|_| verified.receipts.is_empty())
                {
                    let found = "a head without a receipt";
                    return Err(head_of_return(head.offset(), found));
                }
                verified.statements_ignored = statements.ignored();
                return Ok(verified);
            }
            _ => return Err(out_of_order(&frame)),
        }
    }
}

fn head_of_return(offset: u64, found: &str) -> Refusal {
    Refusal::new(Rule::HeadOfReturn, Fault::Maker, offset, found)
}
