//! Points off a line, and values off their fellows, with bounds that hold for few checks.
//!
//! Up to [`FEW`] points: the deleted studentised residual `d = e / (s₋ᵢ·√(1 − hᵢᵢ))`, the distance of
//! a point from the line of the others over its standard error, against Student's t at `1 − α/2n`
//! with `n − 3` degrees of freedom (R. D. Cook and S. Weisberg, Residuals and Influence in
//! Regression, 1982). Above: the modified z score of the Theil–Sen residuals (B. Iglewicz and
//! D. Hoaglin, 1993) against a bound computed for the number of points. Both accuse a unit without
//! fault in [`FALSE_ALARMS`] of all series; the usual bound of 3.5 would in 38 % of five checks.
//! Checked against statsmodels (`resid_studentized_external`) by tests/health_reference.py.

use crate::regression::least_squares;
use crate::robust::{FitError, check, median, modified_z, theil_sen};
use crate::special::t_quantile;

/// Part of series of a unit without fault in which a point is accused.
pub const FALSE_ALARMS: f64 = 0.01;
/// Fewest points among which one can stand out.
pub const FEWEST_POINTS: usize = 5;
/// Most points that are judged by the deleted studentised residual.
pub const FEW: usize = 12;
/// Differences up to this part of the largest value are rounding, never an outlier.
const ROUNDING: f64 = 1e-9;

/// Bound `kₙ` of the largest modified z of Theil–Sen residuals, and `cₙ`, by which `1.4826·MAD` of
/// them is to be multiplied to be the standard deviation on average: `(n, cₙ, kₙ)`.
///
/// Computed, no source: 99 % quantile and mean over 40,000 series of normal scatter at equal steps
/// (numpy, seeds 20260301 to 20260305; past 30 points 10,000 to 20,000 series). Between two rows the
/// smaller n's holds, and past the last row its, which then accuse less often than stated.
const FOR_POINTS: [(usize, f64, f64); 16] = [
    (5, 1.73, 142.0),
    (6, 1.55, 24.8),
    (7, 1.36, 22.6),
    (8, 1.31, 13.2),
    (10, 1.22, 9.3),
    (12, 1.18, 7.9),
    (13, 1.15, 7.9),
    (14, 1.14, 7.0),
    (16, 1.12, 6.3),
    (18, 1.10, 6.0),
    (20, 1.09, 5.6),
    (25, 1.07, 5.4),
    (30, 1.06, 5.0),
    (40, 1.04, 4.7),
    (60, 1.03, 4.5),
    (100, 1.02, 4.3),
];

/// How a point was measured against its fellows.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Deleted studentised residual.
    DeletedResidual,
    /// Modified z score.
    ModifiedZ,
}

impl Measure {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::DeletedResidual => "deleted studentised residual",
            Self::ModifiedZ => "modified z",
        }
    }
}

/// A point that stands out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outlier {
    /// Its index.
    pub index: usize,
    /// Distance from the line (of the others, up to [`FEW`] points), in the unit of y.
    pub off: f64,
    /// Its score; infinite if the others lie exactly on a line.
    pub score: f64,
    /// The bound that the score's magnitude exceeds.
    pub bound: f64,
    /// What the score is.
    pub measure: Measure,
}

/// A point's distance and score, before it is judged.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Score {
    /// Distance from the line of the others, in the unit of y.
    pub off: f64,
    /// Distance over its standard error.
    pub score: f64,
}

/// Points that stand out of their line. `standard` holds the standard uncertainty `u` of each y, 0
/// or nothing where it is not known; a point within `U = 2u` of the line is no outlier.
///
/// # Errors
/// [`FitError`] if no line can be fitted; fewer than [`FEWEST_POINTS`] points give none instead.
pub fn outliers(x: &[f64], y: &[f64], standard: &[f64]) -> Result<Vec<Outlier>, FitError> {
    check(x, y, 0)?;
    if x.len() < FEWEST_POINTS {
        return Ok(Vec::new());
    }
    if x.len() <= FEW {
        let bound = deleted_bound(x.len(), 3);
        let scores = deleted_residuals(x, y)?;
        return Ok(judged(
            &scores,
            y,
            standard,
            bound,
            Measure::DeletedResidual,
        ));
    }
    let line = theil_sen(x, y, 0.95)?;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - line.at(*x)).collect();
    let scores = modified_scores(&residuals);
    let bound = modified_bound(x.len());
    Ok(judged(&scores, y, standard, bound, Measure::ModifiedZ))
}

/// Values that stand out of their fellows, which share one level: units of a part number.
///
/// The same two measures about the mean and the median. The bounds of a line are used above
/// [`FEW`] values; about a level they accuse less often than stated.
pub fn outliers_of_level(values: &[f64]) -> Vec<Outlier> {
    if values.len() < FEWEST_POINTS {
        return Vec::new();
    }
    if values.len() <= FEW {
        let bound = deleted_bound(values.len(), 2);
        let scores = deleted_from_mean(values);
        return judged(&scores, values, &[], bound, Measure::DeletedResidual);
    }
    let bound = modified_bound(values.len());
    judged(
        &modified_scores(values),
        values,
        &[],
        bound,
        Measure::ModifiedZ,
    )
}

