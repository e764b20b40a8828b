//! The Weibull fit by maximum likelihood, with bounds from information and likelihood ratio.

use super::{Lifetime, NoSurvival, check};
use crate::regression::Interval;
use crate::special::normal_quantile;

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
