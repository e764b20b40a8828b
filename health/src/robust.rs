//! Medians, the modified z score and the Theil–Sen line.
//!
//! Sources: P. K. Sen, Journal of the American Statistical Association 63 (1968), equation 2.6 for
//! the interval of the slope; B. Iglewicz and D. Hoaglin (1993) for the modified z score. What is an
//! outlier, [`crate::outlier`] decides. The line is that of `scipy.stats.theilslopes` with its default method, digit for
//! digit: tests/health_reference.py compares.

use crate::regression::Interval;
use crate::special::normal_quantile;

/// Median; the mean of the two middle values of an even count. `None` for an empty slice.
///
/// Reorders `values`.
pub fn median_of(values: &mut [f64]) -> Option<f64> {
    let n = values.len();
    if n == 0 {
        return None;
    }
    let (below, &mut upper, _) = values.select_nth_unstable_by(n / 2, f64::total_cmp);
    if n % 2 == 1 {
        return Some(upper);
    }
    let lower = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    Some(0.5 * (lower + upper))
}

/// Median of values that stay as they are.
pub fn median(values: &[f64]) -> Option<f64> {
    median_of(&mut values.to_vec())
}

/// Modified z scores `0.6745 · (x − median) / MAD`, MAD the median of absolute deviations.
///
/// If more than half of the values are equal the MAD is 0: values at the median score 0, others ±∞.
/// Empty for an empty slice.
pub fn modified_z(values: &[f64]) -> Vec<f64> {
    let Some(center) = median(values) else {
        return Vec::new();
    };
    let mut deviations: Vec<f64> = values.iter().map(|v| (v - center).abs()).collect();
    let mad = median_of(&mut deviations).unwrap_or(0.0);
    let score = |v: &f64| {
        let off = v - center;
        if off == 0.0 { 0.0 } else { 0.6745 * off / mad }
    };
    values.iter().map(score).collect()
}

/// A Theil–Sen line with the interval of its slope.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median of the slopes of all pairs of points with different x.
    pub slope: f64,
    /// `median(y) − slope · median(x)`.
    pub intercept: f64,
    /// Confidence interval of the slope; `None` below [`FEWEST_FOR_INTERVAL`] points.
    pub slope_interval: Option<Interval>,
    /// Confidence level of the interval.
    pub confidence: f64,
}

/// Fewest points at different x of an interval of the slope. The widest one, from the smallest to the
/// largest slope of all pairs, holds the true slope at 1 − 2/n!: 67, 92, 98 % at 3, 4, 5 points.
pub const FEWEST_FOR_INTERVAL: usize = 5;

impl TheilSen {
    /// The line at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.intercept + self.slope * x
    }
}

/// Most points of a Theil–Sen fit: the slopes of all pairs are held at once (32 MB).
pub const MAX_POINTS: usize = 2900;

/// Fits a Theil–Sen line with a confidence interval at `confidence` (0.95).
///
/// # Errors
/// [`FitError`] names what is missing.
pub fn theil_sen(x: &[f64], y: &[f64], confidence: f64) -> Result<TheilSen, FitError> {
    check(x, y, 2)?;
    if x.len() > MAX_POINTS {
        return Err(FitError::TooManyPoints {
            points: x.len(),
            most: MAX_POINTS,
        });
    }
    let n = x.len();
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    for j in 1..n {
        for i in 0..j {
            let dx = x[j] - x[i];
            if dx != 0.0 {
                slopes.push((y[j] - y[i]) / dx);
            }
        }
    }
    if slopes.is_empty() {
        return Err(FitError::SameX);
    }
    let (mx, my) = (median(x).unwrap_or(0.0), median(y).unwrap_or(0.0));
    let z = normal_quantile(0.5 * (1.0 - confidence));
    let ties = |k: f64| k * (k - 1.0) * (2.0 * k + 5.0);
    let all = ties(n as f64);
    let variance = (all - repeats(x, ties) - repeats(y, ties)) / 18.0;
    // z is negative, so `half` is, and the upper rank lies above the middle.
    let half = z * variance.max(0.0).sqrt();
    let count = slopes.len() as f64;
    let last = slopes.len() - 1;
    let upper = ((0.5 * (count - half)).round_ties_even().max(0.0) as usize).min(last);
    let lower = (((0.5 * (count + half)).round_ties_even() - 1.0).max(0.0) as usize).min(last);
    let (slope, low_slope, high_slope) = middle_and_ranks(&mut slopes, lower, upper);
    let enough = n - tied(x) >= FEWEST_FOR_INTERVAL;
    Ok(TheilSen {
        slope,
        intercept: my - slope * mx,
        slope_interval: enough.then_some(Interval {
            low: low_slope,
            high: high_slope,
        }),
        confidence,
    })
}

/// Values that repeat another one.
fn tied(values: &[f64]) -> usize {
    repeats(values, |k| k - 1.0) as usize
}

/// Median and the values of rank `lower` and `upper`, without sorting the rest.
fn middle_and_ranks(values: &mut [f64], lower: usize, upper: usize) -> (f64, f64, f64) {
    let middle = values.len() / 2;
    let even = values.len().is_multiple_of(2);
    let (below, &mut center, above) = values.select_nth_unstable_by(middle, f64::total_cmp);
    let median = if even {
        0.5 * (below.iter().copied().fold(f64::NEG_INFINITY, f64::max) + center)
    } else {
        center
    };
    let mut rank = |at: usize| match at.cmp(&middle) {
        std::cmp::Ordering::Less => *below.select_nth_unstable_by(at, f64::total_cmp).1,
        std::cmp::Ordering::Equal => center,
        std::cmp::Ordering::Greater => {
            *above
                .select_nth_unstable_by(at - middle - 1, f64::total_cmp)
                .1
        }
    };
    (median, rank(lower), rank(upper))
}

