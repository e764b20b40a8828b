//! Files that keep every rule.

use super::Case;
use super::edit::{Place, with_skippable};
use super::scene::Scene;
use crate::support::*;
use carrylog_format::bundle::write_return;
use carrylog_format::record::Entry;
use carrylog_format::recovery::{self, Percent};
use carrylog_format::statement::Role;

/// Name, meaning, number of entries, and how the file is made.
type Good = (&'static str, &'static str, u64, fn(&Scene) -> Vec<u8>);

const ROWS: &[Good] = &[
    ("example", "the worked example of SPEC.md", 1, |_| example()),
    (
        "segment",
        "six entries of every kind, a trace, two seals",
        6,
        Scene::segment,
    ),
    (
        "segment-later",
        "entries 2 to 5 with the frontier at 2",
        4,
        Scene::later,
    ),
    ("unknown-kind", "an entry of a kind nobody knows", 2, |_| {
        unknown_kind()
    }),
    ("skippable", "a frame type that may be skipped", 6, |s| {
        with_skippable(&s.segment(), Place::BeforeEnd)
    }),
    (
        "recovery",
        "the segment with recovery data after its end",
        6,
        recovered,
    ),
    (
        "return",
        "two receipts and all statements",
        0,
        Scene::returned,
    ),
    (
        "statements",
        "a return without a log: statements only",
        0,
        |s| write_return(Vec::new(), None, &s.authority.chain, None, &[]).unwrap(),
    ),
    (
        "unit-history",
        "four entries of one unit with proofs",
        4,
        Scene::history,
    ),
];

pub fn cases(scene: &Scene) -> Vec<Case> {
    ROWS.iter()
        .map(|(name, says, entries, make)| Case {
            file: format!("good/{name}.carrylog"),
            says,
            bytes: make(scene),
            authorities: scene.key_hex(),
            kept_heads: Vec::new(),
            expect: Ok(*entries),
        })
        .collect()
}

/// The worked example: one entry, one seal.
pub fn example() -> Vec<u8> {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    log.seal(1);
    log.segment(0, &authority.chain)
}

fn unknown_kind() -> Vec<u8> {
    let mut authority = Authority::new(1);
    let mut log = StationLog::new(2);
    authority.enrol(&log.key, Role::Station, "Bay 1");
    let known = test_entry("SN-0001", 60);
    let place = known
        .bytes()
        .windows(5)
        .position(|w| w == b"\x64test")
        .unwrap();
    let mut bytes = known.bytes().to_vec();
    bytes[place + 4] = b'u';
    log.push(Entry::parse(&bytes).unwrap());
    log.seal(61);
    log.segment(0, &authority.chain)
}

fn recovered(scene: &Scene) -> Vec<u8> {
    let region = scene.segment();
    let mut file = region.clone();
    recovery::append(
        &mut std::io::Cursor::new(&region),
        &mut file,
        Percent::default(),
    )
    .unwrap();
    file
}
