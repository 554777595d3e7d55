//! Dense linear systems, least squares, singular values and eigenvalues.
//!
//! Every factorisation is checked: inputs must be finite, answers are finite and their residual is
//! small, because a dense LU of a singular matrix returns NaN without an error.
//! The kernels are faer's; systems up to order 16 use a plain elimination, which is faster there.

use crate::{CMatrix, Complex64, NumericsError, RMatrix};
use faer::linalg::solvers::{PartialPivLu, Solve, SolveLstsq};
use faer::{Mat, MatRef};

/// Largest order solved by plain elimination instead of the blocked kernel.
const SMALL: usize = 16;
/// Backward error above which a solution is refused: some thousand roundings.
const BACKWARD_ERROR_MAX: f64 = 1e-9;

/// LU factors of a square complex matrix with row exchanges.
pub struct Lu {
    n: usize,
    kind: Kind,
}

enum Kind {
    Small { lu: CMatrix, order: Vec<usize> },
    Large(PartialPivLu<Complex64>),
}

impl Lu {
    /// Factors `a`. Errors when `a` is not square, not finite or exactly singular.
    pub fn factor(a: &CMatrix) -> Result<Self, NumericsError> {
        let n = square(a.n_rows(), a.n_cols())?;
        if !a.is_finite() {
            return Err(NumericsError::NotFinite { what: "matrix".into() });
        }
        if n <= SMALL {
            let (lu, order) = eliminate(a.clone())?;
            return Ok(Self { n, kind: Kind::Small { lu, order } });
        }
        let lu = PartialPivLu::new(view(a));
        for i in 0..n {
            let pivot = lu.U()[(i, i)];
            if !(pivot.norm() > 0.0 && pivot.norm().is_finite()) {
                return Err(singular(n, format!("pivot {i} is {pivot}")));
            }
        }
        Ok(Self { n, kind: Kind::Large(lu) })
    }

    /// Order of the system.
    pub fn order(&self) -> usize {
        self.n
    }

    /// Overwrites `x` by the solution of `A x = b`, where `x` holds `b` on entry.
    pub fn solve_in_place(&self, x: &mut [Complex64]) {
        match &self.kind {
            Kind::Small { lu, order } => small_solve(lu, order, x),
            Kind::Large(lu) => lu.solve_in_place(faer::ColMut::from_slice_mut(x).as_mat_mut()),
        }
    }

    /// Overwrites `x` by the solution of `Aᵀ x = b` (no conjugation).
    pub fn solve_transposed_in_place(&self, x: &mut [Complex64]) {
        match &self.kind {
            Kind::Small { lu, order } => small_solve_transposed(lu, order, x),
            Kind::Large(lu) => lu.solve_transpose_in_place(faer::ColMut::from_slice_mut(x).as_mat_mut()),
        }
    }

    /// Solution of `A X = B` for all columns of `b`.
    pub fn solve(&self, b: &CMatrix) -> CMatrix {
        if let Kind::Large(lu) = &self.kind {
            let mut x = view(b).to_owned();
            lu.solve_in_place(&mut x);
            return back(x.as_ref());
        }
        let mut x = b.transpose();
        for j in 0..b.n_cols() {
            self.solve_in_place(x.row_mut(j));
        }
        x.transpose()
    }
}

/// Solves `A X = B` and checks the residual of every column.
pub fn solve(a: &CMatrix, b: &CMatrix) -> Result<CMatrix, NumericsError> {
    let x = Lu::factor(a)?.solve(b);
    check_solution(a, &x, b)?;
    Ok(x)
}

/// Refuses `x` unless it is finite and solves `A X = B` to rounding.
fn check_solution(a: &CMatrix, x: &CMatrix, b: &CMatrix) -> Result<(), NumericsError> {
    if !x.is_finite() {
        return Err(singular(a.n_rows(), "the solution is not finite".into()));
    }
    let residual = (&(a * x) - b).max_abs();
    let scale = a.max_abs() * x.max_abs() + b.max_abs();
    if residual > BACKWARD_ERROR_MAX * scale * (a.n_rows() as f64) {
        return Err(singular(a.n_rows(), format!("backward error {:.1e}", residual / scale)));
    }
    Ok(())
}

/// Solves a real square system, with the same checks.
pub fn solve_real(a: &RMatrix, b: &[f64]) -> Result<Vec<f64>, NumericsError> {
    let a = a.map(Complex64::from);
    let b: Vec<Complex64> = b.iter().map(|&x| x.into()).collect();
    Ok(solve(&a, &CMatrix::column(&b))?.as_slice().iter().map(|x| x.re).collect())
}

