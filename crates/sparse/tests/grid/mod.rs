//! Matrices of regular grids whose properties are known in closed form.

use mixwright_sparse::SymmetricMatrix;
use numerics::Complex64;

/// Discrete curl-curl minus `k2` on the edges of an `n × n × n` grid of unit cells with perfectly
/// conducting walls (wall edges left out): `Cᵀ C − k2 I` with the incidence of faces and edges.
pub(crate) fn curl_curl(n: usize, k2: Complex64) -> SymmetricMatrix<Complex64> {
    let edge = |axis: usize, at: [usize; 3]| -> Option<usize> {
        let inside = (0..3).all(|d| if d == axis { at[d] < n } else { at[d] > 0 && at[d] < n });
        let mut size = [n - 1; 3];
        size[axis] = n;
        let shift = |d: usize| at[d] - usize::from(d != axis);
        inside.then(|| axis * n * (n - 1) * (n - 1) + (shift(0) * size[1] + shift(1)) * size[2] + shift(2))
    };
    let total = 3 * n * (n - 1) * (n - 1);
    let mut entries: Vec<(usize, usize, Complex64)> = (0..total).map(|i| (i, i, -k2)).collect();
    let each = |at: [usize; 3]| (0..3).map(move |axis| (axis, at));
    for cell in 0..(n + 1).pow(3) {
        let at = [cell / (n + 1) / (n + 1), cell / (n + 1) % (n + 1), cell % (n + 1)];
        for (normal, at) in each(at) {
            let (u, v) = ((normal + 1) % 3, (normal + 2) % 3);
            let step = |d: usize| {
                let mut next = at;
                next[d] += 1;
                next
            };
            let loop_edges =
                [(edge(u, at), 1.0), (edge(v, step(u)), 1.0), (edge(u, step(v)), -1.0), (edge(v, at), -1.0)];
            for (a, sa) in loop_edges {
                for (b, sb) in loop_edges {
                    if let (Some(a), Some(b)) = (a, b)
                        && a >= b
                    {
                        entries.push((a, b, Complex64::from(sa * sb)));
                    }
                }
            }
        }
    }
    SymmetricMatrix::from_entries(total, &entries).expect("edges lie in the grid")
}

/// Seven-point Laplacian with zero values outside, plus `shift` on the diagonal.
pub(crate) fn laplacian(n: usize, shift: f64) -> SymmetricMatrix<f64> {
    let at = |i: usize, j: usize, k: usize| (i * n + j) * n + k;
    let mut entries = Vec::new();
    for i in 0..n {
        for j in 0..n {
            for k in 0..n {
                entries.push((at(i, j, k), at(i, j, k), 6.0 + shift));
                for (a, b, c) in [(i + 1, j, k), (i, j + 1, k), (i, j, k + 1)] {
                    if a < n && b < n && c < n {
                        entries.push((at(i, j, k), at(a, b, c), -1.0));
                    }
                }
            }
        }
    }
    SymmetricMatrix::from_entries(n.pow(3), &entries).expect("points lie in the grid")
}
