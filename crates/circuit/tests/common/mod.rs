//! Helpers shared by the integration tests.
#![allow(dead_code)]

pub(crate) mod demo;
pub(crate) mod netlist;
pub(crate) mod tableau;

use numerics::{CMatrix, Complex64};

/// Repeatable numbers in [0, 1): the 64-bit linear congruence of D. E. Knuth's MMIX (from memory).
pub(crate) struct Random(pub(crate) u64);

impl Random {
    pub(crate) fn unit(&mut self) -> f64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// An index below `n`.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        (self.unit() * n as f64) as usize
    }

    /// A number between `low` and `high`, evenly spread in its logarithm.
    pub(crate) fn log(&mut self, low: f64, high: f64) -> f64 {
        (low.ln() + self.unit() * (high / low).ln()).exp()
    }
}

/// Largest distance of two matrices.
pub(crate) fn distance(a: &CMatrix, b: &CMatrix) -> f64 {
    (a - b).max_abs()
}

/// Largest entry of `SᴴS − 1`: zero without loss.
pub(crate) fn loss_defect(s: &CMatrix) -> f64 {
    distance(&(&s.adjoint() * s), &CMatrix::identity(s.n_rows()))
}

/// Scattering matrix from an admittance matrix for one reference resistance.
pub(crate) fn s_of_y(y: &CMatrix, z0: f64) -> CMatrix {
    let one = CMatrix::identity(y.n_rows());
    let zy = y.scaled(z0.into());
    numerics::linear::solve(&(&one + &zy), &(&one - &zy)).expect("a passive admittance")
}

pub(crate) fn j(x: f64) -> Complex64 {
    Complex64::new(0.0, x)
}
