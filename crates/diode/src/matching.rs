//! What balance to expect from four diodes of a given spread.
//!
//! Each diode carries an independent relative error of standard deviation `s`. A double-balanced
//! mixer sees three contrasts, `(x1 + x2 − x3 − x4)/4` and its two rearrangements; they are
//! independent, each normal with `s/2`. A leakage is referred to what one unbalanced arm would give.
//! Leakage is a distribution: its median lies 9 dB below its 95 % value.
//! Source: elementary statistics of orthogonal contrasts (derived).

use statrs::distribution::{ContinuousCDF, Normal};

/// Standard deviations beyond which the tails do not count at double precision.
const TAIL_SD: f64 = 9.0;
/// Panels of the quadrature of [`expected_range_sd`]; the trapezoidal rule of a function that
/// vanishes with all derivatives at both ends is exact to rounding here.
const PANELS: usize = 400;

/// The three balance contrasts of four values.
pub fn contrasts(x: [f64; 4]) -> [f64; 3] {
    [(x[0] + x[1] - x[2] - x[3]) / 4.0, (x[0] - x[1] + x[2] - x[3]) / 4.0, (x[0] - x[1] - x[2] + x[3]) / 4.0]
}

/// Leakage that a share `probability` of all quads stays below, dB relative to one unbalanced arm.
///
/// `spread` is the relative standard deviation of one diode. One half gives the median.
pub fn leakage_db(spread: f64, probability: f64) -> f64 {
    let half_normal = Normal::standard().inverse_cdf(0.5 + 0.5 * probability);
    20.0 * (0.5 * spread * half_normal).log10()
}

/// Probability that all three contrasts stay within ±`limit_in_spreads` spreads of one diode.
pub fn probability_all_within(limit_in_spreads: f64) -> f64 {
    probability_one_within(limit_in_spreads).powi(3)
}

/// Probability that one contrast stays within ±`limit_in_spreads` spreads of one diode.
pub fn probability_one_within(limit_in_spreads: f64) -> f64 {
    2.0 * Normal::standard().cdf(2.0 * limit_in_spreads) - 1.0
}

/// Expected difference of largest and smallest of `n_diodes`, in spreads of one diode:
/// `∫ (1 − Φⁿ − (1 − Φ)ⁿ) dx`.
pub fn expected_range_sd(n_diodes: u32) -> f64 {
    let normal = Normal::standard();
    let h = 2.0 * TAIL_SD / PANELS as f64;
    let power = |p: f64| p.powf(f64::from(n_diodes));
    let term = |k: usize| {
        let x = -TAIL_SD + h * k as f64;
        1.0 - power(normal.cdf(x)) - power(normal.cdf(-x))
    };
    (0..=PANELS).map(term).sum::<f64>() * h
}
