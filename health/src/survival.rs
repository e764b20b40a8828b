//! Time to the limit over a fleet: Kaplan–Meier curve and Weibull fit, both with censoring.
//!
//! Sources: E. L. Kaplan and P. Meier (1958); Greenwood's variance with the log(−log) interval of J.
//! D. Kalbfleisch and R. L. Prentice; IEC 61649 for the Weibull fit by maximum likelihood (from
//! memory). Checked against lifelines on its shipped data (tests/health_reference.py).

use crate::regression::Interval;
use crate::special::normal_quantile;

/// One unit: how long it was watched, and whether it reached its limit then.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lifetime {
    /// Time, positive, in any one unit (days, flight hours, cycles).
    pub time: f64,
    /// True if the limit was reached at that time; false if the unit was still good (censored).
    pub reached: bool,
}

/// One step of a Kaplan–Meier curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SurvivalStep {
    /// Time of the step.
    pub time: f64,
    /// Units still watched just before.
    pub at_risk: usize,
    /// Units that reached the limit at this time.
    pub events: usize,
    /// `S = Π (1 − d/n)` from here on.
    pub survival: f64,
    /// Greenwood's standard error of `S`.
    pub standard: f64,
    /// log(−log) confidence interval of `S`.
    pub interval: Interval,
}

/// A Kaplan–Meier curve.
#[derive(Debug, Clone, PartialEq)]
pub struct SurvivalCurve {
    /// Steps in order of time, one for each time at which a limit was reached.
    pub steps: Vec<SurvivalStep>,
    /// Units in all.
    pub units: usize,
    /// Units that reached the limit.
    pub events: usize,
    /// First time at which the survival is at most one half; `None` if it stays above.
    pub median: Option<f64>,
    /// Confidence of the intervals.
    pub confidence: f64,
}

impl SurvivalCurve {
    /// Survival at `time`.
    pub fn at(&self, time: f64) -> f64 {
        let after = self.steps.partition_point(|s| s.time <= time);
        after
            .checked_sub(1)
            .and_then(|k| self.steps.get(k))
            .map_or(1.0, |s| s.survival)
    }
}

/// Estimates the survival curve. A unit censored at a time counts as watched at that time.
///
/// # Errors
/// [`NoSurvival`] for an empty list or a time that is not positive.
pub fn kaplan_meier(lives: &[Lifetime], confidence: f64) -> Result<SurvivalCurve, NoSurvival> {
    check(lives)?;
    let mut ordered = lives.to_vec();
    ordered.sort_unstable_by(|a, b| a.time.total_cmp(&b.time));
    let z = normal_quantile(0.5 * (1.0 + confidence));
    let mut at_risk = ordered.len();
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let mut steps = Vec::new();
    for same in ordered.chunk_by(|a, b| a.time == b.time) {
        let events = same.iter().filter(|l| l.reached).count();
        if events > 0 {
            let (n, d) = (at_risk as f64, events as f64);
            survival *= 1.0 - d / n;
            greenwood += d / (n * (n - d));
            let last = events == at_risk;
            steps.push(SurvivalStep {
                time: same[0].time,
                at_risk,
                events,
                survival: if last { 0.0 } else { survival },
                standard: if last {
                    0.0
                } else {
                    survival * greenwood.sqrt()
                },
                interval: log_log(survival, greenwood, z, last),
            });
        }
        at_risk -= same.len();
    }
    Ok(SurvivalCurve {
        median: steps.iter().find(|s| s.survival <= 0.5).map(|s| s.time),
        units: lives.len(),
        events: lives.iter().filter(|l| l.reached).count(),
        steps,
        confidence,
    })
}

/// `S^exp(± z·√G / ln S)`; a curve at zero has no interval but its own value.
fn log_log(survival: f64, greenwood: f64, z: f64, last: bool) -> Interval {
    if last || survival <= 0.0 {
        return Interval {
            low: 0.0,
            high: 0.0,
        };
    }
    let log = survival.ln();
    let spread = z * greenwood.sqrt() / log.abs();
    Interval {
        low: (log * spread.exp()).exp(),
        high: (log * (-spread).exp()).exp(),
    }
}

