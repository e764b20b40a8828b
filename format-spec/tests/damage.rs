//! Exhaustive damage: every single-bit flip and every truncation of a small file of each kind.
//!
//! Detection by the strict door is tried for all of them. Healing is tried for one flip a byte (bit
//! number position mod 8) at every [`HEAL_STEP`]th byte, and for every truncation length. Every file
//! carries recovery data, default 10 %, and each damage tried is within its budget as long as one
//! recovery element is left.
#![allow(
    clippy::unwrap_used,
    clippy::panic,
    clippy::print_stdout,
    reason = "a test fails by panicking and prints its figures"
)]

mod support;

use carrylog_format::bundle::{read_history, read_return, read_segment};
use carrylog_format::envelope::{EnvelopeWriter, RecipientSecret, read_envelope};
use carrylog_format::recovery::{Percent, append};
use carrylog_format::salvage::{Healing, NotHealed};
use carrylog_format::statement::Role;
use carrylog_format::trust::TrustStore;
use std::fmt;
use std::io::{Cursor, Write};
use std::ops::{AddAssign, Range};
use support::*;

/// Healing of flips is tried at every so many bytes.
const HEAL_STEP: usize = 4;
/// Bytes that one piece of work covers.
const STRETCH: usize = 256;

struct Subject {
    kind: &'static str,
    file: Vec<u8>,
    /// Length without the recovery data.
    region: usize,
    trust: TrustStore,
}

impl Subject {
    fn new(kind: &'static str, region: Vec<u8>, trust: &TrustStore) -> Self {
        let mut file = region.clone();
        append(&mut Cursor::new(&region), &mut file, Percent::default()).unwrap();
        Self {
            kind,
            file,
            region: region.len(),
            trust: trust.clone(),
        }
    }

    /// What the strict door says, as far as it tells two sound files apart.
    fn door(&self, bytes: &[u8]) -> Option<String> {
        let trust = &self.trust;
        match self.kind {
            "segment" => read_segment(bytes, trust, &mut |_| {})
                .ok()
                .map(|s| format!("{:?} {:?}", s.header(), s.after())),
            "return" => read_return(bytes, trust, &mut |_| {})
                .ok()
                .map(|r| format!("{:?}", r.receipts())),
            "unit history" => read_history(bytes, trust, &mut |_| {})
                .ok()
                .map(|h| format!("{:?} {} {:?}", h.unit(), h.entries(), h.logs())),
            _ => read_envelope(bytes, &mut |_| {})
                .ok()
                .map(|e| format!("{e:?}")),
        }
    }
}

fn subjects() -> Vec<Subject> {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    let station_only = authority.chain.clone();
    authority.enrol(&key(3), Role::Server, "Records office");
    log.push(test_entry("SN-0001", 60));
    log.seal(61);
    let trust = TrustStore::new([authority.key.public()]);
    let segment = log.segment(0, &station_only);
    let back = return_of(log.id(), &authority.chain, &log.seals, 90);
    let history = log.history(&unit("SN-0001"), &station_only, &[]);
    let mut envelope =
        EnvelopeWriter::new(Vec::new(), &[RecipientSecret::generate().recipient()]).unwrap();
    envelope.write_all(&segment).unwrap();
    let envelope = envelope.finish().unwrap();
    vec![
        Subject::new("segment", segment, &trust),
        Subject::new("return", back, &trust),
        Subject::new("unit history", history, &trust),
        Subject::new("encrypted", envelope, &trust),
    ]
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Eq)]
struct Figures {
    flips: usize,
    flips_detected: usize,
    flips_given_to_healing: usize,
    flips_healed: usize,
    cuts: usize,
    cuts_detected: usize,
    /// The cut right after the end: the whole bundle without its recovery data.
    cuts_whole: usize,
    cuts_with_recovery: usize,
    cuts_healed: usize,
    wrong_files: usize,
}

impl AddAssign for Figures {
    fn add_assign(&mut self, other: Self) {
        self.flips += other.flips;
        self.flips_detected += other.flips_detected;
        self.flips_given_to_healing += other.flips_given_to_healing;
        self.flips_healed += other.flips_healed;
        self.cuts += other.cuts;
        self.cuts_detected += other.cuts_detected;
        self.cuts_whole += other.cuts_whole;
        self.cuts_with_recovery += other.cuts_with_recovery;
        self.cuts_healed += other.cuts_healed;
        self.wrong_files += other.wrong_files;
    }
}

