//! Does one station read low or high against the fleet?
//!
//! Units travel, so their own course tells: the logarithm of a capacity is its unit's level and
//! fade plus the bias of the station plus scatter. Every unit has its own level, and its own fade
//! from five checks on, so that a station that sees old units is not taken for one that reads low.
//! Least squares; standard errors are clustered by unit (sandwich), since the checks of one unit
//! scatter together. Checked against statsmodels (tests/health_reference.py).

use crate::regression::Interval;
use crate::special::t_quantile;
use std::collections::BTreeMap;

/// One capacity check at a station.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationCheck {
    /// The unit, numbered by the caller.
    pub unit: usize,
    /// The station, numbered by the caller.
    pub station: usize,
    /// Day of the check, on any one axis.
    pub day: f64,
    /// Capacity, positive.
    pub capacity: f64,
}

/// What a station reads against the mean of all stations of the comparison.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StationBias {
    /// The station.
    pub station: usize,
    /// Relative bias: −0.02 reads 2 % low.
    pub bias: f64,
    /// Interval of the bias. All intervals hold together with the stated confidence (Bonferroni).
    pub interval: Interval,
    /// Checks of the station that could be compared.
    pub checks: usize,
    /// Units whose checks they are.
    pub units: usize,
}

impl StationBias {
    /// Whether the interval excludes no bias.
    pub fn is_clear(&self) -> bool {
        !self.interval.contains(0.0)
    }
}

/// Checks from which on a unit's fade is fitted beside its level.
const CHECKS_FOR_FADE: usize = 5;
/// Fewest units that tie a station to the others.
pub const FEWEST_UNITS: usize = 5;
/// Most stations of one comparison: the equations are dense.
pub const MOST_STATIONS: usize = 500;

/// Compares stations through the units that were checked at more than one of them.
///
/// # Errors
/// [`NoComparison`] if units do not tie at least two stations together.
pub fn station_biases(
    checks: &[StationCheck],
    confidence: f64,
) -> Result<Vec<StationBias>, NoComparison> {
    let units = travelling_units(checks);
    let mut seen: BTreeMap<usize, (usize, usize)> = BTreeMap::new();
    for checks in units.values() {
        let mut stations: Vec<usize> = checks.iter().map(|c| c.station).collect();
        stations
            .iter()
            .for_each(|s| seen.entry(*s).or_default().0 += 1);
        stations.sort_unstable();
        stations.dedup();
        stations
            .iter()
            .for_each(|s| seen.entry(*s).or_default().1 += 1);
    }
    // A station with few units is left in the fit, since its checks tie others, but not judged.
    let judged = seen
        .values()
        .filter(|(_, units)| *units >= FEWEST_UNITS)
        .count();
    if seen.len() < 2 || judged == 0 {
        return Err(NoComparison::NotTied {
            stations: seen.len(),
            least: FEWEST_UNITS,
        });
    }
    if seen.len() > MOST_STATIONS {
        return Err(NoComparison::TooManyStations {
            stations: seen.len(),
        });
    }
    let column: BTreeMap<usize, usize> = seen.keys().enumerate().map(|(k, s)| (*s, k)).collect();
    let fit = fit(&units, &column).ok_or(NoComparison::Apart)?;
    let groups = units.len() as f64;
    let each = 1.0 - (1.0 - confidence) / judged as f64;
    let t = t_quantile(0.5 * (1.0 + each), groups - 1.0);
    let biases = seen
        .iter()
        .zip(fit)
        .filter(|((_, (_, units)), _)| *units >= FEWEST_UNITS);
    Ok(biases
        .map(
            |((&station, &(checks, units)), (effect, error))| StationBias {
                station,
                bias: effect.exp_m1(),
                interval: Interval {
                    low: (effect - t * error).exp_m1(),
                    high: (effect + t * error).exp_m1(),
                },
                checks,
                units,
            },
        )
        .collect())
}

type ByUnit = BTreeMap<usize, Vec<StationCheck>>;

/// Units with usable checks at two stations or more; the others tell nothing.
fn travelling_units(checks: &[StationCheck]) -> ByUnit {
    let mut units: ByUnit = BTreeMap::new();
    for check in checks {
        if check.capacity.is_finite() && check.capacity > 0.0 && check.day.is_finite() {
            units.entry(check.unit).or_default().push(*check);
        }
    }
    units.retain(|_, checks| checks.iter().any(|c| c.station != checks[0].station));
    units
}

