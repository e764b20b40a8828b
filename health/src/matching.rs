//! Matched sets: which units fit together on the positions of one aircraft.
//!
//! A set is as good as its widest spread: of capacity in parts of the permitted capacity spread, of
//! resistance in parts of the permitted resistance spread. Common practice, no source; what is
//! permitted comes from the maintenance manual.

use crate::quantity::{AmpHours, Ohms};

/// A unit that may be fitted.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The unit's name, as the caller knows it.
    pub unit: String,
    /// Newest capacity.
    pub capacity: AmpHours,
    /// Newest resistance; all of one method.
    pub resistance: Option<Ohms>,
}

/// Permitted spread within a set, highest less lowest.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PermittedSpread {
    /// Of capacity.
    pub capacity: AmpHours,
    /// Of resistance; `None` leaves resistance out of the matching.
    pub resistance: Option<Ohms>,
}

/// A set of units that fit together.
#[derive(Debug, Clone, PartialEq)]
pub struct MatchedSet {
    /// The units, by index among the candidates, in order of index.
    pub units: Vec<usize>,
    /// Highest less lowest capacity.
    pub capacity_spread: AmpHours,
    /// Highest less lowest resistance, if it was matched.
    pub resistance_spread: Option<Ohms>,
    /// Widest spread in parts of what is permitted, at most 1.
    pub tightness: f64,
}

/// Up to `sets` disjoint sets of `positions` units, the tightest first, each within `permitted`.
///
/// Each set is the tightest there is among the units that earlier sets left over. A candidate
/// without a resistance is left out if resistances are matched, as is one with a value that is no
/// positive number. Fewer sets, or none, if no more fit.
pub fn matched_sets(
    candidates: &[Candidate],
    positions: usize,
    sets: usize,
    permitted: &PermittedSpread,
) -> Vec<MatchedSet> {
    let mut free: Vec<Point> = candidates
        .iter()
        .enumerate()
        .filter_map(|(index, candidate)| point(index, candidate, permitted))
        .collect();
    free.sort_by(|a, b| {
        a.capacity
            .total_cmp(&b.capacity)
            .then(a.index.cmp(&b.index))
    });
    let mut found = Vec::new();
    while found.len() < sets && positions > 0 {
        let Some(chosen) = tightest(&free, positions) else {
            break;
        };
        free.retain(|p| !chosen.contains(&p.index));
        found.push(describe(candidates, chosen, permitted));
    }
    found
}

/// Capacity and resistance in parts of the permitted spread.
#[derive(Debug, Clone, Copy)]
struct Point {
    index: usize,
    capacity: f64,
    resistance: f64,
}

fn point(index: usize, candidate: &Candidate, permitted: &PermittedSpread) -> Option<Point> {
    let part = |value: f64, permitted: f64| {
        let usable = value.is_finite() && value > 0.0 && permitted > 0.0;
        usable.then(|| value / permitted)
    };
    Some(Point {
        index,
        capacity: part(candidate.capacity.0, permitted.capacity.0)?,
        resistance: match permitted.resistance {
            Some(most) => part(candidate.resistance?.0, most.0)?,
            None => 0.0,
        },
    })
}

/// The set of `count` points in the smallest square not wider than 1; ties go to the lower
/// capacities. Any best square can be moved until a point stands on its lower edge of each
/// coordinate, so trying all pairs of lower edges finds it. `points` stand in order of capacity.
fn tightest(points: &[Point], count: usize) -> Option<Vec<usize>> {
    let mut best = f64::INFINITY;
    let mut chosen = None;
    for (i, low) in points.iter().enumerate() {
        let limit = best.min(1.0);
        let near: Vec<&Point> = points[i..]
            .iter()
            .take_while(|p| p.capacity - low.capacity <= limit)
            .collect();
        if near.len() < count {
            continue;
        }
        for floor in near
            .iter()
            .map(|p| p.resistance)
            .filter(|r| *r <= low.resistance)
        {
            let mut reach: Vec<(f64, usize)> = near
                .iter()
                .filter(|p| p.resistance >= floor)
                .map(|p| {
                    (
                        (p.capacity - low.capacity).max(p.resistance - floor),
                        p.index,
                    )
                })
                .collect();
            if reach.len() < count {
                continue;
            }
            reach.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
            let width = reach[count - 1].0;
            if width < best && width <= 1.0 {
                best = width;
                chosen = Some(reach[..count].iter().map(|r| r.1).collect());
            }
        }
    }
    chosen
}

