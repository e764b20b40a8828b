//! The complete discharge, put together from its pieces.
//!
//! A discharge goes on across rests of up to two hours and charge pulses of up to a minute; what a
//! pulse puts back is subtracted. It ends where the voltage under the test's own current first falls
//! to the end voltage; recovery in rest or under less current does not undo that, and nothing after
//! it counts. Complete discharge at constant current to the end voltage: IEC 61960-3, 62620 (from
//! memory, check the text). The bounds are common practice, no source.
//!
//! Where a piece begins and ends between two rows is `edge`'s question, where the whole ends
//! `ending`'s, how it began `beginning`'s.

pub(crate) mod beginning;
pub(crate) mod edge;
pub(crate) mod ending;
pub(crate) mod pieces;

pub use beginning::Began;
pub use ending::DischargeEnd;

use self::edge::Edges;
use self::pieces::{Group, Piece};
use crate::integrate::{self, Moved};
use crate::phases::{Direction, Phases};
use crate::quantity::{AmpHours, Amps, SECONDS_PER_HOUR, Seconds, Volts, WattHours};
use crate::refusal::{Notice, NoticeKind, RefusalReason};
use crate::samples::{Samples, Span};
use crate::trace_results::{Phase, mean_temperature};

/// What joins pieces into one discharge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DischargeRules {
    /// Longest rest within one discharge.
    pub longest_rest: Seconds,
    /// Longest charge pulse within one discharge.
    pub longest_pulse: Seconds,
}

impl Default for DischargeRules {
    /// Two hours and a minute: common practice, no source.
    fn default() -> Self {
        Self {
            longest_rest: Seconds(7200.0),
            longest_pulse: Seconds(60.0),
        }
    }
}

/// The discharge that the capacity stands for: the last complete one that was not begun partly
/// discharged, else the largest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GoverningDischarge {
    /// Phase in which it began, index in [`crate::trace_results::TraceResults::phases`].
    pub first_phase: usize,
    /// Phase in which it ended.
    pub phase: usize,
    /// First row under load.
    pub first_row: usize,
    /// Last row that counts.
    pub last_row: usize,
    /// How many pieces under load were joined; 1 for an uninterrupted discharge.
    pub pieces: usize,
    /// Length of all interruptions together.
    pub paused: Seconds,
    /// Charge put back by pulses, already subtracted from the capacity.
    pub put_back: AmpHours,
    /// Charge that stands for the unseen parts at the edges, already in the capacity.
    pub edge: AmpHours,
    /// Standard uncertainty of `edge` and of the crossing's place between its rows.
    pub edge_standard: AmpHours,
    /// The same in energy.
    pub edge_energy_standard: WattHours,
    /// Charge of rows alone, without `edge` and before what was put back: seen to come out.
    pub seen: AmpHours,
    /// Median over time of the current under load, positive number.
    pub test_current: Amps,
    /// How it ended.
    pub end: DischargeEnd,
    /// How it began, as far as the trace shows.
    pub began: Began,
    /// Charge that came out after the end; it does not count.
    pub after: AmpHours,
    /// Capacity: charge out of the unit to the end.
    pub capacity: AmpHours,
    /// Energy out of the unit to the end.
    pub energy: WattHours,
    /// Mean voltage, energy over capacity.
    pub mean_voltage: Option<Volts>,
    /// Mean current over the time under load, positive number.
    pub mean_current: Amps,
    /// Voltage at the end.
    pub end_voltage: Volts,
    /// Lowest voltage under load up to the last row at the test's current, the crossing's row included.
    pub lowest_voltage: Volts,
    /// Time under load.
    pub duration: Seconds,
    /// Mean temperature over time to the end, all sensors alike.
    pub mean_temperature: Option<crate::quantity::Celsius>,
}

impl GoverningDischarge {
    /// Whether it ran to the end voltage.
    pub fn reached_the_end(&self) -> bool {
        match self.end {
            DischargeEnd::Crossed(_) | DischargeEnd::AtLastRow => true,
            DischargeEnd::AboveEndVoltage | DischargeEnd::NoEndVoltage => false,
        }
    }
}

