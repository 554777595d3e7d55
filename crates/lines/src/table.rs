//! Line matrices over a wide band, tabulated once and interpolated: for thousands of frequencies in a row.
//!
//! Resistance and internal inductance are sampled at frequencies of equal ratio and joined by cubic pieces over the
//! logarithm of the frequency; below the first sample they are those of direct current, above the last one they follow
//! the square root. Capacitance and conductance follow the causal permittivities of the dielectrics exactly at every
//! frequency (to first order in their change).
//! The numbers behind a table ([`LineData`]) can be kept and given back, so that a section is solved once.

use crate::section::Filling;
use crate::{LineMatrices, LineSolution, LinesError};
use numerics::{Complex64, RMatrix, parallel};
use stackup::Dielectric;
use std::f64::consts::TAU;

/// Samples a decade; twelve leave 1e-4 of the resistance between samples.
const SAMPLES_A_DECADE: f64 = 12.0;
/// Decades of the table below its highest frequency: strips of some micrometre are uniform there.
const DECADES: f64 = 5.5;

/// All numbers of a table: what is left of a solution when its mesh is forgotten.
#[derive(Debug, Clone, PartialEq)]
pub struct LineData {
    /// Capacitance matrix for the permittivities of `fillings`, farad per metre.
    pub c_f_per_m: RMatrix,
    /// External inductance matrix, henry per metre.
    pub l_h_per_m: RMatrix,
    /// Estimated error of both, relative to the geometric mean of the self terms.
    pub error_estimate: f64,
    /// Dielectrics as solved.
    pub fillings: Vec<Filling>,
    /// Derivative of the capacitance matrix by the permittivity of each, farad per metre.
    pub c_by_permittivity: Vec<RMatrix>,
    /// Frequencies of the samples, hertz, rising with equal ratio; four or more.
    pub freqs_hz: Vec<f64>,
    /// Resistance matrix at each of them, ohm per metre.
    pub r_ohm_per_m: Vec<RMatrix>,
    /// Internal inductance matrix at each of them, henry per metre.
    pub internal_h_per_m: Vec<RMatrix>,
}

impl LineData {
    /// Samples a solution up to `freq_hz_max`.
    pub fn of(solution: &LineSolution, freq_hz_max: f64) -> Result<Self, LinesError> {
        if !(freq_hz_max > 0.0 && freq_hz_max.is_finite()) {
            let fault = format!("expected a highest frequency above zero, found {freq_hz_max} Hz");
            return Err(LinesError::Section { place: "table of lines".into(), fault });
        }
        let n = (SAMPLES_A_DECADE * DECADES) as usize;
        let step = std::f64::consts::LN_10 / SAMPLES_A_DECADE;
        let freqs_hz: Vec<f64> = (0..=n).map(|k| (freq_hz_max.ln() - step * (n - k) as f64).exp()).collect();
        let samples = parallel::map(&freqs_hz, |f| solution.internal(*f))?;
        let (r_ohm_per_m, internal_h_per_m) = samples.into_iter().unzip();
        let fillings = solution.section().fillings.clone();
        Ok(Self {
            c_f_per_m: solution.c_f_per_m.clone(),
            l_h_per_m: solution.l_h_per_m.clone(),
            error_estimate: solution.error_estimate,
            c_by_permittivity: (0..fillings.len()).map(|k| solution.by_permittivity(k)).collect(),
            fillings,
            freqs_hz,
            r_ohm_per_m,
            internal_h_per_m,
        })
    }

    /// Refuses numbers that are no table: lists of unequal length, matrices of unequal order, values not finite.
    pub fn check(&self) -> Result<(), LinesError> {
        let n = self.c_f_per_m.n_rows();
        let all = || {
            let lists = [&self.c_by_permittivity, &self.r_ohm_per_m, &self.internal_h_per_m];
            lists.into_iter().flatten().chain([&self.c_f_per_m, &self.l_h_per_m])
        };
        let square = all().all(|m| m.n_rows() == n && m.n_cols() == n);
        let finite = all().all(|m| m.as_slice().iter().all(|x| x.is_finite()));
        let samples = self.freqs_hz.len();
        let lengths = self.r_ohm_per_m.len() == samples
            && self.internal_h_per_m.len() == samples
            && self.c_by_permittivity.len() == self.fillings.len();
        let rising = self.freqs_hz.windows(2).all(|w| 0.0 < w[0] && w[0] < w[1] && w[1].is_finite());
        if n > 0 && square && finite && lengths && rising && samples >= 4 {
            return Ok(());
        }
        let fault =
            "expected square matrices of one order at four or more rising frequencies, found others".to_string();
        Err(LinesError::Section { place: "table of lines".into(), fault })
    }

