//! A quick proof of passivity, and a passive matrix close by where it fails.

use crate::NetworkError;
use crate::hygiene::clip_singular_values;
use numerics::{CMatrix, Complex64};

/// Largest excess of a squared singular value over one that still counts as rounding.
const EXCESS: f64 = 1e-10;
/// Frobenius norm of `SᴴS − I` up to which an almost lossless matrix is scaled instead of clipped.
const ALMOST_LOSSLESS: f64 = 1e-3;

/// `s` itself when it is passive; an almost lossless one scaled down by the bound of its excess,
/// which costs no decomposition; else the nearest passive matrix.
pub(super) fn made_passive(s: CMatrix) -> Result<CMatrix, NetworkError> {
    let gram = gram(&s);
    if is_definite(&gram) {
        return Ok(s);
    }
    let n = s.n_cols();
    let off = |i: usize, j: usize| if j < i { 2.0 * gram[(i, j)].norm_sqr() } else { (gram[(i, i)] - 1.0).norm_sqr() };
    let defect = (0..n).map(|i| (0..=i).map(|j| off(i, j)).sum::<f64>()).sum::<f64>().sqrt();
    if defect < ALMOST_LOSSLESS {
        // no eigenvalue of SᴴS exceeds one by more than the norm of SᴴS − I
        return Ok(s.scaled((1.0 + defect).sqrt().recip().into()));
    }
    clip_singular_values(&s, 1.0)
}

/// Lower triangle of `SᴴS`.
fn gram(s: &CMatrix) -> CMatrix {
    let n = s.n_cols();
    let mut g = CMatrix::zeros(n, n);
    for k in 0..s.n_rows() {
        let row = s.row(k);
        for i in 0..n {
            let left = row[i].conj();
            for (x, r) in g.row_mut(i)[..=i].iter_mut().zip(row) {
                // entry (i, j) of SᴴS is Σ conj(S_ki) S_kj
                *x += left * r;
            }
        }
    }
    g
}

/// True when `(1 + tiny)·I − SᴴS` has a Cholesky factor.
fn is_definite(gram: &CMatrix) -> bool {
    let n = gram.n_rows();
    let mut l = gram.map(|x| -x);
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