/// A discharge that ran to its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct CompleteDischarge {
    /// Index of the phase in which it ended.
    pub(crate) phase: usize,
    /// Charge to its end.
    pub(crate) capacity: AmpHours,
}

/// One discharge of the trace, complete or not.
struct Candidate {
    discharge: GoverningDischarge,
    complete: bool,
    starts_below: bool,
    gap: Result<(), RefusalReason>,
    notices: Vec<Notice>,
}

/// Every complete discharge; the one that the capacity stands for, or why there is none; and what
/// is to be told about it.
pub(crate) struct Found {
    pub(crate) complete: Vec<CompleteDischarge>,
    pub(crate) governing: Result<GoverningDischarge, RefusalReason>,
    pub(crate) notices: Vec<Notice>,
}

/// Part of the trace's voltage range within which a discharge counts as having reached the lowest
/// voltage, if no end voltage is known. Common practice, no source.
const LOWEST_PART: f64 = 0.01;

pub(crate) fn find(
    samples: &Samples,
    phases: &[Phase],
    found: &Phases,
    end_voltage: Option<Volts>,
    rules: &DischargeRules,
) -> Found {
    let groups = pieces::groups(phases, samples, rules);
    let (lowest, highest) = voltage_range(phases);
    let reached = |p: &Phase| p.end_voltage.0 <= lowest + LOWEST_PART * (highest - lowest);
    let mut all: Vec<Candidate> = groups
        .iter()
        .filter_map(|group| {
            let mut one = candidate(samples, phases, found, group, end_voltage)?;
            if end_voltage.is_none() {
                one.complete = phases.get(group.last_phase).is_some_and(reached);
            }
            Some(one)
        })
        .collect();
    let complete = all
        .iter()
        .filter(|c| c.complete)
        .map(|c| CompleteDischarge {
            phase: c.discharge.phase,
            capacity: c.discharge.capacity,
        });
    let complete = complete.collect();
    let full = |c: &&Candidate| c.complete && !matches!(c.discharge.began, Began::Partly { .. });
    let by_charge =
        |a: &&Candidate, b: &&Candidate| a.discharge.capacity.0.total_cmp(&b.discharge.capacity.0);
    let chosen = all
        .iter()
        .rfind(full)
        .or_else(|| all.iter().filter(|c| c.complete).max_by(by_charge))
        .or_else(|| all.iter().max_by(by_charge));
    let governing = match chosen {
        None => Err(RefusalReason::NoDischarge),
        Some(c) if c.starts_below => Err(RefusalReason::StartsBelowEndVoltage),
        Some(c) => c.gap.map(|()| c.discharge).and_then(|d| {
            if d.capacity.0 > 0.0 {
                Ok(d)
            } else {
                Err(RefusalReason::NoCharge)
            }
        }),
    };
    let phase = chosen.map(|c| c.discharge.phase);
    let mut notices = Vec::new();
    for one in &mut all {
        if Some(one.discharge.phase) == phase {
            notices.append(&mut one.notices);
        }
    }
    // A later discharge that began where the governing one ended counts no more than its tail.
    if let Ok(d) = &governing {
        let later = all.iter().filter(|c| c.discharge.first_phase > d.phase);
        let tails = later.filter(|c| matches!(c.discharge.began, Began::Partly { .. }));
        notices
            .extend(tails.map(|c| after_the_end(samples, c.discharge.first_row, c.discharge.seen)));
    }
    Found {
        complete,
        governing,
        notices,
    }
}

fn after_the_end(samples: &Samples, row: usize, charge: AmpHours) -> Notice {
    Notice {
        kind: NoticeKind::AfterTheEnd { charge },
        row,
        rows: 1,
        at: Seconds(samples.time_s().get(row).copied().unwrap_or_default()),
    }
}

fn voltage_range(phases: &[Phase]) -> (f64, f64) {
    let discharges = phases
        .iter()
        .filter(|p| p.rows.direction == Direction::Discharge);
    let lowest = discharges
        .map(|p| p.end_voltage.0)
        .fold(f64::INFINITY, f64::min);
    let highest = phases
        .iter()
        .map(|p| p.start_voltage.0.max(p.end_voltage.0))
        .fold(lowest, f64::max);
    (lowest, highest)
}

