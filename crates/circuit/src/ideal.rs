//! Networks with one scattering matrix for all frequencies.

use network::{FrequencyResponse, NetworkError};
use numerics::{CMatrix, Complex64};
use std::f64::consts::FRAC_1_SQRT_2;

/// A scattering matrix that does not depend on frequency, direct current included.
#[derive(Debug, Clone, PartialEq)]
pub struct FixedScattering {
    s: CMatrix,
    reference_ohm: Vec<f64>,
}

impl FixedScattering {
    /// From the matrix and the real reference resistance of each port, ohm.
    pub fn new(s: CMatrix, reference_ohm: Vec<f64>) -> Result<Self, NetworkError> {
        let n = reference_ohm.len();
        if s.n_rows() != n || s.n_cols() != n {
            return Err(NetworkError::Mismatch {
                expected: format!("a {n} by {n} scattering matrix for {n} reference resistances"),
                found: format!("{} by {}", s.n_rows(), s.n_cols()),
            });
        }
        Ok(Self { s, reference_ohm })
    }
}

impl FrequencyResponse for FixedScattering {
    fn n_ports(&self) -> usize {
        self.reference_ohm.len()
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.reference_ohm
    }

    fn scattering(&self, _freq_hz: f64) -> Result<CMatrix, NetworkError> {
        Ok(self.s.clone())
    }
}

/// Ideal quadrature hybrid of four matched ports, the same at every positive frequency.
///
/// Ports: input, direct output, coupled output, isolated. With `h = 1/√2`: `S21 = S43 = −jh`,
/// `S31 = S42 = −h`, reciprocal. A constant quadrature has no value at direct current, where
/// signals are real; there the block is four resistors of `reference_ohm` to the references.
/// Source: D. M. Pozar, "Microwave Engineering", branch-line coupler (from memory).
#[derive(Debug, Clone, PartialEq)]
pub struct QuadratureHybrid {
    hybrid: FixedScattering,
}

impl QuadratureHybrid {
    /// A hybrid matched to `reference_ohm` at all ports.
    pub fn new(reference_ohm: f64) -> Self {
        let (direct, coupled) = (Complex64::new(0.0, -FRAC_1_SQRT_2), Complex64::new(-FRAC_1_SQRT_2, 0.0));
        Self { hybrid: fixed(reference_ohm, &[(1, 0, direct), (3, 2, direct), (2, 0, coupled), (3, 1, coupled)]) }
    }
}

impl FrequencyResponse for QuadratureHybrid {
    fn n_ports(&self) -> usize {
        4
    }

    fn reference_ohm(&self) -> &[f64] {
        &self.hybrid.reference_ohm
    }

    fn scattering(&self, freq_hz: f64) -> Result<CMatrix, NetworkError> {
        if freq_hz == 0.0 { Ok(CMatrix::zeros(4, 4)) } else { self.hybrid.scattering(freq_hz) }
    }
}

/// Ideal 180° hybrid: ports sum, first output, second output, difference.
///
/// `S21 = S31 = S24 = h`, `S34 = −h` with `h = 1/√2`, reciprocal, matched to `reference_ohm`, and
/// valid at direct current: it is a pair of ideal transformers.
pub fn sum_difference_hybrid(reference_ohm: f64) -> FixedScattering {
    let h = Complex64::from(FRAC_1_SQRT_2);
    fixed(reference_ohm, &[(1, 0, h), (2, 0, h), (1, 3, h), (2, 3, -h)])
}

fn fixed(reference_ohm: f64, entries: &[(usize, usize, Complex64)]) -> FixedScattering {
    let mut s = CMatrix::zeros(4, 4);
    for &(i, j, value) in entries {
        s[(i, j)] = value;
        s[(j, i)] = value;
    }
    FixedScattering { s, reference_ohm: vec![reference_ohm; 4] }
}