/// A Weibull distribution `F(t) = 1 − exp(−(t/scale)^shape)` fitted by maximum likelihood.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weibull {
    /// Shape β: above 1 wear-out, 1 chance, below 1 early failures.
    pub shape: f64,
    /// Scale η, in the unit of the times: 63.2 % have reached the limit by then.
    pub scale: f64,
    /// Standard error of the shape, from the observed information.
    pub shape_error: f64,
    /// Standard error of the scale.
    pub scale_error: f64,
    /// Covariance of shape and scale.
    pub covariance: f64,
    /// Maximum of the log-likelihood.
    pub log_likelihood: f64,
    /// Interval of the shape by the likelihood ratio.
    pub shape_interval: Interval,
    /// Interval of the scale by the likelihood ratio.
    pub scale_interval: Interval,
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Units that reached the limit.
    pub events: usize,
}

/// Fewest events of a Weibull fit; below about ten its intervals matter more than its values.
pub const FEWEST_EVENTS: usize = 2;

/// Fits a Weibull distribution to lives with right censoring.
///
/// # Errors
/// [`NoSurvival`]: fewer than two events, or events that give no finite shape (all at one time with
/// nothing outliving it).
pub fn weibull(lives: &[Lifetime], confidence: f64) -> Result<Weibull, NoSurvival> {
    check(lives)?;
    let likelihood = Likelihood::new(lives);
    if likelihood.events < FEWEST_EVENTS {
        return Err(NoSurvival::TooFewEvents {
            events: likelihood.events,
            least: FEWEST_EVENTS,
        });
    }
    let shape = likelihood.best_shape().ok_or(NoSurvival::NoShape)?;
    let scale = likelihood.scale(shape);
    let [kk, kl, ll] = likelihood.information(shape, scale);
    let determinant = kk * ll - kl * kl;
    let peak = likelihood.profile(shape);
    // The likelihood ratio is compared with χ² of one degree of freedom: the square of z.
    let drop = 0.5 * normal_quantile(0.5 * (1.0 + confidence)).powi(2);
    let unit = likelihood.unit;
    let shape_interval =
        bounds(shape, |k| likelihood.profile(k) - peak + drop).ok_or(NoSurvival::NoShape)?;
    let scale_interval = bounds(scale, |s| {
        likelihood.profile_of_scale(s, shape) - peak + drop
    })
    .ok_or(NoSurvival::NoShape)?;
    Ok(Weibull {
        shape,
        scale: scale * unit,
        shape_error: (ll / determinant).sqrt(),
        scale_error: (kk / determinant).sqrt() * unit,
        covariance: -kl / determinant * unit,
        log_likelihood: peak - likelihood.events as f64 * unit.ln(),
        shape_interval,
        scale_interval: Interval {
            low: scale_interval.low * unit,
            high: scale_interval.high * unit,
        },
        confidence,
        events: likelihood.events,
    })
}

impl Weibull {
    /// Part of the units that are still good at `time`.
    pub fn survival(&self, time: f64) -> f64 {
        (-(time / self.scale).powf(self.shape)).exp()
    }

    /// Time by which the part `p` (0 to 1) of the units reached the limit: `η·(−ln(1 − p))^{1/β}`.
    pub fn quantile(&self, p: f64) -> f64 {
        self.scale * (-(-p).ln_1p()).powf(1.0 / self.shape)
    }

    /// Interval of [`Self::quantile`] by the delta method on its logarithm (Fisher matrix bounds).
    pub fn quantile_interval(&self, p: f64) -> Interval {
        let log_w = (-(-p).ln_1p()).ln();
        // ln t = ln η + ln w / β.
        let (d_scale, d_shape) = (1.0 / self.scale, -log_w / self.shape.powi(2));
        let variance = (d_scale * self.scale_error).powi(2)
            + (d_shape * self.shape_error).powi(2)
            + 2.0 * d_scale * d_shape * self.covariance;
        let spread = normal_quantile(0.5 * (1.0 + self.confidence)) * variance.max(0.0).sqrt();
        let center = self.quantile(p);
        Interval {
            low: center * (-spread).exp(),
            high: center * spread.exp(),
        }
    }
}

