//! Queries about one log: what is missing, what contradicts itself, whose clock is doubtful.

use super::Query;
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
pub fn log_queries(log: LogId, report: &LogReport, seals: &[SealFact]) -> Vec<Query> {
    let gaps = report.gaps.iter().map(|gap| Query::Gap {
        log,
        known_to: gap.known_to,
        held_from: gap.held_from,
    });
    let open = report.forks.iter().filter(|f| !f.settled);
    let forks = open.map(|fork| Query::Fork {
        log,
        same_up_to: fork.same_up_to,
        tips: fork.tips,
    });
    let choices = report.unknown_choices.iter();
    let choices = choices.map(|size| Query::UnknownChoice { log, size: *size });
    let mut all: Vec<Query> = gaps.chain(forks).chain(choices).collect();
    if report.forks.is_empty() {
        let mut numbers: Vec<u64> = seals.iter().map(|s| s.seq).collect();
        numbers.sort_unstable();
        let twice = numbers.windows(2).filter(|w| w[0] == w[1]).map(|w| w[0]);
        let mut twice: Vec<u64> = twice.collect();
        twice.dedup();
        let twice = twice.into_iter();
        all.extend(twice.map(|number| Query::SealNumberTwice { log, number }));
    }
    all
}

/// Doubtful clocks among `rows`, in the order of the log. The first row is looked at only as the
/// predecessor of the second, unless it is entry 0.
///
/// Entries of one arrival that are dated after it, one behind the other, are one query.
pub fn clock_queries(log: LogId, rows: &[EntryClock]) -> Vec<Query> {
    let mut all = Vec::new();
    let mut ahead: Option<Ahead> = None;
    let mut previous: Option<&EntryClock> = None;
    for row in rows.iter().filter(|r| r.status == EntryStatus::Accepted) {
        let is_new = previous.is_some() || row.index == 0;
        if let Some(before) = previous.filter(|p| p.index + 1 == row.index && row.at < p.at) {
            all.push(Query::ClockBackwards {
                log,
                entry: EntryId::from_hash(row.leaf),
                index: row.index,
                at_ms: row.at,
                before_ms: before.at,
            });
        }
        if is_new && row.at.millis() > row.arrived.millis() + CLOCK_ALLOWANCE_MS {
            match &mut ahead {
                Some(run) if run.last.arrived == row.arrived => run.last = *row,
                run => {
                    let begun = Ahead {
                        first: *row,
                        last: *row,
                    };
                    all.extend(run.replace(begun).map(|run| run.query(log)));
                }
            }
        } else {
            all.extend(ahead.take().map(|run| run.query(log)));
        }
        previous = Some(row);
    }
    all.extend(ahead.map(|run| run.query(log)));
    all
}

/// A run of entries that are dated after their arrival.
struct Ahead {
    first: EntryClock,
    last: EntryClock,
}

impl Ahead {
    fn query(&self, log: LogId) -> Query {
        Query::ClockAhead {
            log,
            entry: EntryId::from_hash(self.first.leaf),
            first: self.first.index,
            last: self.last.index,
            at_ms: self.last.at,
            arrived_ms: self.first.arrived,
        }
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

    fn kinds(rows: &[EntryClock]) -> Vec<&'static str> {
        let log = LogId::from_hash(Hash::of(b"log"));
        clock_queries(log, rows).iter().map(Query::title).collect()
    }

    const AHEAD: &str = "dated after its arrival";
    const BACKWARDS: &str = "clock ran backwards";

    #[test]
    fn a_clock_that_runs_on_is_no_query() {
        assert_eq!(
            kinds(&[row(0, 10, 100), row(1, 10, 100), row(2, 104, 100)]),
            [""; 0]
        );
    }

    #[test]
    fn an_entry_older_than_its_predecessor_is_found() {
        let found = kinds(&[row(0, 10, 100), row(1, 9, 100), row(2, 11, 100)]);
        assert_eq!(found, [BACKWARDS]);
    }

    #[test]
    fn entries_dated_after_their_arrival_are_one_query_a_run() {
        let rows = [
            row(0, 10, 100),
            row(1, 106, 100),
            row(2, 107, 100),
            row(3, 300, 200),
        ];
        assert_eq!(kinds(&rows), [AHEAD, AHEAD]);
    }

    #[test]
    fn the_row_that_only_leads_in_is_not_judged_again() {
        assert_eq!(kinds(&[row(4, 900, 100), row(5, 901, 1000)]), [""; 0]);
        assert_eq!(kinds(&[row(4, 900, 100), row(5, 899, 1000)]), [BACKWARDS]);
    }
}
