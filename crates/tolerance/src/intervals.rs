//! Intervals of shares, tolerance intervals of populations, coverage of order statistics.
//!
//! Sources: E. B. Wilson, JASA 22 (1927) 209; C. J. Clopper, E. S. Pearson, Biometrika 26 (1934) 404;
//! S. S. Wilks, Ann. Math. Statist. 12 (1941) 91 (all from memory, values checked in the tests).

use statrs::distribution::{ContinuousCDF, Normal, StudentsT};
use statrs::function::beta::beta_reg;

/// An estimate with a two-sided interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// The estimate.
    pub value: f64,
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// Wilson's interval of a share, `k` of `n` independent draws.
pub fn wilson(k: usize, n: usize, confidence: f64) -> Estimate {
    if n == 0 {
        return Estimate { value: f64::NAN, low: 0.0, high: 1.0 };
    }
    let (n, p) = (n as f64, k as f64 / n as f64);
    let z = Normal::standard().inverse_cdf(0.5 + 0.5 * confidence);
    let z2 = z * z / n;
    let centre = (p + 0.5 * z2) / (1.0 + z2);
    let half = z / (1.0 + z2) * (p * (1.0 - p) / n + 0.25 * z2 / n).sqrt();
    Estimate { value: p, low: (centre - half).max(0.0), high: (centre + half).min(1.0) }
}

/// The exact interval of Clopper and Pearson of a share, `k` of `n` independent draws.
pub fn clopper_pearson(k: usize, n: usize, confidence: f64) -> Estimate {
    if n == 0 {
        return Estimate { value: f64::NAN, low: 0.0, high: 1.0 };
    }
    let tail = 0.5 * (1.0 - confidence);
    let (kf, nf) = (k as f64, n as f64);
    let low = if k == 0 { 0.0 } else { inverse_beta(kf, nf - kf + 1.0, tail) };
    let high = if k == n { 1.0 } else { inverse_beta(kf + 1.0, nf - kf, 1.0 - tail) };
    Estimate { value: kf / nf, low, high }
}

/// Mean of independent replicates with its Student interval.
pub fn replicated(values: &[f64], confidence: f64) -> Estimate {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    if values.len() < 2 {
        return Estimate { value: mean, low: f64::NEG_INFINITY, high: f64::INFINITY };
    }
    let variance = values.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0);
    let t = StudentsT::new(0.0, 1.0, n - 1.0).map_or(f64::NAN, |t| t.inverse_cdf(0.5 + 0.5 * confidence));
    let half = t * (variance / n).sqrt();
    Estimate { value: mean, low: mean - half, high: mean + half }
}

/// Confidence that `m` extreme values of `n` draws set aside (`m = r` on one side, `2r` on both)
/// leave an interval that covers at least a share `coverage` of the population.
pub fn order_statistic_confidence(n: usize, m: usize, coverage: f64) -> f64 {
    if m == 0 || m > n {
        return 0.0;
    }
    1.0 - beta_reg((n - m + 1) as f64, m as f64, coverage)
}

/// Smallest number of draws at which that confidence is reached.
pub fn draws_needed(coverage: f64, confidence: f64, m: usize) -> usize {
    let enough = |n: usize| order_statistic_confidence(n, m, coverage) >= confidence;
    let mut high = m.max(1);
    while !enough(high) {
        high *= 2;
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        if enough(middle) { high = middle } else { low = middle }
    }
    high
}

/// The largest share `coverage` that the `m` extreme values of `n` draws bound with `confidence`.
pub fn covered_share(n: usize, m: usize, confidence: f64) -> f64 {
    if m == 0 || m > n {
        return 0.0;
    }
    inverse_beta((n - m + 1) as f64, m as f64, 1.0 - confidence)
}

/// Where the regularised incomplete beta function reaches `p`, by bisection to rounding.
fn inverse_beta(a: f64, b: f64, p: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..200 {
        let middle: f64 = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if beta_reg(a, b, middle) < p { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

/// Quantile of sorted samples, linear between neighbours.
pub fn quantile(sorted: &[f64], p: f64) -> f64 {
    if sorted.is_empty() {
        return f64::NAN;
    }
    let at = p.clamp(0.0, 1.0) * (sorted.len() - 1) as f64;
    let (low, part) = (at.floor() as usize, at.fract());
    let high = (low + 1).min(sorted.len() - 1);
    sorted[low] + part * (sorted[high] - sorted[low])
}
