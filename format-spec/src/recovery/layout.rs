//! Where each shard of a region belongs: a pure function of the region's length and a percentage.
//!
//! The region is cut into shards; neighbouring shards go to different groups, so that a run of bad
//! sectors takes a little from many groups and not all from one. Bands bound what is held at once.

use serde::{Deserialize, Serialize};

/// Longest region that recovery data can be made for, bytes.
pub const MAX_REGION_BYTES: u64 = 1 << 48;
/// Bytes of SHA-256 kept for each data shard: enough to find damage; the region's own digest proves.
pub(crate) const DIGEST_BYTES: usize = 8;
/// Smallest shard: one sector.
const MIN_SHARD_BYTES: u64 = 512;
const MAX_SHARD_BYTES: u64 = 16 * 1024;
/// Most data shards in a group.
const GROUP_SHARDS: u64 = 128;
/// Fewest recovery shards in a group: the one sector across the end can hit two elements.
const MIN_RECOVERY_SHARDS: u64 = 2;
const MAX_BAND_GROUPS: u64 = 64;
/// Bytes of recovery shards that one band may hold.
const BAND_RECOVERY_BYTES: u64 = 16 * 1024 * 1024;

/// How much recovery data to make, in percent of the region: 1 to 100.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "u8", into = "u8")]
pub struct Percent(u8);

impl Percent {
    /// Takes a percentage.
    ///
    /// # Errors
    /// [`PercentError`] outside 1 to 100.
    pub fn new(percent: u8) -> Result<Self, PercentError> {
        if (1..=100).contains(&percent) {
            Ok(Self(percent))
        } else {
            Err(PercentError(percent))
        }
    }

    /// The percentage.
    pub fn get(self) -> u8 {
        self.0
    }
}

impl Default for Percent {
    /// Ten percent.
    fn default() -> Self {
        Self(10)
    }
}

impl TryFrom<u8> for Percent {
    type Error = PercentError;
    fn try_from(percent: u8) -> Result<Self, PercentError> {
        Self::new(percent)
    }
}

impl From<Percent> for u8 {
    fn from(percent: Percent) -> Self {
        percent.0
    }
}

/// A percentage outside 1 to 100.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("{0} % of recovery data cannot be made; give 1 to 100")]
pub struct PercentError(u8);

/// The layout of one region.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Layout {
    length: u64,
    percent: Percent,
    shard_bytes: u64,
    shards: u64,
    band_groups: u64,
}

impl Layout {
    /// The layout for a region of `length` bytes; `None` for a length that has none.
    pub(crate) fn new(length: u64, percent: Percent) -> Option<Self> {
        if length == 0 || length > MAX_REGION_BYTES {
            return None;
        }
        let mut shard_bytes = MIN_SHARD_BYTES;
        while shard_bytes < MAX_SHARD_BYTES && length > shard_bytes * shard_bytes / 64 {
            shard_bytes *= 2;
        }
        let most = recovery_shards(GROUP_SHARDS, percent);
        let band_groups = (BAND_RECOVERY_BYTES / (most * shard_bytes)).clamp(1, MAX_BAND_GROUPS);
        Some(Self {
            length,
            percent,
            shard_bytes,
            shards: length.div_ceil(shard_bytes),
            band_groups,
        })
    }

    pub(crate) fn length(&self) -> u64 {
        self.length
    }

    pub(crate) fn percent(&self) -> Percent {
        self.percent
    }

    /// Length of a shard, bytes.
    pub(crate) fn shard_bytes(&self) -> usize {
        self.shard_bytes as usize
    }

    /// Number of data shards in the region.
    pub(crate) fn shards(&self) -> u64 {
        self.shards
    }

    /// Bytes of the region in data shard `shard`; the last one may be shorter than a shard.
    pub(crate) fn bytes_in(&self, shard: u64) -> usize {
        let start = shard.saturating_mul(self.shard_bytes);
        self.length.saturating_sub(start).min(self.shard_bytes) as usize
    }

    /// Number of bands.
    pub(crate) fn bands(&self) -> u64 {
        self.shards.div_ceil(self.band_shards())
    }

