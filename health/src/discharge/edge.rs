//! What moved between the last row outside a piece and its first row, and again at its end.
//!
//! Where a clock drove the log, the change of current lies anywhere in the interval: half of it is
//! added, with the standard uncertainty of a rectangle, `I·Δt/(3600·2√3)` ampere-hours (JCGM 100,
//! F.2.4.5 and 4.3.7). A row under load would have come after one interval under load, so no more
//! than that is unseen. Where the log put a row at the change, nothing is added. Where neither is
//! known nothing is added either, and the uncertainty covers a whole interval.

use super::pieces::Piece;
use crate::gum::rectangular;
use crate::integrate::Crossing;
use crate::quantity::SECONDS_PER_HOUR;
use crate::samples::Samples;

/// Intervals under load that the log's own pace is taken from.
const NEAREST: usize = 20;
/// Part by which intervals of a clock differ. Common practice, no source.
const PACE: f64 = 0.2;

/// Corrections of one or several edges; charge and energy without sign.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Edges {
    /// Ampere-hours to add.
    pub(crate) charge: f64,
    /// Watt-hours to add.
    pub(crate) energy: f64,
    /// Hours under load to add.
    pub(crate) hours: f64,
    /// Square of the standard uncertainty of the charge.
    pub(crate) charge_variance: f64,
    /// Square of the standard uncertainty of the energy.
    pub(crate) energy_variance: f64,
}

impl Edges {
    pub(crate) fn add(&mut self, other: &Self) {
        self.charge += other.charge;
        self.energy += other.energy;
        self.hours += other.hours;
        self.charge_variance += other.charge_variance;
        self.energy_variance += other.energy_variance;
    }

    fn at(samples: &Samples, row: usize, seconds: f64, what: Unseen) -> Self {
        let current = samples.current_a()[row].abs();
        let voltage = samples.voltage_v()[row].abs();
        let hours = seconds / SECONDS_PER_HOUR;
        let (added, half_width) = match what {
            Unseen::Half => (0.5 * hours, 0.5 * hours),
            Unseen::Nothing => (0.0, 0.0),
            Unseen::NotKnown => (0.0, hours),
            Unseen::Place => (0.0, 0.5 * hours),
        };
        let standard = rectangular(current * half_width);
        Self {
            charge: current * added,
            energy: current * voltage * added,
            hours: added,
            charge_variance: standard.powi(2),
            energy_variance: (standard * voltage).powi(2),
        }
    }
}

/// What is known about the interval in which the current changed.
#[derive(Clone, Copy)]
enum Unseen {
    /// A clock drove the log: half of it, on average.
    Half,
    /// A row stands at the change.
    Nothing,
    /// Neither is known.
    NotKnown,
    /// Both rows are under load; only the place of the crossing between them is not seen.
    Place,
}

/// The edge before the first row of a piece.
pub(crate) fn start(samples: &Samples, piece: Piece) -> Edges {
    match piece.first.checked_sub(1) {
        Some(before) => one(samples, piece, before, piece.first, piece.first),
        // The trace begins under load: nothing says when the current came.
        None => Edges::default(),
    }
}

/// The edge after the last row of a piece.
pub(crate) fn end(samples: &Samples, piece: Piece) -> Edges {
    if piece.last + 1 < samples.rows() {
        one(samples, piece, piece.last, piece.last + 1, piece.last)
    } else {
        Edges::default()
    }
}

/// The place of an interpolated crossing: nothing is added, but where a clock drove the log the
/// straight line between two rows is all there is.
pub(crate) fn crossing(samples: &Samples, piece: Piece, crossing: &Crossing) -> Edges {
    let (a, b) = (crossing.row_before, crossing.row_before + 1);
    let t = samples.time_s();
    match pace(samples, piece, a) {
        Some(_) if b <= piece.last && crossing.fraction > 0.0 => {
            Edges::at(samples, a, t[b] - t[a], Unseen::Place)
        }
        Some(_) | None => Edges::default(),
    }
}

/// The unseen interval at the end of a piece, in seconds: what the last slope may still bridge.
pub(crate) fn unseen_after(samples: &Samples, piece: Piece) -> f64 {
    let t = samples.time_s();
    let last = piece.last;
    let under_load = median_interval(samples, piece, last);
    match t.get(last + 1) {
        Some(next) => under_load.map_or(next - t[last], |m| m.min(next - t[last])),
        None => under_load.unwrap_or(0.0),
    }
}

fn one(samples: &Samples, piece: Piece, a: usize, b: usize, loaded: usize) -> Edges {
    let t = samples.time_s();
    let length = t[b] - t[a];
    let under_load = median_interval(samples, piece, loaded).unwrap_or(length);
    let stepped = samples.step().is_some_and(|step| step[a] != step[b]);
    let what = match pace(samples, piece, loaded) {
        // A clock that goes on evenly across the change drove this row, whatever step it names.
        Some(pace) if (length - pace).abs() <= PACE * pace => Unseen::Half,
        Some(_) | None if stepped => Unseen::Nothing,
        Some(_) | None => Unseen::NotKnown,
    };
    Edges::at(samples, loaded, length.min(under_load), what)
}

/// Up to twenty intervals of the piece that lie nearest to a row of it; of the trace, if the piece
/// has none of its own.
fn nearest(samples: &Samples, piece: Piece, row: usize) -> Vec<f64> {
    let t = samples.time_s();
    let piece = if piece.first < piece.last {
        piece
    } else {
        Piece {
            first: 0,
            last: t.len() - 1,
        }
    };
    let intervals = piece.last - piece.first;
    let first = row
        .saturating_sub(NEAREST / 2)
        .max(piece.first)
        .min(piece.last - intervals.min(NEAREST));
    let last = (first + NEAREST).min(piece.last);
    (first..last).map(|k| t[k + 1] - t[k]).collect()
}

fn median_interval(samples: &Samples, piece: Piece, row: usize) -> Option<f64> {
    let mut intervals = nearest(samples, piece, row);
    if intervals.is_empty() {
        return None;
    }
    intervals.sort_unstable_by(f64::total_cmp);
    Some(intervals[intervals.len() / 2])
}

/// The interval of the clock that drove the log near a row; `None` if the rows keep no pace.
fn pace(samples: &Samples, piece: Piece, row: usize) -> Option<f64> {
    let median = median_interval(samples, piece, row)?;
    let even = nearest(samples, piece, row)
        .iter()
        .all(|dt| (dt - median).abs() <= PACE * median);
    (even && median > 0.0).then_some(median)
}
