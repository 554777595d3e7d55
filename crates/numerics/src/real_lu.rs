//! LU factors of a large dense real matrix, solved with it and with its transpose.
//!
//! Same checks as [`crate::linear`]: finite input, no vanishing pivot.

use crate::{NumericsError, RMatrix};
use faer::MatRef;
use faer::linalg::solvers::{PartialPivLu, Solve};

/// LU factors of a square real matrix with row exchanges.
pub struct RealLu {
    n: usize,
    lu: PartialPivLu<f64>,
}

impl RealLu {
    /// Factors `a`. Errors when `a` is not square, not finite or exactly singular.
    pub fn factor(a: &RMatrix) -> Result<Self, NumericsError> {
        let n = a.n_rows();
        if n != a.n_cols() {
            let found = format!("{n} by {}", a.n_cols());
            return Err(NumericsError::Shape { expected: "a square matrix".into(), found });
        }
        if a.as_slice().iter().any(|x| !x.is_finite()) {
            return Err(NumericsError::NotFinite { what: "matrix".into() });
        }
        let lu = PartialPivLu::new(MatRef::from_row_major_slice(a.as_slice(), n, n));
        match (0..n).find(|&i| !(lu.U()[(i, i)] != 0.0 && lu.U()[(i, i)].is_finite())) {
            Some(i) => Err(NumericsError::Singular { n, why: format!("pivot {i} is {}", lu.U()[(i, i)]) }),
            None => Ok(Self { n, lu }),
        }
    }

    /// Order of the system.
    pub fn order(&self) -> usize {
        self.n
    }

    /// Overwrites `x` by the solution of `A x = b`, where `x` holds `b` on entry.
    pub fn solve_in_place(&self, x: &mut [f64]) {
        self.lu.solve_in_place(faer::ColMut::from_slice_mut(x).as_mat_mut());
    }

    /// Overwrites `x` by the solution of `Aᵀ x = b`.
    pub fn solve_transposed_in_place(&self, x: &mut [f64]) {
        self.lu.solve_transpose_in_place(faer::ColMut::from_slice_mut(x).as_mat_mut());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn solves_both_ways_and_refuses_a_singular_matrix() {
        let n = 40;
        let a = RMatrix::from_fn(n, n, |i, j| ((i * 7 + j * 3) % 11) as f64 - 5.0 + if i == j { 30.0 } else { 0.0 });
        let lu = RealLu::factor(&a).expect("regular");
        let b: Vec<f64> = (0..n).map(|i| i as f64).collect();
        let (mut x, mut xt) = (b.clone(), b.clone());
        lu.solve_in_place(&mut x);
        lu.solve_transposed_in_place(&mut xt);
        let worst = |r: Vec<f64>| r.iter().zip(&b).map(|(r, b)| (r - b).abs()).fold(0.0, f64::max);
        // rounding of a well conditioned system of order 40
        assert!(worst(a.times(&x)) < 1e-11 && worst(a.transpose().times(&xt)) < 1e-11);
        assert!(RealLu::factor(&RMatrix::zeros(3, 3)).is_err());
    }
}