/// Times in units of the longest one, so that powers of them stay within range.
struct Likelihood {
    times: Vec<f64>,
    logs: Vec<f64>,
    events: usize,
    sum_log_events: f64,
    unit: f64,
}

impl Likelihood {
    fn new(lives: &[Lifetime]) -> Self {
        let unit = lives.iter().map(|l| l.time).fold(0.0, f64::max);
        let times: Vec<f64> = lives.iter().map(|l| l.time / unit).collect();
        let logs: Vec<f64> = times.iter().map(|t| t.ln()).collect();
        let reached = || lives.iter().zip(&logs).filter(|(l, _)| l.reached);
        Self {
            events: reached().count(),
            sum_log_events: reached().map(|(_, log)| log).sum(),
            times,
            logs,
            unit,
        }
    }

    /// `Σ t^k (ln t)^m` for m = 0, 1, 2.
    fn power_sums(&self, k: f64) -> [f64; 3] {
        let mut sums = [0.0; 3];
        for log in &self.logs {
            let power = (k * log).exp();
            sums[0] += power;
            sums[1] += power * log;
            sums[2] += power * log * log;
        }
        sums
    }

    /// Scale that is best for a shape: `(Σ t^k / d)^{1/k}`.
    fn scale(&self, k: f64) -> f64 {
        (self.power_sums(k)[0] / self.events as f64).powf(1.0 / k)
    }

    /// Root of `1/k + Σ_events ln t / d − Σ t^k ln t / Σ t^k`, which falls in k: Newton, bracketed.
    fn best_shape(&self) -> Option<f64> {
        let mean_log = self.sum_log_events / self.events as f64;
        let score = |k: f64| {
            let [s0, s1, s2] = self.power_sums(k);
            let ratio = s1 / s0;
            (
                1.0 / k + mean_log - ratio,
                -1.0 / (k * k) - (s2 / s0 - ratio * ratio),
            )
        };
        let (mut low, mut high) = (1e-3, 1.0);
        while score(high).0 > 0.0 {
            low = high;
            high *= 2.0;
            if high > 1e4 {
                return None;
            }
        }
        if score(low).0 < 0.0 {
            return None;
        }
        let mut k = 0.5 * (low + high);
        for _ in 0..200 {
            let (value, slope) = score(k);
            if value > 0.0 {
                low = k;
            } else {
                high = k;
            }
            let newton = k - value / slope;
            let next = if newton > low && newton < high {
                newton
            } else {
                0.5 * (low + high)
            };
            if (next - k).abs() <= 1e-14 * k {
                return Some(next);
            }
            k = next;
        }
        Some(k)
    }

    /// Log-likelihood `d ln k − d k ln λ + (k − 1) Σ ln t − Σ (t/λ)^k` with the best scale for `k`.
    fn profile(&self, k: f64) -> f64 {
        self.at(k, self.scale(k))
    }

    fn at(&self, k: f64, scale: f64) -> f64 {
        let d = self.events as f64;
        let sum = self.power_sums(k)[0] / scale.powf(k);
        d * k.ln() - d * k * scale.ln() + (k - 1.0) * self.sum_log_events - sum
    }

    /// Log-likelihood with the best shape for `scale`; Newton in the shape from `near`.
    fn profile_of_scale(&self, scale: f64, near: f64) -> f64 {
        let d = self.events as f64;
        let log_scale = scale.ln();
        let mut k = near;
        for _ in 0..60 {
            let (mut s1, mut s2) = (0.0, 0.0);
            for log in &self.logs {
                let relative = log - log_scale;
                let power = (k * relative).exp();
                s1 += power * relative;
                s2 += power * relative * relative;
            }
            let score = d / k - d * log_scale + self.sum_log_events - s1;
            let step = score / (d / (k * k) + s2);
            // The likelihood is concave in k; halving keeps k positive on a long step.
            let next = if k + step > 0.5 * k {
                k + step
            } else {
                0.5 * k
            };
            let done = (next - k).abs() <= 1e-12 * k;
            k = next;
            if done {
                break;
            }
        }
        self.at(k, scale)
    }

