//! Distribution functions and quantiles that the statistics here need, to near machine precision.
//!
//! Formulas: NIST Digital Library of Mathematical Functions, §5.11 (gamma), §8.7 and §8.9
//! (incomplete gamma), §8.17 (incomplete beta). Checked against scipy by tests/health_reference.py.

use std::f64::consts::{PI, SQRT_2};

/// Natural logarithm of the gamma function for `x > 0` (Stirling's series with recurrence).
pub fn ln_gamma(x: f64) -> f64 {
    // Shift up until the series below is exact to the last digit.
    let mut shift = 0.0;
    let mut z = x;
    while z < 12.0 {
        shift += z.ln();
        z += 1.0;
    }
    // Bernoulli numbers B_2k / (2k (2k − 1)).
    const SERIES: [f64; 7] = [
        1.0 / 12.0,
        -1.0 / 360.0,
        1.0 / 1260.0,
        -1.0 / 1680.0,
        1.0 / 1188.0,
        -691.0 / 360_360.0,
        1.0 / 156.0,
    ];
    let inverse = 1.0 / z;
    let square = inverse * inverse;
    let series = SERIES.iter().rev().fold(0.0, |sum, c| sum * square + c) * inverse;
    (z - 0.5) * z.ln() - z + 0.5 * (2.0 * PI).ln() + series - shift
}

/// Complementary error function `erfc(x) = 2/√π ∫_x^∞ e^{−t²} dt`.
pub fn erfc(x: f64) -> f64 {
    if x < 0.0 {
        return 2.0 - erfc(-x);
    }
    let square = x * x;
    if x < 2.0 {
        // erf by its series x·e^{−x²}·2/√π·Σ (2x²)^n / (1·3·5…(2n+1)), all terms positive.
        let (mut term, mut sum, mut n) = (1.0, 1.0, 1.0);
        while term > sum * 1e-17 {
            term *= 2.0 * square / (2.0 * n + 1.0);
            sum += term;
            n += 1.0;
        }
        return 1.0 - 2.0 / PI.sqrt() * x * (-square).exp() * sum;
    }
    if x > 27.5 {
        return 0.0;
    }
    // Continued fraction for Γ(1/2, x²), by the modified Lentz method.
    let (a, mut b) = (0.5, square + 0.5);
    let mut c = 1e300;
    let mut d = 1.0 / b;
    let mut h = d;
    for i in 1..300 {
        let an = -f64::from(i) * (f64::from(i) - a);
        b += 2.0;
        d = 1.0 / (an * d + b);
        c = b + an / c;
        let step = d * c;
        h *= step;
        if (step - 1.0).abs() < 1e-16 {
            break;
        }
    }
    x * (-square).exp() * h / PI.sqrt()
}

/// Standard normal distribution function.
pub fn normal_cdf(z: f64) -> f64 {
    0.5 * erfc(-z / SQRT_2)
}

/// Standard normal quantile, `0 < p < 1`; ±∞ at the ends, NaN outside.
pub fn normal_quantile(p: f64) -> f64 {
    if !(0.0..=1.0).contains(&p) {
        return f64::NAN;
    }
    if p == 0.0 || p == 1.0 {
        return if p == 0.0 {
            f64::NEG_INFINITY
        } else {
            f64::INFINITY
        };
    }
    if p > 0.5 {
        return -normal_quantile(1.0 - p);
    }
    // A start good to a few percent, then Halley's iteration on the distribution function.
    let t = (-2.0 * p.ln()).sqrt();
    let mut z = -(t - (2.307_53 + 0.270_61 * t) / (1.0 + t * (0.992_29 + 0.044_81 * t)));
    for _ in 0..8 {
        let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
        let u = (normal_cdf(z) - p) / density;
        let step = u / (1.0 + 0.5 * z * u);
        z -= step;
        if step.abs() <= 1e-16 * z.abs().max(1.0) {
            break;
        }
    }
    z
}

/// Regularised incomplete beta function `I_x(a, b)` for `a, b > 0`, `0 ≤ x ≤ 1`.
pub fn beta_regularised(x: f64, a: f64, b: f64) -> f64 {
    if x <= 0.0 {
        return 0.0;
    }
    if x >= 1.0 {
        return 1.0;
    }
    let front = (ln_gamma(a + b) - ln_gamma(a) - ln_gamma(b) + a * x.ln() + b * (-x).ln_1p()).exp();
    if x < (a + 1.0) / (a + b + 2.0) {
        front * beta_fraction(x, a, b) / a
    } else {
        1.0 - front * beta_fraction(1.0 - x, b, a) / b
    }
}