/// What the own level and fade of a unit leave of a column: its part across them.
struct Projection {
    centered_day: Option<Vec<f64>>,
}

impl Projection {
    fn of(checks: &[StationCheck]) -> Self {
        let n = checks.len() as f64;
        let mean = checks.iter().map(|c| c.day).sum::<f64>() / n;
        let day: Vec<f64> = checks.iter().map(|c| c.day - mean).collect();
        let length = day.iter().map(|d| d * d).sum::<f64>().sqrt();
        let fitted = checks.len() >= CHECKS_FOR_FADE && length > 0.0;
        Self {
            centered_day: fitted.then(|| day.iter().map(|d| d / length).collect()),
        }
    }

    fn across(&self, column: &[f64]) -> Vec<f64> {
        let mean = column.iter().sum::<f64>() / column.len() as f64;
        let mut left: Vec<f64> = column.iter().map(|v| v - mean).collect();
        if let Some(day) = &self.centered_day {
            let along: f64 = left.iter().zip(day).map(|(v, d)| v * d).sum();
            left.iter_mut().zip(day).for_each(|(v, d)| *v -= along * d);
        }
        left
    }
}

/// Station effects that sum to zero, with clustered standard errors. `None` if the stations fall
/// into groups that no unit ties together.
fn fit(units: &ByUnit, column: &BTreeMap<usize, usize>) -> Option<Vec<(f64, f64)>> {
    let size = column.len();
    let mut normal = vec![vec![0.0; size]; size];
    let mut right = vec![0.0; size];
    let mut blocks = Vec::with_capacity(units.len());
    for checks in units.values() {
        let projection = Projection::of(checks);
        let y = projection.across(&checks.iter().map(|c| c.capacity.ln()).collect::<Vec<_>>());
        let mut stations: Vec<usize> = checks
            .iter()
            .filter_map(|c| column.get(&c.station))
            .copied()
            .collect();
        stations.sort_unstable();
        stations.dedup();
        let columns: Vec<(usize, Vec<f64>)> = stations
            .into_iter()
            .map(|s| {
                let here = checks
                    .iter()
                    .map(|c| f64::from(u8::from(column.get(&c.station) == Some(&s))));
                (s, projection.across(&here.collect::<Vec<_>>()))
            })
            .collect();
        for (a, va) in &columns {
            right[*a] += dot(va, &y);
            for (b, vb) in &columns {
                normal[*a][*b] += dot(va, vb);
            }
        }
        blocks.push((columns, y));
    }
    // The effects are known up to a constant; fixing their sum makes the equations regular.
    normal
        .iter_mut()
        .for_each(|row| row.iter_mut().for_each(|v| *v += 1.0));
    let inverse = invert(normal)?;
    let effects: Vec<f64> = inverse.iter().map(|row| dot(row, &right)).collect();
    let mut variance = vec![0.0; size];
    for (columns, y) in &blocks {
        let mut residual = y.clone();
        for (s, v) in columns {
            residual
                .iter_mut()
                .zip(v)
                .for_each(|(r, v)| *r -= effects[*s] * v);
        }
        let scores: Vec<(usize, f64)> = columns
            .iter()
            .map(|(s, v)| (*s, dot(v, &residual)))
            .collect();
        for (k, row) in inverse.iter().enumerate() {
            let through: f64 = scores.iter().map(|(s, g)| row[*s] * g).sum();
            variance[k] += through * through;
        }
    }
    let groups = blocks.len() as f64;
    let small_sample = groups / (groups - 1.0);
    Some(
        effects
            .into_iter()
            .zip(variance)
            .map(|(e, v)| (e, (small_sample * v).sqrt()))
            .collect(),
    )
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// Inverse by Gauss–Jordan elimination with row exchange; `None` for a singular matrix.
fn invert(mut a: Vec<Vec<f64>>) -> Option<Vec<Vec<f64>>> {
    let n = a.len();
    let mut inverse: Vec<Vec<f64>> = (0..n)
        .map(|i| (0..n).map(|j| f64::from(u8::from(i == j))).collect())
        .collect();
    let largest = a.iter().flatten().fold(0.0_f64, |m, v| m.max(v.abs()));
    for column in 0..n {
        let pivot =
            (column..n).max_by(|&x, &y| a[x][column].abs().total_cmp(&a[y][column].abs()))?;
        if a[pivot][column].abs() <= 1e-10 * largest {
            return None;
        }
        a.swap(column, pivot);
        inverse.swap(column, pivot);
        let scale = 1.0 / a[column][column];
        a[column]
            .iter_mut()
            .chain(inverse[column].iter_mut())
            .for_each(|v| *v *= scale);
        let (pivot_row, pivot_inverse) = (a[column].clone(), inverse[column].clone());
        for row in (0..n).filter(|&r| r != column) {
            let factor = a[row][column];
            if factor != 0.0 {
                a[row]
                    .iter_mut()
                    .zip(&pivot_row)
                    .for_each(|(v, p)| *v -= factor * p);
                inverse[row]
                    .iter_mut()
                    .zip(&pivot_inverse)
                    .for_each(|(v, p)| *v -= factor * p);
            }
        }
    }
    Some(inverse)
}

/// Why stations are not compared.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NoComparison {
    /// No station shares enough units with others.
    #[error("{stations} stations share units; at least two must, one of them {least} units")]
    NotTied {
        /// Stations that share any unit.
        stations: usize,
        /// Units needed.
        least: usize,
    },
    /// Too many stations for one comparison.
    #[error("{stations} stations; at most {MOST_STATIONS} are compared at once")]
    TooManyStations {
        /// Stations given.
        stations: usize,
    },
    /// The stations fall into groups that share no unit.
    #[error("the stations fall into groups that share no unit")]
    Apart,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Deterministic scatter of about ±0.3 %.
    fn scatter(unit: usize, k: usize) -> f64 {
        (((unit * 37 + k * 101) % 13) as f64 - 6.0) / 2000.0
    }

    /// Units travel over three stations; station 2 reads `bias` low. Old units go to station 0.
    fn fleet(bias: f64) -> Vec<StationCheck> {
        let mut checks = Vec::new();
        for unit in 0..30 {
            for k in 0..8 {
                let station = if k < 4 {
                    (unit + k) % 3
                } else {
                    [0, 0, 2, 1][(unit + k) % 4]
                };
                let true_value = (44.0 - 0.1 * unit as f64) * (1.0 - 0.01 * k as f64);
                let read = if station == 2 { 1.0 - bias } else { 1.0 };
                checks.push(StationCheck {
                    unit,
                    station,
                    day: 200.0 * k as f64,
                    capacity: true_value * read * (1.0 + scatter(unit, k)),
                });
            }
        }
        checks
    }

    #[test]
    fn a_station_that_reads_low_is_found_with_its_bias() {
        let biases = station_biases(&fleet(0.03), 0.95).unwrap();
        let low = biases[2];
        assert!(low.is_clear());
        // Against the mean of the three: −3 % + 1 %.
        assert!((low.bias + 0.02).abs() < 0.002, "{}", low.bias);
        let difference = low.bias - biases[0].bias;
        assert!((difference + 0.03).abs() < 0.002);
    }

    #[test]
    fn stations_that_read_alike_are_left_alone_though_one_sees_the_old_units() {
        for bias in station_biases(&fleet(0.0), 0.95).unwrap() {
            assert!(!bias.is_clear() || bias.bias.abs() < 0.001, "{bias:?}");
            assert!(bias.bias.abs() < 0.002);
        }
    }

    #[test]
    fn stations_without_common_units_are_not_compared() {
        let apart: Vec<StationCheck> = (0..20)
            .flat_map(|unit| {
                (0..4).map(move |k| StationCheck {
                    unit,
                    station: unit % 2 * 2 + k % 2,
                    day: 100.0 * k as f64,
                    capacity: 40.0,
                })
            })
            .collect();
        assert_eq!(station_biases(&apart, 0.95), Err(NoComparison::Apart));
        let alone: Vec<StationCheck> = apart
            .iter()
            .map(|c| StationCheck {
                station: c.unit,
                ..*c
            })
            .collect();
        assert!(matches!(
            station_biases(&alone, 0.95),
            Err(NoComparison::NotTied { .. })
        ));
    }

    #[test]
    fn scale_of_the_capacities_changes_nothing() {
        let plain = station_biases(&fleet(0.02), 0.95).unwrap();
        let scaled: Vec<StationCheck> = fleet(0.02)
            .into_iter()
            .map(|c| StationCheck {
                capacity: c.capacity * 7.0,
                ..c
            })
            .collect();
        for (a, b) in plain.iter().zip(station_biases(&scaled, 0.95).unwrap()) {
            assert!((a.bias - b.bias).abs() < 1e-12);
        }
    }
}
