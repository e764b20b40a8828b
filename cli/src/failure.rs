//! Failures as people and scripts see them: what was wrong, where, what to do next, exit code.
//!
//! The one place where the library's errors are folded into messages and exit codes.

use crate::authority::AuthorityError;
use crate::capture::csv::CsvError;
use crate::capture::fields::FormError;
use crate::exit::Exit;
use crate::media::MediaError;
use crate::station::{StationError, StoreError};
use carrylog_format::refusal::{Fault, Refusal, Rule};
use carrylog_keys::KeyFileError;
use carrylog_keys::PassphraseError;
use serde::Serialize;
use std::fmt;
use std::io;
use std::path::Path;

/// Why a command did not do what was asked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct Failure {
    /// How the process ends.
    #[serde(rename = "kind")]
    pub(crate) exit: Exit,
    #[serde(flatten)]
    details: Box<Details>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
struct Details {
    exit_code: u8,
    /// What was wrong, as a sentence without its full stop.
    message: String,
    /// What to do next.
    next: String,
    /// The file concerned.
    #[serde(skip_serializing_if = "Option::is_none")]
    file: Option<String>,
    /// Rule, place and fault, if a file was refused.
    #[serde(skip_serializing_if = "Option::is_none")]
    refusal: Option<RefusalView>,
}

/// A refusal for people and scripts.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub(crate) struct RefusalView {
    /// Rule of SPEC.md.
    pub(crate) rule: &'static str,
    /// Whose fault it is: `medium`, `maker` or `trust`.
    pub(crate) fault: &'static str,
    /// Byte offset in the file.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) byte_offset: Option<u64>,
    /// Index of the entry concerned.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(crate) entry_index: Option<u64>,
}

impl Failure {
    /// A failure with what to do next.
    pub(crate) fn new(exit: Exit, message: impl Into<String>, next: impl Into<String>) -> Self {
        let details = Details {
            exit_code: exit.code(),
            message: message.into(),
            next: next.into(),
            file: None,
            refusal: None,
        };
        Self {
            exit,
            details: Box::new(details),
        }
    }

    /// The same, naming the file concerned.
    #[must_use]
    pub(crate) fn in_file(mut self, path: &Path) -> Self {
        self.details.file = Some(path.display().to_string());
        self
    }

    /// The same fault met where it means something else.
    #[must_use]
    pub(crate) fn meaning(mut self, exit: Exit, next: &str) -> Self {
        self.exit = exit;
        self.details.exit_code = exit.code();
        self.details.next = next.to_owned();
        self
    }

    /// A file given as input cannot be read.
    pub(crate) fn unreadable(path: &Path, e: &io::Error) -> Self {
        let message = match e.kind() {
            io::ErrorKind::NotFound => "the file is not there".to_owned(),
            io::ErrorKind::PermissionDenied => "this user has no right to read it".to_owned(),
            io::ErrorKind::IsADirectory => "this is a folder, not a file".to_owned(),
            _ => format!("the file cannot be read: {e}"),
        };
        Self::new(
            Exit::Input,
            message,
            "check the path and that the medium is plugged in",
        )
        .in_file(path)
    }

    /// A file that was refused.
    pub(crate) fn refused(path: &Path, refusal: &Refusal) -> Self {
        Self::from(refusal).in_file(path)
    }

    /// A form that was refused.
    pub(crate) fn form(path: &Path, e: &FormError) -> Self {
        Self::from(e).in_file(path)
    }

