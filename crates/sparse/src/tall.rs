//! Products of tall real matrices (a few hundred columns of full length), as a projection needs them.
//!
//! Matrices are slices by columns of `n` rows. Sums run over fixed pieces of rows in a fixed order, so that the bits
//! do not depend on the number of threads.

use faer::linalg::matmul::matmul;
use faer::{Accum, MatMut, MatRef, Par};
use rayon::prelude::*;

/// Rows a piece.
const PIECE: usize = 4096;

fn piece(matrix: &[f64], n: usize, first: usize) -> MatRef<'_, f64> {
    MatRef::from_column_major_slice(matrix, n, matrix.len() / n).subrows(first, PIECE.min(n - first))
}

/// `Aᵀ B` by columns (columns of A by columns of B).
pub fn inner_products(n: usize, a: &[f64], b: &[f64]) -> Vec<f64> {
    let (p, q) = (a.len() / n.max(1), b.len() / n.max(1));
    let starts: Vec<usize> = (0..n).step_by(PIECE).collect();
    let mut out = vec![0.0; p * q];
    for group in starts.chunks(64) {
        let parts: Vec<Vec<f64>> = group
            .par_iter()
            .map(|&first| {
                let mut part = vec![0.0; p * q];
                let target = MatMut::from_column_major_slice_mut(&mut part, p, q);
                matmul(target, Accum::Replace, piece(a, n, first).transpose(), piece(b, n, first), 1.0, Par::Seq);
                part
            })
            .collect();
        for part in parts {
            out.iter_mut().zip(part).for_each(|(o, v)| *o += v);
        }
    }
    out
}

/// `B − A C`, where `coefficients` is C by columns.
pub fn without_combination(n: usize, a: &[f64], coefficients: &[f64], b: &[f64]) -> Vec<f64> {
    let (p, q) = (a.len() / n.max(1), b.len() / n.max(1));
    let starts: Vec<usize> = (0..n).step_by(PIECE).collect();
    let parts: Vec<Vec<f64>> = starts
        .par_iter()
        .map(|&first| {
            let rows = PIECE.min(n - first);
            let mut part: Vec<f64> =
                (0..q).flat_map(|j| b[j * n + first..j * n + first + rows].iter().copied()).collect();
            if p > 0 {
                let target = MatMut::from_column_major_slice_mut(&mut part, rows, q);
                let c = MatRef::from_column_major_slice(coefficients, p, q);
                matmul(target, Accum::Add, piece(a, n, first), c, -1.0, Par::Seq);
            }
            part
        })
        .collect();
    let mut out = vec![0.0; n * q];
    for (&first, part) in starts.iter().zip(&parts) {
        let rows = PIECE.min(n - first);
        for j in 0..q {
            out[j * n + first..j * n + first + rows].copy_from_slice(&part[j * rows..(j + 1) * rows]);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn products_equal_their_definition() {
        let n = 9001;
        let value = |k: usize| ((k * 7919) % 1013) as f64 / 1013.0 - 0.5;
        let a: Vec<f64> = (0..3 * n).map(value).collect();
        let b: Vec<f64> = (0..2 * n).map(|k| value(k + 5)).collect();
        let c = inner_products(n, &a, &b);
        let plain = |i: usize, j: usize| (0..n).map(|r| a[i * n + r] * b[j * n + r]).sum::<f64>();
        (0..6).for_each(|k| assert!((c[k] - plain(k % 3, k / 3)).abs() < 1e-9));
        let d = without_combination(n, &a, &c, &b);
        let k = n + 8999;
        let expected = b[k] - (0..3).map(|i| a[i * n + 8999] * c[3 + i]).sum::<f64>();
        assert!((d[k] - expected).abs() < 1e-9, "{} {expected}", d[k]);
    }
}
