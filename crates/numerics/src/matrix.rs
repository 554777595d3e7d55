//! A small dense matrix, stored by rows.

use crate::Complex64;
use std::ops::{Add, AddAssign, Index, IndexMut, Mul, Neg, Sub};

/// Dense matrix of `n_rows` by `n_cols`, stored row after row.
#[derive(Debug, Clone, PartialEq)]
pub struct Matrix<T> {
    n_rows: usize,
    n_cols: usize,
    data: Vec<T>,
}

/// Complex matrix.
pub type CMatrix = Matrix<Complex64>;
/// Real matrix.
pub type RMatrix = Matrix<f64>;

impl<T: Copy + Default> Matrix<T> {
    /// Matrix of zeros.
    pub fn zeros(n_rows: usize, n_cols: usize) -> Self {
        Self { n_rows, n_cols, data: vec![T::default(); n_rows * n_cols] }
    }

    /// Matrix whose entry at row `i`, column `j` is `f(i, j)`.
    pub fn from_fn(n_rows: usize, n_cols: usize, mut f: impl FnMut(usize, usize) -> T) -> Self {
        let mut data = Vec::with_capacity(n_rows * n_cols);
        for i in 0..n_rows {
            for j in 0..n_cols {
                data.push(f(i, j));
            }
        }
        Self { n_rows, n_cols, data }
    }

    /// Matrix from its rows; all rows must have one length.
    pub fn from_rows(rows: &[Vec<T>]) -> Self {
        let n_cols = rows.first().map_or(0, Vec::len);
        assert!(rows.iter().all(|r| r.len() == n_cols), "rows of unequal length");
        Self { n_rows: rows.len(), n_cols, data: rows.concat() }
    }

    /// Column vector.
    pub fn column(values: &[T]) -> Self {
        Self { n_rows: values.len(), n_cols: 1, data: values.to_vec() }
    }

    /// Number of rows.
    pub fn n_rows(&self) -> usize {
        self.n_rows
    }

    /// Number of columns.
    pub fn n_cols(&self) -> usize {
        self.n_cols
    }

    /// All entries, row after row.
    pub fn as_slice(&self) -> &[T] {
        &self.data
    }

    /// All entries, row after row, to be changed in place.
    pub fn as_mut_slice(&mut self) -> &mut [T] {
        &mut self.data
    }

    /// One row.
    pub fn row(&self, i: usize) -> &[T] {
        &self.data[i * self.n_cols..(i + 1) * self.n_cols]
    }

    /// One row, to be changed in place.
    pub fn row_mut(&mut self, i: usize) -> &mut [T] {
        &mut self.data[i * self.n_cols..(i + 1) * self.n_cols]
    }

    /// One column, copied.
    pub fn col(&self, j: usize) -> Vec<T> {
        (0..self.n_rows).map(|i| self[(i, j)]).collect()
    }

    /// Transpose without conjugation.
    pub fn transpose(&self) -> Self {
        Self::from_fn(self.n_cols, self.n_rows, |i, j| self[(j, i)])
    }

    /// The entries in the given rows and columns, in that order.
    pub fn select(&self, rows: &[usize], cols: &[usize]) -> Self {
        Self::from_fn(rows.len(), cols.len(), |i, j| self[(rows[i], cols[j])])
    }

    /// Entry by entry through `f`.
    pub fn map<U: Copy + Default>(&self, f: impl Fn(T) -> U) -> Matrix<U> {
        Matrix { n_rows: self.n_rows, n_cols: self.n_cols, data: self.data.iter().map(|&x| f(x)).collect() }
    }
}

impl<T: Copy + Default + Mul<Output = T> + AddAssign> Matrix<T> {
    /// Matrix times vector.
    pub fn times(&self, x: &[T]) -> Vec<T> {
        assert_eq!(x.len(), self.n_cols, "vector length against columns");
        (0..self.n_rows)
            .map(|i| {
                let mut sum = T::default();
                for (&a, &b) in self.row(i).iter().zip(x) {
                    sum += a * b;
                }
                sum
            })
            .collect()
    }
}

