//! Compression and intercept of memoryless nonlinearities (H).

use super::db;

/// `y = a1 x - a3 x^3`: intercept over 1 dB compression point, power ratio in dB (9.64).
pub fn cubic_intercept_over_compression_db() -> f64 {
    db(1.0 / (1.0 - 10f64.powf(-1.0 / 20.0)))
}

/// Compression point of the cubic: `A^2 a3/a1`.
pub fn cubic_compression_squared() -> f64 {
    4.0 / 3.0 * (1.0 - 10f64.powf(-1.0 / 20.0))
}

/// Third-order product of two equal tones below the carrier, dB (negative).
pub fn third_order_level_db(iip3_dbm: f64, tone_dbm: f64) -> f64 {
    -2.0 * (iip3_dbm - tone_dbm)
}

/// Amplitude at which the fundamental of `tanh(A cos)` is 1 dB compressed.
pub fn tanh_compression_amplitude() -> f64 {
    let gain = |a: f64| {
        let n = 512;
        let sum: f64 = (0..n)
            .map(|j| {
                let c = (std::f64::consts::TAU * f64::from(j) / f64::from(n)).cos();
                (a * c).tanh() * c
            })
            .sum();
        2.0 * sum / f64::from(n) / a
    };
    let wanted = 10f64.powf(-1.0 / 20.0);
    let (mut low, mut high) = (0.01, 3.0);
    for _ in 0..100 {
        let mid = 0.5 * (low + high);
        if gain(mid) > wanted {
            low = mid;
        } else {
            high = mid;
        }
    }
    0.5 * (low + high)
}

/// Third-order coefficient of junction plus series resistance: `a3 (nVt)^2/g = (1 - 2 gR)/(6 (1+gR)^5)`.
pub fn third_order_of_series_diode(g_r: f64) -> f64 {
    (1.0 - 2.0 * g_r) / (6.0 * (1.0 + g_r).powi(5))
}