fn beta_fraction(x: f64, a: f64, b: f64) -> f64 {
    const TINY: f64 = 1e-300;
    let away = |v: f64| if v.abs() < TINY { TINY } else { v };
    let mut c = 1.0;
    let mut d = 1.0 / away(1.0 - (a + b) * x / (a + 1.0));
    let mut h = d;
    for m in 1..1000 {
        let m = f64::from(m);
        let even = m * (b - m) * x / ((a + 2.0 * m - 1.0) * (a + 2.0 * m));
        d = 1.0 / away(1.0 + even * d);
        c = away(1.0 + even / c);
        h *= d * c;
        let odd = -(a + m) * (a + b + m) * x / ((a + 2.0 * m) * (a + 2.0 * m + 1.0));
        d = 1.0 / away(1.0 + odd * d);
        c = away(1.0 + odd / c);
        h *= d * c;
        if (d * c - 1.0).abs() < 1e-16 {
            break;
        }
    }
    h
}

/// Student's t distribution function with `df > 0` degrees of freedom.
pub fn t_cdf(t: f64, df: f64) -> f64 {
    let tail = 0.5 * beta_regularised(df / (df + t * t), 0.5 * df, 0.5);
    if t < 0.0 { tail } else { 1.0 - tail }
}

/// Student's t quantile, `0 < p < 1`, `df > 0`.
pub fn t_quantile(p: f64, df: f64) -> f64 {
    if !(p > 0.0 && p < 1.0 && df > 0.0) {
        return f64::NAN;
    }
    if p < 0.5 {
        return -t_quantile(1.0 - p, df);
    }
    if p == 0.5 {
        return 0.0;
    }
    // Bracket, then Newton kept inside the bracket.
    let (mut low, mut high) = (0.0, 2.0);
    while t_cdf(high, df) < p && high < 1e300 {
        low = high;
        high *= 2.0;
    }
    let log_scale = ln_gamma(0.5 * (df + 1.0)) - ln_gamma(0.5 * df) - 0.5 * (df * PI).ln();
    let mut t = 0.5 * (low + high);
    for _ in 0..200 {
        let error = t_cdf(t, df) - p;
        if error > 0.0 {
            high = t;
        } else {
            low = t;
        }
        let density = (log_scale - 0.5 * (df + 1.0) * (t * t / df).ln_1p()).exp();
        let newton = t - error / density;
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        if (next - t).abs() <= 1e-15 * t.abs() {
            return next;
        }
        t = next;
    }
    t
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn gamma_at_whole_numbers_is_the_factorial() {
        let mut factorial = 1.0;
        for n in 1..20 {
            assert!((ln_gamma(f64::from(n)) - f64::ln(factorial)).abs() < 2e-14 * f64::from(n));
            factorial *= f64::from(n);
        }
        assert!((ln_gamma(0.5) - 0.5 * PI.ln()).abs() < 1e-14);
    }

    #[test]
    fn quantiles_are_those_of_the_tables() {
        // Tables of the normal and t distributions, computed with 30 digits (mpmath).
        assert!((normal_quantile(0.975) - 1.959_963_984_540_054).abs() < 1e-14);
        assert!((normal_quantile(0.001) + 3.090_232_306_167_813_5).abs() < 1e-13);
        assert!((t_quantile(0.975, 10.0) - 2.228_138_851_986_275).abs() < 1e-12);
        assert!((t_quantile(0.975, 1.0) - 12.706_204_736_174_694).abs() < 1e-10);
        // JCGM 100, table G.2: p = 99 %, 16 degrees of freedom: 2.92.
        assert!((t_quantile(0.995, 16.0) - 2.92).abs() < 5e-3);
    }

    #[test]
    fn quantile_and_distribution_are_each_others_inverse() {
        for p in [1e-10, 1e-4, 0.02, 0.3, 0.5, 0.9, 0.999_99] {
            assert!(
                (normal_cdf(normal_quantile(p)) / p - 1.0).abs() < 1e-12,
                "{p}"
            );
            for df in [1.0, 2.0, 7.0, 300.0] {
                assert!((t_cdf(t_quantile(p, df), df) - p).abs() < 1e-13, "{p} {df}");
            }
        }
    }
}
