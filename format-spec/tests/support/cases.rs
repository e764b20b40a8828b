//! The test vectors: files that keep every rule, and files that each break one.

use super::support::*;
use carrylog_format::bundle::{
    BundleHeader, HistoryHeader, SegmentHeader, SegmentStart, SegmentWriter, write_return,
};
use carrylog_format::cbor;
use carrylog_format::frame::{FrameReader, FrameType, FrameWriter, MAGIC};
use carrylog_format::ids::{LogId, TraceDigest};
use carrylog_format::receipt::ReceiptSlip;
use carrylog_format::record::{
    Correction, Entry, Record, Replacement, SignOffContent, SignOffRole, TraceRef, UnitChange,
    UnitEvent,
};
use carrylog_format::refusal::{Fault, Rule};
use carrylog_format::seal::{Seal, SealContent};
use carrylog_format::statement::{Role, Statement, StatementBody};
use carrylog_format::trace::{Trace, TraceColumns, compress};
use carrylog_format::tree::{Hash, LeafTree, leaf_hash};

/// One vector.
pub struct Case {
    pub file: &'static str,
    pub says: &'static str,
    pub bytes: Vec<u8>,
    pub authorities: Vec<String>,
    pub expect: Result<u64, (Rule, Fault)>,
}

/// The authority, the station's log and the server's receipts that all vectors are made from.
pub struct Scene {
    pub authority: Authority,
    pub log: StationLog,
    pub slips: Vec<ReceiptSlip>,
}

pub fn trace() -> (TraceRef, Vec<u8>) {
    let rows = 200_i64;
    let trace = Trace::new(TraceColumns {
        time_us: (0..rows).map(|i| i * 1_000_000).collect(),
        current_ua: (0..rows)
            .map(|i| {
                if i < 10 {
                    0
                } else {
                    -22_000_000 + (i % 5) * 1000
                }
            })
            .collect(),
        voltage_uv: (0..rows).map(|i| 27_000_000 - i * 21_000).collect(),
        temperature_mk: vec![(0..rows).map(|i| 293_150 + i * 3).collect()],
        ..TraceColumns::default()
    })
    .unwrap();
    let canonical = trace.to_canonical().unwrap();
    let reference = TraceRef {
        rows: rows as u64,
        sha256: TraceDigest::of(&canonical),
    };
    (reference, compress(&canonical).unwrap())
}

impl Scene {
    pub fn new() -> Self {
        let mut authority = Authority::new(1);
        let mut log = StationLog::new(2);
        authority.enrol(&log.key, Role::Station, "Bay 1");
        authority.enrol(&key(3), Role::Server, "Records office");
        authority.enrol(&key(4), Role::Person, "Certifier 3 (invented)");
        authority.state(StatementBody::Limits(Box::new(full_limits_sheet())));
        let mut traced = test_record("SN-0001", 60);
        traced.trace = Some(trace().0);
        log.push(Entry::new(head(60), Record::Test(Box::new(traced.clone()))).unwrap());
        log.seal(61);
        log.push(test_entry("SN-0002", 120));
        let correction = Correction {
            reason: carrylog_format::text::Remark::new("Flight hours were missing.").unwrap(),
            supersedes: log.entries[1].id(),
            replacement: Replacement::Test(Box::new(full_test_record())),
        };
        log.push(Entry::new(head(130), Record::Correction(correction)).unwrap());
        let content = SignOffContent {
            role: SignOffRole::CertifyingStaff,
            at_ms: at(140),
            entry: log.entries[1].id(),
            signer: name("Certifier 3 (invented)"),
            statement: carrylog_format::text::Remark::new("Work done as the manual states.")
                .unwrap(),
        };
        let sign_off = carrylog_format::sign_off::sign(&key(4), &content).unwrap();
        log.push(Entry::new(head(141), Record::SignOff(sign_off)).unwrap());
        let event = UnitEvent {
            unit: unit("SN-0001"),
            event: UnitChange::Stored {
                place: name("Shelf 4"),
            },
            happened_ms: at(150),
            flight_cycles: None,
            flight_minutes: None,
        };
        log.push(Entry::new(head(150), Record::UnitEvent(event)).unwrap());
        log.seal(181);
        let slips = receipts(&log.seals);
        Self {
            authority,
            log,
            slips,
        }
    }

    fn key_hex(&self) -> Vec<String> {
        vec![hex::encode(self.authority.key.public().to_bytes())]
    }