impl CMatrix {
    /// Identity of order `n`.
    pub fn identity(n: usize) -> Self {
        Self::from_fn(n, n, |i, j| Complex64::from(f64::from(u8::from(i == j))))
    }

    /// Diagonal matrix.
    pub fn diagonal(values: &[Complex64]) -> Self {
        let mut m = Self::zeros(values.len(), values.len());
        for (i, &v) in values.iter().enumerate() {
            m[(i, i)] = v;
        }
        m
    }

    /// Conjugate transpose.
    pub fn adjoint(&self) -> Self {
        Self::from_fn(self.n_cols, self.n_rows, |i, j| self[(j, i)].conj())
    }

    /// Entry-wise conjugate.
    pub fn conj(&self) -> Self {
        self.map(|x| x.conj())
    }

    /// Largest magnitude of an entry.
    pub fn max_abs(&self) -> f64 {
        self.data.iter().map(|x| x.norm()).fold(0.0, f64::max)
    }

    /// True when every entry is finite.
    pub fn is_finite(&self) -> bool {
        self.data.iter().all(|x| x.re.is_finite() && x.im.is_finite())
    }

    /// Multiplied by a number.
    pub fn scaled(&self, by: Complex64) -> Self {
        self.map(|x| x * by)
    }
}

impl RMatrix {
    /// Identity of order `n`.
    pub fn identity(n: usize) -> Self {
        Self::from_fn(n, n, |i, j| f64::from(u8::from(i == j)))
    }

    /// Largest magnitude of an entry.
    pub fn max_abs(&self) -> f64 {
        self.data.iter().map(|x| x.abs()).fold(0.0, f64::max)
    }
}

impl<T> Index<(usize, usize)> for Matrix<T> {
    type Output = T;
    fn index(&self, (i, j): (usize, usize)) -> &T {
        debug_assert!(i < self.n_rows && j < self.n_cols);
        &self.data[i * self.n_cols + j]
    }
}

impl<T> IndexMut<(usize, usize)> for Matrix<T> {
    fn index_mut(&mut self, (i, j): (usize, usize)) -> &mut T {
        debug_assert!(i < self.n_rows && j < self.n_cols);
        &mut self.data[i * self.n_cols + j]
    }
}

impl<T: Copy + Default + Mul<Output = T> + AddAssign> Mul for &Matrix<T> {
    type Output = Matrix<T>;
    fn mul(self, other: &Matrix<T>) -> Matrix<T> {
        assert_eq!(self.n_cols, other.n_rows, "inner dimensions");
        let mut out = Matrix::zeros(self.n_rows, other.n_cols);
        for i in 0..self.n_rows {
            for k in 0..self.n_cols {
                let a = self[(i, k)];
                for (o, &b) in out.row_mut(i).iter_mut().zip(other.row(k)) {
                    *o += a * b;
                }
            }
        }
        out
    }
}

impl<T: Copy + Default + Add<Output = T>> Add for &Matrix<T> {
    type Output = Matrix<T>;
    fn add(self, other: &Matrix<T>) -> Matrix<T> {
        assert_eq!((self.n_rows, self.n_cols), (other.n_rows, other.n_cols), "shapes");
        Matrix::from_fn(self.n_rows, self.n_cols, |i, j| self[(i, j)] + other[(i, j)])
    }
}

impl<T: Copy + Default + Sub<Output = T>> Sub for &Matrix<T> {
    type Output = Matrix<T>;
    fn sub(self, other: &Matrix<T>) -> Matrix<T> {
        assert_eq!((self.n_rows, self.n_cols), (other.n_rows, other.n_cols), "shapes");
        Matrix::from_fn(self.n_rows, self.n_cols, |i, j| self[(i, j)] - other[(i, j)])
    }
}

impl<T: Copy + Default + Neg<Output = T>> Neg for &Matrix<T> {
    type Output = Matrix<T>;
    fn neg(self) -> Matrix<T> {
        self.map(|x| -x)
    }
}