/// Sum of `of` over the lengths of runs of equal values, longer than one.
fn repeats(values: &[f64], of: impl Fn(f64) -> f64) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let runs = sorted.chunk_by(|a, b| a == b).map(|run| run.len() as f64);
    runs.filter(|&k| k > 1.0).map(of).sum()
}

pub(crate) fn check(x: &[f64], y: &[f64], least: usize) -> Result<(), FitError> {
    if x.len() != y.len() {
        return Err(FitError::UnequalLength {
            x: x.len(),
            y: y.len(),
        });
    }
    if x.len() < least {
        return Err(FitError::TooFewPoints {
            points: x.len(),
            least,
        });
    }
    match x
        .iter()
        .zip(y)
        .position(|(x, y)| !x.is_finite() || !y.is_finite())
    {
        Some(index) => Err(FitError::NotANumber { index }),
        None => Ok(()),
    }
}

/// Why no line was fitted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FitError {
    /// Not as many x as y.
    #[error("{x} values of x and {y} of y")]
    UnequalLength {
        /// Values of x.
        x: usize,
        /// Values of y.
        y: usize,
    },
    /// Too few points.
    #[error("{points} points; at least {least} are needed")]
    TooFewPoints {
        /// Points given.
        points: usize,
        /// Points needed.
        least: usize,
    },
    /// Too many points for a fit over all pairs.
    #[error("{points} points; at most {most} are taken")]
    TooManyPoints {
        /// Points given.
        points: usize,
        /// Points allowed.
        most: usize,
    },
    /// A coordinate is not a finite number.
    #[error("point {index} is not a number")]
    NotANumber {
        /// Its index.
        index: usize,
    },
    /// All points have the same x.
    #[error("all points lie at the same time")]
    SameX,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn the_median_of_an_even_count_lies_between() {
        assert_eq!(median(&[4.0, 1.0, 3.0, 2.0]), Some(2.5));
        assert_eq!(median(&[3.0, 1.0, 2.0]), Some(2.0));
        assert_eq!(median(&[]), None);
    }

    #[test]
    fn equal_values_are_no_outliers_and_a_lone_other_one_is() {
        assert_eq!(modified_z(&[1.0, 1.0, 1.0]), [0.0, 0.0, 0.0]);
        assert_eq!(modified_z(&[1.0, 1.0, 1.0, 2.0])[3], f64::INFINITY);
    }

    #[test]
    fn one_wild_point_does_not_move_the_line() {
        let x: Vec<f64> = (0..20).map(f64::from).collect();
        let mut y: Vec<f64> = x.iter().map(|x| 10.0 - 0.1 * x).collect();
        y[5] = 3.0;
        let line = theil_sen(&x, &y, 0.95).unwrap();
        assert!((line.slope + 0.1).abs() < 1e-12);
    }

    #[test]
    fn the_slope_has_no_interval_below_five_different_points() {
        let x = [0.0, 1.0, 2.0, 3.0, 4.0];
        let y = [40.0, 39.2, 39.1, 38.0, 37.9];
        let interval = |x: &[f64]| theil_sen(x, &y[..x.len()], 0.95).unwrap().slope_interval;
        assert_eq!(interval(&x[..4]), None);
        assert_eq!(interval(&[0.0, 1.0, 2.0, 3.0, 3.0]), None);
        // At five points the widest: from the smallest to the largest slope of all pairs.
        let five = interval(&x).unwrap();
        assert!((five.low + 1.1).abs() < 1e-12 && (five.high + 0.1).abs() < 1e-12);
    }

    #[test]
    fn what_cannot_be_fitted_is_refused() {
        assert_eq!(
            theil_sen(&[1.0], &[1.0], 0.95),
            Err(FitError::TooFewPoints {
                points: 1,
                least: 2
            })
        );
        assert_eq!(
            theil_sen(&[1.0, 1.0], &[1.0, 2.0], 0.95),
            Err(FitError::SameX)
        );
        assert_eq!(
            theil_sen(&[1.0, f64::NAN], &[1.0, 2.0], 0.95),
            Err(FitError::NotANumber { index: 1 })
        );
    }

    proptest! {
        #[test]
        fn the_line_scales_shifts_and_does_not_depend_on_order(
            points in prop::collection::vec((0.0..1000.0_f64, -50.0..50.0_f64), 5..40),
            scale in 0.1..10.0_f64,
            shift in -100.0..100.0_f64,
        ) {
            let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
            let Ok(line) = theil_sen(&x, &y, 0.95) else { return Ok(()) };
            let tolerance = 1e-9 * (1.0 + line.slope.abs()) * scale.max(1.0);
            let moved: Vec<f64> = y.iter().map(|y| scale * y + shift).collect();
            let other = theil_sen(&x, &moved, 0.95).unwrap();
            prop_assert!((other.slope - scale * line.slope).abs() <= tolerance);
            if let (Some(plain), Some(moved)) = (line.slope_interval, other.slope_interval) {
                prop_assert!((moved.low - scale * plain.low).abs() <= 1e-6 * (1.0 + plain.low.abs()) * scale.max(1.0));
                prop_assert!(plain.contains(line.slope));
            }
            let (mut rx, mut ry) = (x.clone(), y.clone());
            rx.reverse();
            ry.reverse();
            let reversed = theil_sen(&rx, &ry, 0.95).unwrap();
            prop_assert!((reversed.slope - line.slope).abs() <= tolerance);
        }
    }
}
