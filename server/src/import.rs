//! The one door for delivered files: what kind it is, whether it counts, and what is kept of it.
//!
//! A file that is refused leaves no trace but its record; one whose key is not enrolled for it is
//! kept and goes through the door again whenever trust changes.

use crate::cut::sealed_parts;
use crate::outcome::{Outcome, Refused};
use crate::projector::Projector;
use crate::store::{self, Kept, KeptReader, StoreError};
use crate::trust_change;
use crate::writer::Writer;
use carrylog_format::bundle::{BundleHeader, ReturnItem, SegmentHeader, peek_header, read_return};
use carrylog_format::ids::FileDigest;
use carrylog_format::instant::Instant;
use carrylog_format::refusal::{Fault, Refusal, Rule};
use carrylog_history::trust_view::TrustView;
use rusqlite::Connection;
use std::io::{BufReader, Read, Seek, SeekFrom};
use std::sync::Arc;

/// A delivered file by its name.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Arrival {
    pub(crate) file: FileDigest,
    pub(crate) bytes: u64,
    /// False when the server itself brings a kept file again.
    pub(crate) new: bool,
}

/// Why a file could not be taken, though it may be sound.
#[derive(Debug, thiserror::Error)]
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

/// Bytes read at once from a delivered file.
pub(crate) const READ_BUFFER: usize = 256 * 1024;