/// Sums of one direction over pieces, the parts at their edges by themselves.
#[derive(Default)]
struct Sum {
    charge: f64,
    energy: f64,
    hours: f64,
    edges: Edges,
}

impl Sum {
    fn rows(&mut self, samples: &Samples, phases: &[Phase], piece: Piece) {
        if let Some(span) = samples.span(piece.first, piece.last) {
            self.moved(moved(&span, phases), span.duration().0);
        }
    }

    fn moved(&mut self, moved: Moved, seconds: f64) {
        self.charge += moved.charge.0.abs();
        self.energy += moved.energy.0.abs();
        self.hours += seconds / SECONDS_PER_HOUR;
    }

    fn total(&self) -> f64 {
        self.charge + self.edges.charge
    }

    fn total_energy(&self) -> f64 {
        self.energy + self.edges.energy
    }
}

/// What a piece moved, without sign; known already if the piece is a whole phase.
fn moved(span: &Span<'_>, phases: &[Phase]) -> Moved {
    let at = phases.partition_point(|p| p.rows.first < span.first_row());
    match phases.get(at) {
        Some(p) if (p.rows.first, p.rows.last) == (span.first_row(), span.last_row()) => Moved {
            charge: p.charge,
            energy: p.energy,
        },
        Some(_) | None => integrate::moved(span),
    }
}

