//! Residual errors of a network analyser and what they do to reflection and transmission.
//!
//! Conventions: reflection coefficients are complex amplitudes; residual errors after calibration are given in
//! decibels of amplitude (negative) or as small fractions.
//! Method: one-port error model `Γm = D + (1+T)·Γ/(1 − M·Γ)` and its linear worst case `D + T|Γ| + M|Γ|²`; derived.

use numerics::{CMatrix, Complex64, NumericsError, linear};
use std::f64::consts::SQRT_2;

/// Magnitudes of the errors left after calibration of a port.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Residuals {
    /// Directivity, fraction of amplitude.
    pub directivity: f64,
    /// Tracking, fraction of amplitude.
    pub tracking: f64,
    /// Source match, fraction of amplitude.
    pub source_match: f64,
}

impl Residuals {
    /// Largest error of a reflection coefficient of magnitude `gamma`.
    pub fn worst(&self, gamma: f64) -> f64 {
        self.directivity + self.tracking * gamma + self.source_match * gamma * gamma
    }

    /// Lowest and highest reading of a return loss, dB; infinite when the error can hide the reflection.
    pub fn return_loss_span_db(&self, return_loss_db: f64) -> (f64, f64) {
        let gamma = 10f64.powf(-return_loss_db / 20.0);
        let u = self.worst(gamma);
        let high = if u < gamma { -20.0 * (gamma - u).log10() } else { f64::INFINITY };
        (-20.0 * (gamma + u).log10(), high)
    }

    /// Standard uncertainty of a return loss, dB: parts of known size and unknown phase, independent of one another.
    pub fn return_loss_u_db(&self, return_loss_db: f64) -> f64 {
        let gamma = 10f64.powf(-return_loss_db / 20.0);
        let parts = [self.directivity, self.tracking * gamma, self.source_match * gamma * gamma];
        let u = parts.iter().map(|&a| standard_uncertainty(a).powi(2)).sum::<f64>().sqrt();
        20.0 * std::f64::consts::LOG10_E * u / gamma
    }
}

/// Standard uncertainty of each real component of an error of fixed magnitude and unknown phase.
pub fn standard_uncertainty(magnitude: f64) -> f64 {
    magnitude / SQRT_2
}

/// Errors of one port: directivity, tracking (deviation from one) and source match.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OnePort {
    /// Directivity.
    pub directivity: Complex64,
    /// Deviation of tracking from one.
    pub tracking: Complex64,
    /// Source match.
    pub source_match: Complex64,
}

impl OnePort {
    /// What the analyser reads of a true reflection.
    pub fn reading(&self, gamma: Complex64) -> Complex64 {
        self.directivity + (1.0 + self.tracking) * gamma / (1.0 - self.source_match * gamma)
    }

    /// The true reflection behind a reading.
    pub fn corrected(&self, reading: Complex64) -> Complex64 {
        let over = reading - self.directivity;
        over / ((1.0 + self.tracking) + self.source_match * over)
    }

    /// Errors from three known standards and their readings.
    ///
    /// # Errors
    /// Standards that are not three different ones.
    pub fn from_standards(known: [Complex64; 3], read: [Complex64; 3]) -> Result<Self, NumericsError> {
        // m = e00 + Γ·m·e11 + Γ·(e10e01 − e00·e11)
        let rows: Vec<Vec<Complex64>> =
            known.iter().zip(&read).map(|(&g, &m)| vec![Complex64::new(1.0, 0.0), g * m, g]).collect();
        let x = linear::solve(&CMatrix::from_rows(&rows), &CMatrix::column(&read))?;
        let (e00, e11, rest) = (x[(0, 0)], x[(1, 0)], x[(2, 0)]);
        Ok(Self { directivity: e00, source_match: e11, tracking: rest + e00 * e11 - 1.0 })
    }
}

/// Largest rise and fall (negative) of a transmission reading, dB, by mismatch and crosstalk.
///
/// `source` and `load` are residual matches, `s11` and `s22` magnitudes of the unit's reflections,
/// `transmission_db` and `crosstalk_db` amplitudes in dB.
pub fn transmission_span_db(
    source: f64,
    load: f64,
    s11: f64,
    s22: f64,
    transmission_db: f64,
    crosstalk_db: f64,
) -> (f64, f64) {
    let s21 = 10f64.powf(transmission_db / 20.0);
    let mismatch = source * s11 + load * s22 + source * load * (s11 * s22 + s21 * s21);
    let total = mismatch + 10f64.powf((crosstalk_db - transmission_db) / 20.0);
    (20.0 * (1.0 + total).log10(), if total < 1.0 { 20.0 * (1.0 - total).log10() } else { f64::NEG_INFINITY })
}
