//! Why a medium did not take or give a file, and what to do next.

use super::system;
use std::io;
use std::path::{Path, PathBuf};

/// Why a medium did not take or give a file.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum MediaError {
    /// No room left.
    #[error("there is no room left for {}", path.display())]
    Full {
        /// The file.
        path: PathBuf,
    },
    /// Mounted read-only, or a write protection is set.
    #[error("the medium that holds {} is read-only", path.display())]
    ReadOnly {
        /// The file.
        path: PathBuf,
    },
    /// This user may not.
    #[error("this user has no right to use {}", path.display())]
    NoRight {
        /// The file.
        path: PathBuf,
    },
    /// Not there.
    #[error("{} is not there", path.display())]
    Missing {
        /// The file or folder.
        path: PathBuf,
    },
    /// Pulled out or failing.
    #[error("the medium that holds {} was pulled out or is failing ({text})", path.display())]
    Gone {
        /// The file.
        path: PathBuf,
        /// The fault in the system's words.
        text: String,
    },
    /// Read back, and not what was written.
    #[error("{} was written, but the medium gives back other bytes", path.display())]
    Differs {
        /// The file.
        path: PathBuf,
    },
    /// Anything else.
    #[error("{}: {text}", path.display())]
    Other {
        /// The file.
        path: PathBuf,
        /// The fault in the system's words.
        text: String,
    },
}

impl MediaError {
    /// Sorts a fault of the operating system.
    pub fn of(path: &Path, e: &io::Error) -> Self {
        let path = path.to_owned();
        match e.kind() {
            io::ErrorKind::StorageFull
            | io::ErrorKind::QuotaExceeded
            | io::ErrorKind::FileTooLarge => Self::Full { path },
            io::ErrorKind::ReadOnlyFilesystem => Self::ReadOnly { path },
            io::ErrorKind::PermissionDenied => Self::NoRight { path },
            io::ErrorKind::NotFound => Self::Missing { path },
            _ if system::is_gone(e) => Self::Gone {
                path,
                text: e.to_string(),
            },
            _ => Self::Other {
                path,
                text: e.to_string(),
            },
        }
    }

    /// What to do next.
    pub fn next(&self) -> &'static str {
        match self {
            Self::Full { .. } => {
                "free room on the medium or take another one, then run the command again"
            }
            Self::ReadOnly { .. } => {
                "release the write protection or take another medium, then run the command again"
            }
            Self::NoRight { .. } => "check the rights of the folder, or take another one",
            Self::Missing { .. } => "check the path and that the medium is plugged in",
            Self::Gone { .. } => {
                "plug the medium in again or take another one, then run the command again"
            }
            Self::Differs { .. } => {
                "do not use this medium any more; take another one and run the command again"
            }
            Self::Other { .. } => "check the medium, or take another one",
        }
    }
}
