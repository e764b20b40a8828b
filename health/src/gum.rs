//! The law of propagation of uncertainty, after JCGM 100:2008 (GUM).
//!
//! Knows nothing of batteries; [`crate::uncertainty`] does.

/// Coverage factor of every expanded uncertainty here: about 95 % for a near-normal result
/// (JCGM 100, 6.2.2 and G.6.6).
pub const COVERAGE_FACTOR: f64 = 2.0;

/// One input estimate as it enters a result.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Input {
    /// What it is.
    pub name: &'static str,
    /// Sensitivity coefficient `c = ∂f/∂x` (JCGM 100, 5.1.3).
    pub sensitivity: f64,
    /// Standard uncertainty `u(x)`, in the unit of the input.
    pub standard: f64,
    /// Degrees of freedom; infinite for a stated bound (type B).
    pub degrees_of_freedom: f64,
}

impl Input {
    /// An input known from a stated bound, with infinite degrees of freedom.
    pub fn bounded(name: &'static str, sensitivity: f64, standard: f64) -> Self {
        Self {
            name,
            sensitivity,
            standard,
            degrees_of_freedom: f64::INFINITY,
        }
    }

    /// Its share `|c|·u(x)` in the unit of the result.
    pub fn contribution(&self) -> f64 {
        (self.sensitivity * self.standard).abs()
    }
}

/// Standard uncertainty of a rectangular distribution of half-width `a`: `a/√3` (JCGM 100, 4.3.7).
pub fn rectangular(half_width: f64) -> f64 {
    half_width.abs() / 3f64.sqrt()
}

/// Standard uncertainty of a display of resolution `δ`: `δ/√12` (JCGM 100, F.2.2.1).
pub fn resolution(step: f64) -> f64 {
    step.abs() / 12f64.sqrt()
}

/// Combined standard uncertainty of uncorrelated inputs, `√Σ c²u²` (JCGM 100, equation 11a).
pub fn combined(inputs: &[Input]) -> f64 {
    inputs
        .iter()
        .map(|i| i.contribution().powi(2))
        .sum::<f64>()
        .sqrt()
}

/// Combined standard uncertainty of correlated inputs,
/// `√(Σ c²u² + 2 ΣΣ c_i c_j u_i u_j r_ij)` (JCGM 100, equation 16).
///
/// `correlation(i, j)` is asked for `i < j` only and returns `r_ij`. A sum that rounding makes
/// negative counts as zero.
pub fn combined_correlated(inputs: &[Input], correlation: impl Fn(usize, usize) -> f64) -> f64 {
    let mut sum: f64 = inputs.iter().map(|i| i.contribution().powi(2)).sum();
    for (j, b) in inputs.iter().enumerate() {
        for (i, a) in inputs.iter().enumerate().take(j) {
            let both = a.sensitivity * b.sensitivity * a.standard * b.standard;
            sum += 2.0 * both * correlation(i, j);
        }
    }
    sum.max(0.0).sqrt()
}

/// Effective degrees of freedom by the Welch–Satterthwaite formula (JCGM 100, equation G.2b);
/// infinite if every input is a stated bound.
pub fn effective_degrees_of_freedom(inputs: &[Input]) -> f64 {
    let sum: f64 = inputs
        .iter()
        .map(|i| i.contribution().powi(4) / i.degrees_of_freedom)
        .sum();
    combined(inputs).powi(4) / sum
}

