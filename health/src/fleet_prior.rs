//! What the fades of a part number say about a unit with few checks of its own.
//!
//! Each unit's least-squares slope `bᵢ` with variance `vᵢ = s²/Sxxᵢ`, `s²` pooled over the part; the
//! spread `ω²` of the true slopes by moments (R. DerSimonian and N. Laird, Controlled Clinical Trials 7,
//! 1986; from memory), not below a quarter of the mean slope: with few units the moments find none
//! where there is some. A unit's slope is then drawn to the part's by the weight `W = ω²/(v + ω²)`.
//! The units must be tested at one temperature and rate, or their capacities referred to one.
//! Checked against numpy, and from 25 units against statsmodels `MixedLM` (tests/health_reference.py).

use crate::course::Course;
use crate::forecast::{CONFIDENCE, Forecast, Limit, NoForecast, met};
use crate::outlier::outliers;
use crate::robust::{FitError, check};

/// Fewest units of a prior.
pub const FEWEST_UNITS: usize = 4;
/// Fewest checks of a unit that counts, and of one that is forecast.
pub const FEWEST_CHECKS: usize = 2;
/// Most checks of a unit whose forecast leans on the prior: with more its own course is followed.
pub const MOST_CHECKS: usize = 5;
/// Smallest standard deviation of true slopes, in parts of their mean. Common practice, no source.
const SPREAD_AT_LEAST: f64 = 0.25;

/// The fade of a part number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FleetPrior {
    /// Mean slope `β`, a unit of y per unit of x.
    pub slope: f64,
    /// Variance of `β`.
    pub slope_variance: f64,
    /// Variance `ω²` of the units' true slopes about it.
    pub between: f64,
    /// Variance `s²` of a check about its unit's line, pooled.
    pub residual: f64,
    /// Units `K` that it comes from.
    pub units: usize,
    /// Longest time over which one of them was seen.
    pub span: f64,
}

/// A unit's slope drawn to that of its part.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DrawnSlope {
    /// `b̃ = W·b + (1 − W)·β`.
    pub slope: f64,
    /// Its variance `W·v + (1 − W)²·var β`.
    pub variance: f64,
    /// Weight `W` of the unit's own slope.
    pub own_weight: f64,
}

/// A unit's own line.
#[derive(Debug, Clone, Copy)]
struct Own {
    points: f64,
    mean_x: f64,
    mean_y: f64,
    slope: f64,
    spread_x: f64,
    square: f64,
    first_x: f64,
    last_x: f64,
}

impl Own {
    fn of(x: &[f64], y: &[f64]) -> Result<Self, FitError> {
        check(x, y, FEWEST_CHECKS)?;
        let points = x.len() as f64;
        let (mean_x, mean_y) = (
            x.iter().sum::<f64>() / points,
            y.iter().sum::<f64>() / points,
        );
        let spread_x: f64 = x.iter().map(|x| (x - mean_x).powi(2)).sum();
        if spread_x <= 0.0 {
            return Err(FitError::SameX);
        }
        let products = x.iter().zip(y).map(|(x, y)| (x - mean_x) * (y - mean_y));
        let slope = products.sum::<f64>() / spread_x;
        let residuals = x
            .iter()
            .zip(y)
            .map(|(x, y)| y - mean_y - slope * (x - mean_x));
        Ok(Self {
            points,
            mean_x,
            mean_y,
            slope,
            spread_x,
            square: residuals.map(|r| r * r).sum(),
            first_x: x.iter().copied().fold(f64::INFINITY, f64::min),
            last_x: x.iter().copied().fold(f64::NEG_INFINITY, f64::max),
        })
    }
}

/// The prior of the units of one part number, each given as its x and y since its last repair. Checks
/// that stand out are left out; units with fewer than two checks do not count.
///
/// # Errors
/// [`NoPrior`] for too few units, or none with a third check.
pub fn fleet_prior<'a>(
    units: impl IntoIterator<Item = (&'a [f64], &'a [f64])>,
) -> Result<FleetPrior, NoPrior> {
    prior_with_spread(units, SPREAD_AT_LEAST)
}

