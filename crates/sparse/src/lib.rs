//! Direct solution of large sparse symmetric systems, complex or real.
//!
//! Input: a [`SymmetricMatrix`] (lower triangle, no conjugation anywhere) and right-hand sides.
//! Output: solutions, each with its backward error, and a [`FactorReport`] with the count of
//! perturbed pivots.
//! Method: nested dissection ([`nested_dissection`]), elimination tree and relaxed supernodes ([`Analysis`]),
//! multifrontal `L D Lᵀ` without pivoting on dense kernels, symmetric equilibration, iterative
//! refinement. Sources: I. S. Duff, J. K. Reid, "The multifrontal solution of indefinite sparse
//! symmetric linear equations", ACM TOMS 9 (1983); A. George, "Nested dissection of a regular
//! finite element mesh", SIAM J. Numer. Anal. 10 (1973).
//! The bits of the result do not depend on the number of threads.
//! Not here: pivoting. A matrix that needs it is found out by the backward error of every solution.

mod dense;
mod elimination;
pub mod exchange;
mod factor;
mod front;
mod leaf;
mod matrix;
mod order;
mod scalar;
mod separator;
mod solver;
mod tall;

pub use elimination::{Analysis, AnalysisSettings};
pub use factor::{FactorReport, PIVOT_FLOOR};
pub use matrix::{SymmetricMatrix, SymmetricPattern};
pub use order::nested_dissection;
pub use scalar::Scalar;
pub use solver::{BACKWARD_ERROR_MAX, Precision, RESIDUAL_MAX, Solution, Solver};
pub use tall::{inner_products, without_combination};

/// Errors of the sparse solver.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SparseError {
    /// Sizes do not fit together.
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
    /// The factorisation broke down.
    #[error("the {n} by {n} sparse system is singular to working precision: {why}")]
    Singular {
        /// Order of the system.
        n: usize,
        /// What was seen.
        why: String,
    },
    /// The answer would not be good enough.
    #[error(
        "right-hand side {column} of the {n} by {n} system was solved with backward error {found:.1e}, wanted {wanted:.1e}, and relative residual {residual:.1e}; {perturbed} pivots were perturbed, so the matrix needs a pivoting method or is close to singular"
    )]
    Inaccurate {
        /// Order of the system.
        n: usize,
        /// Index of the right-hand side.
        column: usize,
        /// Backward error reached.
        found: f64,
        /// Backward error allowed.
        wanted: f64,
        /// Relative residual reached; at most [`RESIDUAL_MAX`] is accepted.
        residual: f64,
        /// Number of perturbed pivots.
        perturbed: usize,
    },
    /// The caller asked to stop.
    #[error(transparent)]
    Cancelled(#[from] numerics::Cancelled),
}
