//! What comes back: statements are taken over, receipts mark what is safe and free the memory.

use super::heads::TakenHead;
use super::{Station, StationError};
use carrylog_format::bundle::{ReturnItem, read_return};
use carrylog_format::fleet_log::Fit;
use carrylog_format::receipt::VerifiedReceipt;
use carrylog_format::record::{Entry, EntryHead, Record, StationChange, StationEvent};
use carrylog_format::refusal::{Fault, Refusal, Rule};
use carrylog_format::statement::{Statement, StatementBody};
use carrylog_format::trust::TrustStore;
use std::io::Read;

/// What was taken over from a file of statements.
#[derive(Debug, Clone, Default)]
pub struct Adopted {
    /// Statements that are new here.
    pub new: Vec<Statement>,
    /// Statements that were known.
    pub known: u64,
    /// Statements of authorities that are not trusted here.
    pub ignored: u64,
}

/// What a return file changed.
#[derive(Debug, Clone, Default)]
pub struct Settled {
    /// Statements.
    pub adopted: Adopted,
    /// The head of the server's fleet log.
    pub head: Option<TakenHead>,
    /// Receipts that are new here.
    pub receipts: Vec<VerifiedReceipt>,
    /// Receipts that were known.
    pub known_receipts: u64,
    /// Memory slots that were freed.
    pub freed: Vec<u16>,
    /// Entry that says so.
    pub entry: Option<u64>,
}

impl Station {
    /// Reads a return file, takes over its statements and receipts and frees the memory slots whose
    /// tests are receipted: all in one change, durable when this returns.
    ///
    /// # Errors
    /// [`StationError::Refused`] for a file that does not verify, [`StationError::OtherStation`],
    /// [`StationError::ForeignSeal`] for a receipt over something this station never sealed,
    /// [`StationError::Contradicted`], [`StationError::NoProof`] and [`StationError::OlderReturn`] for a
    /// head of the fleet log that does not fit the kept one. The station is then as it was.
    pub fn settle<R: Read>(
        &mut self,
        mut input: R,
        head: EntryHead,
    ) -> Result<Settled, StationError> {
        let mut bytes = Vec::new();
        input.read_to_end(&mut bytes).map_err(|e| {
            let found = format!("the file cannot be read: {e}");
            Refusal::new(Rule::Reading, Fault::Medium, bytes.len() as u64, found)
        })?;
        let mut signed = Vec::new();
        let verified = read_return(bytes.as_slice(), &self.trust, &mut |item| {
            if let ReturnItem::Statement(sign1) = item {
                signed.push(sign1.to_vec());
            }
        })?;
        if let Some(log) = verified.log().filter(|log| *log != self.log()) {
            return Err(StationError::OtherStation { log });
        }
        let taken =
            match verified.head() {
                None => None,
                Some(carried) => Some(self.judge_head(carried).map_err(|refusal| {
                    match self.keep_evidence(&bytes) {
                        Ok(evidence) => StationError::Contradicted { refusal, evidence },
                        Err(error) => error,
                    }
                })?),
            };
        let known = self.store.receipted_sizes()?;
        match taken.as_ref().map(|taken| taken.fit) {
            Some(Fit::Unproven { kept }) => {
                let size = verified.head().map_or(0, |carried| carried.head().size);
                return Err(StationError::NoProof { kept, size });
            }
            Some(Fit::Older) => {
                let unknown = |r: &VerifiedReceipt| !known.contains(&r.seal().size);
                if verified.receipts().iter().any(unknown) {
                    return Err(StationError::OlderReturn);
                }
            }
            Some(Fit::First | Fit::Same | Fit::Grew { .. }) | None => {}
        }
        let newest = verified
            .head()
            .filter(|_| !matches!(taken.as_ref().map(|t| t.fit), Some(Fit::Older)))
            .filter(|carried| self.is_newer(carried));
        let mut trust = self.trust.clone();
        let statements = take_over(&signed, &mut trust)?;
        let receipted = self.check_receipts(verified.receipts())?;
        let covered = |(_, entry): &(u16, u64)| *entry < receipted;
        let freed: Vec<u16> = self
            .store
            .slots()?
            .into_iter()
            .filter(covered)
            .map(|(slot, _)| slot)
            .collect();
        let entry = if freed.is_empty() {
            None
        } else {
            Some(memory_emptied(head, &freed)?)
        };

        let index = self.size();
        let mut settled = Settled {
            head: taken,
            freed,
            ..Settled::default()
        };
        settled.adopted.ignored = verified.statements_ignored();
        let change = self.store.change()?;
        for statement in statements {
            if change.statement(statement.digest(), statement.sign1())? {
                settled.adopted.new.push(statement);
            } else {
                settled.adopted.known += 1;
            }
        }
        if let Some(carried) = newest {
            change.head(carried.log(), carried.frame().head())?;
        }
        for receipt in verified.receipts() {
            let size = receipt.seal().size;
            if known.contains(&size) {
                settled.known_receipts += 1;
            } else {
                settled.receipts.push(receipt.clone());
            }
            if newest.is_some() {
                change.receipt(size, &receipt.slip().encode().map_err(inconsistent)?)?;
            }
        }
        for slot in &settled.freed {
            change.free_slot(*slot)?;
        }
        if let Some(entry) = &entry {
            change.entry(index, entry)?;
        }
        change.commit()?;

        self.trust = trust;
        self.receipted = receipted;
        if let Some(entry) = &entry {
            self.grow(entry);
            settled.entry = Some(index);
        }
        Ok(settled)
    }

    /// The size that is receipted when these receipts are counted as well.
    fn check_receipts(&self, receipts: &[VerifiedReceipt]) -> Result<u64, StationError> {
        let mut size = self.receipted;
        for receipt in receipts {
            if !self
                .seals
                .iter()
                .any(|s| s.digest() == receipt.seal_digest())
            {
                return Err(StationError::ForeignSeal {
                    size: receipt.seal().size,
                });
            }
            size = size.max(receipt.seal().size);
        }
        Ok(size)
    }
}

/// Adds the statements to `trust` and gives them in an order in which they can be read again.
fn take_over(signed: &[Vec<u8>], trust: &mut TrustStore) -> Result<Vec<Statement>, StationError> {
    for sign1 in signed {
        trust.add(sign1).map_err(inconsistent)?;
    }
    let came = |s: &&Statement| signed.iter().any(|b| b == s.sign1());
    let mut statements: Vec<Statement> = trust.statements().filter(came).cloned().collect();
    // An introduction must stand before the statements of the authority that it introduces.
    let introduces =
        |s: &Statement| matches!(s.content().body, StatementBody::AuthorityTrusted { .. });
    statements.sort_by_key(|s| !introduces(s));
    Ok(statements)
}

fn memory_emptied(head: EntryHead, slots: &[u16]) -> Result<Entry, StationError> {
    let event = StationChange::MemoryEmptied {
        slots: slots.to_vec(),
    };
    let happened_ms = head.at;
    Ok(Entry::new(
        head,
        Record::StationEvent(StationEvent { event, happened_ms }),
    )?)
}

fn inconsistent(e: impl std::fmt::Display) -> StationError {
    StationError::Inconsistent {
        found: e.to_string(),
    }
}
