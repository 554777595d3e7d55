//! Lower triangle of a sparse symmetric matrix, stored by columns.
//!
//! The pattern is shared, so that many matrices (stiffness, mass, boundary terms, their sums over
//! frequency) use one analysis.

use crate::{Scalar, SparseError};
use std::sync::Arc;

/// Positions of the entries of the lower triangle; the diagonal is always present.
#[derive(Debug, Clone, PartialEq)]
pub struct SymmetricPattern {
    n: usize,
    col_start: Vec<usize>,
    rows: Vec<u32>,
}

impl SymmetricPattern {
    /// Pattern holding the diagonal and all given positions; `(i, j)` and `(j, i)` are one position.
    pub fn from_positions(n: usize, positions: impl IntoIterator<Item = (usize, usize)>) -> Result<Self, SparseError> {
        let mut keys: Vec<u64> = (0..n).map(|i| key(i, i)).collect();
        for (i, j) in positions {
            if i >= n || j >= n {
                return Err(SparseError::Shape {
                    expected: format!("row and column below {n}"),
                    found: format!("({i}, {j})"),
                });
            }
            keys.push(key(i, j));
        }
        keys.sort_unstable();
        keys.dedup();
        let mut col_start = vec![0; n + 1];
        for k in &keys {
            col_start[(k >> 32) as usize + 1] += 1;
        }
        for j in 0..n {
            col_start[j + 1] += col_start[j];
        }
        Ok(Self { n, col_start, rows: keys.iter().map(|k| *k as u32).collect() })
    }

    /// Order of the matrix.
    pub fn order(&self) -> usize {
        self.n
    }

    /// Number of stored entries (lower triangle with diagonal).
    pub fn n_entries(&self) -> usize {
        self.rows.len()
    }

    /// Rows `i ≥ j` of the stored entries of column `j`, rising.
    pub fn column(&self, j: usize) -> &[u32] {
        &self.rows[self.col_start[j]..self.col_start[j + 1]]
    }

    /// Row of entry number `entry`.
    pub fn row(&self, entry: usize) -> u32 {
        self.rows[entry]
    }

    /// Range of the entry numbers of column `j`.
    pub fn column_range(&self, j: usize) -> std::ops::Range<usize> {
        self.col_start[j]..self.col_start[j + 1]
    }

    /// Number of the entry at `(i, j)` or `(j, i)`, if it is stored.
    pub fn position(&self, i: usize, j: usize) -> Option<usize> {
        let (i, j) = (i.max(j), i.min(j));
        self.column(j).binary_search(&(i as u32)).ok().map(|k| self.col_start[j] + k)
    }
}

fn key(i: usize, j: usize) -> u64 {
    ((i.min(j) as u64) << 32) | i.max(j) as u64
}

/// A sparse matrix equal to its transpose (not to its conjugate transpose).
#[derive(Debug, Clone)]
pub struct SymmetricMatrix<T> {
    pattern: Arc<SymmetricPattern>,
    /// Values in the order of the pattern.
    pub values: Vec<T>,
}

impl<T: Scalar> SymmetricMatrix<T> {
    /// Zero matrix on a pattern.
    pub fn zeros(pattern: Arc<SymmetricPattern>) -> Self {
        let values = vec![T::default(); pattern.n_entries()];
        Self { pattern, values }
    }

    /// Matrix from values in the order of the pattern.
    pub fn from_values(pattern: Arc<SymmetricPattern>, values: Vec<T>) -> Result<Self, SparseError> {
        if values.len() != pattern.n_entries() {
            return Err(SparseError::Shape {
                expected: format!("{} values, one an entry", pattern.n_entries()),
                found: format!("{}", values.len()),
            });
        }
        Ok(Self { pattern, values })
    }

    /// Matrix from entries; each symmetric pair is given once, repeated entries are summed.
    pub fn from_entries(n: usize, entries: &[(usize, usize, T)]) -> Result<Self, SparseError> {
        let pattern = Arc::new(SymmetricPattern::from_positions(n, entries.iter().map(|e| (e.0, e.1)))?);
        let mut out = Self::zeros(pattern);
        for &(i, j, v) in entries {
            out.add(i, j, v);
        }
        Ok(out)
    }

    /// Adds `v` at `(i, j)` and, by symmetry, `(j, i)`.
    pub fn add(&mut self, i: usize, j: usize, v: T) {
        let k = self.pattern.position(i, j).expect("an entry of the pattern");
        self.values[k] += v;
    }

    /// The pattern.
    pub fn pattern(&self) -> &Arc<SymmetricPattern> {
        &self.pattern
    }

    /// Order of the matrix.
    pub fn order(&self) -> usize {
        self.pattern.n
    }

    /// Matrix times vector.
    pub fn times(&self, x: &[T]) -> Vec<T> {
        let mut y = vec![T::default(); self.order()];
        for j in 0..self.order() {
            let range = self.pattern.column_range(j);
            for (&i, &v) in self.pattern.rows[range.clone()].iter().zip(&self.values[range]) {
                let i = i as usize;
                y[i] += v * x[j];
                if i != j {
                    y[j] += v * x[i];
                }
            }
        }
        y
    }

    /// Magnitudes of the entries times magnitudes of a vector.
    pub fn times_magnitudes(&self, x: &[T]) -> Vec<f64> {
        let size: Vec<f64> = x.iter().map(|x| x.modulus()).collect();
        let mut y = vec![0.0; self.order()];
        for j in 0..self.order() {
            let range = self.pattern.column_range(j);
            for (&i, v) in self.pattern.rows[range.clone()].iter().zip(&self.values[range]) {
                let (i, v) = (i as usize, v.modulus());
                y[i] += v * size[j];
                if i != j {
                    y[j] += v * size[i];
                }
            }
        }
        y
    }

    /// Largest sum of magnitudes over a row.
    pub fn norm_inf(&self) -> f64 {
        let mut sums = vec![0.0; self.order()];
        for j in 0..self.order() {
            let range = self.pattern.column_range(j);
            for (&i, v) in self.pattern.rows[range.clone()].iter().zip(&self.values[range]) {
                sums[i as usize] += v.modulus();
                if i as usize != j {
                    sums[j] += v.modulus();
                }
            }
        }
        sums.into_iter().fold(0.0, f64::max)
    }

    /// True when every value is finite.
    pub fn is_finite(&self) -> bool {
        self.values.iter().all(|v| v.modulus().is_finite())
    }

    /// Scale factors `s` (powers of two) that bring the rows of `S A S` close to unit largest entry:
    /// a few sweeps of square roots of row maxima. Source: D. Ruiz, "A scaling algorithm to
    /// equilibrate both rows and columns norms in matrices", RAL-TR-2001-034.
    pub(crate) fn equilibration(&self) -> Vec<f64> {
        const SWEEPS: usize = 4;
        let n = self.order();
        let mut scale = vec![1.0_f64; n];
        for _ in 0..SWEEPS {
            let mut largest = vec![0.0_f64; n];
            for j in 0..n {
                let range = self.pattern.column_range(j);
                for (&i, v) in self.pattern.rows[range.clone()].iter().zip(&self.values[range]) {
                    let i = i as usize;
                    let size = v.modulus() * scale[i] * scale[j];
                    largest[i] = largest[i].max(size);
                    largest[j] = largest[j].max(size);
                }
            }
            for (s, m) in scale.iter_mut().zip(&largest) {
                if *m > 0.0 {
                    *s /= m.sqrt();
                }
            }
        }
        scale.iter().map(|s| s.log2().round().exp2()).collect()
    }
}