    pub fn segment(&self) -> Vec<u8> {
        self.segment_of(0, &self.log.entries, &self.log.seals, &self.authority.chain)
    }

    fn segment_of(
        &self,
        from: u64,
        entries: &[Entry],
        seals: &[Seal],
        chain: &[Statement],
    ) -> Vec<u8> {
        let public = self.log.key.public();
        let frontier = self.log.frontier(from);
        let start = SegmentStart {
            key: &public,
            frontier: &frontier,
            to: 6,
        };
        let mut writer = SegmentWriter::new(Vec::new(), &start, chain).unwrap();
        for index in from..entries.len() as u64 {
            writer.entry(entries[index as usize].bytes()).unwrap();
            if index == 1 {
                writer.trace(&trace().1).unwrap();
            }
            for seal in seals.iter().filter(|s| s.content().size == index + 1) {
                writer.seal(seal).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    pub fn history(&self) -> Vec<u8> {
        let seal = self.log.seals.last().unwrap();
        let mut writer = carrylog_format::bundle::HistoryWriter::new(
            Vec::new(),
            &unit("SN-0001"),
            &self.authority.chain,
            [seal],
            &self.slips,
        )
        .unwrap();
        for index in [1_u64, 3, 4, 5] {
            let proof = self.log.tree.prove_inclusion(index, 6).unwrap();
            writer
                .entry(
                    self.log.entries[index as usize].bytes(),
                    seal.digest(),
                    &proof,
                )
                .unwrap();
            if index == 1 {
                writer.trace(&trace().1).unwrap();
            }
        }
        writer.finish().unwrap()
    }

    pub fn returned(&self) -> Vec<u8> {
        write_return(
            Vec::new(),
            Some(self.log.id()),
            &self.authority.chain,
            &self.slips,
        )
        .unwrap()
    }
}

pub fn receipts(seals: &[Seal]) -> Vec<ReceiptSlip> {
    let mut fleet = LeafTree::new();
    for seal in seals {
        fleet.push(leaf_hash(seal.payload()));
    }
    let size = fleet.len();
    let root = fleet.root_at(size).unwrap();
    (0..size)
        .map(|i| {
            let proof = fleet.prove_inclusion(i, size).unwrap();
            ReceiptSlip::sign(&key(3), at(300), &seals[i as usize], root, &proof).unwrap()
        })
        .collect()
}

/// A frame taken apart, to be put together wrongly.
type Part = (FrameType, Vec<u8>);

fn parts(bytes: &[u8]) -> Vec<Part> {
    let mut frames = FrameReader::new(bytes).unwrap();
    let mut parts = Vec::new();
    while let Some(frame) = frames.next_frame().unwrap() {
        parts.push((frame.kind, frame.payload));
    }
    parts
}

/// Writes frames and, in place of the last one, an end that fits them.
fn assemble(parts: &[Part]) -> Vec<u8> {
    let mut writer = FrameWriter::new(Vec::new()).unwrap();
    for (kind, payload) in parts.iter().filter(|(kind, _)| *kind != FrameType::End) {
        writer.write(*kind, payload).unwrap();
    }
    // {"bytes": …, "frames": …}, the only form of an end.
    let mut end = vec![0xa2];
    cbor::write_text(&mut end, "bytes");
    cbor::write_head(&mut end, 0, writer.bytes());
    cbor::write_text(&mut end, "frames");
    cbor::write_head(&mut end, 0, writer.frames());
    writer.write(FrameType::End, &end).unwrap();
    writer.finish().unwrap()
}

fn edit(bytes: &[u8], change: impl FnOnce(&mut Vec<Part>)) -> Vec<u8> {
    let mut list = parts(bytes);
    change(&mut list);
    assemble(&list)
}

fn position(list: &[Part], kind: FrameType) -> usize {
    list.iter().position(|(k, _)| *k == kind).unwrap()
}

fn replace_entry(bytes: &[u8], index: usize, entry: Vec<u8>) -> Vec<u8> {
    edit(bytes, |list| {
        let (place, _) = list
            .iter()
            .enumerate()
            .filter(|(_, (kind, _))| *kind == FrameType::Entry)
            .nth(index)
            .unwrap();
        list[place].1 = entry;
    })
}

fn seal_of(scene: &Scene, seq: u64, size: u64, root: Hash, prev: &Seal, minutes: i64) -> Seal {
    let content = SealContent {
        log: scene.log.id(),
        seq,
        prev: (seq > 0).then_some(prev.digest()),
        root,
        size,
        at_ms: at(minutes),
    };
    Seal::sign(&scene.log.key, &content).unwrap()
}

/// Where a frame of type 16 is put.
#[derive(Clone, Copy, PartialEq)]
enum Place {
    BeforeHeader,
    BeforeEnd,
    AfterEnd,
}

fn raw_frame(kind: u8, payload: &[u8]) -> Vec<u8> {
    let mut out = vec![0x83, kind];
    cbor::write_bytes(&mut out, payload);
    cbor::write_bytes(&mut out, Hash::of_parts(&[&[kind], payload]).as_bytes());
    out
}

/// The same file with a frame that a reader need not know, and an end that counts it.
fn with_skippable(file: &[u8], place: Place) -> Vec<u8> {
    let extra = raw_frame(16, b"for a later version");
    let mut out = MAGIC.to_vec();
    let mut frames = 0;
    for (kind, payload) in parts(file) {
        let here = match kind {
            FrameType::Header => Place::BeforeHeader,
            FrameType::End => Place::BeforeEnd,
            _ => Place::AfterEnd,
        };
        if here == place && here != Place::AfterEnd {
            out.extend(&extra);
            frames += 1;
        }
        if kind == FrameType::End {
            let mut end = vec![0xa2];
            cbor::write_text(&mut end, "bytes");
            cbor::write_head(&mut end, 0, out.len() as u64);
            cbor::write_text(&mut end, "frames");
            cbor::write_head(&mut end, 0, frames);
            out.extend(raw_frame(FrameType::End as u8, &end));
        } else {
            out.extend(raw_frame(kind as u8, &payload));
            frames += 1;
        }
    }
    if place == Place::AfterEnd {
        out.extend(extra);
    }
    out
}

/// All vectors, in the order of the manifest.
pub fn all() -> Vec<Case> {
    let mut cases = good();
    cases.extend(bad_frames());
    cases.extend(bad_logs());
    cases.extend(bad_trust());
    cases
}

fn good() -> Vec<Case> {
    let scene = Scene::new();
    let keys = scene.key_hex();
    let ok = |file, says, bytes, entries| Case {
        file,
        says,
        bytes,
        authorities: keys.clone(),
        expect: Ok(entries),
    };
    let later = scene.segment_of(
        2,
        &scene.log.entries,
        &scene.log.seals[1..],
        &scene.authority.chain,
    );
    let statements = write_return(Vec::new(), None, &scene.authority.chain, &[]).unwrap();
    let skippable = with_skippable(&scene.segment(), Place::BeforeEnd);
    let mut recovered = scene.segment();
    let protected = recovered.clone();
    carrylog_format::recovery::append(
        &mut std::io::Cursor::new(&protected),
        &mut recovered,
        carrylog_format::recovery::Percent::default(),
    )
    .unwrap();
    vec![
        ok(
            "good/example.carrylog",
            "the worked example of SPEC.md",
            example(),
            1,
        ),
        ok(
            "good/segment.carrylog",
            "six entries of every kind, a trace, two seals",
            scene.segment(),
            6,
        ),
        ok(
            "good/segment-later.carrylog",
            "entries 2 to 5 with the frontier at 2",
            later,
            4,
        ),
        ok(
            "good/unknown-kind.carrylog",
            "an entry of a kind nobody knows",
            unknown_kind(),
            2,
        ),
        ok(
            "good/skippable.carrylog",
            "a frame type that may be skipped",
            skippable,
            6,
        ),
        ok(
            "good/recovery.carrylog",
            "the segment with recovery data after its end",
            recovered,
            6,
        ),
        ok(
            "good/return.carrylog",
            "two receipts and all statements",
            scene.returned(),
            0,
        ),
        ok(
            "good/statements.carrylog",
            "a return without a log: statements only",
            statements,
            0,
        ),
        ok(
            "good/unit-history.carrylog",
            "four entries of one unit with proofs",
            scene.history(),
            4,
        ),
    ]
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

fn bad_frames() -> Vec<Case> {
    let scene = Scene::new();
    let keys = scene.key_hex();
    let segment = scene.segment();
    let bad = |file, says, bytes, rule, fault| Case {
        file,
        says,
        bytes,
        authorities: keys.clone(),
        expect: Err((rule, fault)),
    };
    let changed = |at: usize, to: &[u8]| {
        let mut bytes = segment.clone();
        bytes[at..at + to.len()].copy_from_slice(to);
        bytes
    };
    let without = |from: usize, to: usize| [&segment[..from], &segment[to..]].concat();
    let entry_at = segment
        .windows(3)
        .position(|w| w == [0x83, 0, 0x58])
        .unwrap();
    let header_len = segment[6] as usize;
    // A frame that claims 16 MiB of entry.
    let huge = [&segment[..entry_at], &[0x83, 0, 0x5a, 1, 0, 0, 0]].concat();
    let unknown_type = {
        let mut bytes = segment[..segment.len()].to_vec();
        bytes[entry_at + 1] = 15;
        bytes
    };
    let unknown_header = edit(&segment, |list| {
        let place = list[0].1.windows(7).position(|w| w == b"segment").unwrap();
        list[0].1[place] = b'S';
    });
    let version_2 = edit(&segment, |list| {
        let place = list[0]
            .1
            .windows(3)
            .position(|w| w == b"\x61v\x01")
            .unwrap();
        list[0].1[place + 2] = 2;
    });
    let no_header = edit(&segment, |list| {
        list.remove(0);
    });
    let order = edit(&segment, |list| {
        let frontier = position(list, FrameType::Frontier);
        let moved = list.remove(frontier);
        list.insert(frontier + 1, moved);
    });
    let receipt_inside = edit(&segment, |list| {
        let slip = scene.slips[0].encode().unwrap();
        list.insert(2, (FrameType::Receipt, slip));
    });
    let no_end = {
        let end = segment.windows(2).rposition(|w| w == [0x83, 10]).unwrap();
        segment[..end].to_vec()
    };
    let lost_trace = {
        // The whole trace frame cut out: every other frame is sound, the count is not.
        let list = parts(&segment);
        let mut writer = FrameWriter::new(Vec::new()).unwrap();
        for (kind, payload) in list.iter().filter(|(kind, _)| *kind != FrameType::Trace) {
            writer.write(*kind, payload).unwrap();
        }
        writer.finish().unwrap()
    };
    let added = [&segment[..], &segment[3..]].concat();
    let medium = Fault::Medium;
    let wrong_recovery = {
        // Recovery data of another file.
        let other = scene.returned();
        let mut bytes = segment.clone();
        let mut data = Vec::new();
        carrylog_format::recovery::append(
            &mut std::io::Cursor::new(&other),
            &mut data,
            carrylog_format::recovery::Percent::default(),
        )
        .unwrap();
        bytes.extend(data);
        bytes
    };
    vec![
        bad(
            "bad/B-1-empty.carrylog",
            "nothing at all",
            vec![],
            Rule::Magic,
            medium,
        ),
        bad(
            "bad/B-1-text.carrylog",
            "a text file",
            b"time,current,voltage\n".to_vec(),
            Rule::Magic,
            medium,
        ),
        bad(
            "bad/B-2-cut.carrylog",
            "cut in the middle of a frame",
            segment[..entry_at + 40].to_vec(),
            Rule::FrameForm,
            medium,
        ),
        bad(
            "bad/B-2-array.carrylog",
            "a frame of four elements",
            changed(entry_at, &[0x84]),
            Rule::FrameForm,
            medium,
        ),
        bad(
            "bad/B-2-length.carrylog",
            "the header's length in two bytes instead of one",
            [&segment[..5], &[0x59, 0, header_len as u8], &segment[7..]].concat(),
            Rule::FrameForm,
            medium,
        ),
        bad(
            "bad/B-3-entry.carrylog",
            "an entry that claims 16 MiB",
            huge,
            Rule::FrameLimit,
            medium,
        ),
        bad(
            "bad/B-4-bit.carrylog",
            "one bit of an entry flipped",
            changed(entry_at + 20, &[segment[entry_at + 20] ^ 1]),
            Rule::FrameDigest,
            medium,
        ),
        bad(
            "bad/B-5-type.carrylog",
            "a frame of type 15",
            unknown_type,
            Rule::FrameType,
            Fault::Maker,
        ),
        bad(
            "bad/B-6-kind.carrylog",
            "a header of an unknown kind",
            unknown_header,
            Rule::Header,
            Fault::Maker,
        ),
        bad(
            "bad/B-6-version.carrylog",
            "a header of version 2",
            version_2,
            Rule::Header,
            Fault::Maker,
        ),
        bad(
            "bad/B-6-none.carrylog",
            "no header",
            no_header,
            Rule::Header,
            Fault::Maker,
        ),
        bad(
            "bad/B-7-order.carrylog",
            "an entry before the frontier",
            order,
            Rule::Order,
            Fault::Maker,
        ),
        bad(
            "bad/B-7-receipt.carrylog",
            "a receipt inside a segment",
            receipt_inside,
            Rule::Order,
            Fault::Maker,
        ),
        bad(
            "bad/B-8-none.carrylog",
            "cut right before the end frame",
            no_end,
            Rule::End,
            medium,
        ),
        bad(
            "bad/B-8-count.carrylog",
            "a whole frame cut out",
            lost_trace,
            Rule::End,
            medium,
        ),
        bad(
            "bad/B-8-after.carrylog",
            "the file's frames twice",
            added,
            Rule::End,
            Fault::Maker,
        ),
        bad(
            "bad/B-6-skippable.carrylog",
            "a frame that may be skipped, before the header",
            with_skippable(&segment, Place::BeforeHeader),
            Rule::Header,
            Fault::Maker,
        ),
        bad(
            "bad/B-8-skippable.carrylog",
            "a frame that may be skipped, after the end",
            with_skippable(&segment, Place::AfterEnd),
            Rule::End,
            Fault::Maker,
        ),
        bad(
            "bad/B-9-other.carrylog",
            "recovery data of another file",
            wrong_recovery,
            Rule::Recovery,
            Fault::Maker,
        ),
        bad(
            "bad/B-2-gap.carrylog",
            "ten bytes missing from a frame",
            without(entry_at + 20, entry_at + 30),
            Rule::FrameForm,
            medium,
        ),
    ]
}

fn bad_logs() -> Vec<Case> {
    let scene = Scene::new();
    let keys = scene.key_hex();
    let segment = scene.segment();
    let (log, chain) = (&scene.log, &scene.authority.chain);
    let bad = |file, says, bytes, rule| Case {
        file,
        says,
        bytes,
        authorities: keys.clone(),
        expect: Err((rule, Fault::Maker)),
    };
    let entry_form = edit(&segment, |list| {
        // "v": 1 written as 18 01, two bytes for a number that fits one.
        let entry = position(list, FrameType::Entry);
        list[entry].1.splice(3..4, [0x18, 1]);
    });
    let float = edit(&segment, |list| {
        let entry = position(list, FrameType::Entry);
        list[entry].1.splice(3..4, [0xf9, 0x3c, 0]);
    });
    let field = edit(&segment, |list| {
        let place = list
            .iter()
            .position(|(_, p)| p.windows(7).any(|w| w == b"purpose"))
            .unwrap();
        let at = list[place]
            .1
            .windows(7)
            .position(|w| w == b"purpose")
            .unwrap();
        list[place].1[at + 6] = b'f';
    });
    let root = edit(&segment, |list| {
        let entries: Vec<usize> = (0..list.len())
            .filter(|i| list[*i].0 == FrameType::Entry)
            .collect();
        list.swap(entries[2], entries[3]);
    });
    let signature = edit(&segment, |list| {
        let seal = position(list, FrameType::Seal);
        let last = list[seal].1.len() - 1;
        list[seal].1[last] ^= 1;
    });
    let other_key = edit(&segment, |list| {
        let seal = position(list, FrameType::Seal);
        let content = log.seals[0].content();
        let payload = cbor::to_canonical(content).unwrap();
        let sign1 = carrylog_format::cose::sign1(
            &key(9),
            carrylog_format::seal::SEAL_CONTENT_TYPE,
            &payload,
        );
        list[seal].1 = sign1;
    });
    let dropped = edit(&segment, |list| {
        let seal = position(list, FrameType::Seal);
        list.remove(seal);
    });
    let prev = {
        let wrong = seal_of(
            &scene,
            1,
            6,
            log.tree.root_at(6).unwrap(),
            &log.seals[1],
            181,
        );
        scene.segment_of(0, &log.entries, &[log.seals[0].clone(), wrong], chain)
    };
    let unsealed = edit(&segment, |list| {
        let seal = list
            .iter()
            .rposition(|(k, _)| *k == FrameType::Seal)
            .unwrap();
        list.remove(seal);
    });
    let frontier = {
        let later = scene.segment_of(2, &log.entries, &log.seals[1..], chain);
        edit(&later, |list| {
            let place = position(list, FrameType::Frontier);
            list[place].1 = vec![0x80];
        })
    };
    let header_key = edit(&segment, |list| {
        let header = BundleHeader::Segment(SegmentHeader {
            v: 1,
            to: 6,
            key: key(9).public(),
            log: log.id(),
            from: 0,
        });
        list[0].1 = header.encode().unwrap();
    });
    let foreign_trace = edit(&segment, |list| {
        let place = position(list, FrameType::Trace);
        let other = Trace::new(TraceColumns {
            time_us: vec![0, 1],
            current_ua: vec![0, 0],
            voltage_uv: vec![1, 1],
            ..TraceColumns::default()
        })
        .unwrap();
        list[place].1 = compress(&other.to_canonical().unwrap()).unwrap();
    });
    let no_zstd = edit(&segment, |list| {
        let place = position(list, FrameType::Trace);
        list[place].1 = b"not compressed".to_vec();
    });
    let phases = {
        let mut record = full_test_record();
        let computed = record.computed.as_mut().unwrap();
        let phase = computed.phases[0].clone();
        computed.phases = vec![phase; 65];
        // Encoded by hand, since no entry of this kind can be made.
        let sound = Entry::new(head(60), Record::Test(Box::new(full_test_record()))).unwrap();
        let short = cbor::to_canonical(&full_test_record()).unwrap();
        let long = cbor::to_canonical(&record).unwrap();
        let at = sound
            .bytes()
            .windows(short.len())
            .position(|w| w == short)
            .unwrap();
        let bytes = [
            &sound.bytes()[..at],
            &long,
            &sound.bytes()[at + short.len()..],
        ]
        .concat();
        replace_entry(&segment, 1, bytes)
    };
    let sign_off = {
        let sound = log.entries[4].bytes();
        let at = sound.windows(3).position(|w| w == b"+cb").unwrap();
        let mut bytes = sound.to_vec();
        bytes[at] = b'-';
        replace_entry(&segment, 4, bytes)
    };
    let number = edit(&segment, |list| {
        // A second seal that calls itself number 0 and still names a previous one.
        let seal = list
            .iter()
            .rposition(|(k, _)| *k == FrameType::Seal)
            .unwrap();
        let mut content = log.seals[1].content().clone();
        content.seq = 0;
        let payload = cbor::to_canonical(&content).unwrap();
        let kind = carrylog_format::seal::SEAL_CONTENT_TYPE;
        list[seal].1 = carrylog_format::cose::sign1(&log.key, kind, &payload);
    });
    let no_frontier = edit(&segment, |list| {
        list.retain(|(kind, _)| {
            !matches!(
                kind,
                FrameType::Frontier | FrameType::Entry | FrameType::Seal | FrameType::Trace
            )
        });
    });
    let history = scene.history();
    let unproven = edit(&history, |list| {
        let place = position(list, FrameType::ProvenEntry);
        let at = list[place]
            .1
            .windows(6)
            .position(|w| w == b"\x65proof")
            .unwrap();
        let last = list[place].1.len() - 1;
        assert!(last > at);
        list[place].1[last] ^= 1;
    });
    let no_seal = edit(&history, |list| {
        let place = position(list, FrameType::Seal);
        list.remove(place);
    });
    let other_unit = edit(&history, |list| {
        let header = BundleHeader::UnitHistory(HistoryHeader {
            v: 1,
            unit: unit("SN-0002"),
        });
        list[0].1 = header.encode().unwrap();
    });
    let orphan = edit(&history, |list| {
        // Without the first entry, its correction and its sign-off concern nothing in the file.
        let place = position(list, FrameType::ProvenEntry);
        list.drain(place..place + 2);
    });
    let receipt = edit(&scene.returned(), |list| {
        let place = position(list, FrameType::Receipt);
        let last = list[place].1.len() - 1;
        list[place].1[last] ^= 1;
    });
    vec![
        bad(
            "bad/E-1-shortest.carrylog",
            "an entry with a number in two bytes that fits one",
            entry_form,
            Rule::EntryForm,
        ),
        bad(
            "bad/E-1-float.carrylog",
            "an entry with a floating-point number",
            float,
            Rule::EntryForm,
        ),
        bad(
            "bad/E-1-field.carrylog",
            "a test with an unknown field",
            field,
            Rule::EntryForm,
        ),
        bad(
            "bad/E-1-phases.carrylog",
            "a test with 65 phases",
            phases,
            Rule::EntryForm,
        ),
        bad(
            "bad/E-1-sign-off.carrylog",
            "a sign-off of another content type",
            sign_off,
            Rule::EntryForm,
        ),
        bad(
            "bad/B-7-frontier.carrylog",
            "no frontier and nothing after it",
            no_frontier,
            Rule::Order,
        ),
        bad(
            "bad/S-2-number.carrylog",
            "a seal number 0 that names a previous seal",
            number,
            Rule::SealChain,
        ),
        bad(
            "bad/S-1-signature.carrylog",
            "a seal's signature changed, its frame's digest made to fit",
            signature,
            Rule::SealSignature,
        ),
        bad(
            "bad/S-1-key.carrylog",
            "a seal by another key",
            other_key,
            Rule::SealSignature,
        ),
        bad(
            "bad/S-2-dropped.carrylog",
            "the first seal left out",
            dropped,
            Rule::SealChain,
        ),
        bad(
            "bad/S-2-previous.carrylog",
            "a seal that names another previous seal",
            prev,
            Rule::SealChain,
        ),
        bad(
            "bad/S-3-swapped.carrylog",
            "two entries swapped",
            root,
            Rule::SealRoot,
        ),
        bad(
            "bad/S-4-unsealed.carrylog",
            "entries after the last seal",
            unsealed,
            Rule::SealMissing,
        ),
        bad(
            "bad/L-1-frontier.carrylog",
            "an empty frontier at 2",
            frontier,
            Rule::Frontier,
        ),
        bad(
            "bad/L-2-key.carrylog",
            "a header whose key is not the log's",
            header_key,
            Rule::LogKey,
        ),
        bad(
            "bad/X-1-foreign.carrylog",
            "a trace that no entry names",
            foreign_trace,
            Rule::Trace,
        ),
        bad(
            "bad/X-1-compression.carrylog",
            "a trace that is not compressed",
            no_zstd,
            Rule::Trace,
        ),
        bad(
            "bad/H-1-proof.carrylog",
            "a proof with one bit changed",
            unproven,
            Rule::Inclusion,
        ),
        bad(
            "bad/H-1-seal.carrylog",
            "a proof to a seal that is not there",
            no_seal,
            Rule::Inclusion,
        ),
        bad(
            "bad/H-2-unit.carrylog",
            "a history under another unit's name",
            other_unit,
            Rule::Foreign,
        ),
        bad(
            "bad/H-2-orphan.carrylog",
            "a correction of an entry that is not there",
            orphan,
            Rule::Foreign,
        ),
        bad(
            "bad/R-1-signature.carrylog",
            "a receipt's signature changed",
            receipt,
            Rule::Receipt,
        ),
    ]
}

fn bad_trust() -> Vec<Case> {
    let scene = Scene::new();
    let segment = scene.segment();
    let case =
        |file, says, bytes, authorities: &[carrylog_format::cose::SecretKey], rule, fault| Case {
            file,
            says,
            bytes,
            authorities: authorities
                .iter()
                .map(|k| hex::encode(k.public().to_bytes()))
                .collect(),
            expect: Err((rule, fault)),
        };
    let forged = edit(&segment, |list| {
        let place = position(list, FrameType::Statement);
        let last = list[place].1.len() - 1;
        list[place].1[last] ^= 1;
    });
    let unenrolled = scene.segment_of(
        0,
        &scene.log.entries,
        &scene.log.seals,
        &scene.authority.chain[..1],
    );
    let expired = {
        let mut authority = Authority::new(1);
        authority.state(StatementBody::Enrolled(
            carrylog_format::statement::Enrolment {
                key: scene.log.key.public(),
                from: None,
                name: name("Bay 1"),
                role: Role::Station,
                until: Some("2025-12-31".parse().unwrap()),
                succeeds: None,
            },
        ));
        scene.segment_of(0, &scene.log.entries, &scene.log.seals, &authority.chain)
    };
    let as_person = {
        let mut authority = Authority::new(1);
        authority.enrol(&scene.log.key, Role::Person, "Bay 1");
        scene.segment_of(0, &scene.log.entries, &scene.log.seals, &authority.chain)
    };
    let server = write_return(
        Vec::new(),
        Some(LogId::of(&scene.log.key.public())),
        &scene.authority.chain[..2],
        &scene.slips,
    )
    .unwrap();
    assert_eq!(&segment[..3], MAGIC);
    let reason = || carrylog_format::text::Remark::new("Stolen.").unwrap();
    let revoked_server = {
        let mut authority = Scene::new().authority;
        authority.state(StatementBody::Revoked {
            log: LogId::of(&key(3).public()),
            reason: reason(),
            from_size: 9,
        });
        write_return(
            Vec::new(),
            Some(scene.log.id()),
            &authority.chain,
            &scene.slips,
        )
        .unwrap()
    };
    // An authority that trusts another one; that one's statement is bad and stands before.
    let partner_first = {
        let mut own = Authority::new(5);
        own.state(StatementBody::AuthorityTrusted {
            key: key(1).public(),
            name: name("Another operator (invented)"),
            reason: reason(),
        });
        edit(&forged, |list| {
            let end = list
                .iter()
                .rposition(|(k, _)| *k == FrameType::Statement)
                .unwrap();
            let own = own
                .chain
                .iter()
                .map(|s| (FrameType::Statement, s.sign1().to_vec()));
            list.splice(end + 1..end + 1, own);
        })
    };
    // A partner may not say that two units are one.
    let partner_alias = {
        let mut own = Authority::new(5);
        own.state(StatementBody::AuthorityTrusted {
            key: key(1).public(),
            name: name("Another operator (invented)"),
            reason: reason(),
        });
        let mut partner = Scene::new().authority;
        partner.state(StatementBody::Alias {
            unit: unit("SN-0001"),
            same_as: unit("SN-0002"),
        });
        let chain: Vec<Statement> = own.chain.iter().chain(&partner.chain).cloned().collect();
        let history = scene.history();
        let mut list: Vec<Part> = parts(&history);
        list.retain(|(k, _)| *k != FrameType::Statement);
        let header = BundleHeader::UnitHistory(HistoryHeader {
            v: 1,
            unit: unit("SN-0002"),
        });
        list[0].1 = header.encode().unwrap();
        let chain = chain
            .iter()
            .map(|s| (FrameType::Statement, s.sign1().to_vec()));
        list.splice(1..1, chain);
        assemble(&list)
    };
    let expired_history = {
        let mut authority = Authority::new(1);
        authority.state(StatementBody::Enrolled(
            carrylog_format::statement::Enrolment {
                key: scene.log.key.public(),
                from: Some("2026-02-01".parse().unwrap()),
                name: name("Bay 1"),
                role: Role::Station,
                until: None,
                succeeds: None,
            },
        ));
        scene.log.history(&unit("SN-0001"), &authority.chain, &[])
    };
    vec![
        case(
            "bad/T-1-statement.carrylog",
            "a statement's signature changed",
            forged,
            &[key(1)],
            Rule::StatementSignature,
            Fault::Maker,
        ),
        case(
            "bad/T-2-unenrolled.carrylog",
            "no enrolment of the station's key",
            unenrolled,
            &[key(1)],
            Rule::Enrolment,
            Fault::Trust,
        ),
        case(
            "bad/T-2-authority.carrylog",
            "enrolled by an authority that is not trusted",
            segment,
            &[key(77)],
            Rule::Enrolment,
            Fault::Trust,
        ),
        case(
            "bad/T-2-role.carrylog",
            "the station's key enrolled as a person",
            as_person,
            &[key(1)],
            Rule::Enrolment,
            Fault::Trust,
        ),
        case(
            "bad/T-3-dates.carrylog",
            "sealed after the enrolment ended",
            expired,
            &[key(1)],
            Rule::EnrolmentDates,
            Fault::Trust,
        ),
        case(
            "bad/R-1-revoked.carrylog",
            "a receipt by a server that was revoked from a larger size",
            revoked_server,
            &[key(1)],
            Rule::Receipt,
            Fault::Trust,
        ),
        case(
            "bad/T-1-partner.carrylog",
            "a bad statement that stands before the statement that trusts its authority",
            partner_first,
            &[key(5)],
            Rule::StatementSignature,
            Fault::Maker,
        ),
        case(
            "bad/H-2-alias.carrylog",
            "two units joined by an authority that may not",
            partner_alias,
            &[key(5)],
            Rule::Foreign,
            Fault::Maker,
        ),
        case(
            "bad/T-3-history.carrylog",
            "a unit history sealed before the enrolment began",
            expired_history,
            &[key(1)],
            Rule::EnrolmentDates,
            Fault::Trust,
        ),
        case(
            "bad/R-1-server.carrylog",
            "a receipt by a server that is not enrolled",
            server,
            &[key(1)],
            Rule::Receipt,
            Fault::Trust,
        ),
    ]
}
