//! Sinusoid on an exponential junction (A): harmonics, self-bias, two tones, series resistance.

use super::special::{bessel_i_scaled, wright_omega};
use crate::circuit::DiodeParameters;

/// An exponential junction without charge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exponential {
    /// Saturation current, A.
    pub is_a: f64,
    /// Ideality times thermal voltage, V.
    pub slope_v: f64,
}

impl Exponential {
    /// The static part of a diode.
    pub fn of(diode: &DiodeParameters) -> Self {
        Self { is_a: diode.is_a, slope_v: diode.n * crate::circuit::THERMAL_VOLTAGE_V }
    }

    /// Peak harmonic `k` of the current under `v0 + v1 cos`, A; the mean for `k = 0`.
    ///
    /// `I_0 = IS (e^{v0/s} I_0(x) - 1)`, `I_k = 2 IS e^{v0/s} I_k(x)`, `x = v1/s` (DLMF 10.35.2).
    pub fn harmonic_current(&self, v0: f64, v1: f64, k: u32) -> f64 {
        let x = v1 / self.slope_v;
        let lifted = self.is_a * (v0 / self.slope_v + x.abs()).exp() * bessel_i_scaled(k, x);
        if k == 0 { lifted - self.is_a } else { 2.0 * lifted }
    }

    /// Two-sided coefficient `k` of the conductance under the same drive, S.
    pub fn harmonic_conductance(&self, v0: f64, v1: f64, k: u32) -> f64 {
        let x = v1 / self.slope_v;
        self.is_a / self.slope_v * (v0 / self.slope_v + x.abs()).exp() * bessel_i_scaled(k, x)
    }

    /// Self-bias of the junction with an open direct-current path: `-s ln I_0(v1/s)`, V.
    pub fn self_bias(&self, v1: f64) -> f64 {
        let x = v1 / self.slope_v;
        -self.slope_v * (x.abs() + bessel_i_scaled(0, x).ln())
    }

    /// Current through the junction in series with `r_ohm` under the source voltage `e`, A:
    /// `i = (s/R) W((IS R/s) exp((e + IS R)/s)) - IS`, written with the Wright omega so that it
    /// cannot overflow.
    ///
    /// Source: T. C. Banwell, A. Jayakumar, Electronics Letters 36 (2000) 291 (from memory; the
    /// formula is re-derived, the numbers come from 40-digit arithmetic).
    pub fn series_current(&self, r_ohm: f64, e: f64) -> f64 {
        self.series(r_ohm, e).0
    }

    /// Current and its derivative by `e`, for the series circuit.
    pub fn series(&self, r_ohm: f64, e: f64) -> (f64, f64) {
        if r_ohm == 0.0 {
            let growth = e / self.slope_v;
            return (self.is_a * growth.exp_m1(), self.is_a / self.slope_v * growth.exp());
        }
        let lift = self.is_a * r_ohm / self.slope_v;
        let w = wright_omega(lift.ln() + (e + self.is_a * r_ohm) / self.slope_v);
        (self.slope_v / r_ohm * w - self.is_a, w / (1.0 + w) / r_ohm)
    }

    /// Peak harmonic `k` of the series current under `v0 + peak cos`, A; the mean for `k = 0`.
    ///
    /// Trapezoidal rule on `n_points`: converges geometrically for this analytic waveform.
    pub fn series_harmonic(&self, r_ohm: f64, v0: f64, peak: f64, k: u32, n_points: usize) -> f64 {
        let sum: f64 = (0..n_points)
            .map(|j| {
                let phase = std::f64::consts::TAU * j as f64 / n_points as f64;
                self.series_current(r_ohm, v0 + peak * phase.cos()) * (f64::from(k) * phase).cos()
            })
            .sum();
        sum / n_points as f64 * if k == 0 { 1.0 } else { 2.0 }
    }
}

/// Peak of line `(m, n)` of `exp(x cos a + y cos b)`: `2 I_m(x) I_n(y)` for `m, n > 0`, likewise with
/// one of them zero, `I_0 I_0` for both.
pub fn two_tone_line(x: f64, y: f64, m: u32, n: u32) -> f64 {
    let factor = if m == 0 && n == 0 { 1.0 } else { 2.0 };
    factor * (x.abs() + y.abs()).exp() * bessel_i_scaled(m, x) * bessel_i_scaled(n, y)
}