    /// Observed information at the maximum: −∂²ℓ of (shape, shape), (shape, scale), (scale, scale).
    fn information(&self, k: f64, scale: f64) -> [f64; 3] {
        let d = self.events as f64;
        let (mut s0, mut s1, mut s2) = (0.0, 0.0, 0.0);
        for t in &self.times {
            let log = (t / scale).ln();
            let power = (k * log).exp();
            s0 += power;
            s1 += power * log;
            s2 += power * log * log;
        }
        let kk = d / (k * k) + s2;
        let kl = d / scale - (s0 + k * s1) / scale;
        let ll = (k * (k + 1.0) * s0 - d * k) / (scale * scale);
        [kk, kl, ll]
    }
}

/// Where a function that is positive at `center` falls to zero on either side: false position with
/// halving (Illinois) in the logarithm.
fn bounds(center: f64, f: impl Fn(f64) -> f64) -> Option<Interval> {
    let edge = |step: f64| {
        let at = |log: f64| f(log.exp());
        let mut inside = center.ln();
        let mut outside = inside + step;
        let (mut fi, mut fo) = (at(inside), at(outside));
        let mut tries = 0;
        while fo > 0.0 {
            (inside, fi) = (outside, fo);
            outside += step * f64::from(1 << tries.min(6));
            fo = at(outside);
            tries += 1;
            if tries > 30 {
                return None;
            }
        }
        for _ in 0..200 {
            let middle = outside - fo * (outside - inside) / (fo - fi);
            let value = at(middle);
            if value.abs() < 1e-11 || (outside - inside).abs() < 1e-13 {
                return Some(middle.exp());
            }
            if value * fo < 0.0 {
                (inside, fi) = (outside, fo);
            } else {
                fi *= 0.5;
            }
            (outside, fo) = (middle, value);
        }
        Some(outside.exp())
    };
    Some(Interval {
        low: edge(-0.3)?,
        high: edge(0.3)?,
    })
}

fn check(lives: &[Lifetime]) -> Result<(), NoSurvival> {
    if lives.is_empty() {
        return Err(NoSurvival::NoUnits);
    }
    match lives
        .iter()
        .position(|l| !(l.time.is_finite() && l.time > 0.0))
    {
        Some(index) => Err(NoSurvival::NotPositive { index }),
        None => Ok(()),
    }
}

