//! A quick proof of passivity, and the nearest passive matrix where it fails.

use crate::NetworkError;
use crate::hygiene::clip_singular_values;
use numerics::{CMatrix, Complex64};

/// Largest excess of a squared singular value over one that still counts as rounding.
const EXCESS: f64 = 1e-10;

/// `s` itself when it is passive, else the nearest passive matrix.
pub(super) fn made_passive(s: CMatrix) -> Result<CMatrix, NetworkError> {
    if is_passive(&s) { Ok(s) } else { clip_singular_values(&s, 1.0) }
}

/// True when `(1 + tiny)·I − SᴴS` has a Cholesky factor.
pub(super) fn is_passive(s: &CMatrix) -> bool {
    let n = s.n_cols();
    let mut l = CMatrix::zeros(n, n);
    for k in 0..s.n_rows() {
        let row = s.row(k);
        for i in 0..n {
            let left = row[i].conj();
            for (x, r) in l.row_mut(i)[..=i].iter_mut().zip(row) {
                *x -= left * r;
            }
        }
    }
    for i in 0..n {
        l[(i, i)] += 1.0 + EXCESS;
    }
    for j in 0..n {
        let sum: f64 = l.row(j)[..j].iter().map(Complex64::norm_sqr).sum();
        let pivot = l[(j, j)].re - sum;
        if pivot <= 0.0 || pivot.is_nan() {
            return false;
        }
        let root = pivot.sqrt();
        l[(j, j)] = root.into();
        for i in j + 1..n {
            let mut x = l[(i, j)];
            for k in 0..j {
                x -= l[(i, k)] * l[(j, k)].conj();
            }
            l[(i, j)] = x / root;
        }
    }
    true
}
