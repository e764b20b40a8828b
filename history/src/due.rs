//! What falls due for a unit, out of its history: checks by calendar and flight time, storage charges.
//!
//! A check captured before a sheet was known is due by the sheet that is known now: dates follow from
//! the history, not from stored verdicts. The intervals themselves are [`carrylog_health::due`].

use crate::unit::{HistoryItem, Unit};
use carrylog_format::instant::Instant;
use carrylog_format::quantity::FlightMinutes;
use carrylog_format::record::{Purpose, TestRecord, UnitChange, Verdict};
use carrylog_health::due::{CheckHistory, Due, due_checks};

impl Unit {
    /// What falls due; nothing without a sheet, or for a unit that is gone.
    pub fn due(&self) -> Vec<Due> {
        match &self.sheet {
            Some(sheet) if self.gone().is_none() => due_checks(&sheet.sheet, &self.check_history()),
            Some(_) | None => Vec::new(),
        }
    }

    /// When it was commissioned: as an event says, or else its first commissioning charge.
    pub fn commissioned(&self) -> Option<Instant> {
        let mut events = self.history.events();
        let event = events.find(|(_, e)| e.event == UnitChange::Commissioned);
        event.map(|(_, e)| e.happened_ms).or_else(|| {
            let mut tests = self.history.tests();
            let test = tests.find(|(_, t)| t.purpose == Purpose::Commissioning);
            test.map(|(_, t)| t.ended_ms)
        })
    }

    /// What the due dates follow from.
    ///
    /// A check counts if it measured a capacity and its assessment, where there is one, found it
    /// within limits (guard band or not): a check that failed or could not be assessed does not
    /// restart the interval. A storage charge stands until a later charge, commissioning charge or
    /// installation.
    pub fn check_history(&self) -> CheckHistory {
        let mut tests = self.history.tests().rev();
        let check = tests.find(|(item, _)| item.is_capacity_check() && passed(item));
        let check = check.map(|(_, test)| test);
        let last_test = |wanted: &dyn Fn(&HistoryItem, &TestRecord) -> bool| {
            let mut tests = self.history.tests().rev();
            let found = tests.find(|(item, test)| wanted(item, test));
            found.map(|(_, test)| test.ended_ms)
        };
        let charged =
            last_test(&|_, t| matches!(t.purpose, Purpose::Charge | Purpose::Commissioning));
        let fitted = self
            .history
            .events()
            .rev()
            .find(|(_, e)| matches!(e.event, UnitChange::Installed(_)))
            .map(|(_, e)| e.happened_ms);
        let used = charged.max(fitted);
        let stored = last_test(&|item, t| t.purpose == Purpose::StorageCharge && passed(item));
        let flown = self.flight_time();
        CheckHistory {
            commissioned: self.commissioned(),
            last_check: check.map(|t| t.ended_ms),
            flight_minutes_at_check: check.and_then(|t| t.flight_minutes),
            last_storage_charge: stored.filter(|s| used.is_none_or(|u| u < *s)),
            flight_minutes_now: flown.last().map(|&(when, minutes)| (minutes, when)),
            flight_minutes_per_day: rate(&flown),
        }
    }

    /// Flight times on record, in order of when they were written down.
    fn flight_time(&self) -> Vec<(Instant, FlightMinutes)> {
        let tests = self.history.tests();
        let from_tests = tests.filter_map(|(_, t)| Some((t.ended_ms, t.flight_minutes?)));
        let events = self.history.events();
        let from_events = events.filter_map(|(_, e)| Some((e.happened_ms, e.flight_minutes?)));
        let mut all: Vec<_> = from_tests.chain(from_events).collect();
        all.sort();
        all
    }
}

fn passed(item: &HistoryItem) -> bool {
    item.assessment().is_none_or(|a| match a.verdict {
        Verdict::WithinLimits | Verdict::InsideGuardBand => true,
        Verdict::OutsideLimits | Verdict::NotAssessable => false,
    })
}

/// Mean rate over the last year on record; `None` if hours stand still, run backwards or are known
/// over fewer than 30 days. Common practice, no source.
fn rate(flown: &[(Instant, FlightMinutes)]) -> Option<f64> {
    let (now, minutes) = *flown.last()?;
    let year = flown
        .iter()
        .find(|(when, _)| now.days_since(*when) <= 366.0)?;
    let days = now.days_since(year.0);
    let flown = (minutes.raw() - year.1.raw()) as f64;
    (days >= 30.0 && flown > 0.0).then(|| flown / days)
}

#[cfg(test)]
#[path = "due_tests.rs"]
mod tests;