/// Why no survival is estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum NoSurvival {
    /// Nothing to estimate from.
    #[error("no unit has a known beginning and a check")]
    NoUnits,
    /// A time that is zero, negative or no number.
    #[error("the time of unit {index} is not a positive number")]
    NotPositive {
        /// Its index.
        index: usize,
    },
    /// Too few units reached the limit.
    #[error("{events} units reached the limit; a Weibull fit needs at least {least}")]
    TooFewEvents {
        /// Events found.
        events: usize,
        /// Events needed.
        least: usize,
    },
    /// The likelihood has no maximum.
    #[error("the times at which the limit was reached give no finite shape")]
    NoShape,
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// 6-MP remission weeks, Freireich et al. (1963), a textbook example; the same as Rx = 0 in
    /// lifelines 0.30.3 datasets/anderson.csv. Times of censored patients are negative here.
    const WEEKS: [f64; 21] = [
        6.0, 6.0, 6.0, -6.0, 7.0, -9.0, 10.0, -10.0, -11.0, 13.0, 16.0, -17.0, -19.0, -20.0, 22.0,
        23.0, -25.0, -32.0, -32.0, -34.0, -35.0,
    ];

    fn lives(times: &[f64]) -> Vec<Lifetime> {
        times
            .iter()
            .map(|&t| Lifetime {
                time: t.abs(),
                reached: t > 0.0,
            })
            .collect()
    }

    #[test]
    fn freireichs_weeks_give_the_textbook_curve() {
        let curve = kaplan_meier(&lives(&WEEKS), 0.95).unwrap();
        let stated = [
            (6.0, 0.857143, 0.076360),
            (7.0, 0.806723, 0.086935),
            (10.0, 0.752941, 0.096350),
            (13.0, 0.690196, 0.106815),
            (16.0, 0.627451, 0.114054),
            (22.0, 0.537815, 0.128234),
            (23.0, 0.448179, 0.134591),
        ];
        assert_eq!(curve.steps.len(), stated.len());
        for (step, (time, survival, standard)) in curve.steps.iter().zip(stated) {
            assert_eq!(step.time, time);
            assert!((step.survival - survival).abs() < 1e-6);
            assert!((step.standard - standard).abs() < 1e-6);
        }
        let (first, last) = (curve.steps[0].interval, curve.steps[6].interval);
        assert!((first.low - 0.61972).abs() < 1e-5 && (first.high - 0.95155).abs() < 1e-5);
        assert!((last.low - 0.18805).abs() < 1e-5 && (last.high - 0.68014).abs() < 1e-5);
        assert_eq!(curve.median, Some(23.0));
        assert_eq!(curve.at(5.9), 1.0);
        assert_eq!(curve.at(8.0), curve.steps[1].survival);
    }

    #[test]
    fn freireichs_weeks_give_the_weibull_of_lifelines() {
        let fit = weibull(&lives(&WEEKS), 0.95).unwrap();
        assert!((fit.shape - 1.353732).abs() < 1e-5);
        assert!((fit.scale - 33.765194).abs() < 1e-4);
        assert!(fit.shape_interval.contains(fit.shape) && fit.scale_interval.contains(fit.scale));
        assert!((fit.quantile(1.0 - (-1.0_f64).exp()) - fit.scale).abs() < 1e-9);
        assert!((fit.survival(fit.quantile(0.1)) - 0.9).abs() < 1e-12);
        assert!(fit.quantile_interval(0.1).contains(fit.quantile(0.1)));
    }

    #[test]
    fn without_enough_events_nothing_is_fitted() {
        assert_eq!(kaplan_meier(&[], 0.95), Err(NoSurvival::NoUnits));
        assert_eq!(
            weibull(&lives(&[5.0, -6.0, -7.0]), 0.95),
            Err(NoSurvival::TooFewEvents {
                events: 1,
                least: 2
            })
        );
        assert_eq!(
            weibull(&lives(&[5.0, 5.0, 5.0]), 0.95),
            Err(NoSurvival::NoShape)
        );
        assert_eq!(
            kaplan_meier(
                &[Lifetime {
                    time: 0.0,
                    reached: true
                }],
                0.95
            ),
            Err(NoSurvival::NotPositive { index: 0 })
        );
        assert!(
            kaplan_meier(&lives(&[-5.0, -6.0]), 0.95)
                .unwrap()
                .steps
                .is_empty()
        );
    }

    proptest! {
        #[test]
        fn the_weibull_scales_with_the_times_and_does_not_depend_on_order(
            times in prop::collection::vec(1.0..1000.0_f64, 5..40),
            scale in 0.01..100.0_f64,
        ) {
            let plain: Vec<Lifetime> = times.iter().enumerate()
                .map(|(k, &time)| Lifetime { time, reached: k % 3 != 0 }).collect();
            let Ok(fit) = weibull(&plain, 0.95) else { return Ok(()) };
            let mut other: Vec<Lifetime> =
                plain.iter().map(|l| Lifetime { time: l.time * scale, ..*l }).collect();
            other.reverse();
            let scaled = weibull(&other, 0.95).unwrap();
            prop_assert!((scaled.shape / fit.shape - 1.0).abs() < 1e-9);
            prop_assert!((scaled.scale / (fit.scale * scale) - 1.0).abs() < 1e-9);
            prop_assert!((scaled.shape_error / fit.shape_error - 1.0).abs() < 1e-6);
        }

        #[test]
        fn a_survival_curve_falls_and_its_interval_holds_it(
            times in prop::collection::vec(1.0..100.0_f64, 1..60),
        ) {
            let lives: Vec<Lifetime> = times.iter().enumerate()
                .map(|(k, &t)| Lifetime { time: t.round(), reached: k % 2 == 0 }).collect();
            let curve = kaplan_meier(&lives, 0.95).unwrap();
            let mut before = 1.0;
            for step in &curve.steps {
                prop_assert!(step.survival < before && step.survival >= 0.0);
                prop_assert!(step.interval.low <= step.survival && step.survival <= step.interval.high);
                before = step.survival;
            }
        }
    }
}