    /// A table that was refused.
    pub(crate) fn table(path: &Path, e: &CsvError) -> Self {
        let next = match e {
            CsvError::MissingColumn { found, .. } if found.len() < 2 => {
                "if the table is not separated by commas, give its separator in a mapping: --map MAP.json"
            }
            CsvError::MissingColumn { .. } => {
                "name the table's own columns in a mapping: --map MAP.json (see `carrylog capture --help`)"
            }
            CsvError::Empty | CsvError::NoRows => "export the table again from the test bench",
            CsvError::RepeatedColumn { .. }
            | CsvError::TooManyColumns { .. }
            | CsvError::TooManyRows
            | CsvError::LineTooLong { .. }
            | CsvError::Ragged { .. }
            | CsvError::NotANumber { .. }
            | CsvError::TimeBackwards { .. }
            | CsvError::NotUtf8 { .. }
            | CsvError::Trace(_)
            | CsvError::Unreadable(_) => {
                "correct the table at the test bench and export it again; do not edit the numbers by hand"
            }
        };
        Self::new(Exit::Input, e.to_string(), next).in_file(path)
    }
}

impl fmt::Display for Failure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let d = &self.details;
        match &d.file {
            Some(file) => write!(f, "{file}: {}", d.message)?,
            None => write!(f, "{}", d.message)?,
        }
        write!(f, "\n  next: {}", d.next)
    }
}

impl From<&Refusal> for Failure {
    fn from(refusal: &Refusal) -> Self {
        let exit = match (refusal.fault, refusal.rule) {
            (_, Rule::Magic | Rule::Reading) => Exit::Input,
            (Fault::Trust, _) => Exit::NotTrusted,
            (Fault::Medium | Fault::Maker, _) => Exit::Refused,
        };
        let view = RefusalView {
            rule: refusal.rule.id(),
            fault: match refusal.fault {
                Fault::Medium => "medium",
                Fault::Maker => "maker",
                Fault::Trust => "trust",
            },
            byte_offset: refusal.offset,
            entry_index: refusal.entry,
        };
        let mut failure = Self::new(exit, format!("refused: {refusal}"), refusal.advice());
        failure.details.refusal = Some(view);
        failure
    }
}

impl From<&FormError> for Failure {
    fn from(e: &FormError) -> Self {
        let next = match e {
            FormError::Json { .. } => "correct the JSON at that place",
            FormError::TooLarge { .. } => "check that this is the right file",
            FormError::Repeated { .. } => "keep the one that is right",
            FormError::Missing { .. } => "add the field; the command's --help shows a whole form",
            FormError::Unknown { .. } => {
                "correct the name; the command's --help shows a whole form"
            }
            FormError::Value { .. } => "correct the value",
        };
        Self::new(Exit::Input, e.to_string(), next)
    }
}

impl From<KeyFileError> for Failure {
    fn from(e: KeyFileError) -> Self {
        let exit = match &e {
            KeyFileError::NoRandomness(_) => Exit::Unexpected,
            KeyFileError::Exists { .. }
            | KeyFileError::Io { .. }
            | KeyFileError::Form { .. }
            | KeyFileError::Role { .. }
            | KeyFileError::OtherHalf { .. }
            | KeyFileError::OpenToOthers { .. }
            | KeyFileError::Passphrase { .. } => Exit::Input,
        };
        Self::new(exit, e.to_string(), e.next())
    }
}

impl From<PassphraseError> for Failure {
    fn from(e: PassphraseError) -> Self {
        Self::new(Exit::Input, e.to_string(), e.next())
    }
}

impl From<MediaError> for Failure {
    fn from(e: MediaError) -> Self {
        Self::new(Exit::Medium, e.to_string(), e.next())
    }
}

