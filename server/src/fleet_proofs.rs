//! What an auditor asks the server for: the signed head of its fleet log, and the proof that the log
//! only grew between two sizes.

use crate::server::Server;
use crate::store::StoreError;

impl Server {
    /// The signed head of the fleet log as it is now (format specification, chapter 10).
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_head(&self) -> Result<Vec<u8>, StoreError> {
        let now = self.now();
        self.with_fleet_log(|log| log.signed_head(now))
    }

    /// A consistency receipt (RFC 9942): the first `from` seals of the fleet log are the beginning
    /// of its first `to`. `None` unless 0 < `from` ≤ `to` ≤ size.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn fleet_consistency(&self, from: u64, to: u64) -> Result<Option<Vec<u8>>, StoreError> {
        let now = self.now();
        self.with_fleet_log(|log| {
            if from == 0 || from > to || to > log.size() {
                return Ok(None);
            }
            log.consistency_receipt(from, to, now).map(Some)
        })
    }
}
