//! Finds the phases of a test (rest, charge, discharge) in its noisy current, without being told.
//!
//! Owns where a phase begins and ends. What a phase moved is [`crate::integrate`]'s. Common
//! practice, no source: a two-threshold detector on the current, relative to the current that the
//! test really used.

use crate::samples::Samples;

/// Direction of the current in a phase.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Direction {
    /// Current into the unit.
    Charge,
    /// Current out of the unit.
    Discharge,
    /// No current.
    Rest,
}

/// Rows of one phase, both ends included.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PhaseRows {
    /// Direction of the current.
    pub direction: Direction,
    /// First row.
    pub first: usize,
    /// Last row.
    pub last: usize,
    /// Rows without current inside the phase: pauses short enough to belong to it.
    pub pause_rows: usize,
}

/// How phases are told apart. The defaults hold for every trace the crate is tested on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PhaseRules {
    /// A phase begins when the current passes this part of the test's working current.
    pub enter: f64,
    /// It lasts until the current falls under this part of it, so that a tapering tail is kept.
    pub leave: f64,
    /// A pause up to this long between two phases of one direction belongs to them, in seconds;
    /// or two and a half sampling intervals, whichever is longer.
    pub pause_s: f64,
}

impl Default for PhaseRules {
    fn default() -> Self {
        Self {
            enter: 5e-3,
            leave: LOAD_PART,
            pause_s: 30.0,
        }
    }
}

/// The phases of a trace in order, without gaps between their rows; and the thresholds used.
#[derive(Debug, Clone, PartialEq)]
pub struct Phases {
    /// The phases.
    pub rows: Vec<PhaseRows>,
    /// Current in amperes above which a row is under load.
    pub load_a: f64,
    /// Working current in amperes: the magnitude that all but the highest 0.1 % of rows (at least
    /// three rows) stay under, so that one wild reading sets no threshold.
    pub working_a: f64,
    /// Typical sampling interval in seconds (median).
    pub interval_s: f64,
}

/// Finds the phases of `samples`.
///
/// The step column, where there is one, only prevents a pause that is a step of its own from being
/// taken into the phases around it; a wrong step column changes nothing else.
pub fn find_phases(samples: &Samples, rules: &PhaseRules) -> Phases {
    let working_a = working_current(samples.current_a());
    let interval_s = typical_interval(samples.time_s());
    let (enter_a, leave_a) = (rules.enter * working_a, rules.leave * working_a);
    let runs = direction_runs(samples.current_a(), enter_a, leave_a);
    let pause_s = rules.pause_s.max(2.5 * interval_s);
    let rows = join_runs(samples, &runs, pause_s);
    Phases {
        rows,
        load_a: leave_a,
        working_a,
        interval_s,
    }
}

/// Largest sample for order statistics over a column: enough for a threshold, small enough to sort.
const SUBSET_ROWS: usize = 1 << 16;

/// Part of the working current below which a row is a pause (the `leave` of [`PhaseRules`]).
pub(crate) const LOAD_PART: f64 = 2e-3;

pub(crate) fn working_current(current_a: &[f64]) -> f64 {
    let stride = current_a.len().div_ceil(SUBSET_ROWS).max(1);
    let mut magnitudes: Vec<f64> = current_a.iter().step_by(stride).map(|i| i.abs()).collect();
    // Three wild rows in a short trace, one in a thousand in a long one, are passed over.
    let skip = (magnitudes.len() / 1000).max(3).min(magnitudes.len() / 4);
    let at = magnitudes.len().saturating_sub(1 + skip);
    if magnitudes.is_empty() {
        return 0.0;
    }
    *magnitudes.select_nth_unstable_by(at, f64::total_cmp).1
}

/// Median of a column, of a subset of a long one; 0 for none.
pub(crate) fn median_of(values: &[f64]) -> f64 {
    let stride = values.len().div_ceil(SUBSET_ROWS).max(1);
    let mut some: Vec<f64> = values.iter().copied().step_by(stride).collect();
    if some.is_empty() {
        return 0.0;
    }
    let middle = some.len() / 2;
    *some.select_nth_unstable_by(middle, f64::total_cmp).1
}

fn typical_interval(time_s: &[f64]) -> f64 {
    let stride = time_s.len().div_ceil(SUBSET_ROWS).max(1);
    let pairs = time_s.windows(2).step_by(stride);
    let mut intervals: Vec<f64> = pairs.map(|w| w[1] - w[0]).collect();
    if intervals.is_empty() {
        return 0.0;
    }
    let middle = intervals.len() / 2;
    *intervals.select_nth_unstable_by(middle, f64::total_cmp).1
}

