//! Makes recovery data for a finished bundle and puts it after its end.

use super::code::{CodeError, Encoder, shard_digest};
use super::layout::{Band, Layout, Percent};
use super::payload::RecoveryPayload;
use crate::frame::{self, FrameReader, FrameType};
use crate::refusal::{Fault, Refusal, Rule};
use crate::tree::Hash;
use std::io::{self, Read, Seek, SeekFrom, Write};

/// What was appended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Appended {
    /// Length of the protected region, bytes.
    pub region_bytes: u64,
    /// Number of recovery elements.
    pub elements: u64,
    /// Length of the recovery data, bytes.
    pub bytes: u64,
}

/// Reads the finished bundle in `region` (all of it, from offset 0) and writes its recovery data to
/// `out`, which must stand right after the bundle's last byte.
///
/// # Errors
/// [`io::ErrorKind::InvalidData`] with a [`Refusal`] inside if `region` is not one whole sequence of
/// elements that ends with the end element; what reader and writer underneath report.
pub fn append<R: Read + Seek, W: Write>(
    region: &mut R,
    out: &mut W,
    percent: Percent,
) -> io::Result<Appended> {
    let maker = Maker::start(region, percent)?;
    maker.run(region, |_, _, bytes| out.write_all(bytes))
}

/// The same for a file that is read and written through one handle: the data goes to its end.
///
/// # Errors
/// As [`append`].
pub fn append_in_place<F: Read + Write + Seek>(
    file: &mut F,
    percent: Percent,
) -> io::Result<Appended> {
    let maker = Maker::start(file, percent)?;
    let appended = maker.run(file, |file, at, bytes| {
        file.seek(SeekFrom::Start(at))?;
        file.write_all(bytes)
    })?;
    file.flush()?;
    Ok(appended)
}

/// Reads a region of `length` bytes from the start of `input` to its end element; its digest.
///
/// # Errors
/// [`Refusal`] if it is not a whole sequence of elements of that length.
pub(crate) fn check_region<R: Read>(input: R, length: u64) -> Result<Hash, Refusal> {
    let mut frames = FrameReader::new(io::BufReader::new(input.take(length)))?;
    let mut last = None;
    while let Some(frame) = frames.next_frame()? {
        last = Some(frame.kind);
        if frame.kind == FrameType::End {
            break;
        }
    }
    if last != Some(FrameType::End) || frames.offset() != length {
        let found = "the bytes to protect do not stop at the end of a bundle";
        let fault = Fault::Maker;
        return Err(Refusal::new(Rule::End, fault, frames.offset(), found));
    }
    Ok(frames.spine())
}

/// What one group's elements share out.
struct MadeGroup {
    recovery: Vec<Vec<u8>>,
    table: Vec<u8>,
}

struct Maker {
    layout: Layout,
    whole: Hash,
}

impl Maker {
    fn start<R: Read + Seek>(region: &mut R, percent: Percent) -> io::Result<Self> {
        let length = region.seek(SeekFrom::End(0))?;
        region.seek(SeekFrom::Start(0))?;
        let whole = check_region(&mut *region, length)
            .map_err(|e| io::Error::new(io::ErrorKind::InvalidData, e))?;
        let layout = Layout::new(length, percent).ok_or_else(|| {
            io::Error::new(
                io::ErrorKind::InvalidInput,
                "the file is too long for recovery data",
            )
        })?;
        Ok(Self { layout, whole })
    }

    /// Makes all elements, band by band; `put` gets each with its offset.
    fn run<R: Read + Seek>(
        &self,
        region: &mut R,
        mut put: impl FnMut(&mut R, u64, &[u8]) -> io::Result<()>,
    ) -> io::Result<Appended> {
        let mut at = self.layout.length();
        let mut elements = 0;
        for number in 0..self.layout.bands() {
            let Some(band) = self.layout.band(number) else {
                break;
            };
            let groups = self.encode(region, &band)?;
            for (group, index) in band.elements() {
                let mut payload =
                    RecoveryPayload::new(&self.layout, self.whole, at, (group, index));
                let made = groups.get((group - band.first_group) as usize);
                if let Some(made) = made {
                    payload.table.extend_from_slice(&made.table);
                    let shard = made.recovery.get(index as usize);
                    payload
                        .shard
                        .extend_from_slice(shard.map_or(&[], Vec::as_slice));
                }
                let payload = payload.encode().map_err(io::Error::other)?;
                let bytes = frame::encode(FrameType::Recovery, &payload)?;
                put(region, at, &bytes)?;
                at += bytes.len() as u64;
                elements += 1;
            }
        }
        Ok(Appended {
            region_bytes: self.layout.length(),
            elements,
            bytes: at - self.layout.length(),
        })
    }

    /// Recovery shards and digest table of each group of a band.
    fn encode<R: Read + Seek>(&self, region: &mut R, band: &Band) -> io::Result<Vec<MadeGroup>> {
        let mut buffer = vec![0; self.layout.shard_bytes()];
        let mut groups = Vec::new();
        for group in band.first_group..band.first_group + band.groups {
            let data = band.data_of(group);
            let mut encoder = Encoder::new(data.len(), band.recovery as usize, buffer.len())
                .map_err(code_error)?;
            let mut table = Vec::new();
            for shard in data {
                let (bytes, padding) = buffer.split_at_mut(self.layout.bytes_in(shard));
                region.seek(SeekFrom::Start(shard * self.layout.shard_bytes() as u64))?;
                region.read_exact(bytes)?;
                padding.fill(0);
                table.extend_from_slice(&shard_digest(&buffer));
                encoder.add(&buffer).map_err(code_error)?;
            }
            groups.push(MadeGroup {
                recovery: encoder.finish().map_err(code_error)?,
                table,
            });
        }
        Ok(groups)
    }
}

fn code_error(error: CodeError) -> io::Error {
    io::Error::other(error)
}
