//! `carrylog open`: decrypt a bundle that was encrypted to a recipient.

use super::verify::{Check, FileVerdict};
use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files::{self, BUNDLE_ENDING};
use crate::media;
use carrylog_format::envelope::{OpenError, open_envelope};
use carrylog_format::refusal::Refusal;
use carrylog_keys::{OwnedRecipient, PassphraseSource};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

/// Decrypt a bundle with a recipient's key and verify what is inside
///
/// Encryption keeps a file secret; it does not say who made it. What comes out is an ordinary bundle
/// and is verified like any other.
#[derive(Debug, Args)]
#[command(
    after_help = "Example:\n  carrylog open bay-2-3f2a91c0-0-14.carrylog --key records.key --out opened --authority authority.pub.json"
)]
pub(crate) struct Open {
    /// The encrypted file
    file: PathBuf,
    /// The recipient's secret key file
    #[arg(long, value_name = "RECIPIENT.key")]
    key: PathBuf,
    /// The folder to put the opened bundle in
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
    /// Public key file of an authority that you trust; without one, who signed is not checked
    #[arg(long, value_name = "AUTHORITY.pub.json")]
    authority: Vec<PathBuf>,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

#[derive(Debug, Serialize)]
pub(crate) struct Opened {
    file: String,
    bundle_bytes: u64,
    bundle: FileVerdict,
}

impl Open {
    pub(crate) fn run(self, context: &Context) -> Result<Opened, Failure> {
        let check = Check::under(&self.authority)?;
        let secret = OwnedRecipient::read(&self.key, &self.passphrase)?.secret;
        let path = opened_name(&self.file, &self.out);
        if path.exists() {
            let next = "give another folder, or remove the file that is there";
            return Err(Failure::new(Exit::Input, "the file is there already", next).in_file(&path));
        }
        let mut plain = open_envelope(files::open(&self.file)?, &secret)
            .map_err(|e| not_opened(&self.file, &e))?;
        let mut fault = None;
        let result = media::write_file(&path, |out| media::copy(&mut plain, out, &mut fault));
        if let Some(fault) = fault {
            return Err(read_fault(&self.file, &fault));
        }
        let written = result?;
        media::read_back(&path, &written, |_| ())?;
        Ok(Opened {
            file: self.file.display().to_string(),
            bundle_bytes: written.bytes,
            bundle: check.verdict(&path, context)?,
        })
    }
}

fn opened_name(file: &Path, folder: &Path) -> PathBuf {
    let mut name = file.file_stem().unwrap_or_default().to_owned();
    name.push("-opened.");
    name.push(BUNDLE_ENDING);
    folder.join(name)
}

fn not_opened(path: &Path, e: &OpenError) -> Failure {
    match e {
        OpenError::Refused(refusal) => Failure::refused(path, refusal),
        OpenError::NotForThisKey(_) => Failure::new(
            Exit::Input,
            e.to_string(),
            "`carrylog verify` shows the ids of those who can open it",
        )
        .in_file(path),
        OpenError::Cipher => Failure::new(
            Exit::Refused,
            e.to_string(),
            "copy it again from the station",
        )
        .in_file(path),
    }
}

fn read_fault(path: &Path, e: &io::Error) -> Failure {
    match e
        .get_ref()
        .and_then(|inner| inner.downcast_ref::<Refusal>())
    {
        Some(refusal) => Failure::refused(path, refusal),
        None => not_opened(path, &OpenError::Cipher),
    }
}

impl fmt::Display for Opened {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(
            f,
            "{}: opened, {} bytes inside",
            self.file, self.bundle_bytes
        )?;
        write!(f, "{}", self.bundle)
    }
}

impl Report for Opened {
    fn exit(&self) -> Exit {
        self.bundle.exit()
    }
}
