//! The survival curve of lives that are dated to intervals.
//!
//! B. W. Turnbull, Journal of the Royal Statistical Society B 38 (1976): all mass lies on the innermost
//! intervals, and is shared out until it no longer changes. Within one of them nothing tells where it
//! lies, so a survival, and the median, is a range.

use super::{Life, NoSurvival, check};
use crate::regression::Interval;

/// Largest change of a mass at which it counts as settled.
const SETTLED: f64 = 1e-12;
/// Most rounds.
const MOST_ROUNDS: usize = 5000;

/// Part of the units that reached the limit within one interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mass {
    /// After this time.
    pub after: f64,
    /// By this time; infinite for what lies beyond the last check.
    pub by: f64,
    /// The part of the units.
    pub part: f64,
}

/// A survival curve as ranges.
#[derive(Debug, Clone, PartialEq)]
pub struct RangeCurve {
    /// Innermost intervals in order of time; their parts add up to 1.
    pub masses: Vec<Mass>,
    /// The interval in which half of the units reached the limit, if half did.
    pub median: Option<Interval>,
    /// Units in all.
    pub units: usize,
    /// Units that reached the limit.
    pub events: usize,
}

impl RangeCurve {
    /// Part of the units that are still good at `time`: between what surely and what possibly is.
    pub fn at(&self, time: f64) -> Interval {
        let part = |kept: &dyn Fn(&Mass) -> bool| -> f64 {
            let parts = self.masses.iter().filter(|m| kept(m)).map(|m| m.part);
            parts.fold(0.0, |sum, part| sum + part)
        };
        Interval {
            low: part(&|m| m.after >= time && m.by > time),
            high: part(&|m| m.by > time),
        }
    }
}

/// A place on the axis of time; at one time an exact life begins before intervals end, and those end
/// before others begin: `(a, t]` and `(t, b]` have nothing in common.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Place {
    time: f64,
    order: u8,
}

const BEGINS_DATED: u8 = 0;
const ENDS: u8 = 1;
const BEGINS: u8 = 2;

impl Place {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.time
            .total_cmp(&other.time)
            .then(self.order.cmp(&other.order))
    }
}

fn places(life: &Life) -> (Place, Place) {
    let order = match life {
        Life::At { .. } => BEGINS_DATED,
        Life::Within { .. } | Life::Beyond { .. } => BEGINS,
    };
    let begin = Place {
        time: life.after(),
        order,
    };
    let end = Place {
        time: life.by(),
        order: ENDS,
    };
    (begin, end)
}

/// Estimates the curve.
///
/// # Errors
/// [`NoSurvival`] for an empty list or a time that is not positive.
pub fn range_curve(lives: &[Life]) -> Result<RangeCurve, NoSurvival> {
    check(lives)?;
    let spans: Vec<(Place, Place)> = lives.iter().map(places).collect();
    let innermost = innermost(&spans);
    let covered = covered(&spans, &innermost);
    let parts = settled(&covered, innermost.len(), lives.len() as f64);
    let masses: Vec<Mass> = innermost
        .iter()
        .zip(parts)
        .map(|((begin, end), part)| Mass {
            after: begin.time,
            by: end.time,
            part,
        })
        .collect();
    let mut sum = 0.0;
    let half = masses.iter().find(|m| {
        sum += m.part;
        sum >= 0.5 - 1e-9
    });
    Ok(RangeCurve {
        median: half.filter(|m| m.by.is_finite()).map(|m| Interval {
            low: m.after,
            high: m.by,
        }),
        units: lives.len(),
        events: lives.iter().filter(|l| l.reached()).count(),
        masses,
    })
}

/// Intervals from a beginning to the next end with no other beginning between.
fn innermost(spans: &[(Place, Place)]) -> Vec<(Place, Place)> {
    let mut all: Vec<Place> = spans.iter().flat_map(|(b, e)| [*b, *e]).collect();
    all.sort_unstable_by(Place::cmp);
    let pairs = all
        .windows(2)
        .filter(|w| w[0].order != ENDS && w[1].order == ENDS);
    pairs.map(|w| (w[0], w[1])).collect()
}

/// First and one past the last innermost interval within each life, and how many lives have these.
fn covered(spans: &[(Place, Place)], innermost: &[(Place, Place)]) -> Vec<(usize, usize, f64)> {
    let mut ranges: Vec<(usize, usize)> = spans
        .iter()
        .map(|(begin, end)| {
            let from = innermost.partition_point(|(b, _)| b.cmp(begin).is_lt());
            let to = innermost.partition_point(|(_, e)| e.cmp(end).is_le());
            (from, to)
        })
        .collect();
    ranges.sort_unstable();
    let same = ranges.chunk_by(|a, b| a == b);
    same.map(|same| (same[0].0, same[0].1, same.len() as f64))
        .collect()
}

/// `pⱼ ← meanᵢ(αᵢⱼ·pⱼ / Σₖ αᵢₖ·pₖ)` until no part changes by more than [`SETTLED`].
fn settled(covered: &[(usize, usize, f64)], intervals: usize, lives: f64) -> Vec<f64> {
    let mut parts = vec![1.0 / intervals as f64; intervals];
    let mut below = vec![0.0; intervals + 1];
    for _ in 0..MOST_ROUNDS {
        for (k, part) in parts.iter().enumerate() {
            below[k + 1] = below[k] + part;
        }
        // What each interval is multiplied with, as differences from the one before.
        let mut change = vec![0.0; intervals + 1];
        for &(from, to, count) in covered {
            let inside = below[to] - below[from];
            if inside > 0.0 {
                change[from] += count / inside;
                change[to] -= count / inside;
            }
        }
        let (mut factor, mut moved, mut sum) = (0.0, 0.0_f64, 0.0);
        for (part, change) in parts.iter_mut().zip(&change) {
            factor += change;
            let next = (*part * factor / lives).max(0.0);
            moved = moved.max((next - *part).abs());
            *part = next;
            sum += next;
        }
        parts.iter_mut().for_each(|p| *p /= sum);
        if moved <= SETTLED {
            break;
        }
    }
    parts
}
