//! Dense complex matrices with real and imaginary parts apart, in single or double precision.
//!
//! Use it for: blocks of approximate inverses, applied very often; single precision halves the
//! memory that each application reads. Not for: answers (see [`crate::linear`], which checks them).
//! Stored by columns, so that all inner loops run down a column and fill the vector registers of
//! the machine, whichever it has.

use crate::wide::wide;
use crate::{Complex64, NumericsError};
use std::ops::{Add, AddAssign, Div, Mul, Neg, Sub, SubAssign};

/// A real number of either precision.
pub trait Precision:
    Copy
    + Default
    + PartialOrd
    + Add<Output = Self>
    + Sub<Output = Self>
    + Mul<Output = Self>
    + Div<Output = Self>
    + Neg<Output = Self>
    + AddAssign
    + SubAssign
    + Send
    + Sync
    + 'static
{
    /// Rounded from double precision.
    fn from_f64(x: f64) -> Self;
    /// Widened to double precision.
    fn to_f64(self) -> f64;
}

impl Precision for f32 {
    #[inline(always)]
    fn from_f64(x: f64) -> Self {
        x as f32
    }
    #[inline(always)]
    fn to_f64(self) -> f64 {
        self.into()
    }
}

impl Precision for f64 {
    #[inline(always)]
    fn from_f64(x: f64) -> Self {
        x
    }
    #[inline(always)]
    fn to_f64(self) -> f64 {
        self
    }
}

/// Dense complex matrix, parts apart, column after column.
#[derive(Debug, Clone)]
pub struct Split<T> {
    n_rows: usize,
    n_cols: usize,
    re: Vec<T>,
    im: Vec<T>,
}

impl<T: Precision> Split<T> {
    /// Matrix of zeros.
    pub fn zeros(n_rows: usize, n_cols: usize) -> Self {
        let zero = vec![T::default(); n_rows * n_cols];
        Self { n_rows, n_cols, re: zero.clone(), im: zero }
    }

    /// Number of rows.
    pub fn n_rows(&self) -> usize {
        self.n_rows
    }

    /// Number of columns.
    pub fn n_cols(&self) -> usize {
        self.n_cols
    }

    /// All real and all imaginary parts, column after column, to be changed in place.
    pub fn parts_mut(&mut self) -> (&mut [T], &mut [T]) {
        (&mut self.re, &mut self.im)
    }

    /// `self − a·b` in place.
    pub fn subtract_product(&mut self, a: &Self, b: &Self) {
        assert!(self.n_rows == a.n_rows && a.n_cols == b.n_rows && b.n_cols == self.n_cols, "shapes");
        let n = self.n_rows;
        wide(|| {
            for j in 0..b.n_cols {
                let at = j * n..(j + 1) * n;
                let (re, im) = (&mut self.re[at.clone()], &mut self.im[at]);
                let from = j * b.n_rows..(j + 1) * b.n_rows;
                subtract_columns(a, &b.re[from.clone()], &b.im[from], re, im);
            }
        });
    }

    /// `a·b`.
    pub fn product(a: &Self, b: &Self) -> Self {
        let mut out = Self::zeros(a.n_rows, b.n_cols);
        out.subtract_product(a, b);
        for x in out.re.iter_mut().chain(&mut out.im) {
            *x = -*x;
        }
        out
    }

    /// Conjugate transpose.
    pub fn adjoint(&self) -> Self {
        let mut out = Self::zeros(self.n_cols, self.n_rows);
        for j in 0..self.n_cols {
            for i in 0..self.n_rows {
                out.re[i * self.n_cols + j] = self.re[j * self.n_rows + i];
                out.im[i * self.n_cols + j] = T::from_f64(-self.im[j * self.n_rows + i].to_f64());
            }
        }
        out
    }

    /// `self·x` into `y`; vectors as real and imaginary parts.
    pub fn times_into(&self, x: (&[T], &[T]), y: (&mut [T], &mut [T])) {
        wide(|| {
            y.0.fill(T::default());
            y.1.fill(T::default());
            subtract_columns(self, x.0, x.1, y.0, y.1);
            for y in y.0.iter_mut().chain(y.1.iter_mut()) {
                *y = -*y;
            }
        });
    }

    /// `y − self·x` in place of `y`; vectors as real and imaginary parts.
    pub fn subtract_times(&self, x: (&[T], &[T]), y: (&mut [T], &mut [T])) {
        wide(|| subtract_columns(self, x.0, x.1, y.0, y.1));
    }

