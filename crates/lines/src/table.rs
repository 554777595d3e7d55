//! Line matrices over a wide band, tabulated once and interpolated: for thousands of frequencies in a row.
//!
//! Resistance and internal inductance are sampled at frequencies of equal ratio and joined by cubic pieces over the
//! logarithm of the frequency; below the first sample they are those of direct current, above the last one they follow
//! the square root. Capacitance and conductance follow the causal permittivities of the dielectrics exactly at every
//! frequency (to first order in their change).

use crate::{LineMatrices, LineSolution, LinesError};
use numerics::{Complex64, RMatrix, parallel};
use stackup::Dielectric;

/// Samples a decade; twelve leave 1e-4 of the resistance between samples.
const SAMPLES_A_DECADE: f64 = 12.0;
/// Decades of the table below its highest frequency: strips of some micrometre are uniform there.
const DECADES: f64 = 5.5;

/// Matrices at any frequency, from a table.
#[derive(Debug, Clone)]
pub struct LineTable {
    solution: LineSolution,
    dielectrics: Option<Vec<Dielectric>>,
    /// Natural logarithms of the sampled frequencies, rising evenly.
    log_freqs: Vec<f64>,
    r: Vec<RMatrix>,
    internal_l: Vec<RMatrix>,
}

impl LineTable {
    /// Samples a solution up to `freq_hz_max`.
    ///
    /// With `dielectrics` (one for every filling) permittivities change with frequency as theirs do.
    pub fn new(
        solution: LineSolution,
        dielectrics: Option<Vec<Dielectric>>,
        freq_hz_max: f64,
    ) -> Result<Self, LinesError> {
        let fillings = solution.section().fillings.len();
        if let Some(found) = dielectrics.as_ref().map(Vec::len)
            && found != fillings
        {
            let fault = format!("expected one dielectric for each of {fillings} fillings, found {found}");
            return Err(LinesError::Section { place: "dielectrics".into(), fault });
        }
        if !(freq_hz_max > 0.0 && freq_hz_max.is_finite()) {
            let fault = format!("expected a highest frequency above zero, found {freq_hz_max} Hz");
            return Err(LinesError::Section { place: "table of lines".into(), fault });
        }
        let n = (SAMPLES_A_DECADE * DECADES) as usize;
        let step = std::f64::consts::LN_10 / SAMPLES_A_DECADE;
        let log_freqs: Vec<f64> = (0..=n).map(|k| freq_hz_max.ln() - step * (n - k) as f64).collect();
        let samples = parallel::map(&log_freqs, |x| solution.internal(x.exp()))?;
        let (r, internal_l) = samples.into_iter().unzip();
        Ok(Self { solution, dielectrics, log_freqs, r, internal_l })
    }

    /// The solution behind the table.
    pub fn solution(&self) -> &LineSolution {
        &self.solution
    }

    /// Matrices at a frequency.
    pub fn at(&self, freq_hz: f64) -> LineMatrices {
        let eps: Vec<Complex64> = match &self.dielectrics {
            Some(list) => list.iter().map(|d| d.permittivity(freq_hz)).collect(),
            None => self.solution.given_permittivities(),
        };
        let (g, c) = self.solution.shunt(freq_hz, &eps);
        let last = self.log_freqs.len() - 1;
        let x = freq_hz.ln();
        let (r, internal) = if x <= self.log_freqs[0] {
            (self.r[0].clone(), self.internal_l[0].clone())
        } else if x >= self.log_freqs[last] {
            let growth = (0.5 * (x - self.log_freqs[last])).exp();
            (self.r[last].map(|r| r * growth), self.internal_l[last].map(|l| l / growth))
        } else {
            (self.between(x, &self.r), self.between(x, &self.internal_l))
        };
        let n = self.solution.n_lines();
        let l = RMatrix::from_fn(n, n, |i, j| self.solution.l_h_per_m[(i, j)] + internal[(i, j)]);
        LineMatrices { freq_hz, r, l, g, c }
    }

    /// Cubic through the four samples around `x`.
    fn between(&self, x: f64, values: &[RMatrix]) -> RMatrix {
        let step = self.log_freqs[1] - self.log_freqs[0];
        let place = (x - self.log_freqs[0]) / step;
        let first = (place.floor() as usize).saturating_sub(1).min(values.len() - 4);
        let t = place - first as f64;
        let weight =
            |k: usize| -> f64 { (0..4).filter(|&m| m != k).map(|m| (t - m as f64) / (k as f64 - m as f64)).product() };
        let weights = [weight(0), weight(1), weight(2), weight(3)];
        let n = self.solution.n_lines();
        RMatrix::from_fn(n, n, |i, j| (0..4).map(|k| weights[k] * values[first + k][(i, j)]).sum())
    }
}
