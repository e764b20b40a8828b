//! `carrylog verify`: what files prove, in plain words, offline.

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::verification::{FileKind, Proven, verify};
use carrylog_format::refusal::Fault;
use carrylog_format::trust::TrustStore;
use carrylog_keys::NamedKey;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Verify files offline: who, what, how many, in order or not, until when known good
///
/// Needs nothing but the files and the public key of an authority. Folders stand for the bundles in
/// them. Ends with 4 if a file is damaged or forged, with 5 if its key is not trusted. Of an encrypted
/// file only the outside is verified: that it is whole, and who can open it.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog verify bay-2-3f2a91c0-0-14.carrylog --authority authority.pub.json"
)]
pub(crate) struct Verify {
    /// Files or folders
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// Public key file of an authority that you trust; may be given more than once
    #[arg(long, value_name = "AUTHORITY.pub.json", required = true)]
    authority: Vec<PathBuf>,
}

#[derive(Debug, Serialize)]
pub(crate) struct Verdicts {
    files: Vec<FileVerdict>,
}

/// How far a file's proof reaches.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
enum Reach {
    /// Everything holds.
    Sound,
    /// Encrypted, and whole.
    Whole,
    /// The signatures hold, but a key was revoked.
    Revoked,
    /// The signatures hold; no authority was named to check the signer with.
    SignerUnchecked,
    /// Nothing counts.
    Refused,
}

/// What became of one file.
#[derive(Debug, Serialize)]
pub(crate) struct FileVerdict {
    file: String,
    verdict: Reach,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    proven: Option<Proven>,
    #[serde(skip_serializing_if = "Option::is_none")]
    refused: Option<Failure>,
}

impl Verify {
    pub(crate) fn run(self, context: &Context) -> Result<Verdicts, Failure> {
        let check = Check::under(&self.authority)?;
        let mut verdicts = Vec::new();
        for path in &self.files {
            for path in files::bundles(path)? {
                verdicts.push(check.verdict(&path, context)?);
            }
        }
        Ok(Verdicts { files: verdicts })
    }
}

/// Verifies files under the authorities that a person named; with none, all but who signed.
pub(crate) struct Check {
    trust: TrustStore,
    anchored: bool,
}

impl Check {
    /// Reads the authorities' public keys.
    ///
    /// # Errors
    /// [`Failure`] if one cannot be used.
    pub(crate) fn under(authorities: &[PathBuf]) -> Result<Self, Failure> {
        let mut keys = Vec::new();
        for path in authorities {
            keys.push(NamedKey::read_authority(path)?.key);
        }
        Ok(Self {
            anchored: !keys.is_empty(),
            trust: TrustStore::new(keys),
        })
    }

    /// The authorities' trust.
    pub(crate) fn trust(&self) -> &TrustStore {
        &self.trust
    }

    /// Verifies one file.
    ///
    /// # Errors
    /// [`Failure`] if it cannot be read at all.
    pub(crate) fn verdict(&self, path: &Path, context: &Context) -> Result<FileVerdict, Failure> {
        let input = files::open(path)?;
        let length = input.get_ref().metadata().map_or(0, |m| m.len());
        let bar = context.progress(length / TYPICAL_ENTRY_BYTES, "verifying");
        let result = verify(input, &self.trust, &mut || bar.inc(1));
        bar.finish_and_clear();
        let (verdict, proven, refused) = match result {
            Ok(proven) if proven.kind == FileKind::Encrypted => (Reach::Whole, Some(proven), None),
            Ok(proven) if proven.does_not_count.is_empty() => (Reach::Sound, Some(proven), None),
            Ok(proven) => (Reach::Revoked, Some(proven), None),
            Err(e) if e.fault == Fault::Trust && !self.anchored => {
                (Reach::SignerUnchecked, None, None)
            }
            Err(refusal) => (Reach::Refused, None, Some(Failure::refused(path, &refusal))),
        };
        Ok(FileVerdict {
            file: path.display().to_string(),
            verdict,
            proven,
            refused,
        })
    }
}

/// Only for the length of the progress bar.
const TYPICAL_ENTRY_BYTES: u64 = 600;

impl Report for Verdicts {
    fn exit(&self) -> Exit {
        // The gravest: damaged or forged, then unusable, then not trusted.
        let all: Vec<Exit> = self.files.iter().map(FileVerdict::exit).collect();
        let gravest = [Exit::Refused, Exit::Input, Exit::NotTrusted];
        gravest
            .into_iter()
            .find(|exit| all.contains(exit))
            .unwrap_or(Exit::Done)
    }
}

impl fmt::Display for Verdicts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for v in &self.files {
            write!(f, "{v}")?;
        }
        Ok(())
    }
}

impl FileVerdict {
    /// Why the file was refused, if it was.
    pub(crate) fn refused(&self) -> Option<&Failure> {
        self.refused.as_ref()
    }

    /// How a run ends that is about this file.
    pub(crate) fn exit(&self) -> Exit {
        match (&self.refused, self.verdict) {
            (Some(failure), _) => failure.exit,
            (None, Reach::Revoked) => Exit::NotTrusted,
            // A refused file has its failure beside it.
            (None, Reach::Sound | Reach::Whole | Reach::SignerUnchecked | Reach::Refused) => {
                Exit::Done
            }
        }
    }
}

impl fmt::Display for FileVerdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(failure) = &self.refused {
            return writeln!(f, "{failure}");
        }
        let verdict = match self.verdict {
            Reach::Sound => "sound",
            Reach::Whole => "whole, encrypted",
            Reach::Revoked => "the signatures hold, but not everything counts",
            Reach::SignerUnchecked => {
                "the signatures hold, but who signed was not checked: give --authority to check it"
            }
            Reach::Refused => "refused",
        };
        writeln!(f, "{}: {verdict}", self.file)?;
        match &self.proven {
            Some(proven) => proven_words(f, proven),
            None => Ok(()),
        }
    }
}

/// The lines of a report, each with its question in front.
pub(crate) fn proven_words(f: &mut fmt::Formatter<'_>, proven: &Proven) -> fmt::Result {
    let known_good = Vec::from_iter(proven.known_good.clone());
    let sections: [(&str, &[String]); 6] = [
        ("who", &proven.who),
        ("what", &proven.what),
        ("in order", &proven.order),
        ("known good until", &known_good),
        ("does not count", &proven.does_not_count),
        ("not checked", &proven.not_checked),
    ];
    for (question, answers) in sections {
        for answer in answers.iter().filter(|a| !a.is_empty()) {
            writeln!(f, "  {question:<17} {answer}")?;
        }
    }
    Ok(())
}