fn candidate(
    samples: &Samples,
    phases: &[Phase],
    found: &Phases,
    group: &Group,
    end_voltage: Option<Volts>,
) -> Option<Candidate> {
    let pieces = pieces::pieces(samples, phases, group, found.load_a);
    let (first, last) = (*pieces.first()?, *pieces.last()?);
    let test_current = pieces::test_current(samples, &pieces);
    let u = samples.voltage_v();
    let starts_below = end_voltage.is_some_and(|end| u[first.first] <= end.0);
    let ending = ending::ending(samples, &pieces, end_voltage.map(|e| e.0), test_current);
    let counted = pieces.get(..=ending.piece)?;
    let last_row = match ending.end {
        DischargeEnd::Crossed(c) => c.row_before,
        DischargeEnd::AtLastRow | DischargeEnd::AboveEndVoltage | DischargeEnd::NoEndVoltage => {
            counted.last()?.last
        }
    };

    let mut out = Sum::default();
    for (k, piece) in counted.iter().enumerate() {
        out.edges.add(&edge::start(samples, *piece));
        match ending.end {
            DischargeEnd::Crossed(crossing) if k == ending.piece => {
                let span = samples.span(piece.first, piece.last)?;
                let seconds = crossing.time.0 - span.time_s()[0];
                let whole = moved(&span, phases);
                let out_of = Moved {
                    charge: AmpHours(-whole.charge.0.abs()),
                    energy: WattHours(-whole.energy.0.abs()),
                };
                out.moved(integrate::moved_to_known(&span, &crossing, out_of), seconds);
                out.edges.add(&edge::crossing(samples, *piece, &crossing));
            }
            DischargeEnd::Crossed(_)
            | DischargeEnd::AtLastRow
            | DischargeEnd::AboveEndVoltage
            | DischargeEnd::NoEndVoltage => {
                out.rows(samples, phases, *piece);
                out.edges.add(&edge::end(samples, *piece));
            }
        }
    }
    let mut back = Sum::default();
    let mut notices = ending.notices;
    let t = samples.time_s();
    for pulse in pieces::pulses(phases, group).filter(|p| p.first < last_row) {
        let before = back.total();
        back.rows(samples, phases, pulse);
        back.edges.add(&edge::start(samples, pulse));
        back.edges.add(&edge::end(samples, pulse));
        notices.push(Notice {
            kind: NoticeKind::PutBack {
                charge: AmpHours(back.total() - before),
            },
            row: pulse.first,
            rows: pulse.last - pulse.first + 1,
            at: Seconds(t[pulse.first]),
        });
    }
    let mut paused = 0.0;
    for pair in counted.windows(2) {
        // What the edges count as load is no pause.
        let loaded = edge::end(samples, pair[0]).hours + edge::start(samples, pair[1]).hours;
        let length = t[pair[1].first] - t[pair[0].last] - loaded * SECONDS_PER_HOUR;
        paused += length;
        notices.push(Notice {
            kind: NoticeKind::Pause {
                length: Seconds(length),
            },
            row: pair[0].last,
            rows: pair[1].first - pair[0].last,
            at: Seconds(t[pair[0].last]),
        });
    }
    let after = after(samples, &pieces, ending.piece, &ending.end);
    if after.charge > AFTER_PART * out.total() {
        let row = pieces
            .get(ending.piece + 1)
            .map_or(last_row, |piece| piece.first);
        notices.push(after_the_end(samples, row, AmpHours(after.charge)));
    }
    let capacity = out.total() - back.total();
    let energy = out.total_energy() - back.total_energy();
    let gap = pieces::gaps(samples, counted, last_row, found, out.total(), &mut notices);
    let reached = match ending.end {
        DischargeEnd::Crossed(_) => end_voltage.unwrap_or(Volts(u[last_row])),
        DischargeEnd::AtLastRow | DischargeEnd::AboveEndVoltage | DischargeEnd::NoEndVoltage => {
            Volts(u[last_row])
        }
    };
    let hours = out.hours + out.edges.hours;
    let charge_variance = out.edges.charge_variance + back.edges.charge_variance;
    let energy_variance = out.edges.energy_variance + back.edges.energy_variance;
    let phase = pieces::phase_of(phases, last_row)?;
    let below = match ending.end {
        DischargeEnd::Crossed(c) => u[(c.row_before + 1).min(last.last)],
        DischargeEnd::AtLastRow | DischargeEnd::AboveEndVoltage | DischargeEnd::NoEndVoltage => {
            u[last_row]
        }
    };
    Some(Candidate {
        discharge: GoverningDischarge {
            first_phase: group.first_phase,
            phase,
            first_row: first.first,
            last_row,
            pieces: counted.len(),
            paused: Seconds(paused),
            put_back: AmpHours(back.total()),
            edge: AmpHours(out.edges.charge - back.edges.charge),
            edge_standard: AmpHours(charge_variance.sqrt()),
            edge_energy_standard: WattHours(energy_variance.sqrt()),
            seen: AmpHours(out.charge),
            test_current: Amps(test_current),
            end: ending.end,
            began: beginning::began(samples, phases, group),
            after: AmpHours(after.charge),
            capacity: AmpHours(capacity.max(0.0)),
            energy: WattHours(energy.max(0.0)),
            mean_voltage: (capacity > 0.0).then(|| Volts(energy / capacity)),
            mean_current: Amps(if hours > 0.0 {
                out.total() / hours
            } else {
                0.0
            }),
            end_voltage: reached,
            lowest_voltage: Volts(below),
            duration: Seconds(hours * SECONDS_PER_HOUR),
            mean_temperature: mean_temperature(samples, first.first, last_row),
        },
        complete: matches!(
            ending.end,
            DischargeEnd::Crossed(_) | DischargeEnd::AtLastRow
        ) && !starts_below,
        starts_below,
        gap,
        notices,
    })
}

/// Less than this part of the capacity after the end is the station's own reaction time.
const AFTER_PART: f64 = 1e-3;

/// What came out after the end: the rest of the piece behind the crossing, and later pieces.
fn after(samples: &Samples, pieces: &[Piece], ended_in: usize, end: &DischargeEnd) -> Sum {
    let mut sum = Sum::default();
    let DischargeEnd::Crossed(crossing) = end else {
        if matches!(end, DischargeEnd::AtLastRow) {
            for piece in pieces.iter().skip(ended_in + 1) {
                sum.rows(samples, &[], *piece);
            }
        }
        return sum;
    };
    for (k, piece) in pieces.iter().enumerate().skip(ended_in) {
        let first = if k == ended_in {
            (crossing.row_before + 1).min(piece.last)
        } else {
            piece.first
        };
        sum.rows(
            samples,
            &[],
            Piece {
                first,
                last: piece.last,
            },
        );
    }
    sum
}
