//! Guaranteed bounds from measured units: one-sided tolerance bounds of a normal population.
//!
//! Input: values with their lots. Output: mean and the bound that, with the stated confidence, at least the stated
//! share of all units keeps.
//! Units of one lot: `mean ± k·s` with `k = t'(confidence; n−1, z√n)/√n`, `t'` the quantile of the noncentral t law.
//! Units of several lots: lots differ, so a unit more of the same lot says less than a unit of a new one. One-way
//! random-effects bound with effective sample size and Satterthwaite degrees of freedom. The ratio of variances enters
//! by an upper confidence limit, because with its estimate the bound holds less often than promised (90 instead of 95 %
//! for six lots of four); few lots give wide bounds, as they should.
//! Sources: M. G. Natrella, "Experimental Statistics", NBS Handbook 91 (1963); R. W. Mee, D. B. Owen, "Improved
//! factors for one-sided tolerance limits for balanced one-way ANOVA random model", JASA 78 (1983) 901 (both from memory).

use crate::DatasheetError;
use statrs::distribution::{ChiSquared, Continuous, ContinuousCDF, FisherSnedecor, Normal};

/// Fewest units behind a guaranteed bound. Our choice: from eight units on a 90 % / 95 % bound lies within 2.6 standard
/// deviations of the mean, with three units it lies 6.2 away and says more about the sample than about the part.
pub const UNITS_MIN: usize = 8;

/// Mean and one-sided bound of a population.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounded {
    /// Mean of the units (lots weighted equally).
    pub mean: f64,
    /// The bound.
    pub bound: f64,
    /// Number of units.
    pub units: usize,
    /// Number of lots.
    pub lots: usize,
}

fn standard_normal() -> Normal {
    Normal::new(0.0, 1.0).expect("mean zero and deviation one are valid")
}

/// Distribution function of the noncentral t law with `freedom` degrees and noncentrality `shift`.
///
/// `P(T ≤ t) = ∫ Φ(t·√(x/f) − δ)·χ²_f(x) dx`, by Simpson's rule in the probability-weighted middle of the law.
fn noncentral_t(t: f64, freedom: f64, shift: f64) -> f64 {
    let chi = ChiSquared::new(freedom).expect("degrees of freedom are positive");
    let normal = standard_normal();
    // substitution x = u² removes the root at the origin and tames the pole of few degrees of freedom
    let (low, high) = (0.0, (freedom + 12.0 * (2.0 * freedom).sqrt() + 40.0).sqrt());
    let steps = 600;
    let h = (high - low) / f64::from(steps);
    let value = |i: i32| {
        let u = low + h * f64::from(i);
        if u == 0.0 {
            return 0.0;
        }
        normal.cdf(t * u / freedom.sqrt() - shift) * chi.pdf(u * u) * 2.0 * u
    };
    let sum: f64 =
        (0..=steps).map(|i| value(i) * if i == 0 || i == steps { 1.0 } else { f64::from(2 + 2 * (i % 2)) }).sum();
    sum * h / 3.0
}

/// Factor `k` such that `mean ± k·s` bounds the share `coverage` with `confidence`; `n_effective` units,
/// `freedom` degrees of freedom of `s`.
pub fn normal_factor(n_effective: f64, freedom: f64, coverage: f64, confidence: f64) -> f64 {
    let shift = standard_normal().inverse_cdf(coverage) * n_effective.sqrt();
    let (mut low, mut high) = (shift - 10.0, shift.abs() + 10.0);
    while noncentral_t(high, freedom, shift) < confidence && high < 1e9 {
        high *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if noncentral_t(middle, freedom, shift) < confidence {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high) / n_effective.sqrt()
}

/// Mean and bound of values grouped by lot; `upper` asks for the bound above.
///
/// # Errors
/// Fewer than [`UNITS_MIN`] units, or values that are not finite.
pub fn tolerance_bound(
    what: &str,
    lots: &[Vec<f64>],
    upper: bool,
    coverage: f64,
    confidence: f64,
) -> Result<Bounded, DatasheetError> {
    let lots: Vec<&Vec<f64>> = lots.iter().filter(|l| !l.is_empty()).collect();
    let units: usize = lots.iter().map(|l| l.len()).sum();
    let refuse = |expected: &str, found: String| {
        Err(DatasheetError::Samples { what: what.into(), expected: expected.into(), found })
    };
    if units < UNITS_MIN {
        return refuse(&format!("at least {UNITS_MIN} measured units"), units.to_string());
    }
    if lots.iter().flat_map(|l| l.iter()).any(|v| !v.is_finite()) {
        return refuse("finite values", "others".into());
    }
    let sign = if upper { 1.0 } else { -1.0 };
    let lot_means: Vec<f64> = lots.iter().map(|l| mean(l)).collect();
    let grand = mean(&lot_means);
    if lots.len() == 1 || units == lots.len() {
        let all: Vec<f64> = lots.iter().flat_map(|l| l.iter().copied()).collect();
        let n = units as f64;
        let s = (sum_of_squares(&all) / (n - 1.0)).sqrt();
        let k = normal_factor(n, n - 1.0, coverage, confidence);
        return Ok(Bounded { mean: mean(&all), bound: mean(&all) + sign * k * s, units, lots: lots.len() });
    }
    // one-way random effects; lots of unequal size enter with their mean size
    let (i, n) = (lots.len() as f64, units as f64);
    let j = n / i;
    let ms_between = j * sum_of_squares(&lot_means) / (i - 1.0);
    let ms_within = lots.iter().map(|l| sum_of_squares(l)).sum::<f64>() / (n - i);
    let ratio = if ms_within > 0.0 {
        ((ratio_quantile(confidence, n - i, i - 1.0) * ms_between / ms_within - 1.0) / j).max(0.0)
    } else {
        f64::INFINITY
    };
    let variance = ms_between / j + (1.0 - 1.0 / j) * ms_within;
    let (n_effective, freedom) = if ratio.is_finite() {
        let n_effective = n * (ratio + 1.0) / (j * ratio + 1.0);
        let parts = (ratio + 1.0 / j).powi(2) / (i - 1.0) + (1.0 - 1.0 / j) / n;
        (n_effective, (ratio + 1.0).powi(2) / parts)
    } else {
        (i, i - 1.0)
    };
    let k = normal_factor(n_effective, freedom, coverage, confidence);
    Ok(Bounded { mean: grand, bound: grand + sign * k * variance.sqrt(), units, lots: lots.len() })
}

/// Quantile of the F law by which the ratio of mean squares is raised. Its probability is 0.85 for a confidence of 0.95
/// (Mee and Owen, from memory); three times the missing confidence elsewhere (our choice).
fn ratio_quantile(confidence: f64, freedom_within: f64, freedom_between: f64) -> f64 {
    let law = FisherSnedecor::new(freedom_within, freedom_between).expect("degrees of freedom are positive");
    law.inverse_cdf((1.0 - 3.0 * (1.0 - confidence)).max(0.5))
}

fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

fn sum_of_squares(values: &[f64]) -> f64 {
    let m = mean(values);
    values.iter().map(|v| (v - m).powi(2)).sum()
}