/// Consecutive rows of one direction, before pauses are joined.
#[derive(Debug, Clone, Copy)]
struct Run {
    direction: Direction,
    first: usize,
    last: usize,
}

fn direction_runs(current_a: &[f64], enter_a: f64, leave_a: f64) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::new();
    let mut state = Direction::Rest;
    let mut row = 0;
    while row < current_a.len() {
        let i = current_a[row];
        let before = if row > 0 { current_a[row - 1] } else { 0.0 };
        state = next_state(state, before, i, enter_a, leave_a);
        // Rows that cannot change the state are passed over at once: this loop sees every row of
        // traces with millions of them.
        let rest = &current_a[row + 1..];
        let changes = match state {
            Direction::Charge => rest.iter().position(|&i| i < enter_a),
            Direction::Discharge => rest.iter().position(|&i| i > -enter_a),
            Direction::Rest => rest.iter().position(|&i| i.abs() > enter_a),
        };
        let last = changes.map_or(current_a.len() - 1, |k| row + k);
        match runs.last_mut() {
            Some(run) if run.direction == state => run.last = last,
            _ => runs.push(Run {
                direction: state,
                first: row,
                last,
            }),
        }
        row = last + 1;
    }
    runs
}

fn next_state(state: Direction, before: f64, i: f64, enter_a: f64, leave_a: f64) -> Direction {
    // A taper never loses three quarters from one row to the next: that is a switch, and what
    // remains is the offset of the current sensor.
    let switched_off = i.abs() < enter_a && i.abs() < 0.25 * before.abs();
    let stays = match state {
        Direction::Charge => i > leave_a && !switched_off,
        Direction::Discharge => i < -leave_a && !switched_off,
        Direction::Rest => false,
    };
    if stays {
        state
    } else if i > enter_a {
        Direction::Charge
    } else if i < -enter_a {
        Direction::Discharge
    } else {
        Direction::Rest
    }
}

fn join_runs(samples: &Samples, runs: &[Run], pause_s: f64) -> Vec<PhaseRows> {
    let time = samples.time_s();
    let own_step = |run: &Run| {
        samples.step().is_some_and(|step| {
            let starts = run.first > 0 && step[run.first - 1] != step[run.first];
            let ends = run.last + 1 < step.len() && step[run.last] != step[run.last + 1];
            starts && ends
        })
    };
    let mut joined: Vec<PhaseRows> = Vec::with_capacity(runs.len().min(1024));
    for (k, run) in runs.iter().enumerate() {
        // Pause: [phase X][rest or a lone wild row][X again], seen when X comes again.
        let resumes = run.direction != Direction::Rest
            && joined.len() >= 2
            && joined[joined.len() - 2].direction == run.direction;
        if resumes {
            let pause = runs[k - 1];
            let pause_rows = pause.last - pause.first + 1;
            let earlier = joined[joined.len() - 2];
            let short = time[run.first] - time[earlier.last] <= pause_s;
            let harmless = match pause.direction {
                Direction::Rest => !own_step(&pause),
                // The other direction for one row is a wild reading, longer it is a pulse.
                _ => pause_rows == 1,
            };
            // The rows between must be that one run, not several joined ones.
            if short && harmless && joined[joined.len() - 1].first == pause.first {
                joined.pop();
                if let Some(phase) = joined.last_mut() {
                    phase.last = run.last;
                    phase.pause_rows += pause_rows;
                }
                continue;
            }
        }
        joined.push(PhaseRows {
            direction: run.direction,
            first: run.first,
            last: run.last,
            pause_rows: 0,
        });
    }
    lone_rows_become_rest(joined)
}

