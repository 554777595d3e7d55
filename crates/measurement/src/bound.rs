//! What a few units say about all units: tolerance bounds.
//!
//! Method: order statistics without assuming a law (Wilks, 1941: the r-th smallest of n bounds a share β with
//! confidence 1 − I_β(n−r+1, r)); mean ± k·s for a normal law, k from the exact integrals over the laws of mean and
//! standard deviation.

use crate::gum::normal_quantile;
use statrs::distribution::{ChiSquared, ContinuousCDF, Normal};
use statrs::function::beta::beta_reg;

/// One or both sides are bounded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sides {
    /// Above the r-th smallest (or below the r-th largest).
    One,
    /// Between the r-th smallest and the r-th largest.
    Two,
}

/// Confidence with which order statistics of `n` units bound at least a share `beta` of all units.
///
/// `rank` is one for the extreme values, two for the next, …
pub fn order_confidence(n: usize, rank: usize, sides: Sides, beta: f64) -> f64 {
    let m = if sides == Sides::One { rank } else { 2 * rank };
    if m == 0 || m > n {
        return 0.0;
    }
    1.0 - beta_reg((n - m + 1) as f64, m as f64, beta)
}

/// Fewest units whose order statistics bound a share `beta` with confidence `gamma`.
pub fn units_needed(beta: f64, gamma: f64, rank: usize, sides: Sides) -> usize {
    let mut high = 8;
    while order_confidence(high, rank, sides, beta) < gamma {
        high *= 2;
        assert!(high < 1 << 30, "share and confidence must lie below one");
    }
    let mut low = high / 2;
    while high - low > 1 {
        let middle = (low + high) / 2;
        if order_confidence(middle, rank, sides, beta) < gamma { low = middle } else { high = middle }
    }
    if order_confidence(low, rank, sides, beta) >= gamma { low } else { high }
}

/// Factor k such that mean − k·s bounds a share `beta` of a normal law with confidence `gamma`, from `n` units.
///
/// Infinite for fewer than two units.
pub fn normal_factor_one_sided(n: usize, beta: f64, gamma: f64) -> f64 {
    if n < 2 {
        return f64::INFINITY;
    }
    let z = normal_quantile(beta);
    let root_n = (n as f64).sqrt();
    let law = Normal::standard();
    // confidence = E over s of Φ(√n (k s − z))
    bisect(gamma, |k| over_sd(n, |s| law.cdf(root_n * (k * s - z))))
}

/// Factor k such that mean ± k·s bounds a share `beta` of a normal law with confidence `gamma`, from `n` units.
///
/// Infinite for fewer than two units.
pub fn normal_factor_two_sided(n: usize, beta: f64, gamma: f64) -> f64 {
    if n < 2 {
        return f64::INFINITY;
    }
    let freedom = (n - 1) as f64;
    let chi = ChiSquared::new(freedom).expect("degrees of freedom are positive");
    let law = Normal::standard();
    let root_n = (n as f64).sqrt();
    // half width around a mean off by z/√n that holds the share
    let points = 120;
    let reach = 8.0;
    let nodes: Vec<(f64, f64)> = simpson(points, 0.0, reach)
        .map(|(z, w)| {
            let off = z / root_n;
            let half = bisect(beta, |r| law.cdf(off + r) - law.cdf(off - r));
            (half, 2.0 * w * (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt())
        })
        .collect();
    bisect(gamma, |k| nodes.iter().map(|(r, w)| w * (1.0 - chi.cdf(freedom * (r / k).powi(2)))).sum())
}

/// Mean of `f` over the law of a sample standard deviation (true value one) of `n` units.
fn over_sd(n: usize, f: impl Fn(f64) -> f64) -> f64 {
    let freedom = (n - 1) as f64;
    let chi = ChiSquared::new(freedom).expect("degrees of freedom are positive");
    // in equal steps of probability transformed to the normal scale, so that both tails are kept
    let law = Normal::standard();
    simpson(160, -8.0, 8.0)
        .map(|(z, w)| {
            let s = (chi.inverse_cdf(law.cdf(z).clamp(1e-15, 1.0 - 1e-15)) / freedom).sqrt();
            w * (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt() * f(s)
        })
        .sum()
}

/// Nodes and weights of Simpson's rule with `n` (even) steps.
fn simpson(n: usize, from: f64, to: f64) -> impl Iterator<Item = (f64, f64)> {
    let h = (to - from) / n as f64;
    (0..=n).map(move |k| {
        let weight = if k == 0 || k == n {
            1.0
        } else if k % 2 == 1 {
            4.0
        } else {
            2.0
        };
        (from + h * k as f64, weight * h / 3.0)
    })
}

/// Argument at which a rising function reaches `target`.
fn bisect(target: f64, f: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while f(high) < target && high < 1e6 {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if f(middle) < target { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}
