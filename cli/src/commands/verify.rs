//! `carrylog verify`: what files prove, in plain words, offline.

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files;
use crate::key_file::NamedKey;
use crate::verification::{Proven, verify};
use carrylog_format::trust::TrustStore;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::{Path, PathBuf};

/// Verify files offline: who, what, how many, in order or not, until when known good
///
/// Needs nothing but the files and the public key of an authority. Folders stand for the bundles in
/// them. Ends with 4 if a file is damaged or forged, with 5 if its key is not trusted.
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

#[derive(Debug, Serialize)]
struct FileVerdict {
    file: String,
    verdict: &'static str,
    #[serde(flatten, skip_serializing_if = "Option::is_none")]
    proven: Option<Proven>,
    #[serde(skip_serializing_if = "Option::is_none")]
    refused: Option<Failure>,
}

impl Verify {
    pub(crate) fn run(self, context: &Context) -> Result<Verdicts, Failure> {
        let mut keys = Vec::new();
        for path in &self.authority {
            keys.push(NamedKey::read_authority(path)?.key);
        }
        let trust = TrustStore::new(keys);
        let mut verdicts = Vec::new();
        for path in &self.files {
            for path in files::bundles(path)? {
                verdicts.push(verdict(&path, &trust, context)?);
            }
        }
        Ok(Verdicts { files: verdicts })
    }
}

fn verdict(path: &Path, trust: &TrustStore, context: &Context) -> Result<FileVerdict, Failure> {
    let input = files::open(path)?;
    let length = input.get_ref().metadata().map_or(0, |m| m.len());
    let bar = context.progress(length / TYPICAL_ENTRY_BYTES, "verifying");
    let result = verify(input, trust, &mut || bar.inc(1));
    bar.finish_and_clear();
    let file = path.display().to_string();
    Ok(match result {
        Ok(proven) if proven.does_not_count.is_empty() => FileVerdict {
            file,
            verdict: "sound",
            proven: Some(proven),
            refused: None,
        },
        Ok(proven) => FileVerdict {
            file,
            verdict: "revoked",
            proven: Some(proven),
            refused: None,
        },
        Err(refusal) => FileVerdict {
            file,
            verdict: "refused",
            proven: None,
            refused: Some(Failure::refused(path, &refusal)),
        },
    })
}

/// Only for the length of the progress bar.
const TYPICAL_ENTRY_BYTES: u64 = 600;

impl Report for Verdicts {
    fn exit(&self) -> Exit {
        let of = |v: &FileVerdict| match (&v.refused, v.verdict) {
            (Some(failure), _) => failure.exit,
            (None, "revoked") => Exit::NotTrusted,
            _ => Exit::Done,
        };
        // The gravest: damaged or forged, then unusable, then not trusted.
        let all: Vec<Exit> = self.files.iter().map(of).collect();
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
            if let Some(failure) = &v.refused {
                writeln!(f, "{failure}")?;
            }
            if let Some(proven) = &v.proven {
                let verdict = match v.verdict {
                    "sound" => "sound",
                    _ => "the signatures hold, but not everything counts",
                };
                writeln!(f, "{}: {verdict}", v.file)?;
                proven_words(f, proven)?;
            }
        }
        Ok(())
    }
}

/// The lines of a report, each with its question in front.
pub(crate) fn proven_words(f: &mut fmt::Formatter<'_>, proven: &Proven) -> fmt::Result {
    let known_good = [proven.known_good.clone()];
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
