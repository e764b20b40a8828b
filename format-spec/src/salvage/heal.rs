//! Heals a damaged file bit for bit from its recovery data.

use super::recovery_scan::{RecoverySet, recovery_sets};
use super::source::Source;
use crate::recovery::{
    Appended, Band, DIGEST_BYTES, Layout, RecoveryPayload, append, check_region, restore,
    shard_digest,
};
use std::collections::BTreeMap;
use std::io::{self, Read, Seek, SeekFrom, Write};

/// What was wrong with a file and was put right.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Healed {
    /// Length of the protected region, bytes.
    pub region_bytes: u64,
    /// Shards that the region is cut into.
    pub shards: u64,
    /// Length of a shard, bytes.
    pub shard_bytes: u64,
    /// Shards that were damaged and are restored.
    pub shards_restored: u64,
    /// Recovery elements that the whole file has.
    pub elements: u64,
    /// Recovery elements that were lost or damaged and are made again.
    pub elements_restored: u64,
}

/// Why a file cannot be healed. Its entries may still be saved one by one.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum NotHealed {
    /// No recovery element was found intact.
    #[error("the file holds no recovery data, or none that is intact")]
    NoRecoveryData,
    /// More was lost than the recovery data can restore.
    #[error(
        "in one group of blocks {damaged} are damaged and {available} recovery blocks are left; the damage is beyond the budget"
    )]
    BeyondBudget {
        /// Damaged data shards of the group.
        damaged: u64,
        /// Recovery shards of the group that survived.
        available: u64,
    },
    /// The restored bytes are not the ones that the recovery data was made for.
    #[error("the restored bytes are not the original ones; nothing was written")]
    NotProven,
    /// Writing failed.
    #[error(transparent)]
    Io(#[from] io::Error),
}

/// A file that can be healed: every byte of its region is proven against the region's digest.
#[derive(Debug)]
pub struct Healing<'r, R> {
    region: HealedRegion<'r, R>,
    report: Healed,
}

impl<'r, R: Read + Seek> Healing<'r, R> {
    /// Looks for recovery data in `input` and proves that the region can be restored with it.
    ///
    /// # Errors
    /// [`NotHealed`] says why not.
    pub fn find(input: &'r mut R) -> Result<Self, NotHealed> {
        let mut source = Source::new(input)?;
        let mut why = NotHealed::NoRecoveryData;
        for set in recovery_sets(&mut source) {
            let mut region = HealedRegion::new(source, set);
            match region.prove() {
                Ok(report) => return Ok(Self { region, report }),
                Err(e) => why = e,
            }
            source = region.source;
        }
        Err(why)
    }

    /// What is damaged and will be restored.
    pub fn report(&self) -> Healed {
        self.report
    }

    /// Writes the healed file: the region, and its recovery data made anew.
    ///
    /// # Errors
    /// What the writer underneath reports; the output is then to be thrown away.
    pub fn write_to<W: Write>(&mut self, out: &mut W) -> io::Result<Appended> {
        self.region.seek(SeekFrom::Start(0))?;
        io::copy(&mut self.region, out)?;
        let percent = self.region.set.layout.percent();
        append(&mut self.region, out, percent)
    }
}

/// The protected region as it was before the damage.
#[derive(Debug)]
struct HealedRegion<'r, R> {
    source: Source<'r, R>,
    set: RecoverySet,
    position: u64,
    /// The band whose restored shards are held.
    band: Option<u64>,
    restored: BTreeMap<u64, Vec<u8>>,
}

impl<'r, R: Read + Seek> HealedRegion<'r, R> {
    fn new(source: Source<'r, R>, set: RecoverySet) -> Self {
        Self {
            source,
            set,
            position: 0,
            band: None,
            restored: BTreeMap::new(),
        }
    }

    /// Counts the damage, restores every band once and checks the result against the digest.
    fn prove(&mut self) -> Result<Healed, NotHealed> {
        let layout = self.set.layout;
        let mut report = Healed {
            region_bytes: layout.length(),
            shards: layout.shards(),
            shard_bytes: layout.shard_bytes() as u64,
            shards_restored: 0,
            elements: 0,
            elements_restored: 0,
        };
        for number in 0..layout.bands() {
            let Some(band) = layout.band(number) else {
                break;
            };
            report.elements += band.groups * band.recovery;
            report.shards_restored += self.load(number)?;
        }
        report.elements_restored = report.elements - self.set.elements.len() as u64;
        match check_region(&mut *self, layout.length()) {
            Ok(whole) if whole == self.set.whole => Ok(report),
            _ => Err(NotHealed::NotProven),
        }
    }

