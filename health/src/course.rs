//! Where a level goes beyond its last point: a straight mean with a variance that widens.

use crate::forecast::Limit;
use crate::regression::Interval;
use crate::special::t_quantile;

/// A level from `last_x` on: at distance `h` its mean is `level + slope·h` and its variance
/// `v₀ + v₁·h + v₂·h²`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Course {
    /// x of the last point.
    pub last_x: f64,
    /// The level there.
    pub level: f64,
    /// Its slope.
    pub slope: f64,
    /// `v₀`, `v₁`, `v₂`.
    pub variance: [f64; 3],
    /// Variance `τ²` of one measurement about the level.
    pub noise: f64,
    /// Degrees of freedom of Student's t.
    pub degrees: f64,
}

/// Where a course and the ends of its interval meet a limit. `None` is never.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossings {
    /// Where the near edge of the interval meets it.
    pub earliest: Option<f64>,
    /// Where the mean meets it.
    pub expected: Option<f64>,
    /// Where the far edge meets it.
    pub latest: Option<f64>,
}

impl Course {
    /// The mean level at `x`.
    pub fn at(&self, x: f64) -> f64 {
        self.level + self.slope * (x - self.last_x)
    }

    /// Interval of the level at `x`, not before the last point.
    pub fn level_interval(&self, x: f64, confidence: f64) -> Interval {
        self.interval(x, confidence, 0.0)
    }

    /// Interval of a further measurement at `x`, not before the last point.
    pub fn observation_interval(&self, x: f64, confidence: f64) -> Interval {
        self.interval(x, confidence, self.noise)
    }

    fn interval(&self, x: f64, confidence: f64, noise: f64) -> Interval {
        let h = (x - self.last_x).max(0.0);
        let [v0, v1, v2] = self.variance;
        let half = self.t(confidence) * (v0 + v1 * h + v2 * h * h + noise).max(0.0).sqrt();
        let center = self.level + self.slope * h;
        Interval {
            low: center - half,
            high: center + half,
        }
    }

    fn t(&self, confidence: f64) -> f64 {
        t_quantile(0.5 * (1.0 + confidence), self.degrees)
    }

    /// Where the level meets `limit` from its good side; the last point at the soonest.
    pub fn crossings(&self, limit: f64, side: Limit, confidence: f64) -> Crossings {
        let distance = side.toward() * (limit - self.level);
        let speed = side.toward() * self.slope;
        // (distance − speed·h)² = t²·(v₀ + v₁h + v₂h²), a quadratic a·h² − 2b·h + c in h.
        let t2 = self.t(confidence).powi(2);
        let [v0, v1, v2] = self.variance.map(|v| t2 * v);
        let a = speed * speed - v2;
        let b = distance * speed + 0.5 * v1;
        let c = distance * distance - v0;
        let square = b * b - a * c;
        let root = square.max(0.0).sqrt();
        let at = |h: f64| Some(self.last_x + h);
        Crossings {
            earliest: if distance <= 0.0 || c <= 0.0 {
                at(0.0)
            } else if square >= 0.0 && b + root > 0.0 {
                // In the form that loses no digits when `a` is near zero or negative.
                at(c / (b + root))
            } else {
                None
            },
            expected: (distance > 0.0 && speed > 0.0)
                .then(|| self.last_x + distance / speed)
                .or((distance <= 0.0).then_some(self.last_x)),
            latest: (a > 0.0 && speed > 0.0).then(|| self.last_x + ((b + root) / a).max(0.0)),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn course() -> Course {
        Course {
            last_x: 9.0,
            level: 37.0,
            slope: -0.4,
            variance: [0.01, 0.002, 0.001],
            noise: 0.02,
            degrees: 8.0,
        }
    }

    #[test]
    fn the_crossings_are_where_the_interval_meets_the_limit() {
        let c = course();
        let found = c.crossings(34.0, Limit::Minimum, 0.95);
        assert!((c.at(found.expected.unwrap()) - 34.0).abs() < 1e-12);
        let [early, late] = [found.earliest.unwrap(), found.latest.unwrap()];
        assert!((c.level_interval(early, 0.95).low - 34.0).abs() < 1e-9);
        assert!((c.level_interval(late, 0.95).high - 34.0).abs() < 1e-9);
        assert!(early < found.expected.unwrap() && found.expected.unwrap() < late);
    }

    #[test]
    fn a_maximum_is_met_from_below() {
        let mut c = course();
        c.slope = 0.4;
        let up = c.crossings(40.0, Limit::Maximum, 0.95);
        let down = course().crossings(34.0, Limit::Minimum, 0.95);
        assert!((up.expected.unwrap() - down.expected.unwrap()).abs() < 1e-12);
        assert!((up.earliest.unwrap() - down.earliest.unwrap()).abs() < 1e-12);
        assert!((up.latest.unwrap() - down.latest.unwrap()).abs() < 1e-12);
    }

    #[test]
    fn a_slope_that_is_not_clear_has_no_latest_and_one_away_no_expected() {
        let mut c = course();
        c.variance[2] = 0.1;
        let found = c.crossings(34.0, Limit::Minimum, 0.95);
        assert!(found.latest.is_none() && found.expected.is_some());
        assert!((c.level_interval(found.earliest.unwrap(), 0.95).low - 34.0).abs() < 1e-9);
        c.slope = 0.4;
        let found = c.crossings(34.0, Limit::Minimum, 0.95);
        assert!(found.latest.is_none() && found.expected.is_none());
        // Away, but not clearly: the near edge turns back to the limit.
        assert!((c.level_interval(found.earliest.unwrap(), 0.95).low - 34.0).abs() < 1e-9);
        c.variance = [0.01, 0.0, 0.0];
        assert_eq!(c.crossings(34.0, Limit::Minimum, 0.95).earliest, None);
    }

    #[test]
    fn a_limit_within_the_interval_of_today_can_be_met_today() {
        let found = course().crossings(36.9, Limit::Minimum, 0.95);
        assert_eq!(found.earliest, Some(9.0));
        assert!(found.expected.unwrap() > 9.0);
        let past = course().crossings(37.5, Limit::Minimum, 0.95);
        assert_eq!((past.earliest, past.expected), (Some(9.0), Some(9.0)));
    }

    #[test]
    fn a_measurement_scatters_more_than_the_level() {
        let c = course();
        let (level, measured) = (
            c.level_interval(9.0, 0.95),
            c.observation_interval(9.0, 0.95),
        );
        let half = |i: Interval| 0.5 * (i.high - i.low);
        assert!((half(measured) / half(level) - 3.0_f64.sqrt()).abs() < 1e-12);
    }
}
