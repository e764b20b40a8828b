//! `carrylog slots`: which memory slots of the station may be overwritten.

use crate::context::Report;
use crate::failure::Failure;
use crate::station::{Access, Station};
use carrylog_format::view;
use clap::Args;
use serde::Serialize;
use std::fmt;
use std::path::PathBuf;

/// Show each memory slot: free, or waiting for a receipt
#[derive(Debug, Args)]
#[command(after_help = "Example:\n  carrylog slots bay2")]
pub(crate) struct Slots {
    /// The station's folder
    dir: PathBuf,
}

#[derive(Debug, Serialize)]
pub(crate) struct SlotList {
    free: usize,
    locked: bool,
    slots: Vec<SlotView>,
}

#[derive(Debug, Serialize)]
struct SlotView {
    slot: u16,
    free: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    entry_index: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    summary: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    waits_for: Option<&'static str>,
}

impl Slots {
    pub(crate) fn run(&self) -> Result<SlotList, Failure> {
        let station = Station::open(&self.dir, Access::Read)?;
        let mut slots = Vec::new();
        for slot in station.slots()? {
            let summary = match slot.entry {
                Some(index) => Some(view::summary(station.entry(index)?.record())),
                None => None,
            };
            let waits_for = slot.entry.map(|index| {
                if index < station.sealed_size() {
                    "a receipt"
                } else {
                    "pack and a receipt"
                }
            });
            slots.push(SlotView {
                slot: slot.number,
                free: slot.entry.is_none(),
                entry_index: slot.entry,
                summary,
                waits_for,
            });
        }
        let free = slots.iter().filter(|s| s.free).count();
        Ok(SlotList {
            free,
            locked: free == 0 && !slots.is_empty(),
            slots,
        })
    }
}

impl fmt::Display for SlotList {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for slot in &self.slots {
            match (&slot.summary, slot.entry_index, slot.waits_for) {
                (Some(summary), Some(entry), Some(waits_for)) => writeln!(
                    f,
                    "slot {:>2}  holds entry {entry} ({summary}), waits for {waits_for}",
                    slot.slot
                )?,
                _ => writeln!(f, "slot {:>2}  free", slot.slot)?,
            }
        }
        writeln!(f, "{} of {} slots free", self.free, self.slots.len())?;
        if self.locked {
            writeln!(f, "the station is locked: pack, deliver and settle")?;
        }
        Ok(())
    }
}

impl Report for SlotList {}