    /// The band numbered `band`; `None` past the last one.
    pub(crate) fn band(&self, band: u64) -> Option<Band> {
        let first_shard = band.checked_mul(self.band_shards())?;
        let shards = self
            .shards
            .checked_sub(first_shard)?
            .min(self.band_shards());
        if shards == 0 {
            return None;
        }
        let groups = shards.div_ceil(GROUP_SHARDS);
        Some(Band {
            first_shard,
            shards,
            first_group: band * self.band_groups,
            groups,
            recovery: recovery_shards(shards.div_ceil(groups), self.percent),
        })
    }

    /// The band that data shard `shard` is in.
    pub(crate) fn band_of_shard(&self, shard: u64) -> u64 {
        shard / self.band_shards()
    }

    /// The band that group `group` is in.
    pub(crate) fn band_of_group(&self, group: u64) -> u64 {
        group / self.band_groups
    }

    fn band_shards(&self) -> u64 {
        GROUP_SHARDS * self.band_groups
    }
}

fn recovery_shards(data: u64, percent: Percent) -> u64 {
    (data * u64::from(percent.0))
        .div_ceil(100)
        .max(MIN_RECOVERY_SHARDS)
}

/// A run of data shards whose recovery shards are written together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Band {
    /// First data shard of the band.
    pub(crate) first_shard: u64,
    /// Number of data shards.
    pub(crate) shards: u64,
    /// Number of the band's first group.
    pub(crate) first_group: u64,
    /// Number of groups.
    pub(crate) groups: u64,
    /// Recovery shards of each group.
    pub(crate) recovery: u64,
}

impl Band {
    /// Whether `group` is in this band.
    pub(crate) fn holds(&self, group: u64) -> bool {
        (self.first_group..self.first_group + self.groups).contains(&group)
    }

    /// The data shards of `group`, in their order in the code.
    pub(crate) fn data_of(&self, group: u64) -> impl ExactSizeIterator<Item = u64> + use<> {
        let lane = group - self.first_group;
        let count = (self.shards - lane).div_ceil(self.groups) as usize;
        let (first, step) = (self.first_shard + lane, self.groups);
        (0..count).map(move |place| first + place as u64 * step)
    }

    /// Group and index of each recovery element of the band, in file order.
    pub(crate) fn elements(&self) -> impl Iterator<Item = (u64, u64)> + use<> {
        let (first, groups) = (self.first_group, self.groups);
        (0..self.recovery).flat_map(move |index| (0..groups).map(move |g| (first + g, index)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    fn layout(length: u64, percent: u8) -> Layout {
        Layout::new(length, Percent::new(percent).unwrap()).unwrap()
    }

    #[test]
    fn shards_grow_with_the_region_so_that_tables_stay_small() {
        let sizes = [
            1,
            4096,
            4097,
            65_536,
            65_537,
            1 << 20,
            (1 << 20) + 1,
            1 << 40,
        ];
        let shards: Vec<usize> = sizes.map(|s| layout(s, 10).shard_bytes()).to_vec();
        assert_eq!(shards, [512, 512, 1024, 2048, 4096, 8192, 16384, 16384]);
    }

    #[test]
    fn an_empty_or_absurd_region_has_no_layout() {
        assert_eq!(Layout::new(0, Percent::default()), None);
        assert_eq!(Layout::new(u64::MAX, Percent::default()), None);
    }

    proptest! {
        #[test]
        fn each_data_shard_is_in_one_group_and_groups_stay_small(
            length in 1u64..800 << 20, percent in 1u8..=100,
        ) {
            let layout = layout(length, percent);
            let mut seen = 0;
            for number in 0..layout.bands() {
                let band = layout.band(number).unwrap();
                let mut shards = BTreeSet::new();
                for group in band.first_group..band.first_group + band.groups {
                    prop_assert_eq!(layout.band_of_group(group), number);
                    let data: Vec<u64> = band.data_of(group).collect();
                    prop_assert!(!data.is_empty() && data.len() <= 128);
                    prop_assert!(band.recovery >= 2 && band.recovery <= 128);
                    shards.extend(data);
                }
                prop_assert_eq!(shards.len() as u64, band.shards);
                prop_assert_eq!(shards.first().copied(), Some(seen));
                seen += band.shards;
                prop_assert_eq!(shards.last().copied(), Some(seen - 1));
                let held = band.groups * band.recovery * layout.shard_bytes() as u64;
                prop_assert!(held <= 16 << 20);
            }
            prop_assert_eq!(seen, layout.shards());
            prop_assert_eq!(layout.band(layout.bands()), None);
        }
    }
}
