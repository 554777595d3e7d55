//! What noise, leakage and mismatch do to a reading in decibels.
//!
//! A disturbance adds to the wanted wave as a complex number. Levels here are ratios of powers or amplitudes; `q` is
//! the amplitude of the disturbance over that of the signal.
//! Method: rms over a uniform phase is `(20/ln 10)·sqrt(Li2(q²)/2)`; the mean of `ln |S+n|²` for complex Gaussian `n` is
//! `ln S² + E1(S²/s²)`; moments of the logarithm come from the Poisson mixture of gamma laws. All derived.

use statrs::function::exponential;
use statrs::function::gamma::digamma;
use std::f64::consts::PI;

/// Decibel of a power in a neper of power.
const DB_PER_LN: f64 = 10.0 / std::f64::consts::LN_10;

/// What a disturbance of known size and unknown phase does to a reading.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct AdditiveError {
    /// Largest rise of the reading, dB.
    pub up_db: f64,
    /// Largest fall, dB, negative; minus infinity when the disturbance can cancel the signal.
    pub down_db: f64,
    /// Root mean square over a uniform phase, dB.
    pub rms_db: f64,
    /// Largest turn of the phase, degree.
    pub phase_deg: f64,
}

/// A disturbance `error_db` beside a signal `signal_db`, both against the same reference.
pub fn additive_error(signal_db: f64, error_db: f64) -> AdditiveError {
    let q = 10f64.powf((error_db - signal_db) / 20.0);
    let down_db = if q < 1.0 { 20.0 * (1.0 - q).log10() } else { f64::NEG_INFINITY };
    let phase_deg = if q < 1.0 {
        q.asin().to_degrees()
    } else if q > 1.0 {
        180.0
    } else {
        90.0
    };
    // beyond q = 1 the reading is that of the disturbance: |1 + q e^jθ| = q |1 + e^-jθ/q|
    let rms_ln = |q: f64| (0.5 * dilogarithm(q * q)).sqrt();
    let rms_db = if q <= 1.0 {
        2.0 * DB_PER_LN * rms_ln(q)
    } else {
        2.0 * DB_PER_LN * (q.ln().powi(2) + rms_ln(1.0 / q).powi(2)).sqrt()
    };
    AdditiveError { up_db: 20.0 * (1.0 + q).log10(), down_db, rms_db, phase_deg }
}

/// Mean reading over the phase of a disturbance of relative amplitude `q`, dB over the signal alone: none below one.
///
/// Jensen's formula.
pub fn mean_shift_db(q: f64) -> f64 {
    (20.0 * q.log10()).max(0.0)
}

/// The dilogarithm for arguments between zero and one.
fn dilogarithm(x: f64) -> f64 {
    if x >= 1.0 {
        return PI * PI / 6.0;
    }
    if x > 0.5 {
        // reflection keeps the series short
        return PI * PI / 6.0 - x.ln() * (1.0 - x).ln() - dilogarithm(1.0 - x);
    }
    let mut power = 1.0;
    let mut sum = 0.0;
    for k in 1..60 {
        power *= x;
        sum += power / f64::from(k * k);
    }
    sum
}

/// What complex Gaussian noise does to a reading in decibels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct NoiseError {
    /// Mean of the decibels over the decibels of the signal.
    pub mean_bias_db: f64,
    /// Decibels of the mean power over the decibels of the signal.
    pub power_bias_db: f64,
    /// Standard deviation of a single reading, dB.
    pub sd_db: f64,
}

/// Noise of total power `s²` on a signal of power `S²`, `snr_db = 10 log10(S²/s²)`.
pub fn noise_error(snr_db: f64) -> NoiseError {
    let k = 10f64.powf(snr_db / 10.0);
    // log of the power over s²: mean and mean square over the Poisson number of the gamma law
    let (mut mean, mut square) = (0.0, 0.0);
    let n_terms = (k + 12.0 * k.sqrt()).ceil() as usize + 40;
    let mut ln_weight = -k;
    for n in 0..n_terms {
        if n > 0 {
            ln_weight += (k / n as f64).ln();
        }
        let psi = digamma(n as f64 + 1.0);
        let weight = ln_weight.exp();
        mean += weight * psi;
        square += weight * (psi * psi + trigamma(n as f64 + 1.0));
    }
    NoiseError {
        mean_bias_db: DB_PER_LN * exponential_integral(k),
        power_bias_db: 10.0 * (1.0 + 1.0 / k).log10(),
        sd_db: DB_PER_LN * (square - mean * mean).max(0.0).sqrt(),
    }
}

/// Mean (dB over the noise power) and standard deviation (dB) of a reading of noise alone.
pub fn noise_alone_db() -> (f64, f64) {
    (DB_PER_LN * digamma(1.0), DB_PER_LN * PI / 6f64.sqrt())
}

/// `E1(x)`.
fn exponential_integral(x: f64) -> f64 {
    // beyond this the integral is smaller than any double of interest
    if x > 700.0 { 0.0 } else { exponential::integral(x, 1).unwrap_or(0.0) }
}

/// `ψ'(x)` for `x` from one: recurrence, then the asymptotic series (Abramowitz and Stegun, 1964, 6.4.12).
fn trigamma(mut x: f64) -> f64 {
    let mut sum = 0.0;
    while x < 12.0 {
        sum += 1.0 / (x * x);
        x += 1.0;
    }
    let r = 1.0 / (x * x);
    sum + 1.0 / x + 0.5 * r + r / x * (1.0 / 6.0 - r * (1.0 / 30.0 - r * (1.0 / 42.0 - r / 30.0)))
}

/// Level of the signal in a power reading over a noise floor, both in one logarithmic unit; none at or below the floor.
pub fn signal_from_power(reading_db: f64, floor_db: f64) -> Option<f64> {
    let power = 10f64.powf(reading_db / 10.0) - 10f64.powf(floor_db / 10.0);
    (power > 0.0).then(|| 10.0 * power.log10())
}

/// Level of the signal in a mean of decibels over a noise floor given as power; none at or below noise alone.
pub fn signal_from_log(reading_db: f64, floor_db: f64) -> Option<f64> {
    let mean_over_floor = |snr_db: f64| snr_db + DB_PER_LN * exponential_integral(10f64.powf(snr_db / 10.0));
    let target = reading_db - floor_db;
    let (mut low, mut high) = (-30.0, target.max(0.0) + 1.0);
    if target <= mean_over_floor(low) {
        return None;
    }
    for _ in 0..80 {
        let middle = 0.5 * (low + high);
        if mean_over_floor(middle) < target { low = middle } else { high = middle }
    }
    Some(floor_db + 0.5 * (low + high))
}