/// Least-squares solution of `A x ≈ b` for a real matrix with at least as many rows as columns.
pub fn least_squares(a: &RMatrix, b: &[f64]) -> Result<Vec<f64>, NumericsError> {
    if a.n_rows() < a.n_cols() || b.len() != a.n_rows() {
        return Err(NumericsError::Shape {
            expected: "at least as many rows as columns and one right-hand side entry a row".into(),
            found: format!("{} by {} with {} entries", a.n_rows(), a.n_cols(), b.len()),
        });
    }
    let mat = MatRef::from_row_major_slice(a.as_slice(), a.n_rows(), a.n_cols());
    let rhs = Mat::from_fn(b.len(), 1, |i, _| b[i]);
    let x = mat.col_piv_qr().solve_lstsq(&rhs);
    let x: Vec<f64> = (0..a.n_cols()).map(|i| x[(i, 0)]).collect();
    if x.iter().all(|v| v.is_finite()) { Ok(x) } else { Err(singular(a.n_cols(), "rank deficient".into())) }
}

/// `R` of the QR factorisation of a real matrix: upper triangular, `min(rows, cols)` by `cols`.
pub fn qr_r(a: &RMatrix) -> RMatrix {
    let qr = MatRef::from_row_major_slice(a.as_slice(), a.n_rows(), a.n_cols()).qr();
    let r = qr.thin_R();
    RMatrix::from_fn(r.nrows(), r.ncols(), |i, j| if j >= i { r[(i, j)] } else { 0.0 })
}

/// Minimum-norm least-squares solution of `A X = B` by singular values, dropping those below
/// `rank_tolerance` times the largest. Returns the solution and the number of values kept.
pub fn solve_min_norm(a: &CMatrix, b: &CMatrix, rank_tolerance: f64) -> Result<(CMatrix, usize), NumericsError> {
    let (u, s, v) = svd(a)?;
    let largest = s.first().copied().unwrap_or(0.0);
    let rank = s.iter().filter(|&&x| x > rank_tolerance * largest).count();
    let mut c = &u.adjoint() * b;
    for i in 0..c.n_rows() {
        for j in 0..c.n_cols() {
            c[(i, j)] = if i < rank { c[(i, j)] / s[i] } else { Complex64::default() };
        }
    }
    Ok((&v * &c, rank))
}

/// Thin singular value decomposition `A = U diag(s) Vᴴ`, values falling.
pub fn svd(a: &CMatrix) -> Result<(CMatrix, Vec<f64>, CMatrix), NumericsError> {
    let svd = view(a).thin_svd().map_err(|_| singular(a.n_rows(), "singular values not found".into()))?;
    let s: Vec<f64> = (0..svd.S().column_vector().nrows()).map(|i| svd.S()[i].re).collect();
    Ok((back(svd.U()), s, back(svd.V())))
}

/// Singular values, falling.
pub fn singular_values(a: &CMatrix) -> Result<Vec<f64>, NumericsError> {
    if !a.is_finite() {
        return Err(NumericsError::NotFinite { what: "matrix".into() });
    }
    view(a).singular_values().map_err(|_| singular(a.n_rows(), "singular values not found".into()))
}

/// Eigenvalues of a real square matrix.
pub fn eigenvalues_real(a: &RMatrix) -> Result<Vec<Complex64>, NumericsError> {
    square(a.n_rows(), a.n_cols())?;
    MatRef::from_row_major_slice(a.as_slice(), a.n_rows(), a.n_cols())
        .eigenvalues()
        .map_err(|_| singular(a.n_rows(), "eigenvalues not found".into()))
}

/// Eigenvalues and eigenvectors (columns) of a complex square matrix.
pub fn eigen(a: &CMatrix) -> Result<(Vec<Complex64>, CMatrix), NumericsError> {
    let n = square(a.n_rows(), a.n_cols())?;
    let e = view(a).eigen().map_err(|_| singular(n, "eigenvalues not found".into()))?;
    Ok(((0..n).map(|i| e.S()[i]).collect(), back(e.U())))
}

/// Eigenvalues (rising) and orthonormal eigenvectors of a real symmetric matrix.
pub fn eigen_symmetric(a: &RMatrix) -> Result<(Vec<f64>, RMatrix), NumericsError> {
    let n = square(a.n_rows(), a.n_cols())?;
    let e = MatRef::from_row_major_slice(a.as_slice(), n, n)
        .self_adjoint_eigen(faer::Side::Lower)
        .map_err(|_| singular(n, "eigenvalues not found".into()))?;
    Ok(((0..n).map(|i| e.S()[i]).collect(), RMatrix::from_fn(n, n, |i, j| e.U()[(i, j)])))
}

fn view(a: &CMatrix) -> MatRef<'_, Complex64> {
    MatRef::from_row_major_slice(a.as_slice(), a.n_rows(), a.n_cols())
}

fn back(m: MatRef<'_, Complex64>) -> CMatrix {
    CMatrix::from_fn(m.nrows(), m.ncols(), |i, j| m[(i, j)])
}

