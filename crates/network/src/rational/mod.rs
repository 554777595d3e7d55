//! Rational models of sampled multiports: a sum over common poles, good at any frequency.
//!
//! Input: samples. Output: a [`RationalModel`] `S(s) = Σ R_m/(s − a_m) + D (+ s·E)` with real
//! coefficients, a `Report` of how well it meets the samples, passivity over all frequencies, and
//! the smallest change of residues that makes a model passive.
//! Conventions: poles and `s = jω` in radian per second; complex poles are stored once, with a
//! positive imaginary part, and stand for their pair.
//! Sources: B. Gustavsen and A. Semlyen, vector fitting, 1999; B. Gustavsen, relaxed form, 2006;
//! D. Deschrijver et al., QR compression, 2008; S. Boyd et al., 1989, and S. Grivet-Talocia, 2004,
//! Hamiltonian test; A. Semlyen and B. Gustavsen, half-size test, 2009 (all from memory).

mod fit;
mod passivity;

pub use fit::{Asymptote, FitSettings, TraceFit, fit_matrices, fit_traces, start_poles};
pub use passivity::{
    EnforceSettings, StateSpace, Violation, enforce_passivity, fit_passive, gramian, rms_miss, violations,
};

use numerics::{CMatrix, Complex64, RMatrix};

/// Sum over common poles with real coefficients.
#[derive(Debug, Clone, PartialEq)]
pub struct RationalModel {
    /// Poles, radian per second; one of each pair.
    pub poles: Vec<Complex64>,
    /// Real coefficient matrices of the basis functions, in the order of [`basis`].
    pub coefficients: Vec<RMatrix>,
    /// Value at infinite frequency.
    pub constant: RMatrix,
    /// Factor of `s`, second; `None` for scattering models.
    pub slope: Option<RMatrix>,
}

impl RationalModel {
    /// Number of ports.
    pub fn n_ports(&self) -> usize {
        self.constant.n_rows()
    }

    /// Number of poles, pairs counted twice.
    pub fn order(&self) -> usize {
        self.coefficients.len()
    }

    /// Matrix at a frequency, hertz.
    pub fn at(&self, freq_hz: f64) -> CMatrix {
        let s = Complex64::new(0.0, std::f64::consts::TAU * freq_hz);
        let mut out = self.constant.map(Complex64::from);
        for (phi, c) in basis(&self.poles, s).into_iter().zip(&self.coefficients) {
            for (x, &c) in out.as_mut_slice().iter_mut().zip(c.as_slice()) {
                *x += phi * c;
            }
        }
        if let Some(slope) = &self.slope {
            for (x, &e) in out.as_mut_slice().iter_mut().zip(slope.as_slice()) {
                *x += s * e;
            }
        }
        out
    }

    /// Residue of pole `m`, radian per second.
    pub fn residue(&self, m: usize) -> CMatrix {
        let first: usize = self.poles[..m].iter().map(|p| width(*p)).sum();
        let re = &self.coefficients[first];
        if width(self.poles[m]) == 1 {
            return re.map(Complex64::from);
        }
        let im = &self.coefficients[first + 1];
        CMatrix::from_fn(re.n_rows(), re.n_cols(), |i, j| Complex64::new(re[(i, j)], im[(i, j)]))
    }

    /// True when every coefficient matrix is symmetric to rounding.
    pub fn is_symmetric(&self) -> bool {
        self.coefficients.iter().chain([&self.constant]).all(|m| {
            // some roundings of the largest entry
            (m - &m.transpose()).max_abs() <= 1e-12 * m.max_abs()
        })
    }
}

/// Basis functions of one: a real pole has one, `1/(s − a)`; a pair has two,
/// `1/(s − a) + 1/(s − a*)` and `j/(s − a) − j/(s − a*)`, so that real coefficients `c', c''` mean
/// the residue `c' + jc''`.
pub fn basis(poles: &[Complex64], s: Complex64) -> Vec<Complex64> {
    let mut out = Vec::with_capacity(2 * poles.len());
    for &a in poles {
        let f = (s - a).inv();
        if width(a) == 1 {
            out.push(f);
        } else {
            let g = (s - a.conj()).inv();
            out.push(f + g);
            out.push(Complex64::i() * (f - g));
        }
    }
    out
}

/// Basis functions of a pole.
pub(crate) fn width(pole: Complex64) -> usize {
    if pole.im == 0.0 { 1 } else { 2 }
}