impl From<StationError> for Failure {
    fn from(e: StationError) -> Self {
        use StationError as S;
        let (exit, next) = match &e {
            S::Refused(refusal) => return Self::from(refusal),
            S::Key(cause) => return cause.clone().into(),
            S::Store(cause) => {
                return Self::new(store_exit(cause), e.to_string(), store_next(cause));
            }
            S::NoStation { .. } => (
                Exit::Input,
                "give the folder that `carrylog station create` made",
            ),
            S::Folder { .. } => (Exit::Input, "choose a folder that this user may write to"),
            S::OtherKey | S::Inconsistent { .. } => (
                Exit::Refused,
                "do not write to this station any more; keep a copy of its folder and call the records office",
            ),
            S::SlotTaken { .. } => (
                Exit::Station,
                "pack, deliver and settle first; then the slot is free. Or give the slot that the station really used",
            ),
            S::NoSuchSlot { .. } => (Exit::Station, "read the slot number from the station"),
            S::MemoryFull { .. } => (
                Exit::Station,
                "pack to a stick, deliver it to the server and settle what comes back",
            ),
            S::NothingToPack { .. } => (
                Exit::Station,
                "nothing is left to carry; use --from-start to pack the whole log again",
            ),
            S::InsideFirstSeal { .. } => (Exit::Input, "begin at 0 or after the first seal"),
            S::NoSuchEntry { .. } => (Exit::Input, "see the entries with `carrylog log DIR`"),
            S::ForeignSeal { .. } => (
                Exit::Refused,
                "do not free any memory; tell the records office that the station's key may be in use elsewhere",
            ),
            S::Contradicted { .. } => (
                Exit::Refused,
                "tell the records office and the authority: the server's log was restored from an old copy or shown in two versions. Free nothing until they say what holds",
            ),
            S::NoProof { .. } => (
                Exit::Station,
                "hand in a new file (`carrylog pack`) and collect again: the new file says which head this station has",
            ),
            S::OlderReturn => (Exit::Station, "collect a new one from the server"),
            S::OtherStation { .. } => (Exit::Input, "take the file to the station that it is for"),
            S::Entry(_) => (Exit::Input, "shorten the remark or the texts of the record"),
            S::Seal(_) => (
                Exit::Unexpected,
                "keep a copy of the station's folder and report this",
            ),
        };
        Self::new(exit, e.to_string(), next)
    }
}

fn store_exit(e: &StoreError) -> Exit {
    match e {
        StoreError::InUse => Exit::Station,
        StoreError::Full | StoreError::ReadOnly => Exit::Medium,
        StoreError::Exists | StoreError::NotAStation | StoreError::CannotOpen => Exit::Input,
        StoreError::Damaged(_) => Exit::Refused,
        StoreError::Version { .. } | StoreError::Other(_) => Exit::Unexpected,
    }
}

fn store_next(e: &StoreError) -> &'static str {
    match e {
        StoreError::InUse => "wait until it is done, then run the command again",
        StoreError::Full => "free room on the disk; nothing was changed",
        StoreError::ReadOnly => "make the disk writable; nothing was changed",
        StoreError::Exists => "choose an empty folder",
        StoreError::NotAStation => "give the folder that `carrylog station create` made",
        StoreError::Version { .. } => "use the newer program",
        StoreError::CannotOpen => "check the rights of the folder",
        StoreError::Damaged(_) => {
            "keep a copy of the folder and call the records office; what was packed is safe on the stick and the server"
        }
        StoreError::Other(_) => "run the command again; if it stays, report it",
    }
}

impl From<AuthorityError> for Failure {
    fn from(e: AuthorityError) -> Self {
        use AuthorityError as A;
        let (exit, next) = match &e {
            A::Key(cause) => return cause.clone().into(),
            A::Media(cause) => return cause.clone().into(),
            A::Refused(refusal) => return Self::from(refusal),
            A::Exists { .. } => (Exit::Input, "choose an empty folder"),
            A::NoAuthority { .. } => (
                Exit::Input,
                "give the folder that `carrylog authority create` made",
            ),
            A::Folder { .. } => (Exit::Input, "choose a folder that this user may write to"),
            A::InUse { .. } => (
                Exit::Station,
                "wait until it is done, then run the command again",
            ),
            A::Incomplete { .. } => (
                Exit::Refused,
                "put back the statements file from the latest backup or publication",
            ),
            A::Statement(_) => (Exit::Input, "shorten the texts of the statement"),
        };
        Self::new(exit, e.to_string(), next)
    }
}