fn square(n_rows: usize, n_cols: usize) -> Result<usize, NumericsError> {
    if n_rows == n_cols {
        return Ok(n_rows);
    }
    Err(NumericsError::Shape { expected: "a square matrix".into(), found: format!("{n_rows} by {n_cols}") })
}

fn singular(n: usize, why: String) -> NumericsError {
    NumericsError::Singular { n, why }
}

/// Gaussian elimination with row exchanges; `order[i]` is the row of `a` now in place `i`.
fn eliminate(mut a: CMatrix) -> Result<(CMatrix, Vec<usize>), NumericsError> {
    let n = a.n_rows();
    let mut order: Vec<usize> = (0..n).collect();
    for k in 0..n {
        let pivot_row = (k..n).max_by(|&i, &j| a[(i, k)].norm_sqr().total_cmp(&a[(j, k)].norm_sqr())).unwrap_or(k);
        if a[(pivot_row, k)].norm_sqr() == 0.0 {
            return Err(singular(n, format!("column {k} has no pivot")));
        }
        if pivot_row != k {
            for j in 0..n {
                let t = a[(k, j)];
                a[(k, j)] = a[(pivot_row, j)];
                a[(pivot_row, j)] = t;
            }
            order.swap(k, pivot_row);
        }
        let inv = a[(k, k)].inv();
        for i in k + 1..n {
            let f = a[(i, k)] * inv;
            a[(i, k)] = f;
            for j in k + 1..n {
                let t = a[(k, j)];
                a[(i, j)] -= f * t;
            }
        }
    }
    Ok((a, order))
}

fn small_solve(lu: &CMatrix, order: &[usize], x: &mut [Complex64]) {
    let n = order.len();
    let mut y = [Complex64::default(); SMALL];
    for i in 0..n {
        let mut sum = x[order[i]];
        for j in 0..i {
            sum -= lu[(i, j)] * y[j];
        }
        y[i] = sum;
    }
    for i in (0..n).rev() {
        let mut sum = y[i];
        for j in i + 1..n {
            sum -= lu[(i, j)] * y[j];
        }
        y[i] = sum / lu[(i, i)];
    }
    x[..n].copy_from_slice(&y[..n]);
}

fn small_solve_transposed(lu: &CMatrix, order: &[usize], x: &mut [Complex64]) {
    let n = order.len();
    let mut y = [Complex64::default(); SMALL];
    for i in 0..n {
        let mut sum = x[i];
        for j in 0..i {
            sum -= lu[(j, i)] * y[j];
        }
        y[i] = sum / lu[(i, i)];
    }
    for i in (0..n).rev() {
        let mut sum = y[i];
        for j in i + 1..n {
            sum -= lu[(j, i)] * y[j];
        }
        y[i] = sum;
    }
    for i in 0..n {
        x[order[i]] = y[i];
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(n: usize) -> CMatrix {
        CMatrix::from_fn(n, n, |i, j| {
            Complex64::new(((i * 7 + j * 3) % 11) as f64 - 5.0, ((i + 2 * j) % 5) as f64)
                + if i == j { 9.0 } else { 0.0 }
        })
    }

    #[test]
    fn small_and_large_systems_solve_both_ways() {
        for n in [1, 5, 16, 40] {
            let a = sample(n);
            let lu = Lu::factor(&a).expect("regular");
            let b: Vec<Complex64> = (0..n).map(|i| Complex64::new(i as f64, 1.0)).collect();
            let mut x = b.clone();
            lu.solve_in_place(&mut x);
            let mut xt = b.clone();
            lu.solve_transposed_in_place(&mut xt);
            let worst = |r: Vec<Complex64>| r.iter().zip(&b).map(|(r, b)| (r - b).norm()).fold(0.0, f64::max);
            // rounding of a well conditioned system of order 40
            assert!(worst(a.times(&x)) < 1e-12 && worst(a.transpose().times(&xt)) < 1e-12);
        }
    }

    #[test]
    fn singular_and_nan_are_refused() {
        for n in [4, 30] {
            let ones = CMatrix::from_fn(n, n, |_, _| 1.0.into());
            assert!(solve(&ones, &CMatrix::identity(n)).is_err());
            let mut nan = sample(n);
            nan[(1, 1)] = f64::NAN.into();
            assert!(Lu::factor(&nan).is_err());
        }
    }

    #[test]
    fn min_norm_solves_a_consistent_singular_system() {
        let a = CMatrix::from_rows(&[vec![1.0.into(), 1.0.into()], vec![1.0.into(), 1.0.into()]]);
        let (x, rank) = solve_min_norm(&a, &CMatrix::column(&[2.0.into(), 2.0.into()]), 1e-12).expect("svd");
        assert_eq!(rank, 1);
        assert!((x[(0, 0)] - 1.0).norm() < 1e-14 && (x[(1, 0)] - 1.0).norm() < 1e-14);
    }
}