    /// Restores the damaged shards of a band; their number.
    fn load(&mut self, number: u64) -> Result<u64, NotHealed> {
        if self.band == Some(number) {
            return Ok(self.restored.len() as u64);
        }
        self.restored.clear();
        self.band = None;
        if let Some(band) = self.set.layout.band(number) {
            for group in band.first_group..band.first_group + band.groups {
                self.load_group(&band, group)?;
            }
        }
        self.band = Some(number);
        Ok(self.restored.len() as u64)
    }

    fn load_group(&mut self, band: &Band, group: u64) -> Result<(), NotHealed> {
        let layout = self.set.layout;
        let mut recovery = Vec::new();
        let mut table = Vec::new();
        let places: Vec<u64> = self.places(group);
        // Without any element of the group its shards are taken as they are; the digest decides.
        let Some(first) = places.first().and_then(|at| self.payload(*at)) else {
            return Ok(());
        };
        table.extend_from_slice(&first.table);
        let mut data = Vec::new();
        let mut damaged = BTreeMap::new();
        for (place, (shard, digest)) in band
            .data_of(group)
            .zip(table.chunks_exact(DIGEST_BYTES))
            .enumerate()
        {
            let bytes = self.shard(&layout, shard);
            if shard_digest(&bytes) == *digest {
                data.push((place, bytes));
            } else {
                damaged.insert(place, (shard, digest));
            }
        }
        if damaged.is_empty() {
            return Ok(());
        }
        let beyond = NotHealed::BeyondBudget {
            damaged: damaged.len() as u64,
            available: places.len() as u64,
        };
        if damaged.len() > places.len() {
            return Err(beyond);
        }
        for at in places {
            let Some(payload) = self.payload(at) else {
                continue;
            };
            recovery.push((payload.index as usize, payload.shard.into_vec()));
            if recovery.len() == damaged.len() {
                break;
            }
        }
        let counts = (band.data_of(group).len(), band.recovery as usize);
        let restored = restore(counts, &data, &recovery).map_err(|_| beyond)?;
        for (place, bytes) in restored {
            match damaged.get(&place) {
                Some((shard, digest)) if shard_digest(&bytes) == **digest => {
                    self.restored.insert(*shard, bytes);
                }
                _ => return Err(NotHealed::NotProven),
            }
        }
        Ok(())
    }

    /// Where the group's surviving elements stand.
    fn places(&self, group: u64) -> Vec<u64> {
        self.set
            .elements
            .range((group, 0)..=(group, u64::MAX))
            .map(|(_, at)| *at)
            .collect()
    }

    /// The element at `at`, read again; `None` if the medium no longer delivers it.
    fn payload(&mut self, at: u64) -> Option<RecoveryPayload> {
        let found = self.source.element_at(at)?;
        RecoveryPayload::parse(&found.payload).ok()
    }

    /// A data shard as it stands in the file, padded with zeros.
    fn shard(&mut self, layout: &Layout, shard: u64) -> Vec<u8> {
        let mut bytes = vec![0; layout.shard_bytes()];
        let (there, _) = bytes.split_at_mut(layout.bytes_in(shard));
        self.source
            .read_at(shard * layout.shard_bytes() as u64, there);
        bytes
    }
}

impl<R: Read + Seek> Read for HealedRegion<'_, R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let layout = self.set.layout;
        let shard_bytes = layout.shard_bytes() as u64;
        let (shard, within) = (self.position / shard_bytes, self.position % shard_bytes);
        let left = (layout.bytes_in(shard) as u64).saturating_sub(within) as usize;
        let (part, _) = buffer.split_at_mut(left.min(buffer.len()));
        if part.is_empty() {
            return Ok(0);
        }
        self.load(layout.band_of_shard(shard))
            .map_err(io::Error::other)?;
        let restored = self
            .restored
            .get(&shard)
            .and_then(|bytes| bytes.get(within as usize..within as usize + part.len()));
        match restored {
            Some(bytes) => part.copy_from_slice(bytes),
            None => self.source.read_at(self.position, part),
        }
        self.position += part.len() as u64;
        Ok(part.len())
    }
}

impl<R: Read + Seek> Seek for HealedRegion<'_, R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let target = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::End(by) => self.set.layout.length().checked_add_signed(by),
            SeekFrom::Current(by) => self.position.checked_add_signed(by),
        };
        self.position = target.ok_or(io::ErrorKind::InvalidInput)?;
        Ok(self.position)
    }
}