    /// Overwrites the matrix by its inverse: Gauss-Jordan elimination with row exchanges.
    ///
    /// # Errors
    /// The matrix is not square, or a pivot vanishes or is not finite.
    pub fn invert(&mut self) -> Result<(), NumericsError> {
        let n = self.n_rows;
        if n != self.n_cols {
            let found = format!("{n} by {}", self.n_cols);
            return Err(NumericsError::Shape { expected: "a square matrix".into(), found });
        }
        wide(|| {
            let mut order: Vec<usize> = (0..n).collect();
            let (mut col_re, mut col_im) = (vec![T::default(); n], vec![T::default(); n]);
            for k in 0..n {
                let pivot = self.largest_below(k);
                self.swap_rows(k, pivot);
                order.swap(k, pivot);
                self.eliminate(k, &mut col_re, &mut col_im)?;
            }
            self.restore_columns(&order);
            Ok(())
        })
    }

    #[inline(always)]
    fn largest_below(&self, k: usize) -> usize {
        let (mut best, mut size) = (k, T::default());
        for i in k..self.n_rows {
            let at = k * self.n_rows + i;
            let here = self.re[at] * self.re[at] + self.im[at] * self.im[at];
            if here > size {
                (best, size) = (i, here);
            }
        }
        best
    }

    #[inline(always)]
    fn swap_rows(&mut self, a: usize, b: usize) {
        if a == b {
            return;
        }
        for j in 0..self.n_cols {
            self.re.swap(j * self.n_rows + a, j * self.n_rows + b);
            self.im.swap(j * self.n_rows + a, j * self.n_rows + b);
        }
    }

    /// One step of Gauss-Jordan elimination; `col` is working space.
    #[inline(always)]
    fn eliminate(&mut self, k: usize, col_re: &mut [T], col_im: &mut [T]) -> Result<(), NumericsError> {
        let n = self.n_rows;
        let at = k * n..(k + 1) * n;
        col_re.copy_from_slice(&self.re[at.clone()]);
        col_im.copy_from_slice(&self.im[at.clone()]);
        let pivot = Complex64::new(col_re[k].to_f64(), col_im[k].to_f64());
        let inverse = pivot.inv();
        if !(inverse.re.is_finite() && inverse.im.is_finite()) {
            return Err(NumericsError::Singular { n, why: format!("pivot {k} is {pivot}") });
        }
        let (p_re, p_im) = (T::from_f64(inverse.re), T::from_f64(inverse.im));
        // rows other than k lose their part of column k; row k itself is scaled
        (col_re[k], col_im[k]) = (T::default(), T::default());
        for j in (0..n).filter(|&j| j != k) {
            let (a_re, a_im) = (self.re[j * n + k], self.im[j * n + k]);
            let (f_re, f_im) = (a_re * p_re - a_im * p_im, a_re * p_im + a_im * p_re);
            let (re, im) = (&mut self.re[j * n..(j + 1) * n], &mut self.im[j * n..(j + 1) * n]);
            subtract_scaled(col_re, col_im, f_re, f_im, re, im);
            (re[k], im[k]) = (f_re, f_im);
        }
        let (re, im) = (&mut self.re[at.clone()], &mut self.im[at]);
        re.fill(T::default());
        im.fill(T::default());
        subtract_scaled(col_re, col_im, p_re, p_im, re, im);
        (re[k], im[k]) = (p_re, p_im);
        Ok(())
    }

    /// Row exchanges of the matrix are column exchanges of its inverse.
    #[inline(always)]
    fn restore_columns(&mut self, order: &[usize]) {
        let n = self.n_rows;
        let (re, im) = (self.re.clone(), self.im.clone());
        for (from, &to) in order.iter().enumerate() {
            self.re[to * n..(to + 1) * n].copy_from_slice(&re[from * n..(from + 1) * n]);
            self.im[to * n..(to + 1) * n].copy_from_slice(&im[from * n..(from + 1) * n]);
        }
    }
}

/// `y − a·x` in place of `y`, two columns of `a` at a time.
#[inline(always)]
fn subtract_columns<T: Precision>(a: &Split<T>, x_re: &[T], x_im: &[T], y_re: &mut [T], y_im: &mut [T]) {
    let n = a.n_rows;
    assert!(x_re.len() == a.n_cols && x_im.len() == a.n_cols && y_re.len() == n && y_im.len() == n, "shapes");
    let column = |j: usize| (&a.re[j * n..(j + 1) * n], &a.im[j * n..(j + 1) * n]);
    let pairs = a.n_cols / 2;
    for j in (0..pairs).map(|p| 2 * p) {
        let ((a0_re, a0_im), (a1_re, a1_im)) = (column(j), column(j + 1));
        let (x0_re, x0_im, x1_re, x1_im) = (x_re[j], x_im[j], x_re[j + 1], x_im[j + 1]);
        let (y_re, y_im) = (&mut y_re[..n], &mut y_im[..n]);
        for i in 0..n {
            y_re[i] -= (a0_re[i] * x0_re - a0_im[i] * x0_im) + (a1_re[i] * x1_re - a1_im[i] * x1_im);
            y_im[i] -= (a0_re[i] * x0_im + a0_im[i] * x0_re) + (a1_re[i] * x1_im + a1_im[i] * x1_re);
        }
    }
    if a.n_cols > 2 * pairs {
        let j = a.n_cols - 1;
        let (a_re, a_im) = column(j);
        subtract_scaled(a_re, a_im, x_re[j], x_im[j], y_re, y_im);
    }
}

