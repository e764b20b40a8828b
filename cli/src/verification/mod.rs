//! What a file proves, in words: the report over what the format's doors return.
//!
//! The doors decide; this module counts what passed through them and says what they cannot check.

mod seen;

use carrylog_format::bundle::{
    BundleHeader, HistoryItem, ReturnItem, SegmentItem, VerifiedSegment, peek_header, read_history,
    read_return, read_segment,
};
use carrylog_format::envelope::read_envelope;
use carrylog_format::instant::Instant;
use carrylog_format::refusal::Refusal;
use carrylog_format::trust::TrustStore;
use seen::Seen;
use serde::Serialize;
use std::collections::BTreeSet;
use std::io::{Read, Seek, SeekFrom};

/// What kind of file was verified.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FileKind {
    /// A run of one log's entries.
    Segment,
    /// One unit's entries from many logs.
    UnitHistory,
    /// Receipts and statements for a station.
    Return,
    /// A file of any kind, encrypted.
    Encrypted,
}

/// What a verified file proves.
#[derive(Debug, Clone, Serialize)]
pub struct Proven {
    /// What kind of file it is.
    pub kind: FileKind,
    /// Who signed.
    pub who: Vec<String>,
    /// What it holds.
    pub what: Vec<String>,
    /// Whether it is in order.
    pub order: Vec<String>,
    /// Until when it is known good.
    pub known_good: Option<String>,
    /// What counts for nothing although its signature holds: a revoked key.
    pub does_not_count: Vec<String>,
    /// What could not be checked.
    pub not_checked: Vec<String>,
    /// Number of entries.
    pub entries: u64,
    /// Number of seals.
    pub seals: u64,
    /// Number of receipts.
    pub receipts: u64,
}

/// Verifies a file of any kind under `trust`.
///
/// # Errors
/// [`Refusal`] from the door of the file's kind.
pub fn verify<R: Read + Seek>(
    mut input: R,
    trust: &TrustStore,
    progress: &mut dyn FnMut(),
) -> Result<Proven, Refusal> {
    let header = peek_header(&mut input)?;
    input.seek(SeekFrom::Start(0)).map_err(|e| Refusal {
        rule: carrylog_format::refusal::Rule::Reading,
        fault: carrylog_format::refusal::Fault::Medium,
        offset: Some(0),
        entry: None,
        found: format!("the file cannot be read from its start: {e}"),
    })?;
    match header {
        BundleHeader::Segment(_) => verify_segment(input, trust, progress).map(|(p, _)| p),
        BundleHeader::UnitHistory(_) => verify_history(input, trust, progress),
        BundleHeader::Encrypted(_) => verify_envelope(input),
        BundleHeader::Return(_) => verify_return(input, trust),
    }
}

/// Verifies a segment and gives both the report and the verified segment.
///
/// # Errors
/// [`Refusal`].
pub fn verify_segment<R: Read>(
    input: R,
    trust: &TrustStore,
    progress: &mut dyn FnMut(),
) -> Result<(Proven, VerifiedSegment), Refusal> {
    let mut seen = Seen::new(trust);
    let verified = read_segment(input, trust, &mut |item| match item {
        SegmentItem::Entry { entry, .. } => {
            seen.entry(entry);
            progress();
        }
        SegmentItem::Statement(sign1) => seen.statement(sign1),
        SegmentItem::Seal(_) | SegmentItem::Trace { .. } => {}
    })?;
    let header = verified.header();
    let standing = verified.standing();
    let from_start = header.from == 0;
    let last = verified.seals().last().map(|s| s.content().at_ms);
    let does_not_count = standing
        .revoked_from
        .filter(|from| *from < header.to)
        .map(|from| {
            let first = from.max(header.from);
            format!(
                "entries {first} to {}: the key was revoked from entry {from} on",
                header.to - 1
            )
        })
        .into_iter()
        .collect();
    let mut not_checked = seen.not_checked();
    if !from_start {
        not_checked.insert(
            0,
            format!(
                "entries 0 to {}: they are not in this file; whoever holds them can check that it continues them",
                header.from - 1
            ),
        );
    }
    not_checked.extend(missing_traces(verified.traces_missing().len()));
    not_checked.extend(ignored(verified.statements_ignored()));
    let proven = Proven {
        kind: FileKind::Segment,
        who: vec![format!(
            "station «{}», key {}, enrolled by «{}»",
            standing.enrolment.name,
            header.key.fingerprint(),
            seen.authority_name(standing.authority)
        )],
        what: vec![
            format!(
                "entries {} to {} of log {}: {}",
                header.from,
                header.to - 1,
                header.log.short(),
                seen.kinds()
            ),
            format!(
                "{}, {}",
                counted(seen.units(), "unit"),
                counted(verified.traces_present(), "trace")
            ),
        ],
        order: seen.order(verified.seals().len() as u64, from_start),
        known_good: last.map(|at| format!("the last seal, {at} by the station's clock")),
        does_not_count,
        not_checked,
        entries: verified.entries(),
        seals: verified.seals().len() as u64,
        receipts: 0,
    };
    Ok((proven, verified))
}