/// A single row under load moves nothing over its rows; between rests it is a wild reading.
fn lone_rows_become_rest(phases: Vec<PhaseRows>) -> Vec<PhaseRows> {
    let mut kept: Vec<PhaseRows> = Vec::with_capacity(phases.len());
    let last = phases.len().saturating_sub(1);
    for (k, mut phase) in phases.iter().copied().enumerate() {
        let rest_before = k == 0 || phases[k - 1].direction == Direction::Rest;
        let rest_after = k == last || phases[k + 1].direction == Direction::Rest;
        if phase.first == phase.last && rest_before && rest_after && last > 0 {
            phase.direction = Direction::Rest;
        }
        match kept.last_mut() {
            Some(previous)
                if previous.direction == Direction::Rest && phase.direction == Direction::Rest =>
            {
                previous.last = phase.last;
            }
            _ => kept.push(phase),
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples::{Columns, SignConvention};
    use proptest::prelude::*;

    fn at_1_hz(current_a: Vec<f64>, step: Option<Vec<i64>>) -> Samples {
        let rows = current_a.len();
        let columns = Columns {
            time_s: (0..rows).map(|k| k as f64).collect(),
            voltage_v: vec![3.5; rows],
            current_a,
            step,
            ..Columns::default()
        };
        Samples::parse(columns, SignConvention::PositiveCharges).unwrap()
    }

    fn directions(samples: &Samples) -> Vec<Direction> {
        let found = find_phases(samples, &PhaseRules::default());
        found.rows.iter().map(|p| p.direction).collect()
    }

    fn blocks(parts: &[(f64, usize)]) -> Vec<f64> {
        parts
            .iter()
            .flat_map(|&(i, rows)| std::iter::repeat_n(i, rows))
            .collect()
    }

    use Direction::{Charge, Discharge, Rest};

    #[test]
    fn rest_charge_and_discharge_are_found_by_themselves() {
        let s = at_1_hz(
            blocks(&[(0.0, 50), (5.0, 100), (0.0, 60), (-10.0, 100), (0.0, 50)]),
            None,
        );
        assert_eq!(directions(&s), [Rest, Charge, Rest, Discharge, Rest]);
    }

    #[test]
    fn an_offset_of_the_sensor_does_not_prolong_a_phase() {
        let s = at_1_hz(blocks(&[(-10.0, 100), (-0.03, 200)]), None);
        let found = find_phases(&s, &PhaseRules::default());
        assert_eq!(found.rows[0].last, 99);
    }

    #[test]
    fn a_short_pause_belongs_to_the_phase_and_a_step_of_its_own_does_not() {
        let current = blocks(&[(-10.0, 100), (0.0, 20), (-10.0, 100)]);
        assert_eq!(directions(&at_1_hz(current.clone(), None)), [Discharge]);
        let step: Vec<i64> = (0..220)
            .map(|k| {
                if k < 100 {
                    1
                } else if k < 120 {
                    2
                } else {
                    3
                }
            })
            .collect();
        assert_eq!(
            directions(&at_1_hz(current, Some(step))),
            [Discharge, Rest, Discharge]
        );
    }

    #[test]
    fn a_long_rest_parts_two_phases() {
        let s = at_1_hz(blocks(&[(-10.0, 100), (0.0, 40), (-10.0, 100)]), None);
        assert_eq!(directions(&s), [Discharge, Rest, Discharge]);
    }

    #[test]
    fn a_wild_reading_sets_no_threshold_and_makes_no_phase() {
        let mut current = blocks(&[(0.0, 100), (-1.0, 500), (0.0, 100)]);
        current[50] = 5000.0;
        current[300] = 4000.0;
        assert_eq!(directions(&at_1_hz(current, None)), [Rest, Discharge, Rest]);
    }

    proptest! {
        #[test]
        fn phases_survive_noise_and_cover_every_row(
            noise in prop::collection::vec(-1.0..1.0_f64, 700),
            level in 1.0..200.0_f64,
        ) {
            let clean = blocks(&[
                (0.0, 100), (0.5, 150), (0.0, 100), (-1.0, 250), (0.0, 100),
            ]);
            // Noise of 0.2 % of the working current, everywhere.
            let noisy: Vec<f64> =
                clean.iter().zip(&noise).map(|(i, n)| level * (i + 0.002 * n)).collect();
            let found = find_phases(&at_1_hz(noisy, None), &PhaseRules::default());
            let directions: Vec<Direction> = found.rows.iter().map(|p| p.direction).collect();
            prop_assert_eq!(directions, [Rest, Charge, Rest, Discharge, Rest]);
            let mut next = 0;
            for p in &found.rows {
                prop_assert_eq!(p.first, next);
                next = p.last + 1;
            }
            prop_assert_eq!(next, 700);
        }

        #[test]
        fn any_current_gives_phases_that_cover_every_row_in_order(
            current in prop::collection::vec(-5.0..5.0_f64, 2..300),
        ) {
            let rows = current.len();
            let found = find_phases(&at_1_hz(current, None), &PhaseRules::default());
            let mut next = 0;
            for p in &found.rows {
                prop_assert_eq!(p.first, next);
                prop_assert!(p.last >= p.first);
                next = p.last + 1;
            }
            prop_assert_eq!(next, rows);
        }
    }
}