impl Writer {
    /// Takes a delivered file in.
    pub(crate) fn import<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let before = Arc::clone(&self.trust);
        let outcome = self.import_one(file, arrival, now)?;
        if !Arc::ptr_eq(&before, &self.trust) {
            self.retry_kept(now)?;
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
                let mut file = tempfile::tempfile()?;
                let mut reader = KeptReader::new(self.database.connection(), kept.file);
                std::io::copy(&mut reader, &mut file)?;
                let again = Arrival {
                    file: kept.file,
                    bytes: kept.bytes,
                    new: false,
                };
                self.import_one(&mut file, again, now)?;
            }
            if Arc::ptr_eq(&before, &self.trust) {
                return Ok(());
            }
        }
    }

    fn import_one<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        self.settle()?;
        file.seek(SeekFrom::Start(0))?;
        let header = peek_header(&mut *file);
        file.seek(SeekFrom::Start(0))?;
        match header {
            Ok(BundleHeader::Segment(header)) => {
                match self.merge_segment(file, &header, Some(arrival), now)? {
                    Ok(outcome) => Ok(outcome),
                    Err(refusal) if refusal.fault == Fault::Trust => {
                        self.quarantine(file, arrival, &header, &refusal, now)
                    }
                    Err(refusal) => self.refuse(file, arrival, &refusal, now),
                }
            }
            Ok(BundleHeader::Return(_)) => self.import_return(file, arrival, now),
            Ok(BundleHeader::UnitHistory(header)) => {
                match self.merge_history(file, arrival, now)? {
                    Ok(outcome) => Ok(outcome),
                    Err(refusal) if refusal.fault == Fault::Trust => {
                        let outcome = Outcome::HistoryQuarantined {
                            unit: header.unit.key().as_str().to_owned(),
                            reason: refusal.to_string(),
                            advice: refusal.advice().to_owned(),
                        };
                        self.check_room(arrival)?;
                        self.set_aside(file, arrival, outcome, now)
                    }
                    Err(refusal) => self.refuse(file, arrival, &refusal, now),
                }
            }
            Ok(_) => {
                let found = "a server takes stations' files, unit histories and statements; this is another kind of file";
                let refusal = Refusal::new(Rule::Header, Fault::Maker, 3, found);
                self.refuse(file, arrival, &refusal, now)
            }
            Err(refusal) => self.refuse(file, arrival, &refusal, now),
        }
    }

    fn import_return<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let mut store = self.trust.store.clone();
        let mut failed = None;
        let input = BufReader::with_capacity(READ_BUFFER, &mut *file);
        let read = read_return(input, &self.trust.store, &mut |item| {
            if let ReturnItem::Statement(sign1) = item {
                failed = failed.take().or(store.add(sign1).err());
            }
        });
        let verified = match (read, failed) {
            (Ok(verified), None) => verified,
            (Ok(_), Some(error)) => return Err(StoreError::damaged(error).into()),
            (Err(refusal), _) => return self.refuse(file, arrival, &refusal, now),
        };
        let trust = Arc::new(TrustView::of(store));
        let new = self.trust.missing_from(&trust.store);
        let changed = !new.is_empty();
        let ignored = verified.statements_ignored();
        let outcome = Outcome::Statements {
            new: new.len() as u64,
            ignored,
        };
        let tx = self.database.begin()?;
        self.unsettled = true;
        let change = trust_change::apply(&tx, &new, &trust, None, now)?;
        self.fleet.append_statements(&tx, new.iter().copied())?;
        for (log, seals) in &change.to_receipt {
            self.fleet.append(&tx, log, seals)?;
        }
        Projector::new(&tx, &trust).update_units(&change.touched)?;
        keep_if_unproven(&tx, file, arrival, ignored, now)?;
        record(&tx, arrival, &outcome, now)?;
        tx.commit()?;
        self.unsettled = false;
        if changed {
            self.trust = trust;
        }
        Ok(outcome)
    }

    /// Keeps a sound file whose key is not enrolled for it. If only some of its seals lie outside the
    /// dates of the enrolment, the parts under the others count, as if each had come by itself:
    /// how a log was cut into files must make no difference.
    fn quarantine<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        header: &SegmentHeader,
        refusal: &Refusal,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        self.check_room(arrival)?;
        let mut counting = 0;
        if refusal.rule == Rule::EnrolmentDates {
            for mut part in sealed_parts(file, &self.trust.store)? {
                self.settle()?;
                let merged = self.merge_segment(&mut part.file, &part.header, None, now)?;
                counting += u64::from(merged.is_ok());
            }
            self.settle()?;
        }
        let outcome = Outcome::Quarantined {
            log: header.log,
            reason: refusal.to_string(),
            advice: match counting {
                0 => refusal.advice().to_owned(),
                n => format!(
                    "{n} of its sealed parts count; for the rest: {}",
                    refusal.advice()
                ),
            },
        };
        self.set_aside(file, arrival, outcome, now)
    }

    /// Turns a new file away if there is no room for files that wait.
    fn check_room(&self, arrival: Arrival) -> Result<(), ImportError> {
        let (_, bytes) = store::kept_totals(self.database.connection(), Kept::Quarantined)?;
        if arrival.new && bytes.saturating_add(arrival.bytes) > self.limits.quarantined_bytes {
            return Err(ImportError::QuarantineFull { bytes });
        }
        Ok(())
    }

    /// Keeps a file that goes through the door again when trust changes.
    fn set_aside<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        outcome: Outcome,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let tx = self.database.begin()?;
        keep(&tx, file, arrival, Kept::Quarantined, now)?;
        record(&tx, arrival, &outcome, now)?;
        tx.commit()?;
        Ok(outcome)
    }

    fn refuse<F: Read + Seek>(
        &mut self,
        file: &mut F,
        arrival: Arrival,
        refusal: &Refusal,
        now: Instant,
    ) -> Result<Outcome, ImportError> {
        let outcome = Outcome::Refused(Refused::of(refusal));
        let limits = self.limits;
        let tx = self.database.begin()?;
        if arrival.bytes <= limits.refused_file_bytes {
            keep(&tx, file, arrival, Kept::Refused, now)?;
            let kept = store::kept_files(&tx, Kept::Refused)?;
            let beyond = kept.len().saturating_sub(limits.refused_files as usize);
            for oldest in kept.iter().take(beyond) {
                store::drop_kept(&tx, oldest.file)?;
            }
        }
        record(&tx, arrival, &outcome, now)?;
        tx.commit()?;
        Ok(outcome)
    }
}

/// Keeps a merged file whole if it holds statements that cannot be proven yet; else forgets what was
/// kept of it.
pub(crate) fn keep_if_unproven<F: Read + Seek>(
    c: &Connection,
    file: &mut F,
    arrival: Arrival,
    statements_ignored: u64,
    now: Instant,
) -> Result<(), StoreError> {
    match statements_ignored {
        0 => store::drop_kept(c, arrival.file),
        _ => keep(c, file, arrival, Kept::Unproven, now),
    }
}

/// Records what became of an arrival.
pub(crate) fn record(
    c: &Connection,
    arrival: Arrival,
    outcome: &Outcome,
    now: Instant,
) -> Result<(), StoreError> {
    let json = serde_json::to_string(outcome).map_err(StoreError::damaged)?;
    store::record_delivery(c, arrival.file, arrival.bytes, &json, now, arrival.new)
}

fn keep<F: Read + Seek>(
    c: &Connection,
    file: &mut F,
    arrival: Arrival,
    why: Kept,
    now: Instant,
) -> Result<(), StoreError> {
    file.seek(SeekFrom::Start(0))?;
    store::keep_file(c, arrival.file, why, arrival.bytes, now, file)
}
