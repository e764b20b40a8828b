//! `carrylog pack`: seal the log and write it to the stick, read back before it is called safe.

use crate::context::{Context, Report};
use crate::exit::Exit;
use crate::failure::Failure;
use crate::files::BUNDLE_ENDING;
use crate::media::{self, Written};
use crate::station::{Access, SegmentPlan, Station};
use crate::verification::verify_segment;
use carrylog_format::bundle::VerifiedSegment;
use carrylog_format::envelope::{EnvelopeWriter, Recipient, RecipientError, read_envelope};
use carrylog_format::recovery::Percent;
use carrylog_format::refusal::{Fault, Refusal, Rule};
use carrylog_keys::{PassphraseSource, public_recipient};
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::io::{self, BufReader, Write};
use std::path::{Path, PathBuf};
use std::thread;

/// How every recipient's public key begins (age-encryption.org/v1, X25519 recipient).
const RECIPIENT_START: &str = "age1";

/// Seal the log and write what the server does not have yet to a stick
///
/// The file is written under a temporary name, synced, renamed, read back from the medium and fully
/// verified. The station's log is never changed by what happens to the stick. Recovery data at its end
/// lets `carrylog salvage` heal damaged places bit for bit.
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog pack bay2 /media/stick\n  \
    carrylog pack bay2 /media/stick --encrypt-to records.pub.json")]
pub(crate) struct Pack {
    /// The station's folder
    dir: PathBuf,
    /// The folder of the stick
    media: PathBuf,
    /// Pack the whole log, not only what has no receipt
    #[arg(long, conflicts_with = "from")]
    from_start: bool,
    /// Pack from this entry on, whatever has a receipt
    #[arg(long, value_name = "INDEX")]
    from: Option<u64>,
    /// Leave the time series behind; entries, results and proofs still travel
    #[arg(long)]
    without_traces: bool,
    /// Recovery data in percent of the file, 0 to 100; 0 leaves it out
    #[arg(long, value_name = "N", default_value_t = 10,
        value_parser = clap::value_parser!(u8).range(0..=100))]
    recovery_percent: u8,
    /// Encrypt to this recipient (age1… or the file of its public key), so that a lost stick reveals
    /// nothing; may be given more than once
    #[arg(long, value_name = "RECIPIENT")]
    encrypt_to: Vec<String>,
    #[command(flatten)]
    passphrase: PassphraseSource,
}

#[derive(Debug, Serialize)]
pub(crate) struct Packed {
    file: String,
    file_bytes: u64,
    file_sha256: String,
    log: String,
    entry_first: u64,
    entry_last: u64,
    entries: u64,
    seals: u64,
    traces: u64,
    station: String,
    recovery_percent: u8,
    /// The recipients that it is encrypted to.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    encrypted_to: Vec<String>,
    /// Whether the station's own copy of the statements enrols it.
    enrolled: bool,
}

impl Pack {
    pub(crate) fn run(self, context: &Context) -> Result<Packed, Failure> {
        let recipients = self
            .encrypt_to
            .iter()
            .map(|text| named_recipient(text))
            .collect::<Result<Vec<_>, _>>()?;
        let mut station = Station::open(&self.dir, Access::Write)?;
        let now = context.now()?;
        // Looked at first, so that a log with nothing to carry gets no seal for nothing.
        let from = if self.from_start { Some(0) } else { self.from };
        if from.is_none() && station.receipted_size() == station.size() {
            station.plan_segment(None, true)?;
        }
        station.seal(now, &self.passphrase)?;
        let plan = station.plan_segment(from, !self.without_traces)?;
        let path = self.media.join(file_name(&station, plan.from, plan.to));
        let out = Stick {
            path: &path,
            recovery: Percent::new(self.recovery_percent).ok(),
            context,
        };
        let (written, verdict) = if recipients.is_empty() {
            out.write_plain(&station, &plan)?
        } else {
            out.write_encrypted(&station, &plan, &recipients)?
        };
        let (enrolled, seals, traces) = match verdict {
            Ok(verified) => (
                true,
                verified.seals().len() as u64,
                Some(verified.traces_present()),
            ),
            Err(refusal) if only_not_enrolled(&refusal) => {
                let sealed = |s: &&carrylog_format::seal::Seal| s.content().size > plan.from;
                (
                    false,
                    station.seals().iter().filter(sealed).count() as u64,
                    None,
                )
            }
            Err(refusal) => return Err(not_ours(&path, &refusal)),
        };
        Ok(Packed {
            file: path.display().to_string(),
            file_bytes: written.bytes,
            file_sha256: written.sha256.to_string(),
            log: station.log().to_string(),
            entry_first: plan.from,
            entry_last: plan.to - 1,
            entries: plan.to - plan.from,
            seals,
            traces: traces.unwrap_or(0),
            station: station.name().to_owned(),
            recovery_percent: self.recovery_percent,
            encrypted_to: recipients.iter().map(Recipient::to_string).collect(),
            enrolled,
        })
    }
}

/// Where the segment goes, and how.
struct Stick<'a> {
    path: &'a Path,
    recovery: Option<Percent>,
    context: &'a Context,
}

