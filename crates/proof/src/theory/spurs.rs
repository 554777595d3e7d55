//! Intermodulation products (G): half-wave rectifier, switching constants, balanced exponential ring.
//!
//! `n` counts the LO (the larger tone), `m` the RF.

use super::db20;
use super::special::{bessel_i_scaled, gamma, gamma_reciprocal, hypergeometric_2f1};

/// Coefficient of `cos(n a) cos(m b)` in `max(0, cos a + k cos b)`, `k <= 1`.
///
/// Source: W. R. Bennett, New results in the calculation of modulation products, BSTJ 12 (1933).
pub fn rectifier_coefficient(n: u32, m: u32, k: f64) -> f64 {
    if (n + m) % 2 == 1 {
        return match (n, m) {
            (1, 0) => 0.5,
            (0, 1) => 0.5 * k,
            _ => 0.0,
        };
    }
    let neumann = |i: u32| if i == 0 { 1.0 } else { 2.0 };
    let (nf, mf) = (f64::from(n), f64::from(m));
    let sign = if ((n + m) / 2).is_multiple_of(2) { 1.0 } else { -1.0 };
    let half = (nf + mf - 1.0) / 2.0;
    let fraction = gamma(half) * gamma_reciprocal((nf - mf + 3.0) / 2.0) / (4.0 * gamma(mf + 1.0));
    let series = hypergeometric_2f1(half, (mf - nf - 1.0) / 2.0, mf + 1.0, k * k);
    -sign / std::f64::consts::PI * neumann(n) * neumann(m) * k.powi(m as i32) * fraction * series
}

/// Constant of product `n LO x m RF` of a single rectifier for small RF, dB relative to 1x1; the level
/// is this plus `(m-1)` times RF over LO in dB.
pub fn rectifier_constant_db(n: u32, m: u32) -> f64 {
    let (nf, mf) = (f64::from(n), f64::from(m));
    db20(gamma((nf + mf - 1.0) / 2.0) * gamma_reciprocal((nf - mf + 3.0) / 2.0) / gamma(mf + 1.0) / 2.0)
}

/// The same for a commutator (double-balanced ring on resistive ports): `20 log10 m` worse.
pub fn commutator_constant_db(n: u32, m: u32) -> f64 {
    rectifier_constant_db(n, m) + db20(f64::from(m))
}

/// Line `(n, m)` of a voltage-driven balanced exponential ring, relative to 1x1, dB; `x`, `y` are LO
/// and RF peak over the slope voltage. Odd-odd products only.
pub fn balanced_ring_line_db(n: u32, m: u32, x: f64, y: f64) -> f64 {
    if n.is_multiple_of(2) || m.is_multiple_of(2) {
        return f64::NEG_INFINITY;
    }
    db20(bessel_pair(n, m, x, y) / bessel_pair(1, 1, x, y))
}

/// A line that the balance forbids, when one of four diodes has its saturation current up by the share
/// `d`; relative to 1x1, dB.
pub fn unbalanced_ring_line_db(n: u32, m: u32, x: f64, y: f64, d: f64) -> f64 {
    db20(d / (4.0 + d) * bessel_pair(n, m, x, y) / bessel_pair(1, 1, x, y))
}

fn bessel_pair(n: u32, m: u32, x: f64, y: f64) -> f64 {
    bessel_i_scaled(n, x) * bessel_i_scaled(m, y)
}
