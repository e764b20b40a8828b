//! Reading ahead: frames are read and hashed on the caller's thread, what is in them is parsed on the
//! others, and the caller gets it in the order of the file.
//!
//! Promises that nothing depends on how the threads run: each frame is handed on after all before it,
//! and a fault where it stands, so that the first in the file is the one that is named. What was read
//! ahead is bounded, whatever the file holds.

use super::header::missing_end;
use super::history_writer::ProvenForm;
use crate::cbor::{self, Limits};
use crate::frame::{Frame, FrameReader, FrameType};
use crate::ids::{SealDigest, TraceDigest};
use crate::record::{Entry, EntryError};
use crate::refusal::{Fault, Refusal, Rule, form_refusal};
use crate::trace::{self, Expander, TraceError};
use crate::tree::{self, Hash, InclusionProof};
use std::collections::VecDeque;
use std::io::Read;
use std::sync::mpsc::{Receiver, Sender, SyncSender, channel, sync_channel};
use std::thread::Scope;

/// Frames parsed in one go: enough to make handing them over cheap.
const BATCH_FRAMES: usize = 256;
/// Bytes after which a batch is full.
const BATCH_BYTES: usize = 256 * 1024;
/// Batches that are read and not handed on.
const BATCHES_AHEAD: usize = 6;
/// Bytes of frames that are read and not handed on, before the frame that passes them.
const BYTES_AHEAD: usize = 8 * 1024 * 1024;
/// Threads beside the caller's. Reading and hashing cannot keep more of them busy.
const MAX_WORKERS: usize = 3;

/// A frame with what is in it.
pub(super) struct Parsed {
    /// The frame; its payload has become the entry if it holds one.
    pub(super) frame: Frame,
    pub(super) content: Content,
}

/// What a frame holds, as far as the frame alone tells.
#[expect(
    clippy::large_enum_variant,
    reason = "nearly all are entries: a box would be one allocation more for each"
)]
pub(super) enum Content {
    /// An entry.
    Entry(Result<Entry, EntryError>),
    /// An entry with its proof.
    Proven(Result<Box<Proven>, Refusal>),
    /// The digest of a compressed trace.
    Trace(Result<TraceDigest, TraceError>),
    /// What is read where trust or order is known.
    Unparsed,
}

/// An entry of a unit history with its proof.
pub(super) struct Proven {
    pub(super) seal: SealDigest,
    pub(super) proof: InclusionProof,
    /// The root that the proof leads to; `None` if it leads nowhere.
    pub(super) root: Option<Hash>,
    pub(super) entry: Result<Entry, EntryError>,
}

/// Hands on each frame before the end, in order, and returns the end.
///
/// # Errors
/// The first of: a fault of a frame, what `each` refuses, the missing end.
pub(super) fn each_until_end<R: Read>(
    frames: &mut FrameReader<R>,
    each: &mut Each<'_>,
) -> Result<Frame, Refusal> {
    let first = Batch::read(frames);
    let workers = std::thread::available_parallelism().map_or(1, usize::from) - 1;
    let mut parser = Parser::default();
    if first.stop.is_some() || workers == 0 {
        // A small file is parsed before a thread has started.
        return parser.each_until_end(frames, first, each);
    }
    std::thread::scope(|scope| {
        let mut ahead = Ahead::start(scope, workers.min(MAX_WORKERS), parser);
        let mut batch = first;
        loop {
            ahead.push(batch.frames, batch.bytes);
            if let Some(stop) = batch.stop {
                while ahead.hand_on(each)? {}
                return stop;
            }
            while ahead.is_full() && ahead.hand_on(each)? {}
            batch = Batch::read(frames);
        }
    })
}

/// What takes the frames, one after the other.
type Each<'a> = dyn FnMut(&Parsed) -> Result<(), Refusal> + 'a;

fn hand_on(parsed: &[Parsed], each: &mut Each<'_>) -> Result<(), Refusal> {
    parsed.iter().try_for_each(each)
}

/// Frames in a row.
struct Batch {
    frames: Vec<Frame>,
    bytes: usize,
    /// What ended the frames, if something did.
    stop: Option<Result<Frame, Refusal>>,
}

impl Batch {
    fn read<R: Read>(frames: &mut FrameReader<R>) -> Self {
        let mut batch = Self {
            frames: Vec::new(),
            bytes: 0,
            stop: None,
        };
        while batch.frames.len() < BATCH_FRAMES && batch.bytes < BATCH_BYTES {
            let at = frames.offset();
            match frames.next_frame() {
                Ok(Some(frame)) if frame.kind != FrameType::End => {
                    batch.bytes += frame.payload.len();
                    batch.frames.push(frame);
                }
                Ok(Some(end)) => batch.stop = Some(Ok(end)),
                Ok(None) => batch.stop = Some(Err(missing_end(at))),
                Err(refusal) => batch.stop = Some(Err(refusal)),
            }
            if batch.stop.is_some() {
                break;
            }
        }
        batch
    }
}

/// The batches that were read, in order, wherever they are parsed.
struct Ahead {
    workers: Vec<Worker>,
    next: usize,
    /// Parses what the workers have no room for.
    parser: Parser,
    batches: VecDeque<(Place, usize)>,
    bytes: usize,
}

struct Worker {
    jobs: SyncSender<Vec<Frame>>,
    done: Receiver<Vec<Parsed>>,
    /// What was handed on goes back: memory is freed cheapest by the thread that took it.
    spent: Sender<Vec<Parsed>>,
}

/// Where a batch is.
enum Place {
    Here(Vec<Parsed>),
    /// With this worker, who returns batches in the order given.
    With(usize),
}