impl fmt::Display for Figures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} flips: {} detected; {} given to healing: {} healed. \
             {} truncations: {} detected, {} the whole bundle without recovery data; \
             {} with recovery data left: {} healed. {} wrong files.",
            self.flips,
            self.flips_detected,
            self.flips_given_to_healing,
            self.flips_healed,
            self.cuts,
            self.cuts_detected,
            self.cuts_whole,
            self.cuts_with_recovery,
            self.cuts_healed,
            self.wrong_files
        )
    }
}

enum Outcome {
    Healed,
    NoRecoveryData,
    NotHealed,
    WrongFile,
}

fn heal(damaged: &[u8], original: &[u8]) -> Outcome {
    let mut input = Cursor::new(damaged);
    let mut healing = match Healing::find(&mut input) {
        Ok(healing) => healing,
        Err(NotHealed::NoRecoveryData) => return Outcome::NoRecoveryData,
        Err(_) => return Outcome::NotHealed,
    };
    let mut out = Vec::new();
    healing.write_to(&mut out).unwrap();
    if out == original {
        Outcome::Healed
    } else {
        Outcome::WrongFile
    }
}

/// Damages the file at each position of `stretch` in turn.
fn try_stretch(subject: &Subject, sound: &str, stretch: Range<usize>) -> Figures {
    let mut figures = Figures::default();
    let mut damaged = subject.file.clone();
    for position in stretch {
        for bit in 0..8 {
            damaged[position] ^= 1 << bit;
            figures.flips += 1;
            figures.flips_detected += usize::from(subject.door(&damaged).is_none());
            if position % HEAL_STEP == 0 && bit == position / HEAL_STEP % 8 {
                figures.flips_given_to_healing += 1;
                match heal(&damaged, &subject.file) {
                    Outcome::Healed => figures.flips_healed += 1,
                    Outcome::WrongFile => figures.wrong_files += 1,
                    _ => {}
                }
            }
            damaged[position] ^= 1 << bit;
        }
        // The truncation to `position` bytes.
        let cut = &subject.file[..position];
        figures.cuts += 1;
        match subject.door(cut) {
            None => figures.cuts_detected += 1,
            Some(read) if position == subject.region && read == sound => figures.cuts_whole += 1,
            Some(_) => {}
        }
        match heal(cut, &subject.file) {
            Outcome::Healed => {
                figures.cuts_with_recovery += 1;
                figures.cuts_healed += 1;
            }
            Outcome::NotHealed => figures.cuts_with_recovery += 1,
            Outcome::WrongFile => figures.wrong_files += 1,
            Outcome::NoRecoveryData => {}
        }
    }
    figures
}

fn try_all(subject: &Subject) -> Figures {
    let sound = subject.door(&subject.file).unwrap();
    let length = subject.file.len();
    let stretches: Vec<Range<usize>> = (0..length)
        .step_by(STRETCH)
        .map(|from| from..(from + STRETCH).min(length))
        .collect();
    let workers = std::thread::available_parallelism().map_or(1, |n| n.get());
    let mut total = Figures::default();
    std::thread::scope(|scope| {
        let (sound, stretches) = (&sound, &stretches);
        let handles: Vec<_> = (0..workers)
            .map(|worker| {
                scope.spawn(move || {
                    let mut figures = Figures::default();
                    for stretch in stretches.iter().skip(worker).step_by(workers) {
                        figures += try_stretch(subject, sound, stretch.clone());
                    }
                    figures
                })
            })
            .collect();
        for handle in handles {
            total += handle.join().unwrap();
        }
    });
    total
}

#[test]
fn every_flip_and_every_truncation_is_detected_and_what_is_tried_heals() {
    let mut total = Figures::default();
    let (mut files, mut bytes) = (0, 0);
    for subject in subjects() {
        let figures = try_all(&subject);
        println!(
            "{}: {} bytes, {} of them recovery data. {figures}",
            subject.kind,
            subject.file.len(),
            subject.file.len() - subject.region
        );
        total += figures;
        files += 1;
        bytes += subject.file.len();
    }
    println!("all {files} files, {bytes} bytes. {total}");
    assert_eq!((total.flips, total.cuts), (bytes * 8, bytes));
    assert_eq!(total.flips_detected, total.flips, "a flip went undetected");
    // Cut right after its end, a file is the same bundle without recovery data.
    assert_eq!(total.cuts_whole, files);
    assert_eq!(
        total.cuts_detected + files,
        total.cuts,
        "a truncation went undetected"
    );
    assert_eq!(total.flips_healed, total.flips_given_to_healing);
    assert_eq!(total.cuts_healed, total.cuts_with_recovery);
    assert!(total.flips_healed > 0 && total.cuts_healed > 0);
    assert_eq!(total.wrong_files, 0);
}
