//! The Weibull fit by maximum likelihood, with bounds from information and likelihood ratio.
//!
//! `ℓ = Σ ln f(t) + Σ ln[S(after) − S(by)] + Σ ln S(time)` over lives dated to a time, to an interval,
//! and not at an end yet, `S(t) = exp(−(t/η)^β)`; maximised in `ln β` and `ln η`.

use super::{Life, NoSurvival, check};
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

/// Fewest events of a Weibull fit.
pub const FEWEST_EVENTS: usize = 2;
/// Below this number of events the intervals matter more than the values. Common practice, no source.
pub const EVENTS_FOR_VALUES: usize = 10;

/// Fits a Weibull distribution to lives.
///
/// # Errors
/// [`NoSurvival`]: fewer than two events, or events that give no finite shape (all may lie at one time
/// with nothing outliving it).
pub fn weibull(lives: &[Life], confidence: f64) -> Result<Weibull, NoSurvival> {
    check(lives)?;
    let events = lives.iter().filter(|l| l.reached()).count();
    if events < FEWEST_EVENTS {
        return Err(NoSurvival::TooFewEvents {
            events,
            least: FEWEST_EVENTS,
        });
    }
    if may_lie_at_one_time(lives) {
        return Err(NoSurvival::NoShape);
    }
    let likelihood = Likelihood::new(lives);
    let peak = likelihood.peak().ok_or(NoSurvival::NoShape)?;
    let (shape, scale) = (peak.log_shape.exp(), peak.log_scale.exp());
    let [kk, kl, ll] = peak.at.curvature.map(|h| -h);
    let determinant = kk * ll - kl * kl;
    if determinant <= 0.0 || !determinant.is_finite() {
        return Err(NoSurvival::NoShape);
    }
    // The likelihood ratio is compared with χ² of one degree of freedom: the square of z.
    let drop = 0.5 * normal_quantile(0.5 * (1.0 + confidence)).powi(2);
    let least = peak.at.value - drop;
    let shape_interval = bounds(peak.log_shape, |k| {
        likelihood.profile_of_shape(k, &peak) - least
    })
    .ok_or(NoSurvival::NoShape)?;
    let scale_interval = bounds(peak.log_scale, |s| {
        likelihood.profile_of_scale(s, &peak) - least
    })
    .ok_or(NoSurvival::NoShape)?;
    let unit = likelihood.unit;
    Ok(Weibull {
        shape,
        scale: scale * unit,
        shape_error: shape * (ll / determinant).sqrt(),
        scale_error: scale * unit * (kk / determinant).sqrt(),
        covariance: -kl / determinant * shape * scale * unit,
        log_likelihood: peak.at.value - likelihood.dated * unit.ln(),
        shape_interval,
        scale_interval: Interval {
            low: scale_interval.low * unit,
            high: scale_interval.high * unit,
        },
        confidence,
        events,
    })
}

/// Whether one time lies in all lives at once: then the likelihood grows with the shape without end.
fn may_lie_at_one_time(lives: &[Life]) -> bool {
    let from = lives.iter().map(|l| l.after()).fold(0.0, f64::max);
    let to = lives.iter().map(|l| l.by()).fold(f64::INFINITY, f64::min);
    let dated = lives.iter().any(|l| matches!(l, Life::At { .. }));
    if dated { from <= to } else { from < to }
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

/// Lives with logarithms of their times in units of the longest one; equal ones are counted.
struct Likelihood {
    terms: Vec<(Term, f64)>,
    unit: f64,
    /// Lives dated to a time.
    dated: f64,
}

/// One life, in logarithms of time.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Term {
    At(f64),
    Within(f64, f64),
    Beyond(f64),
}

/// The log-likelihood at a shape and a scale, with its derivatives by `ln β` and `ln η`.
#[derive(Debug, Clone, Copy, Default)]
struct Point {
    value: f64,
    slope: [f64; 2],
    /// By shape twice, by both, by scale twice.
    curvature: [f64; 3],
}

impl Point {
    fn add(&mut self, count: f64, value: f64, slope: [f64; 2], curvature: [f64; 3]) {
        self.value += count * value;
        for (sum, term) in self.slope.iter_mut().zip(slope) {
            *sum += count * term;
        }
        for (sum, term) in self.curvature.iter_mut().zip(curvature) {
            *sum += count * term;
        }
    }
}