type Verdict = Result<VerifiedSegment, Refusal>;

impl Stick<'_> {
    /// Writes the segment and reads it back through its door.
    fn write_plain(
        &self,
        station: &Station,
        plan: &SegmentPlan,
    ) -> Result<(Written, Verdict), Failure> {
        let bar = self.context.progress(plan.to - plan.from, "packing");
        let written = media::write_bundle(self.path, self.recovery, |out| {
            station.write_segment(plan, out, &mut || bar.inc(1))
        })?;
        bar.finish_and_clear();
        let bar = self.context.progress(plan.to - plan.from, "reading back");
        let verdict = media::read_back(self.path, &written, |input| {
            verify_segment(input, station.trust(), &mut || bar.inc(1))
        })?;
        bar.finish_and_clear();
        Ok((written, verdict.map(|(_, verified)| verified)))
    }

    /// Writes the segment encrypted. This station cannot open what it wrote, so the segment goes
    /// through its door on the way in, and the envelope through its own when it is read back.
    fn write_encrypted(
        &self,
        station: &Station,
        plan: &SegmentPlan,
        recipients: &[Recipient],
    ) -> Result<(Written, Verdict), Failure> {
        let bar = self.context.progress(plan.to - plan.from, "packing");
        let unusable = |e: io::Error| Failure::from(media::MediaError::of(self.path, &e));
        let (reader, pipe) = io::pipe().map_err(unusable)?;
        let trust = station.trust().clone();
        let door = thread::spawn(move || {
            verify_segment(BufReader::new(reader), &trust, &mut || ()).map(|(_, v)| v)
        });
        let written = media::write_bundle(self.path, self.recovery, |out| {
            let mut both = Both {
                envelope: EnvelopeWriter::new(out, recipients)?,
                door: pipe,
            };
            station.write_segment(plan, &mut both, &mut || bar.inc(1))?;
            both.envelope.finish().map(|_| ())
        });
        bar.finish_and_clear();
        let written = written?;
        let verdict = door.join().map_err(|_| {
            let message = "the segment could not be checked while it was encrypted";
            Failure::new(Exit::Unexpected, message, "report this")
        })?;
        media::read_back(self.path, &written, |input| {
            read_envelope(input, &mut |_| ())
        })?
        .map_err(|refusal| not_ours(self.path, &refusal))?;
        Ok((written, verdict))
    }
}

/// Hands the same bytes to the envelope and to the door.
struct Both<E, D> {
    envelope: E,
    door: D,
}

impl<E: Write, D: Write> Write for Both<E, D> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let taken = self.envelope.write(bytes)?;
        // A door that refuses reads no further; its verdict says so.
        let _ = self.door.write_all(bytes.get(..taken).unwrap_or_default());
        Ok(taken)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.envelope.flush()
    }
}

/// The recipient that a person names: the key itself, or the file that holds it.
fn named_recipient(text: &str) -> Result<Recipient, Failure> {
    if !text.starts_with(RECIPIENT_START) {
        return Ok(public_recipient(Path::new(text))?);
    }
    text.parse().map_err(|e: RecipientError| {
        Failure::new(
            Exit::Usage,
            format!("«{text}»: {e}"),
            "copy the whole key, or give the .pub.json file that holds it",
        )
    })
}

fn file_name(station: &Station, from: u64, to: u64) -> String {
    let log: String = station.log().to_string().chars().take(8).collect();
    format!(
        "{}-{log}-{from}-{to}.{BUNDLE_ENDING}",
        media::safe_name(station.name())
    )
}

/// The last thing a reader looks at: everything else held.
fn only_not_enrolled(refusal: &Refusal) -> bool {
    refusal.fault == Fault::Trust && matches!(refusal.rule, Rule::Enrolment | Rule::EnrolmentDates)
}

/// The bytes came back as written and still do not verify: then they were wrong when written.
fn not_ours(path: &Path, refusal: &Refusal) -> Failure {
    let next =
        "do not carry this file; keep a copy of the station's folder and call the records office";
    Failure::refused(path, refusal).meaning(Exit::Refused, next)
}

impl fmt::Display for Packed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        writeln!(f, "{}", self.file)?;
        writeln!(
            f,
            "  station «{}»: entries {} to {} ({}), {} bytes",
            self.station, self.entry_first, self.entry_last, self.entries, self.file_bytes
        )?;
        if self.recovery_percent > 0 {
            writeln!(
                f,
                "  with {} % recovery data: damaged places heal with `carrylog salvage`",
                self.recovery_percent
            )?;
        }
        for recipient in &self.encrypted_to {
            writeln!(f, "  encrypted to {recipient}")?;
        }
        if self.encrypted_to.is_empty() {
            writeln!(
                f,
                "  read back from the medium and verified: safe to remove"
            )?;
        } else {
            writeln!(
                f,
                "  verified while it was encrypted, read back whole from the medium: safe to remove"
            )?;
        }
        if !self.enrolled {
            writeln!(
                f,
                "  note: as far as this station knows it is not enrolled; the server keeps the file aside until it is"
            )?;
        }
        Ok(())
    }
}

impl Report for Packed {}