/// [`fleet_prior`] with another smallest spread of slopes; 0 for none.
///
/// # Errors
/// As [`fleet_prior`].
pub fn prior_with_spread<'a>(
    units: impl IntoIterator<Item = (&'a [f64], &'a [f64])>,
    spread_at_least: f64,
) -> Result<FleetPrior, NoPrior> {
    let owns: Vec<Own> = units
        .into_iter()
        .filter_map(|(x, y)| {
            let wild = outliers(x, y, &[]).ok()?;
            let kept = |k: &usize| !wild.iter().any(|o| o.index == *k);
            let at: Vec<usize> = (0..x.len()).filter(kept).collect();
            let take = |from: &[f64]| at.iter().map(|k| from[*k]).collect::<Vec<f64>>();
            Own::of(&take(x), &take(y)).ok()
        })
        .collect();
    let units = owns.len();
    if units < FEWEST_UNITS {
        return Err(NoPrior::TooFewUnits {
            units,
            least: FEWEST_UNITS,
        });
    }
    let degrees: f64 = owns.iter().map(|o| o.points - 2.0).sum();
    if degrees < 1.0 {
        return Err(NoPrior::NoThirdCheck);
    }
    let residual = owns.iter().map(|o| o.square).sum::<f64>() / degrees;
    if residual <= 0.0 {
        return Err(NoPrior::NoScatter);
    }
    let variances: Vec<f64> = owns.iter().map(|o| residual / o.spread_x).collect();
    let weighted = |between: f64| {
        let weights = variances.iter().map(|v| 1.0 / (v + between));
        let sum: f64 = weights.clone().sum();
        let mean = owns
            .iter()
            .zip(weights)
            .map(|(o, w)| w * o.slope)
            .sum::<f64>()
            / sum;
        (mean, sum)
    };
    let (mean, sum) = weighted(0.0);
    let squares: f64 = variances.iter().map(|v| 1.0 / (v * v)).sum();
    let scatter: f64 = owns
        .iter()
        .zip(&variances)
        .map(|(o, v)| (o.slope - mean).powi(2) / v)
        .sum();
    let moments = ((scatter - (units as f64 - 1.0)) / (sum - squares / sum)).max(0.0);
    // The floor is a part of the mean slope, which the floor moves a little: two rounds settle it.
    let mut between = moments;
    for _ in 0..2 {
        between = moments.max((spread_at_least * weighted(between).0).powi(2));
    }
    let (slope, sum) = weighted(between);
    Ok(FleetPrior {
        slope,
        slope_variance: 1.0 / sum,
        between,
        residual,
        units,
        span: owns
            .iter()
            .map(|o| o.last_x - o.first_x)
            .fold(0.0, f64::max),
    })
}

impl FleetPrior {
    /// Degrees of freedom `K − 1` of its intervals.
    pub fn degrees(&self) -> f64 {
        self.units as f64 - 1.0
    }

    /// The slope of a unit with these checks.
    ///
    /// # Errors
    /// [`FitError`]; at least 2 checks at different x are needed.
    pub fn drawn(&self, x: &[f64], y: &[f64]) -> Result<DrawnSlope, FitError> {
        Ok(self.draw(&Own::of(x, y)?))
    }

    fn draw(&self, own: &Own) -> DrawnSlope {
        let variance = self.residual / own.spread_x;
        let own_weight = self.between / (variance + self.between);
        let rest = 1.0 - own_weight;
        DrawnSlope {
            slope: own_weight * own.slope + rest * self.slope,
            variance: own_weight * variance + rest * rest * self.slope_variance,
            own_weight,
        }
    }

    /// The course of a unit with these checks.
    ///
    /// # Errors
    /// [`FitError`]; at least 2 checks at different x are needed.
    pub fn course(&self, x: &[f64], y: &[f64]) -> Result<Course, FitError> {
        let own = Own::of(x, y)?;
        let drawn = self.draw(&own);
        // The line turns about the unit's mean.
        let from_mean = own.last_x - own.mean_x;
        Ok(Course {
            last_x: own.last_x,
            level: own.mean_y + drawn.slope * from_mean,
            slope: drawn.slope,
            variance: [
                self.residual / own.points + drawn.variance * from_mean * from_mean,
                2.0 * drawn.variance * from_mean,
                drawn.variance,
            ],
            noise: self.residual,
            degrees: self.degrees(),
        })
    }

    /// When a unit with few checks reaches `level`. The span that bounds how far is that of the part.
    ///
    /// # Errors
    /// [`NoForecast`] as for a unit by itself.
    pub fn forecast(
        &self,
        x: &[f64],
        y: &[f64],
        level: f64,
        limit: Limit,
    ) -> Result<Forecast, NoForecast> {
        let course = self.course(x, y)?;
        let met = met(&course, self.span, level, limit)?;
        Ok(Forecast {
            earliest: met.earliest,
            outlook: met.outlook(met.earliest)?,
            confidence: CONFIDENCE,
            points: x.len(),
            set_aside: Vec::new(),
            course,
        })
    }
}