struct Peak {
    log_shape: f64,
    log_scale: f64,
    at: Point,
}

/// The cumulative hazard `H = (t/η)^β` with its derivatives by `ln β` and `ln η`.
struct Hazard {
    log: f64,
    value: f64,
    slope: [f64; 2],
    curvature: [f64; 3],
}

fn hazard(log_time: f64, log_shape: f64, log_scale: f64) -> Hazard {
    let shape = log_shape.exp();
    let log = shape * (log_time - log_scale);
    let value = log.exp();
    if value == 0.0 {
        return Hazard {
            log,
            value,
            slope: [0.0; 2],
            curvature: [0.0; 3],
        };
    }
    Hazard {
        log,
        value,
        slope: [value * log, -shape * value],
        curvature: [
            value * log * (1.0 + log),
            -shape * value * (1.0 + log),
            shape * shape * value,
        ],
    }
}

impl Likelihood {
    fn new(lives: &[Life]) -> Self {
        let longest = |l: &Life| {
            if l.by().is_finite() {
                l.by()
            } else {
                l.after()
            }
        };
        let unit = lives.iter().map(longest).fold(0.0, f64::max);
        let mut ordered: Vec<Life> = lives.to_vec();
        ordered.sort_unstable_by(|a, b| {
            let key = |l: &Life| (l.after(), l.by());
            let ((a0, a1), (b0, b1)) = (key(a), key(b));
            a0.total_cmp(&b0).then(a1.total_cmp(&b1))
        });
        let log = |time: f64| (time / unit).ln();
        let terms = ordered.chunk_by(|a, b| a == b).map(|same| {
            let term = match same[0] {
                Life::At { time } => Term::At(log(time)),
                Life::Within { after, by } => Term::Within(log(after), log(by)),
                Life::Beyond { time } => Term::Beyond(log(time)),
            };
            (term, same.len() as f64)
        });
        Self {
            terms: terms.collect(),
            unit,
            dated: lives
                .iter()
                .filter(|l| matches!(l, Life::At { .. }))
                .count() as f64,
        }
    }

    fn at(&self, log_shape: f64, log_scale: f64) -> Point {
        let of = |log_time: f64| hazard(log_time, log_shape, log_scale);
        let shape = log_shape.exp();
        let mut sum = Point::default();
        for &(term, count) in &self.terms {
            match term {
                Term::At(log_time) => {
                    // ln f = ln β + ln H − ln t − H.
                    let h = of(log_time);
                    let value = log_shape + h.log - log_time - h.value;
                    let slope = [1.0 + h.log - h.slope[0], -shape - h.slope[1]];
                    let [kk, kl, ll] = h.curvature;
                    sum.add(count, value, slope, [h.log - kk, -shape - kl, -ll]);
                }
                Term::Beyond(log_time) => {
                    let h = of(log_time);
                    let minus = |v: f64| -v;
                    sum.add(count, -h.value, h.slope.map(minus), h.curvature.map(minus));
                }
                Term::Within(after, by) => {
                    // ln[S(a) − S(b)] = −Hₐ + ln(1 − e^{−D}), D = H_b − Hₐ.
                    let (a, b) = (of(after), of(by));
                    let d = b.value - a.value;
                    let weight = 1.0 / d.exp_m1();
                    let bend = -weight * (1.0 + weight);
                    let value = -a.value + (-(-d).exp_m1()).ln();
                    let change = [b.slope[0] - a.slope[0], b.slope[1] - a.slope[1]];
                    let slope = [0, 1].map(|i| -a.slope[i] + weight * change[i]);
                    let second = [(0, 0), (0, 1), (1, 1)];
                    let curvature = [0, 1, 2].map(|k| {
                        let (i, j) = second[k];
                        -a.curvature[k]
                            + weight * (b.curvature[k] - a.curvature[k])
                            + bend * change[i] * change[j]
                    });
                    sum.add(count, value, slope, curvature);
                }
            }
        }
        sum
    }

