//! The one door for delivered files: verify, merge, receipt, all in one transaction, or nothing.
//!
//! A file that is refused leaves no trace but its record; one whose key is not enrolled for it is
//! kept and goes through the door again whenever trust changes.

use crate::intake::Intake;
use crate::log_state::{self, Refreshed};
use crate::outcome::{Merge, Outcome, Refused};
use crate::projector::{LogChange, Projector};
use crate::store::{self, Kept, KeptReader, LogRow, SealRow, StoreError};
use crate::trust_change;
use crate::trust_view::TrustView;
use crate::writer::Writer;
use carrylog_format::bundle::{
    BundleHeader, ReturnItem, SegmentHeader, VerifiedSegment, peek_header, read_return,
    read_segment,
};
use carrylog_format::ids::FileDigest;
use carrylog_format::instant::Instant;
use carrylog_format::refusal::{Fault, Refusal};
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::sync::Arc;

/// A delivered file.
pub(crate) struct Delivered<'f, F> {
    pub(crate) file: &'f mut F,
    pub(crate) digest: FileDigest,
    pub(crate) bytes: u64,
    /// False when the server itself brings the file again.
    pub(crate) arrived: bool,
}

/// Why a file could not be taken, though it may be sound.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum ImportError {
    /// The store or the disk.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// No room for files that wait for an enrolment.
    #[error(
        "there is no more room for files that wait for an enrolment ({bytes} bytes kept); enrol the keys or raise the limit, then deliver again"
    )]
    QuarantineFull {
        /// Bytes kept.
        bytes: u64,
    },
}

impl From<rusqlite::Error> for ImportError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Store(error.into())
    }
}

impl From<std::io::Error> for ImportError {
    fn from(error: std::io::Error) -> Self {
        Self::Store(error.into())
    }
}

pub(crate) const READ_BUFFER: usize = 256 * 1024;

impl Writer {
    /// Takes a delivered file in.
    pub(crate) fn import<F: Read + Seek>(
        &mut self,
        mut delivered: Delivered<'_, F>,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        self.settle()?;
        let before = Arc::clone(&self.trust);
        let outcome = self.import_one(&mut delivered, now)?;
        if !Arc::ptr_eq(&before, &self.trust) {
            self.retry_kept(now)?;
        }
        Ok(outcome)
    }