/// Correlation coefficient of two results of the same correlated inputs (JCGM 100, F.1.2.3 and
/// H.2.3): `Σ Σ c_i d_j u_i u_j r_ij / (u_c u_d)`. `None` if one of them has no uncertainty.
pub fn result_correlation(
    inputs: &[Input],
    other_sensitivities: &[f64],
    correlation: impl Fn(usize, usize) -> f64,
) -> Option<f64> {
    let r = |i: usize, j: usize| match i.cmp(&j) {
        std::cmp::Ordering::Equal => 1.0,
        std::cmp::Ordering::Less => correlation(i, j),
        std::cmp::Ordering::Greater => correlation(j, i),
    };
    let sum = |c: &dyn Fn(usize) -> f64, d: &dyn Fn(usize) -> f64| {
        let mut total = 0.0;
        for (i, a) in inputs.iter().enumerate() {
            for (j, b) in inputs.iter().enumerate() {
                total += c(i) * d(j) * a.standard * b.standard * r(i, j);
            }
        }
        total
    };
    let c = |i: usize| inputs.get(i).map_or(0.0, |x| x.sensitivity);
    let d = |i: usize| other_sensitivities.get(i).copied().unwrap_or(0.0);
    let scale = (sum(&c, &c) * sum(&d, &d)).sqrt();
    (scale > 0.0).then(|| sum(&c, &d) / scale)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// JCGM 100:2008, H.1 "End-gauge calibration": values from memory of the text, nanometres.
    #[test]
    fn jcgm_100_h1_end_gauge() {
        let input = |name, sensitivity, standard, degrees_of_freedom| Input {
            name,
            sensitivity,
            standard,
            degrees_of_freedom,
        };
        let length_nm = 50.000_623e6;
        let inputs = [
            input("standard", 1.0, 25.0, 18.0),
            input("difference", 1.0, 9.7, 25.6),
            input("expansion of the standard", 0.0, 1.2e-6, f64::INFINITY),
            input("temperature of the bed", 0.0, 0.41, f64::INFINITY),
            input("difference of expansion", -length_nm * -0.1, 0.58e-6, 50.0),
            input(
                "difference of temperature",
                -length_nm * 11.5e-6,
                0.029,
                2.0,
            ),
        ];
        let u = combined(&inputs);
        assert_eq!(u.round(), 32.0, "H.1.4: u_c = 32 nm");
        let nu = effective_degrees_of_freedom(&inputs);
        assert!((nu - 16.7).abs() < 0.1, "H.1.6: 16.7, ours {nu}");
        // t for 99 % and 16 degrees of freedom is 2.92: U99 = 93 nm.
        assert!((2.92 * u - 93.0).abs() < 1.0);
    }

    /// JCGM 100:2008, H.2 "Simultaneous resistance and reactance measurement", tables H.2 to H.4:
    /// five simultaneous readings, from memory of the text; the results below are those it prints.
    #[test]
    fn jcgm_100_h2_resistance_and_reactance_correlated() {
        let volts = [5.007, 4.994, 5.005, 4.990, 4.999];
        let amps = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3];
        let phase = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433];
        let mean = |x: &[f64; 5]| x.iter().sum::<f64>() / 5.0;
        let (v, i, p) = (mean(&volts), mean(&amps), mean(&phase));
        let covariance = |x: &[f64; 5], y: &[f64; 5]| {
            let (a, b) = (mean(x), mean(y));
            x.iter().zip(y).map(|(x, y)| (x - a) * (y - b)).sum::<f64>() / 20.0
        };
        let all = [&volts, &amps, &phase];
        let u: Vec<f64> = all.iter().map(|x| covariance(x, x).sqrt()).collect();
        let r = |a: usize, b: usize| covariance(all[a], all[b]) / (u[a] * u[b]);
        assert!((r(0, 1) + 0.36).abs() < 5e-3);
        assert!((r(0, 2) - 0.86).abs() < 5e-3);
        assert!((r(1, 2) + 0.65).abs() < 5e-3);

        let inputs = |c: [f64; 3]| {
            [
                Input::bounded("voltage", c[0], u[0]),
                Input::bounded("current", c[1], u[1]),
                Input::bounded("phase", c[2], u[2]),
            ]
        };
        let (resistance, reactance, impedance) = (v / i * p.cos(), v / i * p.sin(), v / i);
        let c_r = [p.cos() / i, -v / (i * i) * p.cos(), -v / i * p.sin()];
        let c_x = [p.sin() / i, -v / (i * i) * p.sin(), v / i * p.cos()];
        let c_z = [1.0 / i, -v / (i * i), 0.0];
        for (value, stated, c, stated_u) in [
            (resistance, 127.732, c_r, 0.071),
            (reactance, 219.847, c_x, 0.295),
            (impedance, 254.260, c_z, 0.236),
        ] {
            assert!((value - stated).abs() < 6e-4, "{value} against {stated}");
            let ours = combined_correlated(&inputs(c), r);
            assert!((ours - stated_u).abs() < 6e-4, "{ours} against {stated_u}");
        }
        let pairs = [(c_r, c_x, -0.588), (c_r, c_z, -0.485), (c_x, c_z, 0.993)];
        for (c, d, stated) in pairs {
            let ours = result_correlation(&inputs(c), &d, r).unwrap();
            assert!((ours - stated).abs() < 1e-3, "{ours} against {stated}");
        }
    }

    #[test]
    fn without_correlation_both_laws_agree() {
        let inputs = [
            Input::bounded("a", 2.0, 0.3),
            Input::bounded("b", -1.0, 0.4),
        ];
        assert!((combined(&inputs) - combined_correlated(&inputs, |_, _| 0.0)).abs() < 1e-15);
        assert_eq!(effective_degrees_of_freedom(&inputs), f64::INFINITY);
    }
}
