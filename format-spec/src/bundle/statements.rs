//! The statements at the head of a bundle: taken in together, so that their order does not matter.

use crate::frame::Frame;
use crate::refusal::{Refusal, statement_refusal};
use crate::trust::{Added, TrustStore};

/// A reader's trust with the statements that the file carries.
pub(super) struct StatementIntake {
    trust: TrustStore,
    /// Statements of authorities that were not trusted when they were read, with their offsets.
    aside: Vec<(u64, Vec<u8>)>,
    ignored: u64,
}

impl StatementIntake {
    /// Starts from a copy of the reader's trust.
    pub(super) fn new(trust: &TrustStore) -> Self {
        Self {
            trust: trust.clone(),
            aside: Vec::new(),
            ignored: 0,
        }
    }

    /// Takes in one statement; `accepted` gets it if it counts.
    ///
    /// # Errors
    /// T-1 if a trusted authority's statement does not verify.
    pub(super) fn take(
        &mut self,
        frame: &Frame,
        accepted: &mut dyn FnMut(&[u8]),
    ) -> Result<(), Refusal> {
        match self.trust.add(&frame.payload) {
            Ok(Added::UnknownAuthority(_)) => {
                self.aside.push((frame.offset, frame.payload.clone()));
            }
            Ok(_) => accepted(&frame.payload),
            Err(e) => return Err(statement_refusal(&e, frame.offset)),
        }
        Ok(())
    }

    /// Looks again at what was set aside: a later statement may have made its authority trusted.
    /// Call it when the last statement was read; calling it again does nothing.
    ///
    /// # Errors
    /// As [`StatementIntake::take`].
    pub(super) fn close(&mut self, accepted: &mut dyn FnMut(&[u8])) -> Result<(), Refusal> {
        for (offset, sign1) in self.aside.drain(..) {
            match self.trust.add(&sign1) {
                Ok(Added::UnknownAuthority(_)) => self.ignored += 1,
                Ok(_) => accepted(&sign1),
                Err(e) => return Err(statement_refusal(&e, offset)),
            }
        }
        Ok(())
    }

    /// The reader's trust, with what was taken in.
    pub(super) fn trust(&self) -> &TrustStore {
        &self.trust
    }

    /// Statements of authorities that are not trusted.
    pub(super) fn ignored(&self) -> u64 {
        self.ignored
    }
}
