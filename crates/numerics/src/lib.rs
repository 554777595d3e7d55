//! Linear solves, Krylov iteration, Fourier transforms, ordered parallel loops and reports.
//!
//! This crate sees plain `f64` and complex numbers: no units, no ports.
//! It alone names the linear-algebra library; everyone else works with [`Matrix`] and the
//! functions of [`linear`].
//! Conventions: matrices are stored by rows; the Fourier transform of [`fourier`] maps samples to
//! two-sided coefficients, `x(t) = Σ X_k exp(+jωt)`.

pub mod differences;
pub mod fourier;
pub mod krylov;
pub mod linear;
pub mod matrix;
pub mod parallel;
pub mod real_lu;
pub mod report;
pub mod split;
pub mod vector;
pub mod watch;
mod wide;

pub use matrix::{CMatrix, Matrix, RMatrix};
pub use num_complex::Complex64;
pub use report::{Outcome, Report};
pub use watch::{Cancelled, Quiet, Watch};

/// Errors of the numerical kernels.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum NumericsError {
    /// A matrix turned out singular, or the solution is not finite.
    #[error("the {n} by {n} system has no usable solution: {why}")]
    Singular {
        /// Order of the system.
        n: usize,
        /// What was seen.
        why: String,
    },
    /// Shapes do not fit together.
    #[error("expected {expected}, found {found}")]
    Shape {
        /// What was expected.
        expected: String,
        /// What was found.
        found: String,
    },
    /// An input holds NaN or infinity.
    #[error("{what} holds a value that is not finite")]
    NotFinite {
        /// Which input.
        what: String,
    },
    /// An iteration ended without reaching its goal.
    #[error("no solution after {iterations} iterations: residual {residual:.3e}, wanted {wanted:.3e}")]
    NotConverged {
        /// Iterations done.
        iterations: usize,
        /// Residual reached.
        residual: f64,
        /// Residual wanted.
        wanted: f64,
    },
}