/// `t(1 − α/2n; n − lost)`: `lost` is one more than the parameters fitted.
fn deleted_bound(points: usize, lost: usize) -> f64 {
    let n = points as f64;
    t_quantile(1.0 - FALSE_ALARMS / (2.0 * n), n - lost as f64)
}

/// Deleted studentised residual of each point of a straight line. A point that alone fixes the line
/// has score 0.
///
/// # Errors
/// [`FitError`]; at least 4 points are needed.
pub fn deleted_residuals(x: &[f64], y: &[f64]) -> Result<Vec<Score>, FitError> {
    check(x, y, 4)?;
    let others = |values: &[f64], out: usize| -> Vec<f64> {
        let kept = values.iter().enumerate().filter(|(k, _)| *k != out);
        kept.map(|(_, v)| *v).collect()
    };
    // Fitted anew for each point: no digits are lost where the others lie on a line.
    (0..x.len())
        .map(|k| match least_squares(&others(x, k), &others(y, k)) {
            Ok(line) => {
                let off = y[k] - line.at(x[k]);
                let n = line.points as f64;
                let wide = 1.0 + 1.0 / n + (x[k] - line.mean_x).powi(2) / line.spread_x;
                Ok(Score {
                    off,
                    score: ratio(off, line.residual * wide.sqrt()),
                })
            }
            Err(FitError::SameX) => Ok(Score {
                off: 0.0,
                score: 0.0,
            }),
            Err(other) => Err(other),
        })
        .collect()
}

fn deleted_from_mean(values: &[f64]) -> Vec<Score> {
    let n = (values.len() - 1) as f64;
    let total: f64 = values.iter().sum();
    let score = |(out, value): (usize, &f64)| {
        let mean = (total - value) / n;
        let others = values.iter().enumerate().filter(|(k, _)| *k != out);
        let square: f64 = others.map(|(_, v)| (v - mean).powi(2)).sum();
        let off = value - mean;
        Score {
            off,
            score: ratio(off, (square / (n - 1.0) * (1.0 + 1.0 / n)).sqrt()),
        }
    };
    values.iter().enumerate().map(score).collect()
}

fn modified_scores(residuals: &[f64]) -> Vec<Score> {
    let center = median(residuals).unwrap_or(0.0);
    let scores = modified_z(residuals);
    residuals
        .iter()
        .zip(scores)
        .map(|(residual, score)| Score {
            off: residual - center,
            score,
        })
        .collect()
}

fn ratio(off: f64, error: f64) -> f64 {
    if off == 0.0 { 0.0 } else { off / error }
}

/// `kₙ` of `FOR_POINTS`.
pub fn modified_bound(points: usize) -> f64 {
    row(points).2
}

/// `1.4826·MAD·cₙ` of Theil–Sen residuals: their standard deviation, unbiased on average and deaf to
/// outliers. `None` below [`FEWEST_POINTS`].
pub fn robust_deviation(residuals: &[f64]) -> Option<f64> {
    if residuals.len() < FEWEST_POINTS {
        return None;
    }
    let center = median(residuals)?;
    let distances: Vec<f64> = residuals.iter().map(|r| (r - center).abs()).collect();
    Some(1.4826 * median(&distances)? * row(residuals.len()).1)
}

fn row(points: usize) -> (usize, f64, f64) {
    let smaller = FOR_POINTS.iter().rfind(|(n, _, _)| *n <= points);
    smaller.copied().unwrap_or(FOR_POINTS[0])
}