fn describe(
    candidates: &[Candidate],
    mut units: Vec<usize>,
    permitted: &PermittedSpread,
) -> MatchedSet {
    units.sort_unstable();
    let spread = |of: &dyn Fn(&Candidate) -> Option<f64>| {
        let values = units
            .iter()
            .filter_map(|&k| candidates.get(k))
            .filter_map(of);
        let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| {
            (l.min(v), h.max(v))
        });
        high - low
    };
    let capacity = spread(&|c| Some(c.capacity.0));
    let resistance = permitted
        .resistance
        .map(|most| (spread(&|c| c.resistance.map(|r| r.0)), most.0));
    let tightness = resistance
        .map_or(0.0, |(r, most)| r / most)
        .max(capacity / permitted.capacity.0);
    MatchedSet {
        units,
        capacity_spread: AmpHours(capacity),
        resistance_spread: resistance.map(|(r, _)| Ohms(r)),
        tightness,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn candidate(k: usize, capacity: f64, milliohms: f64) -> Candidate {
        Candidate {
            unit: format!("{k:04}"),
            capacity: AmpHours(capacity),
            resistance: Some(Ohms(milliohms * 1e-3)),
        }
    }

    fn permitted() -> PermittedSpread {
        PermittedSpread {
            capacity: AmpHours(2.0),
            resistance: Some(Ohms(2e-3)),
        }
    }

    #[test]
    fn the_pair_that_fits_in_both_is_chosen_over_one_that_fits_in_one() {
        let units = [
            candidate(0, 40.0, 10.0),
            candidate(1, 40.1, 14.0),
            candidate(2, 40.5, 10.2),
            candidate(3, 43.0, 14.1),
        ];
        let sets = matched_sets(&units, 2, 2, &permitted());
        assert_eq!(sets.len(), 1, "1 and 3 lie too far apart in capacity");
        assert_eq!(sets[0].units, [0, 2]);
        assert!((sets[0].capacity_spread.0 - 0.5).abs() < 1e-12);
        assert!((sets[0].tightness - 0.25).abs() < 1e-9);
    }

    #[test]
    fn a_unit_without_resistance_is_matched_by_capacity_only_where_that_is_asked() {
        let mut units = vec![candidate(0, 40.0, 10.0), candidate(1, 40.1, 10.0)];
        units[1].resistance = None;
        assert!(matched_sets(&units, 2, 1, &permitted()).is_empty());
        let by_capacity = PermittedSpread {
            resistance: None,
            ..permitted()
        };
        assert_eq!(matched_sets(&units, 2, 1, &by_capacity).len(), 1);
    }

    #[test]
    fn four_positions_are_filled_from_a_store() {
        let units: Vec<Candidate> = (0..40)
            .map(|k| candidate(k, 36.0 + 0.2 * k as f64, 10.0 + (k % 4) as f64))
            .collect();
        let sets = matched_sets(&units, 4, 3, &permitted());
        assert_eq!(sets.len(), 3);
        let mut all: Vec<usize> = sets.iter().flat_map(|s| s.units.clone()).collect();
        all.sort_unstable();
        all.dedup();
        assert_eq!(all.len(), 12, "no unit is in two sets");
        assert!(
            sets.windows(2)
                .all(|w| w[0].tightness <= w[1].tightness + 1e-12)
        );
    }

    proptest! {
        #[test]
        fn the_first_set_is_the_tightest_of_all(
            values in prop::collection::vec((36.0..44.0_f64, 10.0..16.0_f64), 3..9),
        ) {
            let units: Vec<Candidate> =
                values.iter().enumerate().map(|(k, v)| candidate(k, v.0, v.1)).collect();
            let wide = PermittedSpread { capacity: AmpHours(10.0), resistance: Some(Ohms(10e-3)) };
            let ours = matched_sets(&units, 3, 1, &wide)[0].tightness;
            let mut best = f64::INFINITY;
            for a in 0..units.len() {
                for b in a + 1..units.len() {
                    for c in b + 1..units.len() {
                        best = best.min(describe(&units, vec![a, b, c], &wide).tightness);
                    }
                }
            }
            prop_assert!((ours - best).abs() < 1e-9);
        }
    }
}