fn verify_history<R: Read>(
    input: R,
    trust: &TrustStore,
    progress: &mut dyn FnMut(),
) -> Result<Proven, Refusal> {
    let mut seen = Seen::new(trust);
    let (mut seals, mut last) = (0, None);
    let verified = read_history(input, trust, &mut |item| match item {
        HistoryItem::Entry { entry, .. } => {
            seen.entry(entry);
            progress();
        }
        HistoryItem::Statement(sign1) => seen.statement(sign1),
        HistoryItem::Seal(seal) => {
            seals += 1;
            last = last.max(Some(seal.content().at_ms));
        }
        HistoryItem::Receipt(_) | HistoryItem::Trace { .. } => {}
    })?;
    let who = verified
        .logs()
        .iter()
        .map(|(log, part)| {
            format!(
                "station «{}» (log {}), enrolled by «{}»: {} entries, sealed up to {}, receipted up to {}",
                part.station,
                log.short(),
                seen.authority_name(part.authority),
                part.entries,
                part.sealed_size,
                part.receipted_size
            )
        })
        .collect();
    let mut not_checked =
        vec!["whether something was left out: a history proves what it holds".into()];
    not_checked.extend(seen.not_checked());
    not_checked.extend(missing_traces(verified.traces_missing().len()));
    not_checked.extend(ignored(verified.statements_ignored()));
    let does_not_count = match verified.revoked() {
        0 => Vec::new(),
        n => vec![format!(
            "{n} entries of stations whose key was revoked before them"
        )],
    };
    Ok(Proven {
        kind: FileKind::UnitHistory,
        who,
        what: vec![format!("history of {}: {}", verified.unit(), seen.kinds())],
        order: vec!["every entry is proven to stand at its place in its station's log".into()],
        known_good: last.map(|at: Instant| format!("the latest seal, {at} by a station's clock")),
        does_not_count,
        not_checked,
        entries: verified.entries(),
        seals,
        receipts: verified.receipts(),
    })
}

fn verify_return<R: Read>(input: R, trust: &TrustStore) -> Result<Proven, Refusal> {
    let mut seen = Seen::new(trust);
    let mut statements = 0u64;
    let verified = read_return(input, trust, &mut |item| {
        if let ReturnItem::Statement(sign1) = item {
            statements += 1;
            seen.statement(sign1);
        }
    })?;
    let who: BTreeSet<String> = verified
        .receipts()
        .iter()
        .map(|r| format!("server «{}»", r.server_name()))
        .collect();
    let mut what = vec![format!(
        "{} of trusted authorities",
        counted(statements, "statement")
    )];
    what.extend(verified.receipts().iter().map(|r| {
        format!(
            "receipt of {} for entries 0 to {} of log {}, fleet log entry {}",
            r.issued_at(),
            r.seal().size.saturating_sub(1),
            r.seal().log.short(),
            r.fleet_index()
        )
    }));
    let latest = verified.receipts().iter().map(|r| r.issued_at()).max();
    Ok(Proven {
        kind: FileKind::Return,
        who: who.into_iter().collect(),
        what,
        order: seen.chain_faults(),
        known_good: latest.map(|at| format!("the latest receipt, {at}")),
        does_not_count: Vec::new(),
        not_checked: ignored(verified.statements_ignored()).into_iter().collect(),
        entries: 0,
        seals: 0,
        receipts: verified.receipts().len() as u64,
    })
}

/// Of an envelope anyone can tell that it is whole, and no more.
fn verify_envelope<R: Read>(input: R) -> Result<Proven, Refusal> {
    let verified = read_envelope(input, &mut |_| ())?;
    let can_open: Vec<String> = verified
        .recipients()
        .iter()
        .map(|id| format!("holder of the recipient key {}", id.short()))
        .collect();
    Ok(Proven {
        kind: FileKind::Encrypted,
        who: vec!["not known from outside".into()],
        what: vec![
            format!("{} bytes of ciphertext, whole", verified.sealed_bytes()),
            format!("can be opened, as it says itself, by: {}", can_open.join("; ")),
        ],
        order: Vec::new(),
        known_good: None,
        does_not_count: Vec::new(),
        not_checked: vec![
            "everything inside: a recipient opens it with `carrylog open` and verifies what comes out"
                .into(),
        ],
        entries: 0,
        seals: 0,
        receipts: 0,
    })
}

/// A number with its noun, which takes a plain plural.
fn counted(n: u64, noun: &str) -> String {
    if n == 1 {
        format!("1 {noun}")
    } else {
        format!("{n} {noun}s")
    }
}

fn missing_traces(missing: usize) -> Option<String> {
    (missing > 0).then(|| {
        format!(
            "{}: entries name them, the file does not carry them",
            counted(missing as u64, "trace")
        )
    })
}

fn ignored(statements: u64) -> Option<String> {
    (statements > 0).then(|| {
        format!(
            "{} of authorities that are not trusted here",
            counted(statements, "statement")
        )
    })
}
