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

/// Ideal quadrature hybrid: ports input, through (−90°), coupled (0°)... see the matrix below.
///
/// Ports: 1 input, 2 direct output, 3 coupled output, 4 isolated. With `h = 1/√2`:
/// `S21 = S43 = −jh`, `S31 = S42 = −h`, reciprocal. Matched to `reference_ohm` at all ports. The
/// phases hold at every positive frequency; no real hybrid does that, and at direct current this
/// block is only a formal continuation.
/// Source: D. M. Pozar, "Microwave Engineering", branch-line coupler (from memory).
pub fn quadrature_hybrid(reference_ohm: f64) -> FixedScattering {
    let (direct, coupled) = (Complex64::new(0.0, -FRAC_1_SQRT_2), Complex64::new(-FRAC_1_SQRT_2, 0.0));
    fixed(4, reference_ohm, &[(1, 0, direct), (3, 2, direct), (2, 0, coupled), (3, 1, coupled)])
}

/// Ideal 180° hybrid: ports 1 sum, 2 and 3 the outputs, 4 difference.
///
/// `S21 = S31 = S24 = h`, `S34 = −h` with `h = 1/√2`, reciprocal, valid at direct current (it is a
/// pair of ideal transformers).
pub fn rat_race_hybrid(reference_ohm: f64) -> FixedScattering {
    let h = Complex64::from(FRAC_1_SQRT_2);
    fixed(4, reference_ohm, &[(1, 0, h), (2, 0, h), (1, 3, h), (2, 3, -h)])
}

fn fixed(n: usize, reference_ohm: f64, entries: &[(usize, usize, Complex64)]) -> FixedScattering {
    let mut s = CMatrix::zeros(n, n);
    for &(i, j, value) in entries {
        s[(i, j)] = value;
        s[(j, i)] = value;
    }
    FixedScattering { s, reference_ohm: vec![reference_ohm; n] }
}
