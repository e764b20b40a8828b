//! Anomalies of one log: what is missing, what contradicts itself, whose clock is doubtful.

use super::{Anomaly, AnomalyKind};
use crate::log::{EntryStatus, LogReport, SealFact};
use carrylog_format::ids::{EntryId, LogId};
use carrylog_format::instant::Instant;
use carrylog_format::tree::Hash;

/// How far a station's clock may run ahead of the server's before it is doubtful, milliseconds.
/// Five minutes: common practice, no source.
const CLOCK_ALLOWANCE_MS: i64 = 5 * 60 * 1000;

/// One entry's clock, for the search for doubtful times.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct EntryClock {
    /// Index in the log.
    pub index: u64,
    /// Leaf hash.
    pub leaf: Hash,
    /// When it was made, by the station's clock.
    pub at: Instant,
    /// When it arrived.
    pub arrived: Instant,
    /// Its status.
    pub status: EntryStatus,
}

/// Gaps, forks, seals and choices of one log.
pub fn log_anomalies(log: LogId, report: &LogReport, seals: &[SealFact]) -> Vec<Anomaly> {
    let anomaly = |kind, found| Anomaly {
        kind,
        log: Some(log),
        unit: None,
        entries: Vec::new(),
        found,
    };
    let mut all = Vec::new();
    for gap in &report.gaps {
        let found = format!(
            "Entries {} to {} are missing; later ones are held. Fetch the stick that carries them.",
            gap.known_to,
            gap.held_from.saturating_sub(1)
        );
        all.push(anomaly(AnomalyKind::Gap, found));
    }
    for fork in report.forks.iter().filter(|f| !f.settled) {
        let [(size_a, root_a), (size_b, root_b)] = &fork.tips;
        let short = |root: &Hash| -> String { root.to_string().chars().take(12).collect() };
        let found = format!(
            "The log has two versions that agree on its first {} entries only: {size_a} entries with root {}, {size_b} entries with root {}. Its key or its folder was copied; the authority chooses one.",
            fork.same_up_to,
            short(root_a),
            short(root_b),
        );
        all.push(anomaly(AnomalyKind::Fork, found));
    }
    for size in &report.unknown_choices {
        let found = format!(
            "The authority chose a version of the log at size {size} that was not delivered here."
        );
        all.push(anomaly(AnomalyKind::UnknownChoice, found));
    }
    if report.forks.is_empty() {
        let mut numbers: Vec<u64> = seals.iter().map(|s| s.seq).collect();
        numbers.sort_unstable();
        let mut twice: Vec<u64> = numbers
            .windows(2)
            .filter(|w| w[0] == w[1])
            .map(|w| w[0])
            .collect();
        twice.dedup();
        for number in twice {
            let found = format!("Two different seals of the log have number {number}.");
            all.push(anomaly(AnomalyKind::SealChain, found));
        }
    }
    all
}

/// Doubtful clocks among `rows`, in the order of the log. The first row is looked at only as the
/// predecessor of the second, unless it is entry 0.
///
/// Entries of one arrival that are dated after it, one behind the other, are one anomaly.
pub fn clock_anomalies(log: LogId, rows: &[EntryClock]) -> Vec<Anomaly> {
    let mut all = Vec::new();
    let mut ahead: Option<Vec<EntryClock>> = None;
    let mut previous: Option<&EntryClock> = None;
    for row in rows.iter().filter(|r| r.status == EntryStatus::Accepted) {
        let is_new = previous.is_some() || row.index == 0;
        if let Some(before) = previous.filter(|p| p.index + 1 == row.index && row.at < p.at) {
            all.push(Anomaly {
                kind: AnomalyKind::ClockBackwards,
                log: Some(log),
                unit: None,
                entries: vec![EntryId::from_hash(row.leaf)],
                found: format!(
                    "Entry {} is dated {}, before entry {} of {}. The order of the log counts, not the clock.",
                    row.index, row.at, before.index, before.at
                ),
            });
        }
        if is_new && row.at.millis() > row.arrived.millis() + CLOCK_ALLOWANCE_MS {
            match &mut ahead {
                Some(run) if run.last().is_some_and(|l| l.arrived == row.arrived) => run.push(*row),
                run => all.extend(run.replace(vec![*row]).map(|run| dated_ahead(log, &run))),
            }
        } else {
            all.extend(ahead.take().map(|run| dated_ahead(log, &run)));
        }
        previous = Some(row);
    }
    all.extend(ahead.map(|run| dated_ahead(log, &run)));
    all
}

fn dated_ahead(log: LogId, run: &[EntryClock]) -> Anomaly {
    let (first, last) = (run.first(), run.last());
    let found = match (first, last) {
        (Some(a), Some(b)) if a.index < b.index => format!(
            "Entries {} to {} are dated up to {}, after their arrival on {}: the station's clock runs ahead.",
            a.index, b.index, b.at, a.arrived
        ),
        (Some(a), _) => format!(
            "Entry {} is dated {}, after its arrival on {}: the station's clock runs ahead.",
            a.index, a.at, a.arrived
        ),
        _ => String::new(),
    };
    Anomaly {
        kind: AnomalyKind::ClockAhead,
        log: Some(log),
        unit: None,
        entries: first
            .map(|r| EntryId::from_hash(r.leaf))
            .into_iter()
            .collect(),
        found,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use carrylog_format::tree::leaf_hash;

    fn row(index: u64, at_minutes: i64, arrived_minutes: i64) -> EntryClock {
        let instant = |minutes: i64| Instant::from_millis(minutes * 60_000).unwrap();
        EntryClock {
            index,
            leaf: leaf_hash(&index.to_be_bytes()),
            at: instant(at_minutes),
            arrived: instant(arrived_minutes),
            status: EntryStatus::Accepted,
        }
    }

    fn kinds(rows: &[EntryClock]) -> Vec<AnomalyKind> {
        let log = LogId::from_hash(Hash::of(b"log"));
        clock_anomalies(log, rows).iter().map(|a| a.kind).collect()
    }

    #[test]
    fn a_clock_that_runs_on_is_no_anomaly() {
        assert_eq!(
            kinds(&[row(0, 10, 100), row(1, 10, 100), row(2, 104, 100)]),
            []
        );
    }

    #[test]
    fn an_entry_older_than_its_predecessor_is_found() {
        let found = kinds(&[row(0, 10, 100), row(1, 9, 100), row(2, 11, 100)]);
        assert_eq!(found, [AnomalyKind::ClockBackwards]);
    }

    #[test]
    fn entries_dated_after_their_arrival_are_one_anomaly_a_run() {
        let rows = [
            row(0, 10, 100),
            row(1, 106, 100),
            row(2, 107, 100),
            row(3, 300, 200),
        ];
        assert_eq!(
            kinds(&rows),
            [AnomalyKind::ClockAhead, AnomalyKind::ClockAhead]
        );
    }

    #[test]
    fn the_row_that_only_leads_in_is_not_judged_again() {
        assert_eq!(kinds(&[row(4, 900, 100), row(5, 901, 1000)]), []);
        assert_eq!(
            kinds(&[row(4, 900, 100), row(5, 899, 1000)]),
            [AnomalyKind::ClockBackwards]
        );
    }
}