/// Why a part number gives no prior.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NoPrior {
    /// Too few units with two checks or more.
    #[error("{units} units of the part have two checks or more; at least {least} are needed")]
    TooFewUnits {
        /// Units found.
        units: usize,
        /// Units needed.
        least: usize,
    },
    /// No unit has a third check, so nothing tells the scatter.
    #[error("no unit of the part has a third check")]
    NoThirdCheck,
    /// The checks lie exactly on lines, as none measured do.
    #[error("the checks of the part lie exactly on lines")]
    NoScatter,
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Six units: x = k/2, y = 41 − (0.60 + 0.08j)x + 0.12·sin(7.3j + 2.1k) for n 2 3 4 6 8 10.
    fn six() -> Vec<(Vec<f64>, Vec<f64>)> {
        (1..=6)
            .zip([2, 3, 4, 6, 8, 10])
            .map(|(j, n)| {
                let j = f64::from(j);
                let x: Vec<f64> = (0..n).map(|k| 0.5 * f64::from(k)).collect();
                let y = x.iter().enumerate().map(|(k, x)| {
                    41.0 - (0.60 + 0.08 * j) * x + 0.12 * (7.3 * j + 2.1 * k as f64).sin()
                });
                let y = y.collect();
                (x, y)
            })
            .collect()
    }

    fn borrowed(units: &[(Vec<f64>, Vec<f64>)]) -> impl Iterator<Item = (&[f64], &[f64])> {
        units.iter().map(|(x, y)| (x.as_slice(), y.as_slice()))
    }

    #[test]
    fn six_units_give_the_prior_computed_independently() {
        let units = six();
        let prior = prior_with_spread(borrowed(&units), 0.0).unwrap();
        assert!(
            (prior.residual - 0.009276).abs() < 5e-7,
            "{}",
            prior.residual
        );
        assert!((prior.between - 0.010135).abs() < 5e-7, "{}", prior.between);
        assert!((prior.slope + 0.943883).abs() < 5e-7, "{}", prior.slope);
        let drawn = prior.drawn(&units[0].0, &units[0].1).unwrap();
        assert!((drawn.slope + 0.935984).abs() < 5e-7, "{}", drawn.slope);
    }

    #[test]
    fn the_spread_of_slopes_has_a_floor() {
        let units = six();
        let prior = fleet_prior(borrowed(&units)).unwrap();
        assert!((prior.between.sqrt() / prior.slope.abs() - 0.25).abs() < 1e-3);
        let free = prior_with_spread(borrowed(&units), 0.0).unwrap();
        assert!(prior.slope_variance > free.slope_variance);
    }

    #[test]
    fn a_unit_with_many_checks_keeps_its_own_slope() {
        let units = six();
        let prior = fleet_prior(borrowed(&units)).unwrap();
        let few = prior.drawn(&units[0].0, &units[0].1).unwrap();
        let many = prior.drawn(&units[5].0, &units[5].1).unwrap();
        assert!(few.own_weight < 0.8 && many.own_weight > 0.98);
        let course = prior.course(&units[0].0, &units[0].1).unwrap();
        assert_eq!((course.last_x, course.degrees), (0.5, 5.0));
        // At the mean of the checks only their own scatter counts.
        let [v0, v1, v2] = course.variance;
        let h = -0.25;
        let at_mean = v0 + v1 * h + v2 * h * h;
        assert!((at_mean - prior.residual / 2.0).abs() < 1e-12);
    }

    #[test]
    fn two_checks_and_a_part_give_a_range() {
        let units = six();
        let prior = fleet_prior(borrowed(&units)).unwrap();
        let (x, y) = &units[0];
        let f = prior.forecast(x, y, 34.0, Limit::Minimum).unwrap();
        // 7 Ah at 0.94 Ah a year.
        assert!((f.expected().unwrap() - 7.4).abs() < 0.5);
        assert!(f.earliest < f.expected().unwrap());
        assert_eq!(f.points, 2);
    }

    #[test]
    fn what_gives_no_prior_is_said() {
        let units = six();
        assert_eq!(
            fleet_prior(borrowed(&units[..3])),
            Err(NoPrior::TooFewUnits { units: 3, least: 4 })
        );
        let pairs: Vec<_> = units
            .iter()
            .map(|(x, y)| (x[..2].to_vec(), y[..2].to_vec()))
            .collect();
        assert_eq!(fleet_prior(borrowed(&pairs)), Err(NoPrior::NoThirdCheck));
        let exact: Vec<_> = (0..5)
            .map(|k| {
                (
                    vec![0.0, 1.0, 2.0],
                    vec![40.0, 39.0 - f64::from(k), 38.0 - 2.0 * f64::from(k)],
                )
            })
            .collect();
        assert_eq!(fleet_prior(borrowed(&exact)), Err(NoPrior::NoScatter));
    }
}