fn judged(
    scores: &[Score],
    y: &[f64],
    standard: &[f64],
    bound: f64,
    measure: Measure,
) -> Vec<Outlier> {
    let rounding = ROUNDING * y.iter().fold(0.0_f64, |most, v| most.max(v.abs()));
    let mut found = Vec::new();
    for (index, Score { off, score }) in scores.iter().copied().enumerate() {
        let within = 2.0 * standard.get(index).copied().unwrap_or(0.0);
        if score.abs() > bound && off.abs() > rounding.max(within) {
            found.push(Outlier {
                index,
                off,
                score,
                bound,
                measure,
            });
        }
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Eight checks, the fifth off; `d₅` by statsmodels 0.15.0, `resid_studentized_external`.
    const EIGHT: [f64; 8] = [40.12, 39.71, 39.35, 38.84, 36.10, 38.05, 37.62, 37.30];

    fn steps(n: usize) -> Vec<f64> {
        (0..n).map(|k| k as f64).collect()
    }

    #[test]
    fn the_fifth_of_eight_is_found_with_statsmodels_score() {
        let found = outliers(&steps(8), &EIGHT, &[]).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].index, 4);
        assert!((found[0].score + 50.909).abs() < 5e-4, "{}", found[0].score);
        assert!((found[0].bound - 6.541).abs() < 5e-4, "{}", found[0].bound);
        assert_eq!(found[0].measure, Measure::DeletedResidual);
        // The line of the others at 4: 38.5, so the check lies about 2.4 Ah below.
        assert!((found[0].off + 2.35).abs() < 0.1, "{}", found[0].off);
    }

    #[test]
    fn a_milder_fifth_is_no_outlier() {
        let mut y = EIGHT;
        y[4] = 38.20;
        let scores = deleted_residuals(&steps(8), &y).unwrap();
        assert!((scores[4].score + 5.961).abs() < 5e-4);
        assert_eq!(outliers(&steps(8), &y, &[]).unwrap(), []);
    }

    #[test]
    fn a_point_within_its_expanded_uncertainty_is_never_accused() {
        let at = |u: f64| outliers(&steps(8), &EIGHT, &[0.0, 0.0, 0.0, 0.0, u]).unwrap();
        let off = at(0.0)[0].off.abs();
        assert_eq!(at(0.501 * off), []);
        assert_eq!(at(0.499 * off).len(), 1);
    }

    #[test]
    fn fewer_than_five_points_accuse_nobody() {
        assert_eq!(outliers(&steps(4), &[1.0, 1.0, 1.0, 9.0], &[]).unwrap(), []);
        assert_eq!(outliers_of_level(&[1.0, 1.0, 1.0, 9.0]), []);
    }

    #[test]
    fn rounding_is_no_outlier_and_more_than_rounding_on_an_exact_line_is() {
        let line = |n: usize| -> Vec<f64> { (0..n).map(|k| 40.0 - 0.1 * k as f64).collect() };
        for n in [6, 20] {
            let mut y = line(n);
            y[2] += 30e-9;
            assert_eq!(outliers(&steps(n), &y, &[]).unwrap(), [], "{n}");
            y[2] += 60e-9;
            let found = outliers(&steps(n), &y, &[]).unwrap();
            assert_eq!(
                found.iter().map(|o| o.index).collect::<Vec<_>>(),
                [2],
                "{n}"
            );
        }
    }

    #[test]
    fn the_bounds_are_those_of_the_table() {
        // t bound: scipy.stats.t.ppf(1 − 0.01/2n, n − 3).
        for (n, t) in [
            (5, 22.3),
            (6, 10.9),
            (7, 7.84),
            (8, 6.54),
            (10, 5.41),
            (12, 4.91),
        ] {
            let ours = deleted_bound(n, 3);
            assert!((ours / t - 1.0).abs() < 3e-3, "{n}: {ours}");
        }
        let bounds = [
            (5, 142.0),
            (9, 13.2),
            (13, 7.9),
            (15, 7.0),
            (19, 6.0),
            (24, 5.6),
            (500, 4.3),
        ];
        for (n, k) in bounds {
            assert_eq!(modified_bound(n), k, "{n}");
        }
    }

    #[test]
    fn above_twelve_points_the_modified_z_judges() {
        let mut y: Vec<f64> = (0..13)
            .map(|k| 40.0 - 0.1 * f64::from(k) + [0.02, -0.03, 0.01][k as usize % 3])
            .collect();
        y[6] -= 1.0;
        let found = outliers(&steps(13), &y, &[]).unwrap();
        assert_eq!(found.len(), 1);
        assert_eq!((found[0].index, found[0].measure), (6, Measure::ModifiedZ));
        assert_eq!(found[0].bound, 7.9);
        assert!(found[0].score < -7.9);
        let twelve = outliers(&steps(12), &y[..12], &[]).unwrap();
        assert_eq!(twelve[0].measure, Measure::DeletedResidual);
    }

    #[test]
    fn a_unit_stands_out_of_its_fellows_about_their_mean() {
        // Others: mean 0.9, standard deviation 0.01·√(4/3)… by hand: s² = 4·0.0001/3 over four others.
        let found = outliers_of_level(&[0.89, 0.91, 0.89, 0.91, 0.60]);
        assert_eq!(found.len(), 1);
        let error = (4.0e-4 / 3.0 * 1.25_f64).sqrt();
        assert!((found[0].score + 0.30 / error).abs() < 1e-9);
        assert!((found[0].bound - t_quantile(0.999, 3.0)).abs() < 1e-12);
        let mut many = vec![0.89, 0.9, 0.91, 0.9, 0.895, 0.905, 0.9];
        many.extend_from_within(..);
        assert_eq!(outliers_of_level(&many), []);
        many.push(0.5);
        assert_eq!(outliers_of_level(&many)[0].index, 14);
    }

    #[test]
    fn the_robust_deviation_is_corrected_for_the_number_of_points() {
        let residuals = [0.1, -0.1, 0.2, -0.2, 0.0];
        assert!((robust_deviation(&residuals).unwrap() - 1.4826 * 0.1 * 1.73).abs() < 1e-12);
        assert_eq!(robust_deviation(&residuals[..4]), None);
    }

    #[test]
    fn a_point_that_alone_fixes_the_line_cannot_be_judged() {
        let scores = deleted_residuals(&[0.0, 0.0, 0.0, 1.0], &[1.0, 1.1, 0.9, 5.0]).unwrap();
        assert_eq!(scores[3].score, 0.0);
    }
}
