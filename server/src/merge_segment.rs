//! Verifies a segment and merges it in one transaction: what the file brings, its receipts and the
//! projections it touches are all stored, or nothing is.

use crate::import::{Arrival, ImportError, READ_BUFFER, keep_if_unproven, record};
use crate::intake::Intake;
use crate::log_state::{self, Refreshed};
use crate::outcome::{Merge, Outcome};
use crate::projector::{LogChange, Projector};
use crate::store::{self, LogRow, SealRow, StoreError};
use crate::trust_change;
use crate::writer::Writer;
use carrylog_format::bundle::{SegmentHeader, VerifiedSegment, read_segment};
use carrylog_format::instant::Instant;
use carrylog_format::refusal::Refusal;
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::io::{BufReader, Read, Seek};
use std::sync::Arc;

impl Writer {
    /// Verifies and merges the segment in `file`. Without an `arrival` it is a part of a file that is
    /// recorded by itself.
    ///
    /// # Errors
    /// [`ImportError`] if it could not be stored; a refusal is inside.
    pub(crate) fn merge_segment<F: Read + Seek>(
        &mut self,
        file: &mut F,
        header: &SegmentHeader,
        arrival: Option<Arrival>,
        now: Instant,
    ) -> Result<Result<Outcome, Refusal>, ImportError> {
        let tx = self.database.begin()?;
        self.unsettled = true;
        let log = store::log_row(&tx, &header.key, &log_state::empty_state())?;
        let mut intake = Intake::new(&tx, &log, self.trust.store.clone(), now);
        let input = BufReader::with_capacity(READ_BUFFER, &mut *file);
        let verified = match read_segment(input, &self.trust.store, &mut |item| intake.take(&item))
        {
            Ok(verified) => verified,
            Err(refusal) => return Ok(Err(refusal)),
        };
        intake.finish()?;
        let met = self.fleet.meet(&tx, &log, verified.heads(), now)?;
        let trust = match self.trust.missing_from(&intake.trust) {
            new if new.is_empty() => Arc::clone(&self.trust),
            _ => Arc::new(TrustView::of(intake.trust.clone())),
        };
        let statements = self.trust.missing_from(&trust.store);
        let change = trust_change::apply(&tx, &statements, &trust, Some(log.log), now)?;
        let refreshed = log_state::add_segment(
            &tx,
            &log,
            &verified,
            &intake.leaves,
            &trust.store,
            !statements.is_empty(),
        )?;

        self.fleet
            .append_statements(&tx, statements.iter().copied())?;
        for (other, seals) in &change.to_receipt {
            self.fleet.append(&tx, other, seals)?;
        }
        let seals = seals_to_receipt(&tx, &log, &verified, &refreshed)?;
        let new_receipts = self.fleet.append(&tx, &log, &seals)?;

        let mut touched = change.touched;
        touched.extend(&intake.touched);
        touched.extend(trust_change::changed_units(&tx, &refreshed.changes)?);
        let mut projector = Projector::new(&tx, &trust);
        let went_on = match refreshed.merged {
            Some(_) => LogChange::Derived,
            None => LogChange::ContinuedAt(log.state.size),
        };
        projector.update_log(&log, &refreshed.report, went_on)?;
        projector.update_units(&touched)?;

        let mut outcome = judge(&verified, &refreshed, intake.new_entries, new_receipts);
        if let Some(met) = met {
            outcome.warn(&format!("{}. No receipts until then.", met.found));
        } else if verified.head_missing().is_some() {
            outcome.warn(
                "The head of the fleet log that the station saw last was taken out of this file.",
            );
        }
        if let Some(arrival) = arrival {
            keep_if_unproven(&tx, file, arrival, verified.statements_ignored(), now)?;
            record(&tx, arrival, &outcome, now)?;
        }
        tx.commit()?;
        self.unsettled = false;
        self.trust = trust;
        Ok(Ok(outcome))
    }
}

/// Seals of the log that count now: the ones that came along if the log went on as one line, or
/// whichever the derivation accepts.
fn seals_to_receipt(
    c: &Connection,
    log: &LogRow,
    verified: &VerifiedSegment,
    refreshed: &Refreshed,
) -> Result<Vec<SealRow>, StoreError> {
    let mut seals = store::seals(c, log.row)?;
    match &refreshed.merged {
        Some(merged) => seals.retain(|s| merged.accepts_root(s.size, &s.root)),
        None => seals.retain(|s| verified.seals().iter().any(|v| v.digest() == s.digest)),
    }
    Ok(seals)
}

/// Says what became of a segment.
fn judge(
    verified: &VerifiedSegment,
    refreshed: &Refreshed,
    new_entries: u64,
    new_receipts: u64,
) -> Outcome {
    let header = verified.header();
    let root = verified.after().root();
    let mut merge = Merge {
        log: header.log,
        station: verified.standing().enrolment.name.to_string(),
        from: header.from,
        to: header.to,
        new_entries,
        known_entries: verified.entries() - new_entries,
        accepted_entries: refreshed.size,
        new_receipts,
        missing_traces: verified.traces_missing().len() as u64,
        note: String::new(),
    };
    let counts = refreshed
        .merged
        .as_ref()
        .is_none_or(|m| m.accepts_root(header.to, &root));
    if counts && new_entries == 0 {
        merge.note = "Everything in this file was known. The receipts are given again.".to_owned();
        return Outcome::Known(merge);
    }
    if counts {
        merge.note = "Merged and stored. The receipts free the station's memory.".to_owned();
        return Outcome::Accepted(merge);
    }
    if let Some(from) = verified
        .standing()
        .revoked_from
        .filter(|from| *from < header.to)
    {
        return Outcome::Quarantined {
            log: header.log,
            reason: format!(
                "the key of «{}» was revoked from entry {from} on",
                merge.station
            ),
            advice: "the entries are kept and do not count; the authority decides".to_owned(),
        };
    }
    if let Some(fork) = refreshed
        .report
        .forks
        .iter()
        .find(|f| f.same_up_to < header.to)
    {
        let then = match fork.settled {
            true => "The authority chose; what differs from its choice does not count.",
            false => "Both are kept; what differs does not count until the authority chooses.",
        };
        merge.note = format!(
            "This station's log has two versions that agree on the first {} entries only. {then} Do not free the station's memory.",
            fork.same_up_to
        );
        return Outcome::Fork(merge);
    }
    merge.note = format!(
        "Entries {} to {} of this station are missing. These are kept and count when the missing ones arrive.",
        refreshed.size,
        header.from.saturating_sub(1)
    );
    Outcome::Held(merge)
}
