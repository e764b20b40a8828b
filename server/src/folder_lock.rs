//! One writer per data folder: a lock that the operating system gives up when the process ends,
//! however it ends.

use std::fs::{File, OpenOptions, TryLockError};
use std::io;
use std::path::{Path, PathBuf};

const FILE: &str = "lock";

/// Why the folder could not be locked.
#[derive(Debug, thiserror::Error)]
pub enum LockError {
    /// Another process writes there.
    #[error(
        "a server runs in {0}: bring files with `carrylog deliver FILE --to URL`, or stop the server first"
    )]
    InUse(PathBuf),
    /// The lock file.
    #[error("{path}: {error}")]
    Io {
        /// The lock file.
        path: PathBuf,
        /// Why it cannot be used.
        error: io::Error,
    },
}

/// The right to write in a data folder, as long as it is held.
#[derive(Debug)]
pub(crate) struct FolderLock {
    _file: File,
}

impl FolderLock {
    /// Takes the lock of `dir`; it never waits.
    ///
    /// # Errors
    /// [`LockError::InUse`] if another process holds it.
    pub(crate) fn take(dir: &Path) -> Result<Self, LockError> {
        let path = dir.join(FILE);
        let mut options = OpenOptions::new();
        options.create(true).truncate(false).write(true);
        #[cfg(unix)]
        {
            use std::os::unix::fs::OpenOptionsExt;
            options.mode(0o600);
        }
        let at = |error| LockError::Io {
            path: path.clone(),
            error,
        };
        let file = options.open(&path).map_err(at)?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(LockError::InUse(dir.to_owned())),
            Err(TryLockError::Error(error)) => Err(at(error)),
        }
    }
}