/// `y − f·x` in place of `y`.
#[inline(always)]
fn subtract_scaled<T: Precision>(x_re: &[T], x_im: &[T], f_re: T, f_im: T, y_re: &mut [T], y_im: &mut [T]) {
    let n = x_re.len();
    let (x_im, y_re, y_im) = (&x_im[..n], &mut y_re[..n], &mut y_im[..n]);
    for i in 0..n {
        y_re[i] -= x_re[i] * f_re - x_im[i] * f_im;
        y_im[i] -= x_re[i] * f_im + x_im[i] * f_re;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::CMatrix;

    fn sample(n: usize) -> CMatrix {
        CMatrix::from_fn(n, n, |i, j| {
            Complex64::new(((i * 7 + j * 3) % 11) as f64 - 5.0, ((i + 2 * j) % 5) as f64)
                + if (i + 1) % n == j { 9.0 } else { 0.0 }
        })
    }

    fn split<T: Precision>(a: &CMatrix) -> Split<T> {
        let mut out = Split::zeros(a.n_rows(), a.n_cols());
        let (re, im) = out.parts_mut();
        for (at, x) in a.transpose().as_slice().iter().enumerate() {
            (re[at], im[at]) = (T::from_f64(x.re), T::from_f64(x.im));
        }
        out
    }

    /// Largest entry of `A·A⁻¹ − I` by the matrix product of the other module.
    fn defect<T: Precision>(n: usize) -> f64 {
        let a = sample(n);
        let mut inverse: Split<T> = split(&a);
        inverse.invert().expect("regular");
        let inverse = CMatrix::from_fn(n, n, |i, j| {
            Complex64::new(inverse.re[j * n + i].to_f64(), inverse.im[j * n + i].to_f64())
        });
        (&(&a * &inverse) - &CMatrix::identity(n)).max_abs()
    }

    #[test]
    fn inverses_multiply_to_one_in_both_precisions() {
        for n in [1, 4, 17, 36] {
            // roundings of well conditioned systems, entries up to 9, order up to 36
            assert!(defect::<f64>(n) < 1e-12, "{n}: {}", defect::<f64>(n));
            assert!(defect::<f32>(n) < 2e-4, "{n}: {}", defect::<f32>(n));
        }
    }

    #[test]
    fn products_agree_with_the_plain_matrix() {
        let (a, b) = (sample(7), sample(7));
        let c = Split::<f64>::product(&split(&a), &split(&b));
        let expected = &a * &b;
        let x = [Complex64::new(1.0, 2.0), Complex64::new(-1.0, 0.5)].repeat(4)[..7].to_vec();
        let (re, im): (Vec<f64>, Vec<f64>) = x.iter().map(|x| (x.re, x.im)).unzip();
        let (mut y_re, mut y_im) = (vec![0.0; 7], vec![0.0; 7]);
        split::<f64>(&a).subtract_times((&re, &im), (&mut y_re, &mut y_im));
        let ax = a.times(&x);
        let (mut z_re, mut z_im) = (vec![1.0; 7], vec![1.0; 7]);
        split::<f64>(&a).times_into((&re, &im), (&mut z_re, &mut z_im));
        assert!(z_re.iter().zip(&y_re).chain(z_im.iter().zip(&y_im)).all(|(z, y)| *z == -*y));
        for i in 0..7 {
            assert!((Complex64::new(y_re[i], y_im[i]) + ax[i]).norm() < 1e-12);
            for j in 0..7 {
                assert!((Complex64::new(c.re[j * 7 + i], c.im[j * 7 + i]) - expected[(i, j)]).norm() < 1e-11);
            }
        }
    }

    #[test]
    fn singular_and_oblong_matrices_are_refused() {
        let ones = CMatrix::from_fn(3, 3, |_, _| 1.0.into());
        assert!(split::<f64>(&ones).invert().is_err());
        assert!(Split::<f32>::zeros(2, 3).invert().is_err());
    }
}