impl Ahead {
    fn start<'scope>(scope: &'scope Scope<'scope, '_>, workers: usize, parser: Parser) -> Self {
        let workers = (0..workers).map(|_| {
            let (jobs, todo) = sync_channel::<Vec<Frame>>(1);
            let (finished, done) = sync_channel(BATCHES_AHEAD);
            let (spent, freed) = channel();
            scope.spawn(move || {
                let mut parser = Parser::default();
                // Whoever reads may stop in the middle: then nobody waits for the rest.
                while let Ok(frames) = todo.recv() {
                    freed.try_iter().for_each(drop);
                    if finished.send(parser.parse(frames)).is_err() {
                        break;
                    }
                }
            });
            Worker { jobs, done, spent }
        });
        Self {
            workers: workers.collect(),
            next: 0,
            parser,
            batches: VecDeque::new(),
            bytes: 0,
        }
    }

    /// Gives a batch to a worker that has room, or parses it here.
    fn push(&mut self, frames: Vec<Frame>, bytes: usize) {
        let mut frames = frames;
        let mut place = None;
        for _ in 0..self.workers.len() {
            let number = self.next % self.workers.len();
            self.next += 1;
            let Some(worker) = self.workers.get(number) else {
                continue;
            };
            match worker.jobs.try_send(frames) {
                Ok(()) => {
                    frames = Vec::new();
                    place = Some(Place::With(number));
                    break;
                }
                Err(back) => {
                    frames = match back {
                        std::sync::mpsc::TrySendError::Full(frames)
                        | std::sync::mpsc::TrySendError::Disconnected(frames) => frames,
                    }
                }
            }
        }
        let place = place.unwrap_or_else(|| Place::Here(self.parser.parse(frames)));
        self.batches.push_back((place, bytes));
        self.bytes += bytes;
    }

    fn is_full(&self) -> bool {
        self.batches.len() > BATCHES_AHEAD || self.bytes > BYTES_AHEAD
    }

    /// Hands on the oldest batch, waiting for it; whether there was one.
    fn hand_on(&mut self, each: &mut Each<'_>) -> Result<bool, Refusal> {
        let Some((place, bytes)) = self.batches.pop_front() else {
            return Ok(false);
        };
        self.bytes -= bytes;
        match place {
            Place::Here(parsed) => hand_on(&parsed, each)?,
            Place::With(number) => {
                let worker = self.workers.get(number);
                // A worker ends early only by a panic, and that comes out of the scope: nothing
                // read without its batch is ever taken for verified.
                if let Some((worker, parsed)) = worker.and_then(|w| Some((w, w.done.recv().ok()?)))
                {
                    hand_on(&parsed, each)?;
                    let _ = worker.spent.send(parsed);
                }
            }
        }
        Ok(true)
    }
}

/// Parses frames; keeps what is costly to make.
#[derive(Default)]
struct Parser {
    expander: Option<Expander>,
}

impl Parser {
    /// Parses on this thread alone, one frame after the other.
    fn each_until_end<R: Read>(
        &mut self,
        frames: &mut FrameReader<R>,
        first: Batch,
        each: &mut Each<'_>,
    ) -> Result<Frame, Refusal> {
        let mut batch = first;
        loop {
            for frame in batch.frames {
                each(&self.parse_one(frame))?;
            }
            if let Some(stop) = batch.stop {
                return stop;
            }
            batch = Batch::read(frames);
        }
    }

    fn parse(&mut self, frames: Vec<Frame>) -> Vec<Parsed> {
        let parse = |frame| self.parse_one(frame);
        frames.into_iter().map(parse).collect()
    }

    fn parse_one(&mut self, mut frame: Frame) -> Parsed {
        let content = match frame.kind {
            FrameType::Entry => {
                let bytes = std::mem::take(&mut frame.payload);
                // An entry's frame has type 0, so its digest is the entry's leaf hash.
                Content::Entry(Entry::from_named(bytes, frame.digest))
            }
            FrameType::ProvenEntry => Content::Proven(proven(&frame).map(Box::new)),
            FrameType::Trace => Content::Trace(self.digest(&frame.payload)),
            FrameType::Header
            | FrameType::Frontier
            | FrameType::Seal
            | FrameType::Head
            | FrameType::Statement
            | FrameType::Receipt
            | FrameType::Recovery
            | FrameType::End
            | FrameType::Sealed => Content::Unparsed,
        };
        Parsed { frame, content }
    }

    fn digest(&mut self, compressed: &[u8]) -> Result<TraceDigest, TraceError> {
        let expander = match &mut self.expander {
            Some(expander) => expander,
            none => none.insert(Expander::new()?),
        };
        let (digest, _) = expander.digest(compressed, trace::MAX_CANONICAL_LEN)?;
        Ok(digest)
    }
}

fn proven(frame: &Frame) -> Result<Proven, Refusal> {
    let limits = Limits {
        max_len: FrameType::ProvenEntry.max_payload() as usize,
        max_depth: 2,
        allow_tags: false,
    };
    let form: ProvenForm = cbor::from_canonical(&frame.payload, &limits)
        .map_err(|e| form_refusal(Rule::Inclusion, &e, frame.payload_offset))?;
    let proof = InclusionProof::from_cbor(&form.proof)
        .map_err(|_| unproven(frame, "an entry's proof is not in its only form"))?;
    let leaf = tree::leaf_hash(&form.entry);
    Ok(Proven {
        seal: form.seal,
        root: proof.root(&leaf).ok(),
        proof,
        entry: Entry::from_named(form.entry, leaf),
    })
}

/// The refusal of an entry that is not proven.
pub(super) fn unproven(frame: &Frame, found: &str) -> Refusal {
    Refusal::new(Rule::Inclusion, Fault::Maker, frame.offset, found)
}