    fn import_one<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        delivered.file.seek(SeekFrom::Start(0))?;
        let header = peek_header(&mut *delivered.file);
        delivered.file.seek(SeekFrom::Start(0))?;
        match header {
            Ok(BundleHeader::Segment(header)) => self.import_segment(delivered, &header, now),
            Ok(BundleHeader::Return(_)) => self.import_return(delivered, now),
            Ok(BundleHeader::UnitHistory(header)) => self.import_history(delivered, &header, now),
            Ok(_) => {
                let found =
                    "this kind of file is not for a server; decrypt an encrypted file first";
                let refusal = Refusal::new(
                    carrylog_format::refusal::Rule::Header,
                    Fault::Maker,
                    3,
                    found,
                );
                self.refuse(delivered, &refusal, now)
            }
            Err(refusal) => self.refuse(delivered, &refusal, now),
        }
    }

    fn import_segment<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        header: &SegmentHeader,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let tx = self.database.begin()?;
        self.unsettled = true;
        let log = store::log_row(&tx, &header.key, &log_state::empty_state())?;
        let mut intake = Intake::new(&tx, &log, self.trust.store.clone(), now);
        let input = BufReader::with_capacity(READ_BUFFER, &mut *delivered.file);
        let verified = match read_segment(input, &self.trust.store, &mut |item| intake.take(&item))
        {
            Ok(verified) => verified,
            Err(refusal) => {
                drop(intake);
                drop(tx);
                return match refusal.fault {
                    Fault::Trust => self.quarantine(delivered, header, &refusal, now),
                    _ => self.refuse(delivered, &refusal, now),
                };
            }
        };
        intake.finish()?;
        let trust = match self.trust.missing_from(&intake.trust) {
            new if new.is_empty() => Arc::clone(&self.trust),
            _ => Arc::new(TrustView::of(intake.trust.clone())),
        };
        let statements = self.trust.missing_from(&trust.store);
        let change = trust_change::apply(&tx, &statements, &trust, Some(log.log), now)?;
        let refreshed = log_state::add_segment(&tx, &log, &verified, &intake.leaves, &trust.store)?;

        let mut new_receipts = 0;
        for (other, seals) in &change.to_receipt {
            self.fleet.append(&tx, other, seals, now)?;
        }
        let seals = seals_to_receipt(&tx, &log, &verified, &refreshed)?;
        new_receipts += self.fleet.append(&tx, &log, &seals, now)?;

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

        let outcome = judge(&verified, &refreshed, intake.new_entries, new_receipts);
        record(&tx, delivered, &outcome, now)?;
        if verified.statements_ignored() > 0 {
            delivered.file.seek(SeekFrom::Start(0))?;
            store::keep_file(
                &tx,
                delivered.digest,
                Kept::Unproven,
                delivered.bytes,
                now,
                delivered.file,
            )?;
        } else {
            store::drop_kept(&tx, delivered.digest)?;
        }
        tx.commit()?;
        self.unsettled = false;
        self.trust = trust;
        Ok(outcome)
    }

    fn import_return<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let mut store = self.trust.store.clone();
        let mut failed = None;
        let input = BufReader::with_capacity(READ_BUFFER, &mut *delivered.file);
        let read = read_return(input, &self.trust.store, &mut |item| {
            if let ReturnItem::Statement(sign1) = item {
                failed = failed.take().or(store.add(sign1).err());
            }
        });
        let verified = match (read, failed) {
            (Ok(verified), None) => verified,
            (Ok(_), Some(error)) => return Err(StoreError::damaged(error).into()),
            (Err(refusal), _) => return self.refuse(delivered, &refusal, now),
        };
        let trust = Arc::new(TrustView::of(store));
        let new = self.trust.missing_from(&trust.store);
        let outcome = Outcome::Statements {
            new: new.len() as u64,
            ignored: verified.statements_ignored(),
        };
        let tx = self.database.begin()?;
        self.unsettled = true;
        let change = trust_change::apply(&tx, &new, &trust, None, now)?;
        for (log, seals) in &change.to_receipt {
            self.fleet.append(&tx, log, seals, now)?;
        }
        Projector::new(&tx, &trust).update_units(&change.touched)?;
        record(&tx, delivered, &outcome, now)?;
        if verified.statements_ignored() > 0 {
            delivered.file.seek(SeekFrom::Start(0))?;
            store::keep_file(
                &tx,
                delivered.digest,
                Kept::Unproven,
                delivered.bytes,
                now,
                delivered.file,
            )?;
        } else {
            store::drop_kept(&tx, delivered.digest)?;
        }
        let changed = !new.is_empty();
        tx.commit()?;
        self.unsettled = false;
        if changed {
            self.trust = trust;
        }
        Ok(outcome)
    }

    /// Brings files kept aside through the door again, until no more of them changes trust.
    pub(crate) fn retry_kept(&mut self, now: Instant) -> Result<(), ImportError> {
        loop {
            let before = Arc::clone(&self.trust);
            let c = self.database.connection();
            let mut files = store::kept_files(c, Kept::Quarantined)?;
            files.extend(store::kept_files(c, Kept::Unproven)?);
            for kept in files {
                self.settle()?;
                let mut file = tempfile::tempfile()?;
                let mut reader = KeptReader::new(self.database.connection(), kept.file);
                std::io::copy(&mut reader, &mut file)?;
                let mut again = Delivered {
                    file: &mut file,
                    digest: kept.file,
                    bytes: kept.bytes,
                    arrived: false,
                };
                self.import_one(&mut again, now)?;
            }
            if Arc::ptr_eq(&before, &self.trust) {
                return Ok(());
            }
        }
    }

    fn quarantine<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        header: &SegmentHeader,
        refusal: &Refusal,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let outcome = Outcome::Quarantined {
            log: header.log,
            reason: refusal.to_string(),
            advice: refusal.advice().to_owned(),
        };
        self.set_aside(delivered, outcome, now)
    }

    /// Keeps a file whose keys do not count (yet); it goes through the door again by itself.
    pub(crate) fn set_aside<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        outcome: Outcome,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let limit = self.limits.quarantined_bytes;
        let tx = self.database.begin()?;
        let (_, bytes) = store::kept_totals(&tx, Kept::Quarantined)?;
        if delivered.arrived && bytes.saturating_add(delivered.bytes) > limit {
            return Err(ImportError::QuarantineFull { bytes });
        }
        delivered.file.seek(SeekFrom::Start(0))?;
        store::keep_file(
            &tx,
            delivered.digest,
            Kept::Quarantined,
            delivered.bytes,
            now,
            delivered.file,
        )?;
        record(&tx, delivered, &outcome, now)?;
        tx.commit()?;
        Ok(outcome)
    }

    pub(crate) fn refuse<F: Read + Seek>(
        &mut self,
        delivered: &mut Delivered<'_, F>,
        refusal: &Refusal,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let outcome = Outcome::Refused(Refused::of(refusal));
        let limits = self.limits;
        let tx = self.database.begin()?;
        if delivered.bytes <= limits.refused_file_bytes {
            delivered.file.seek(SeekFrom::Start(0))?;
            store::keep_file(
                &tx,
                delivered.digest,
                Kept::Refused,
                delivered.bytes,
                now,
                delivered.file,
            )?;
            let kept = store::kept_files(&tx, Kept::Refused)?;
            let beyond = kept.len().saturating_sub(limits.refused_files as usize);
            for oldest in kept.iter().take(beyond) {
                store::drop_kept(&tx, oldest.file)?;
            }
        }
        record(&tx, delivered, &outcome, now)?;
        tx.commit()?;
        Ok(outcome)
    }
}

/// Seals of the log that count now: the ones that came along if the log went on as one line, or
/// whichever the derivation accepts.
fn seals_to_receipt(
    c: &rusqlite::Connection,
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
    if counts {
        let (note, known) = match new_entries {
            0 => (
                "Everything in this file was known. The receipts are given again.",
                true,
            ),
            _ => (
                "Merged and stored. The receipts free the station's memory.",
                false,
            ),
        };
        merge.note = note.to_owned();
        return if known {
            Outcome::Known(merge)
        } else {
            Outcome::Accepted(merge)
        };
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
        merge.note = format!(
            "This station's log has two versions that agree on the first {} entries only. Both are kept; what differs does not count until the authority chooses. Do not free the station's memory.",
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

pub(crate) fn record<F>(
    c: &rusqlite::Connection,
    delivered: &Delivered<'_, F>,
    outcome: &Outcome,
    now: Instant,
) -> Result<(), StoreError> {
    let json = serde_json::to_string(outcome).map_err(StoreError::damaged)?;
    store::record_delivery(
        c,
        delivered.digest,
        delivered.bytes,
        &json,
        now,
        delivered.arrived,
    )
}