    /// Number of lines.
    pub fn n_lines(&self) -> usize {
        self.c_f_per_m.n_rows()
    }

    /// Conductance and capacitance for some permittivities.
    fn shunt(&self, freq_hz: f64, eps: &[Complex64]) -> (RMatrix, RMatrix) {
        let n = self.n_lines();
        let mut c = self.c_f_per_m.clone();
        let mut g = RMatrix::zeros(n, n);
        for ((eps, solved), slope) in eps.iter().zip(&self.fillings).zip(&self.c_by_permittivity) {
            c = RMatrix::from_fn(n, n, |i, j| c[(i, j)] + slope[(i, j)] * (eps.re - solved.eps_r));
            g = RMatrix::from_fn(n, n, |i, j| g[(i, j)] - slope[(i, j)] * eps.im * TAU * freq_hz);
        }
        (g, c)
    }
}

/// Matrices at any frequency, from a table.
#[derive(Debug, Clone)]
pub struct LineTable {
    data: LineData,
    dielectrics: Option<Vec<Dielectric>>,
    /// Natural logarithms of the sampled frequencies, rising evenly.
    log_freqs: Vec<f64>,
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
        Self::from_data(LineData::of(&solution, freq_hz_max)?, dielectrics)
    }

    /// A table from its numbers, see [`LineTable::new`].
    pub fn from_data(data: LineData, dielectrics: Option<Vec<Dielectric>>) -> Result<Self, LinesError> {
        data.check()?;
        let fillings = data.fillings.len();
        if let Some(found) = dielectrics.as_ref().map(Vec::len)
            && found != fillings
        {
            let fault = format!("expected one dielectric for each of {fillings} fillings, found {found}");
            return Err(LinesError::Section { place: "dielectrics".into(), fault });
        }
        let log_freqs = data.freqs_hz.iter().map(|f| f.ln()).collect();
        Ok(Self { data, dielectrics, log_freqs })
    }

    /// The numbers behind the table.
    pub fn data(&self) -> &LineData {
        &self.data
    }

    /// Matrices at a frequency.
    pub fn at(&self, freq_hz: f64) -> LineMatrices {
        let data = &self.data;
        let eps: Vec<Complex64> = match &self.dielectrics {
            Some(list) => list.iter().map(|d| d.permittivity(freq_hz)).collect(),
            None => data.fillings.iter().map(|f| Complex64::new(f.eps_r, -f.eps_r * f.loss_tangent)).collect(),
        };
        let (g, c) = data.shunt(freq_hz, &eps);
        let last = self.log_freqs.len() - 1;
        let x = freq_hz.ln();
        let (r, internal) = if x <= self.log_freqs[0] {
            (data.r_ohm_per_m[0].clone(), data.internal_h_per_m[0].clone())
        } else if x >= self.log_freqs[last] {
            let growth = (0.5 * (x - self.log_freqs[last])).exp();
            (data.r_ohm_per_m[last].map(|r| r * growth), data.internal_h_per_m[last].map(|l| l / growth))
        } else {
            (self.between(x, &data.r_ohm_per_m), self.between(x, &data.internal_h_per_m))
        };
        let n = data.n_lines();
        let l = RMatrix::from_fn(n, n, |i, j| data.l_h_per_m[(i, j)] + internal[(i, j)]);
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
        let n = self.data.n_lines();
        RMatrix::from_fn(n, n, |i, j| (0..4).map(|k| weights[k] * values[first + k][(i, j)]).sum())
    }
}