    /// Newton's method with halved steps; where the surface does not bend down, up the slope.
    fn peak(&self) -> Option<Peak> {
        let (mut log_shape, mut log_scale) = (0.0, -0.5);
        let mut at = self.at(log_shape, log_scale);
        for _ in 0..200 {
            let [kk, kl, ll] = at.curvature;
            let [gk, gl] = at.slope;
            let determinant = kk * ll - kl * kl;
            let newton = kk < 0.0 && determinant > 0.0;
            let (mut dk, mut dl) = if newton {
                (
                    (kl * gl - ll * gk) / determinant,
                    (kl * gk - kk * gl) / determinant,
                )
            } else {
                let length = gk.hypot(gl).max(f64::MIN_POSITIVE);
                (0.5 * gk / length, 0.5 * gl / length)
            };
            // One step never changes shape or scale by more than a factor of e.
            let most = dk.abs().max(dl.abs());
            if most > 1.0 {
                (dk, dl) = (dk / most, dl / most);
            }
            let mut next = self.at(log_shape + dk, log_scale + dl);
            let rounding = 1e-13 * (1.0 + at.value.abs());
            let mut halvings = 0;
            // Not `<`: a value that is no number is no gain.
            // A value that is no number is not better.
            while next
                .value
                .partial_cmp(&(at.value - rounding))
                .is_none_or(std::cmp::Ordering::is_lt)
                && halvings < 60
            {
                (dk, dl) = (0.5 * dk, 0.5 * dl);
                next = self.at(log_shape + dk, log_scale + dl);
                halvings += 1;
            }
            if halvings == 60 {
                return None;
            }
            log_shape += dk;
            log_scale += dl;
            at = next;
            if newton && dk.abs() <= 1e-12 && dl.abs() <= 1e-12 {
                return Some(Peak {
                    log_shape,
                    log_scale,
                    at,
                });
            }
            if log_shape.abs() > 9.0 {
                return None;
            }
        }
        None
    }

    /// Highest log-likelihood with this shape.
    fn profile_of_shape(&self, log_shape: f64, peak: &Peak) -> f64 {
        let of = |log_scale: f64| {
            let at = self.at(log_shape, log_scale);
            (at.slope[1], at.curvature[2])
        };
        self.at(log_shape, top(peak.log_scale, of)).value
    }

    /// Highest log-likelihood with this scale.
    fn profile_of_scale(&self, log_scale: f64, peak: &Peak) -> f64 {
        let of = |log_shape: f64| {
            let at = self.at(log_shape, log_scale);
            (at.slope[0], at.curvature[0])
        };
        self.at(top(peak.log_shape, of), log_scale).value
    }
}

/// Where a slope that is positive below its root and negative above it vanishes: Newton, bracketed.
fn top(start: f64, of: impl Fn(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (start - 0.25, start + 0.25);
    let mut step = 0.25;
    while of(low).0 < 0.0 && step < 20.0 {
        step *= 2.0;
        high = low;
        low -= step;
    }
    step = 0.25;
    while of(high).0 > 0.0 && step < 20.0 {
        step *= 2.0;
        low = high;
        high += step;
    }
    let mut at = start.clamp(low, high);
    for _ in 0..100 {
        let (slope, curvature) = of(at);
        if slope > 0.0 {
            low = at;
        } else {
            high = at;
        }
        let newton = at - slope / curvature;
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - at).abs() <= 1e-12 {
            return next;
        }
        at = next;
    }
    at
}

/// Where `f`, positive at `center`, reaches zero on either side, by false position (Illinois);
/// `center` is a logarithm, the bounds are not.
fn bounds(center: f64, f: impl Fn(f64) -> f64) -> Option<Interval> {
    let edge = |step: f64| {
        let mut inside = center;
        let mut outside = inside + step;
        let (mut fi, mut fo) = (f(inside), f(outside));
        let mut tries = 0;
        while fo > 0.0 {
            (inside, fi) = (outside, fo);
            outside += step * f64::from(1 << tries.min(6));
            fo = f(outside);
            tries += 1;
            if tries > 30 {
                return None;
            }
        }
        for _ in 0..200 {
            let middle = outside - fo * (outside - inside) / (fo - fi);
            let value = f(middle);
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
