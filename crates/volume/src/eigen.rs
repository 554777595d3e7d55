//! A few eigenvalues of a large operator, by Arnoldi's method with full orthogonalisation.
//!
//! Source: W. E. Arnoldi, "The principle of minimized iterations in the solution of the matrix
//! eigenvalue problem", Quart. Appl. Math. 9 (1951).

use crate::VolumeError;
use numerics::{CMatrix, Complex64, linear};

/// Eigenvalue, eigenvector and relative residual.
pub(crate) struct Eigenpair {
    pub value: Complex64,
    pub vector: Vec<Complex64>,
    pub residual: f64,
}

/// Eigenpairs of `apply` from a Krylov space of dimension `dimension`, largest magnitude first.
/// Of a multiple eigenvalue all members appear only after the space has become nearly invariant, so
/// ask for a dimension well above the number of wanted pairs.
pub(crate) fn largest_eigenpairs(
    n: usize,
    dimension: usize,
    mut apply: impl FnMut(&[Complex64]) -> Result<Vec<Complex64>, VolumeError>,
) -> Result<Vec<Eigenpair>, VolumeError> {
    let m = dimension.min(n);
    let mut basis: Vec<Vec<Complex64>> = vec![start_vector(n, 1)];
    let mut h = CMatrix::zeros(m + 1, m);
    let mut size = m;
    for k in 0..m {
        let mut w = apply(&basis[k])?;
        let before = norm(&w);
        for _ in 0..2 {
            for (i, v) in basis.iter().enumerate() {
                let c = dot(v, &w);
                h[(i, k)] += c;
                w.iter_mut().zip(v).for_each(|(w, v)| *w -= c * v);
            }
        }
        let after = norm(&w);
        if k + 1 == m {
            h[(k + 1, k)] = after.into();
            break;
        }
        // The space is invariant: go on with a fresh direction, coupled by zero.
        let fresh = after <= 1e-13 * before.max(f64::MIN_POSITIVE);
        if fresh {
            w = start_vector(n, k as u64 + 2);
            for _ in 0..2 {
                for v in &basis {
                    let c = dot(v, &w);
                    w.iter_mut().zip(v).for_each(|(w, v)| *w -= c * v);
                }
            }
            if norm(&w) < 1e-8 {
                size = k + 1;
                break;
            }
        } else {
            h[(k + 1, k)] = after.into();
        }
        let scale = 1.0 / norm(&w);
        basis.push(w.into_iter().map(|x| x * scale).collect());
    }
    let indices: Vec<usize> = (0..size).collect();
    let (values, vectors) = linear::eigen(&h.select(&indices, &indices))?;
    let tail = if size == m { h[(m, m - 1)].norm() } else { 0.0 };
    let mut pairs: Vec<Eigenpair> = values
        .iter()
        .enumerate()
        .map(|(j, &value)| {
            let y = vectors.col(j);
            let mut vector = vec![Complex64::default(); n];
            for (c, v) in y.iter().zip(&basis) {
                vector.iter_mut().zip(v).for_each(|(x, v)| *x += c * v);
            }
            Eigenpair { value, vector, residual: tail * y[size - 1].norm() / value.norm().max(f64::MIN_POSITIVE) }
        })
        .collect();
    pairs.sort_by(|a, b| b.value.norm().total_cmp(&a.value.norm()));
    Ok(pairs)
}

fn start_vector(n: usize, seed: u64) -> Vec<Complex64> {
    let mut state = seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1;
    let mut next = || {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        (state >> 11) as f64 / (1u64 << 53) as f64 - 0.5
    };
    let v: Vec<Complex64> = (0..n).map(|_| Complex64::new(next(), 0.0)).collect();
    let scale = 1.0 / norm(&v);
    v.into_iter().map(|x| x * scale).collect()
}

fn dot(a: &[Complex64], b: &[Complex64]) -> Complex64 {
    a.iter().zip(b).map(|(a, b)| a.conj() * b).sum()
}

fn norm(a: &[Complex64]) -> f64 {
    a.iter().map(|x| x.norm_sqr()).sum::<f64>().sqrt()
}
