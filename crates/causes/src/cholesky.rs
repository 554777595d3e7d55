//! Symmetric positive definite systems whose eigenvalues are one or more: `1 + Zᵀ W Z`.
//!
//! Plain Cholesky factors: no pivoting is needed for such a matrix, and there is nothing to condition away.
//! Source: G. H. Golub, C. F. Van Loan, Matrix Computations, 4th ed., 2013, section 4.2.

use numerics::RMatrix;

/// `L` of `L Lᵀ`, lower triangular.
pub(crate) struct Cholesky {
    lower: RMatrix,
}

impl Cholesky {
    /// Factors a matrix whose eigenvalues are one or more; rounding cannot bring a pivot below one.
    pub(crate) fn of(h: &RMatrix) -> Self {
        let n = h.n_rows();
        let mut lower = RMatrix::zeros(n, n);
        for i in 0..n {
            for j in 0..=i {
                let (a, b) = (&lower.row(i)[..j], &lower.row(j)[..j]);
                let rest = h[(i, j)] - a.iter().zip(b).map(|(a, b)| a * b).sum::<f64>();
                lower[(i, j)] = if i == j { rest.max(1.0).sqrt() } else { rest / lower[(j, j)] };
            }
        }
        Self { lower }
    }

    /// Solution of `H x = b`.
    pub(crate) fn solve(&self, b: &[f64]) -> Vec<f64> {
        let n = b.len();
        let mut x = b.to_vec();
        self.forward(&mut x);
        for i in (0..n).rev() {
            let later: f64 = (i + 1..n).map(|k| self.lower[(k, i)] * x[k]).sum();
            x[i] = (x[i] - later) / self.lower[(i, i)];
        }
        x
    }

    /// `L⁻¹ b` in place.
    fn forward(&self, x: &mut [f64]) {
        for i in 0..x.len() {
            let earlier: f64 = self.lower.row(i)[..i].iter().zip(&*x).map(|(l, x)| l * x).sum();
            x[i] = (x[i] - earlier) / self.lower[(i, i)];
        }
    }

    /// The inverse.
    pub(crate) fn inverse(&self) -> RMatrix {
        let n = self.lower.n_rows();
        // rows are the columns of L⁻¹: zero before their own number
        let mut half = RMatrix::identity(n);
        (0..n).for_each(|k| self.forward(half.row_mut(k)));
        RMatrix::from_fn(n, n, |i, j| half.row(i).iter().zip(half.row(j)).map(|(a, b)| a * b).sum())
    }

    /// Natural logarithm of the determinant.
    pub(crate) fn log_det(&self) -> f64 {
        (0..self.lower.n_rows()).map(|i| 2.0 * self.lower[(i, i)].ln()).sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn factors_solve_and_invert() {
        // 1 + z zᵀ with z = (1, 2, 3): inverse 1 − z zᵀ/15, determinant 15 (Sherman and Morrison)
        let z = [1.0, 2.0, 3.0];
        let h = RMatrix::from_fn(3, 3, |i, j| f64::from(u8::from(i == j)) + z[i] * z[j]);
        let c = Cholesky::of(&h);
        let inverse = c.inverse();
        let x = c.solve(&z);
        for i in 0..3 {
            for j in 0..3 {
                let expected = f64::from(u8::from(i == j)) - z[i] * z[j] / 15.0;
                assert!((inverse[(i, j)] - expected).abs() < 1e-14);
            }
            assert!((x[i] - z[i] / 15.0).abs() < 1e-14);
        }
        assert!((c.log_det() - 15f64.ln()).abs() < 1e-14);
    }
}
