//! Recovery data through the strict door: it must be whole, in order and about the bytes before it.

use super::layout::{Band, Layout};
use super::payload::RecoveryPayload;
use crate::frame::Frame;
use crate::refusal::{Fault, Refusal, Rule, form_refusal};
use crate::tree::Hash;

/// Checks the recovery elements of a file one by one. The shards themselves are not computed again:
/// their frames' digests hold, and whatever they heal is proven by the region's digest.
#[derive(Debug)]
pub(crate) struct RecoveryCheck {
    region_end: u64,
    whole: Hash,
    state: Option<State>,
    end: u64,
}

#[derive(Debug)]
struct State {
    layout: Layout,
    band: u64,
    /// Elements of the band seen so far.
    seen: u64,
}

impl RecoveryCheck {
    /// For a region that ends at `region_end` and has the digest `whole`.
    pub(crate) fn new(region_end: u64, whole: Hash) -> Self {
        Self {
            region_end,
            whole,
            state: None,
            end: region_end,
        }
    }

    /// Takes the next recovery element; `end` is the offset after it.
    ///
    /// # Errors
    /// [`Rule::Recovery`] if it does not belong here.
    pub(crate) fn accept(&mut self, frame: &Frame, end: u64) -> Result<(), Refusal> {
        let payload = RecoveryPayload::parse(&frame.payload)
            .map_err(|e| form_refusal(Rule::Recovery, &e, frame.payload_offset))?;
        let layout = payload
            .layout()
            .ok_or_else(|| refuse(frame.offset, "recovery data does not fit its own layout"))?;
        if payload.length != self.region_end || payload.whole != self.whole {
            let found = "recovery data belongs to other bytes than those before it";
            return Err(refuse(frame.offset, found));
        }
        let state = self.state.get_or_insert(State {
            layout,
            band: 0,
            seen: 0,
        });
        let next = state.next();
        let place = (payload.group, payload.index);
        if layout != state.layout || payload.at != frame.offset || next != Some(place) {
            let found = "recovery data is out of its order";
            return Err(refuse(frame.offset, found));
        }
        state.seen += 1;
        self.end = end;
        Ok(())
    }

    /// # Errors
    /// [`Rule::Recovery`] if elements are missing at the end or something stands after them.
    pub(crate) fn finish(self, file_end: u64) -> Result<(), Refusal> {
        let missing = self.state.is_some_and(|mut state| state.next().is_some());
        if missing {
            let found = "the file stops before the end of its recovery data";
            return Err(Refusal::new(Rule::Recovery, Fault::Medium, file_end, found));
        }
        if file_end != self.end {
            let found = "something stands after the end of the file";
            return Err(refuse(self.end, found));
        }
        Ok(())
    }
}

impl State {
    /// Group and index of the element that comes next.
    fn next(&mut self) -> Option<(u64, u64)> {
        let mut band = self.layout.band(self.band)?;
        if self.seen >= band.groups * band.recovery {
            self.band += 1;
            self.seen = 0;
            band = self.layout.band(self.band)?;
        }
        Some(place(&band, self.seen))
    }
}

fn place(band: &Band, seen: u64) -> (u64, u64) {
    (band.first_group + seen % band.groups, seen / band.groups)
}

fn refuse(offset: u64, found: &str) -> Refusal {
    Refusal::new(Rule::Recovery, Fault::Maker, offset, found)
}
