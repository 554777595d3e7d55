//! Small dense matrices, row-major: LU with several right sides, symmetric eigenvectors.

/// A real matrix, row-major.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Matrix {
    pub(crate) n_rows: usize,
    pub(crate) n_cols: usize,
    pub(crate) data: Vec<f64>,
}

impl Matrix {
    pub(crate) fn zeros(n_rows: usize, n_cols: usize) -> Self {
        Self { n_rows, n_cols, data: vec![0.0; n_rows * n_cols] }
    }

    pub(crate) fn row(&self, i: usize) -> &[f64] {
        &self.data[i * self.n_cols..(i + 1) * self.n_cols]
    }

    pub(crate) fn transposed(&self) -> Self {
        let mut t = Self::zeros(self.n_cols, self.n_rows);
        for i in 0..self.n_rows {
            for j in 0..self.n_cols {
                t[(j, i)] = self[(i, j)];
            }
        }
        t
    }

    pub(crate) fn times(&self, other: &Self) -> Self {
        assert_eq!(self.n_cols, other.n_rows, "inner sizes agree");
        let mut product = Self::zeros(self.n_rows, other.n_cols);
        for i in 0..self.n_rows {
            for k in 0..self.n_cols {
                let factor = self[(i, k)];
                if factor != 0.0 {
                    for j in 0..other.n_cols {
                        product[(i, j)] += factor * other[(k, j)];
                    }
                }
            }
        }
        product
    }

    /// The columns `keep` in that order.
    pub(crate) fn columns(&self, keep: &[usize]) -> Self {
        let mut part = Self::zeros(self.n_rows, keep.len());
        for i in 0..self.n_rows {
            for (j, &from) in keep.iter().enumerate() {
                part[(i, j)] = self[(i, from)];
            }
        }
        part
    }

    pub(crate) fn minus(mut self, other: &Self) -> Self {
        for (a, b) in self.data.iter_mut().zip(&other.data) {
            *a -= b;
        }
        self
    }
}

impl std::ops::Index<(usize, usize)> for Matrix {
    type Output = f64;
    fn index(&self, (i, j): (usize, usize)) -> &f64 {
        &self.data[i * self.n_cols + j]
    }
}

impl std::ops::IndexMut<(usize, usize)> for Matrix {
    fn index_mut(&mut self, (i, j): (usize, usize)) -> &mut f64 {
        &mut self.data[i * self.n_cols + j]
    }
}

/// Solves `a x = b` in place for all columns of `b`; `a` is destroyed.
///
/// Returns the smallest pivot over the largest: zero or NaN means singular, and `b` is worthless.
pub(crate) fn solve_in_place(a: &mut Matrix, b: &mut Matrix) -> f64 {
    let n = a.n_rows;
    let (mut pivot_min, mut pivot_max) = (f64::INFINITY, 0.0f64);
    for k in 0..n {
        let pivot_row = (k..n).max_by(|&i, &j| a[(i, k)].abs().total_cmp(&a[(j, k)].abs())).unwrap_or(k);
        swap_rows(a, k, pivot_row);
        swap_rows(b, k, pivot_row);
        let pivot = a[(k, k)];
        pivot_min = pivot_min.min(pivot.abs());
        pivot_max = pivot_max.max(pivot.abs());
        if pivot == 0.0 || !pivot.is_finite() {
            return 0.0;
        }
        eliminate_below(a, b, k);
    }
    for k in (0..n).rev() {
        back_substitute(a, b, k);
    }
    if n == 0 { 1.0 } else { pivot_min / pivot_max }
}

fn swap_rows(m: &mut Matrix, i: usize, j: usize) {
    if i != j {
        let width = m.n_cols;
        let (head, tail) = m.data.split_at_mut(j * width);
        head[i * width..(i + 1) * width].swap_with_slice(&mut tail[..width]);
    }
}

fn eliminate_below(a: &mut Matrix, b: &mut Matrix, k: usize) {
    let (width, n_rhs) = (a.n_cols, b.n_cols);
    let (a_head, a_tail) = a.data.split_at_mut((k + 1) * width);
    let (b_head, b_tail) = b.data.split_at_mut((k + 1) * n_rhs);
    let pivot_row = &a_head[k * width + k..];
    let pivot_rhs = &b_head[k * n_rhs..];
    let inverse = 1.0 / pivot_row[0];
    for (row, rhs) in a_tail.chunks_exact_mut(width).zip(b_tail.chunks_exact_mut(n_rhs)) {
        let factor = row[k] * inverse;
        if factor != 0.0 {
            axpy(&mut row[k + 1..], &pivot_row[1..], factor);
            axpy(rhs, pivot_rhs, factor);
        }
    }
}

fn back_substitute(a: &Matrix, b: &mut Matrix, k: usize) {
    let n_rhs = b.n_cols;
    let (head, tail) = b.data.split_at_mut(k * n_rhs);
    let row = &mut tail[..n_rhs];
    let inverse = 1.0 / a[(k, k)];
    row.iter_mut().for_each(|x| *x *= inverse);
    for (i, above) in head.chunks_exact_mut(n_rhs).enumerate() {
        let factor = a[(i, k)];
        if factor != 0.0 {
            axpy(above, row, factor);
        }
    }
}

/// `y -= factor x`.
fn axpy(y: &mut [f64], x: &[f64], factor: f64) {
    for (y, x) in y.iter_mut().zip(x) {
        *y -= factor * x;
    }
}

/// Eigenvalues and orthonormal eigenvectors (columns) of a symmetric matrix by Jacobi rotations.
pub(crate) fn symmetric_eigen(mut a: Matrix) -> (Vec<f64>, Matrix) {
    let n = a.n_rows;
    let mut vectors = Matrix::zeros(n, n);
    for i in 0..n {
        vectors[(i, i)] = 1.0;
    }
    for _sweep in 0..60 {
        let mut rotated = false;
        for p in 0..n {
            for q in p + 1..n {
                rotated |= rotate(&mut a, &mut vectors, p, q);
            }
        }
        if !rotated {
            break;
        }
    }
    ((0..n).map(|i| a[(i, i)]).collect(), vectors)
}

fn rotate(a: &mut Matrix, vectors: &mut Matrix, p: usize, q: usize) -> bool {
    let (app, aqq, apq) = (a[(p, p)], a[(q, q)], a[(p, q)]);
    if apq.abs() <= 1e-17 * (app.abs() + aqq.abs()) || apq == 0.0 {
        a[(p, q)] = 0.0;
        a[(q, p)] = 0.0;
        return false;
    }
    let theta = (aqq - app) / (2.0 * apq);
    let t = theta.signum() / (theta.abs() + theta.hypot(1.0));
    let t = if theta == 0.0 { 1.0 } else { t };
    let c = 1.0 / t.hypot(1.0);
    let s = t * c;
    for k in 0..a.n_rows {
        let (akp, akq) = (a[(k, p)], a[(k, q)]);
        a[(k, p)] = c * akp - s * akq;
        a[(k, q)] = s * akp + c * akq;
    }
    for k in 0..a.n_rows {
        let (apk, aqk) = (a[(p, k)], a[(q, k)]);
        a[(p, k)] = c * apk - s * aqk;
        a[(q, k)] = s * apk + c * aqk;
        let (vkp, vkq) = (vectors[(k, p)], vectors[(k, q)]);
        vectors[(k, p)] = c * vkp - s * vkq;
        vectors[(k, q)] = s * vkp + c * vkq;
    }
    true
}
