//! Which rows make one discharge: pieces under load, the pulses and gaps between and within them.

use super::DischargeRules;
use crate::phases::{Direction, Phases};
use crate::quantity::{SECONDS_PER_HOUR, Seconds};
use crate::refusal::{Notice, NoticeKind, RefusalReason};
use crate::samples::Samples;
use crate::trace_results::Phase;

/// Consecutive rows under load in one direction, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Piece {
    pub(crate) first: usize,
    pub(crate) last: usize,
}

/// Phases that make one discharge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Group {
    pub(crate) first_phase: usize,
    pub(crate) last_phase: usize,
}

/// Joins discharge phases across short rests and charge pulses.
pub(crate) fn groups(phases: &[Phase], samples: &Samples, rules: &DischargeRules) -> Vec<Group> {
    let t = samples.time_s();
    let mut groups: Vec<Group> = Vec::new();
    let mut open = false;
    for (k, phase) in phases.iter().enumerate() {
        match phase.rows.direction {
            Direction::Discharge => match groups.last_mut().filter(|_| open) {
                Some(group) => group.last_phase = k,
                None => {
                    groups.push(Group {
                        first_phase: k,
                        last_phase: k,
                    });
                    open = true;
                }
            },
            // A rest lasts from the last row under load to the next.
            Direction::Rest => {
                let from = t[phase.rows.first.saturating_sub(1)];
                let to = t[(phase.rows.last + 1).min(t.len() - 1)];
                open = open && to - from <= rules.longest_rest.0;
            }
            Direction::Charge => open = open && phase.duration.0 <= rules.longest_pulse.0,
        }
    }
    groups
}

/// Rows under load of a group's discharge phases; a pause within a phase parts two pieces.
pub(crate) fn pieces(
    samples: &Samples,
    phases: &[Phase],
    group: &Group,
    load_a: f64,
) -> Vec<Piece> {
    let i = samples.current_a();
    let mut pieces = Vec::new();
    let phases = phases.get(group.first_phase..=group.last_phase);
    let discharges = phases
        .unwrap_or_default()
        .iter()
        .filter(|p| p.rows.direction == Direction::Discharge);
    for phase in discharges {
        let (first, last) = (phase.rows.first, phase.rows.last);
        if phase.rows.pause_rows == 0 {
            pieces.push(Piece { first, last });
            continue;
        }
        let mut begin: Option<usize> = None;
        for (k, current) in i.iter().enumerate().take(last + 1).skip(first) {
            let loaded = *current < -load_a;
            match (loaded, begin) {
                (true, None) => begin = Some(k),
                (false, Some(b)) => {
                    pieces.push(Piece {
                        first: b,
                        last: k - 1,
                    });
                    begin = None;
                }
                (true, Some(_)) | (false, None) => {}
            }
        }
        if let Some(first) = begin {
            pieces.push(Piece { first, last });
        }
    }
    pieces
}

/// Charge pulses between the pieces of a group.
pub(crate) fn pulses<'a>(phases: &'a [Phase], group: &Group) -> impl Iterator<Item = Piece> + 'a {
    let phases = phases.get(group.first_phase..=group.last_phase);
    let charges = phases
        .unwrap_or_default()
        .iter()
        .filter(|p| p.rows.direction == Direction::Charge);
    charges.map(|p| Piece {
        first: p.rows.first,
        last: p.rows.last,
    })
}

/// The discharge phase that holds a row.
pub(crate) fn phase_of(phases: &[Phase], row: usize) -> Option<usize> {
    phases
        .iter()
        .position(|p| (p.rows.first..=p.rows.last).contains(&row))
}

/// Most intervals that the median over time is taken of.
const SUBSET: usize = 1 << 16;

/// Median over time of the current under load, without sign: the current of the test.
pub(crate) fn test_current(samples: &Samples, pieces: &[Piece]) -> f64 {
    let (t, i) = (samples.time_s(), samples.current_a());
    let rows: usize = pieces.iter().map(|p| p.last - p.first + 1).sum();
    let stride = rows.div_ceil(SUBSET).max(1);
    let mut weighted: Vec<(f64, f64)> = Vec::new();
    for piece in pieces {
        for k in (piece.first..=piece.last).step_by(stride) {
            // A lone row has no interval of its own, but it is not nothing.
            let next = (k + stride).min(piece.last);
            let dt = (t[next] - t[k]).max(f64::MIN_POSITIVE);
            weighted.push((i[k].abs(), dt));
        }
    }
    weighted.sort_unstable_by(|a, b| a.0.total_cmp(&b.0));
    let half = 0.5 * weighted.iter().map(|w| w.1).sum::<f64>();
    let mut sum = 0.0;
    for (current, dt) in &weighted {
        sum += dt;
        if sum >= half {
            return *current;
        }
    }
    0.0
}

/// Longest interval under load that is bridged without a word, unless ten typical ones are longer.
const GAP_S: f64 = 60.0;
/// Part of the capacity that may lie in one long interval.
const GAP_PART: f64 = 0.05;
/// Part by which current and voltage may differ across a long interval.
const IN_LINE: f64 = 0.01;

/// Long intervals under load: bridged and told if little charge lies in them and both current and
/// voltage are in line across them, else the capacity is refused. Common practice, no source.
pub(crate) fn gaps(
    samples: &Samples,
    pieces: &[Piece],
    last_row: usize,
    found: &Phases,
    capacity_ah: f64,
    notices: &mut Vec<Notice>,
) -> Result<(), RefusalReason> {
    let limit = GAP_S.max(10.0 * found.interval_s);
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    for piece in pieces {
        let last = piece.last.min(last_row + 1);
        for k in piece.first + 1..=last {
            let dt = t[k] - t[k - 1];
            if dt <= limit {
                continue;
            }
            let charge = 0.5 * (i[k] + i[k - 1]).abs() * dt / SECONDS_PER_HOUR;
            let same_current = (i[k] - i[k - 1]).abs() <= IN_LINE * i[k].abs().max(i[k - 1].abs());
            let in_line = (u[k] - expected(samples, *piece, k)).abs() <= IN_LINE * u[k].abs();
            if charge > GAP_PART * capacity_ah || !same_current || !in_line {
                return Err(RefusalReason::Gap {
                    row: k - 1,
                    length: Seconds(dt),
                });
            }
            notices.push(Notice {
                kind: NoticeKind::LongInterval {
                    length: Seconds(dt),
                },
                row: k - 1,
                rows: 1,
                at: Seconds(t[k - 1]),
            });
        }
    }
    Ok(())
}

/// The voltage at row `k` on the line with the mean of the slopes before and after the interval.
fn expected(samples: &Samples, piece: Piece, k: usize) -> f64 {
    /// Rows that a slope is taken over.
    const ROWS: usize = 10;
    let (t, u) = (samples.time_s(), samples.voltage_v());
    let slope = |a: usize, b: usize| (b > a && t[b] > t[a]).then(|| (u[b] - u[a]) / (t[b] - t[a]));
    let before = slope(k.saturating_sub(1 + ROWS).max(piece.first), k - 1);
    let after = slope(k, (k + ROWS).min(piece.last));
    let both: Vec<f64> = before.into_iter().chain(after).collect();
    let mean = both.iter().sum::<f64>() / both.len().max(1) as f64;
    u[k - 1] + mean * (t[k] - t[k - 1])
}
