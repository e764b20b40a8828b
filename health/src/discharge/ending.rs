//! Where a discharge ends: at the end voltage under the test's own current.

use super::edge;
use super::pieces::Piece;
use crate::integrate::Crossing;
use crate::quantity::Seconds;
use crate::refusal::{Notice, NoticeKind};
use crate::samples::Samples;

/// How a discharge ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum DischargeEnd {
    /// It crossed the end voltage; charge and energy count to the interpolated crossing.
    Crossed(Crossing),
    /// Its last row is so close above the end voltage that its slope gets there before a further
    /// row would have come; all rows count.
    AtLastRow,
    /// It ended above the end voltage: the capacity is at least what was measured.
    AboveEndVoltage,
    /// No end voltage was given; all rows count.
    NoEndVoltage,
}

/// Part of the test current that must flow where the voltage reaches its end.
const AT_TEST_CURRENT: f64 = 0.95;
/// Longest dip below the end voltage that is no end.
const DIP_S: f64 = 30.0;
/// Part within which the current must be the same before, in and after a dip.
const SAME_CURRENT: f64 = 0.05;
/// Part of the voltage within which it must be back after a dip.
const BACK: f64 = 0.01;

/// Where a discharge ended.
pub(crate) struct Ending {
    /// Index of the piece that it ended in.
    pub(crate) piece: usize,
    pub(crate) end: DischargeEnd,
    pub(crate) notices: Vec<Notice>,
}

/// Looks through the pieces in order for the first row at or below the end voltage under at least
/// 95 % of the test current that is not a dip.
pub(crate) fn ending(
    samples: &Samples,
    pieces: &[Piece],
    end_voltage: Option<f64>,
    test_current: f64,
) -> Ending {
    let mut notices = Vec::new();
    let last = pieces.len().saturating_sub(1);
    let Some(end_v) = end_voltage else {
        return Ending {
            piece: last,
            end: DischargeEnd::NoEndVoltage,
            notices,
        };
    };
    for (k, piece) in pieces.iter().enumerate() {
        let crossing = crossing_in(samples, *piece, end_v, test_current, &mut notices);
        let end = match crossing {
            Some(crossing) => DischargeEnd::Crossed(crossing),
            None if reaches_unseen(samples, *piece, end_v, test_current) => DischargeEnd::AtLastRow,
            None => continue,
        };
        return Ending {
            piece: k,
            end,
            notices,
        };
    }
    Ending {
        piece: last,
        end: DischargeEnd::AboveEndVoltage,
        notices,
    }
}

fn crossing_in(
    samples: &Samples,
    piece: Piece,
    end_v: f64,
    test_current: f64,
    notices: &mut Vec<Notice>,
) -> Option<Crossing> {
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    let mut from = piece.first;
    loop {
        let rest = u.get(from..=piece.last)?;
        // A tester that goes over to holding the end voltage lowers the current at once: the row
        // before the crossing ran at the test's own current.
        let at_test_current = |k: usize| i[k].abs() >= AT_TEST_CURRENT * test_current;
        let k = from
            + rest.iter().enumerate().position(|(n, &v)| {
                let k = from + n;
                v <= end_v && (at_test_current(k) || k > piece.first && at_test_current(k - 1))
            })?;
        if let Some(back) = back_from_dip(samples, piece, k, end_v) {
            notices.push(Notice {
                kind: NoticeKind::VoltageDip,
                row: k,
                rows: back - k,
                at: Seconds(t[k]),
            });
            from = back;
            continue;
        }
        // Already below under less current, or as the load came back: the end is this row.
        if k == piece.first || u[k - 1] <= end_v {
            return Some(Crossing {
                row_before: k,
                fraction: 0.0,
                time: Seconds(t[k]),
            });
        }
        let fraction = (u[k - 1] - end_v) / (u[k - 1] - u[k]);
        return Some(Crossing {
            row_before: k - 1,
            fraction,
            time: Seconds(t[k - 1] + fraction * (t[k] - t[k - 1])),
        });
    }
}

/// The row at which the voltage is back above the end voltage, in line with what it was before row
/// `k`, at the same current throughout and within 30 s.
fn back_from_dip(samples: &Samples, piece: Piece, k: usize, end_v: f64) -> Option<usize> {
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    if k == piece.first {
        return None;
    }
    let (level, current) = (u[k - 1], i[k - 1]);
    (k..=piece.last)
        .take_while(|&j| {
            t[j] - t[k] <= DIP_S && (i[j] - current).abs() <= SAME_CURRENT * current.abs()
        })
        .find(|&j| j > k && u[j] > end_v && (u[j] - level).abs() <= BACK * level.abs())
}

/// The station stops between two rows: the last one may stand a little above the end voltage.
fn reaches_unseen(samples: &Samples, piece: Piece, end_v: f64, test_current: f64) -> bool {
    let (t, i, u) = (samples.time_s(), samples.current_a(), samples.voltage_v());
    let (last, Some(before)) = (piece.last, piece.last.checked_sub(1)) else {
        return false;
    };
    if before < piece.first
        || t[last] <= t[before]
        || i[last].abs() < AT_TEST_CURRENT * test_current
    {
        return false;
    }
    let fall = (u[before] - u[last]).max(0.0) / (t[last] - t[before]);
    // A thousandth covers the rounding of times and voltages.
    u[last] > end_v && u[last] - fall * edge::unseen_after(samples, piece) * 1.001 <= end_v
}
