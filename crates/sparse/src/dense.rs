//! Dense `L D Lᵀ` of the columns of a front, without pivoting and without conjugation.
//!
//! Work is cut into tiles of fixed size, so that the bits of the result do not depend on how many
//! threads take part; each tile is computed by a sequential kernel.

use crate::Scalar;
use faer::linalg::matmul::matmul;
use faer::linalg::matmul::triangular::{self, BlockStructure};
use faer::linalg::triangular_solve::solve_unit_lower_triangular_in_place;
use faer::prelude::{Reborrow, ReborrowMut};
use faer::{Accum, Mat, MatMut, MatRef, Par};
use rayon::prelude::*;

/// Columns eliminated by plain loops.
const PLAIN: usize = 16;
/// Side of a tile.
const TILE: usize = 192;
/// Multiply-adds above which tiles are shared between threads.
const SHARED_MIN: f64 = 4e6;

/// Replaces pivots that are too small.
#[derive(Debug, Clone, Copy)]
pub(crate) struct PivotGuard {
    /// Smallest allowed magnitude.
    pub floor: f64,
    /// Pivots replaced so far.
    pub perturbed: usize,
    /// Smallest magnitude met.
    pub smallest: f64,
}

impl PivotGuard {
    fn accept<T: Scalar>(&mut self, d: T) -> T {
        let size = d.modulus();
        self.smallest = self.smallest.min(size);
        if size >= self.floor {
            return d;
        }
        self.perturbed += 1;
        if size == 0.0 { T::unit().scaled(self.floor) } else { d.scaled(self.floor / size) }
    }
}

/// Factors the first `p` columns of a front held as a tall panel (`rows ≥ p`): on return the panel
/// holds unit lower `L` below its diagonal and `D` on it.
pub(crate) fn factor_panel<T: Scalar>(panel: MatMut<'_, T>, guard: &mut PivotGuard) {
    let p = panel.ncols();
    if p <= PLAIN {
        return factor_plain(panel, guard);
    }
    let half = (p / 2).div_ceil(PLAIN) * PLAIN;
    let (mut left, right) = panel.split_at_col_mut(half);
    factor_panel(left.rb_mut(), guard);
    let (_, right) = right.split_at_row_mut(half);
    let low = left.rb().split_at_row(half).1;
    let weighted = times_diagonal(low.subrows(0, p - half), &diagonal(left.rb()));
    let mut right = right;
    subtract_tall(right.rb_mut(), low, weighted.as_ref());
    factor_panel(right, guard);
}

/// The diagonal of the top square.
pub(crate) fn diagonal<T: Scalar>(panel: MatRef<'_, T>) -> Vec<T> {
    (0..panel.ncols()).map(|j| panel[(j, j)]).collect()
}

/// `A diag(d)`.
pub(crate) fn times_diagonal<T: Scalar>(a: MatRef<'_, T>, d: &[T]) -> Mat<T> {
    let mut out = Mat::zeros(a.nrows(), a.ncols());
    for (j, &d) in d.iter().enumerate() {
        let source = a.col(j);
        out.col_as_slice_mut(j).iter_mut().zip(source.iter()).for_each(|(o, &v)| *o = v * d);
    }
    out
}

fn factor_plain<T: Scalar>(panel: MatMut<'_, T>, guard: &mut PivotGuard) {
    let p = panel.ncols();
    let (mut top, mut low) = panel.split_at_row_mut(p);
    for k in 0..p {
        let d = guard.accept(top[(k, k)]);
        top[(k, k)] = d;
        let inv = T::unit() / d;
        for j in k + 1..p {
            let f = top[(j, k)] * inv;
            for i in j..p {
                let t = top[(i, k)];
                top[(i, j)] -= t * f;
            }
        }
        for i in k + 1..p {
            top[(i, k)] *= inv;
        }
    }
    if low.nrows() == 0 {
        return;
    }
    solve_unit_lower_triangular_in_place(top.rb(), low.rb_mut().transpose_mut(), Par::Seq);
    for j in 0..p {
        let inv = T::unit() / top[(j, j)];
        low.rb_mut().col_mut(j).iter_mut().for_each(|v| *v *= inv);
    }
}

/// `target −= low · weightedᵀ` where the top square of `target` counts only in its lower triangle.
fn subtract_tall<T: Scalar>(target: MatMut<'_, T>, low: MatRef<'_, T>, weighted: MatRef<'_, T>) {
    let q = target.ncols();
    let work = low.nrows() as f64 * q as f64 * low.ncols() as f64;
    let (top, rest) = target.split_at_row_mut(q);
    let mut jobs = Vec::new();
    lower_tiles(top, low.subrows(0, q), weighted, &mut jobs);
    let low_rest = low.subrows(q, low.nrows() - q);
    for (k, rows) in row_chunks(rest, TILE).into_iter().enumerate() {
        let count = rows.nrows();
        jobs.push(Job { target: rows, left: low_rest.subrows(k * TILE, count), right: weighted, lower: false });
    }
    run(jobs, work);
}

/// `target −= low · diag(d) · lowᵀ`, lower triangle only.
pub(crate) fn subtract_symmetric<T: Scalar>(target: MatMut<'_, T>, low: MatRef<'_, T>, d: &[T]) {
    let weighted = times_diagonal(low, d);
    let work = (low.nrows() * low.nrows()) as f64 * low.ncols() as f64 / 2.0;
    let mut jobs = Vec::new();
    lower_tiles(target, low, weighted.as_ref(), &mut jobs);
    run(jobs, work);
}

struct Job<'a, T> {
    target: MatMut<'a, T>,
    left: MatRef<'a, T>,
    right: MatRef<'a, T>,
    lower: bool,
}

fn lower_tiles<'a, T: Scalar>(
    target: MatMut<'a, T>,
    left: MatRef<'a, T>,
    right: MatRef<'a, T>,
    jobs: &mut Vec<Job<'a, T>>,
) {
    let mut first = 0;
    for columns in col_chunks(target, TILE) {
        let width = columns.ncols();
        let right = right.subrows(first, width);
        let (_, below) = columns.split_at_row_mut(first);
        let (square, rest) = below.split_at_row_mut(width);
        jobs.push(Job { target: square, left: left.subrows(first, width), right, lower: true });
        for (k, rows) in row_chunks(rest, 2 * TILE).into_iter().enumerate() {
            let count = rows.nrows();
            let left = left.subrows(first + width + 2 * k * TILE, count);
            jobs.push(Job { target: rows, left, right, lower: false });
        }
        first += width;
    }
}

fn row_chunks<T: Scalar>(mut a: MatMut<'_, T>, height: usize) -> Vec<MatMut<'_, T>> {
    let mut out = Vec::new();
    while a.nrows() > 0 {
        let (top, rest) = {
            let at = height.min(a.nrows());
            a.split_at_row_mut(at)
        };
        out.push(top);
        a = rest;
    }
    out
}

fn col_chunks<T: Scalar>(mut a: MatMut<'_, T>, width: usize) -> Vec<MatMut<'_, T>> {
    let mut out = Vec::new();
    while a.ncols() > 0 {
        let (left, rest) = {
            let at = width.min(a.ncols());
            a.split_at_col_mut(at)
        };
        out.push(left);
        a = rest;
    }
    out
}

fn run<T: Scalar>(mut jobs: Vec<Job<'_, T>>, work: f64) {
    if work < SHARED_MIN {
        jobs.iter_mut().for_each(Job::run);
    } else {
        jobs.par_iter_mut().with_max_len(1).for_each(Job::run);
    }
}

impl<T: Scalar> Job<'_, T> {
    fn run(&mut self) {
        let minus = -T::unit();
        let target = self.target.rb_mut();
        if self.lower {
            triangular::matmul(
                target,
                BlockStructure::TriangularLower,
                Accum::Add,
                self.left,
                BlockStructure::Rectangular,
                self.right.transpose(),
                BlockStructure::Rectangular,
                minus,
                Par::Seq,
            );
        } else {
            matmul(target, Accum::Add, self.left, self.right.transpose(), minus, Par::Seq);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use num_complex::Complex64;

    #[test]
    fn panel_and_remainder_rebuild_the_matrix() {
        for (p, m) in [(3, 2), (16, 5), (40, 30), (130, 70)] {
            let n = p + m;
            let entry = |i: usize, j: usize| {
                let (i, j) = (i.max(j), i.min(j));
                Complex64::new(((i * 7 + j * 13) % 17) as f64 - 8.0, ((i * 3 + j) % 5) as f64)
                    + if i == j { Complex64::new(3.0 * n as f64, 10.0) } else { Complex64::default() }
            };
            let mut panel = Mat::from_fn(n, p, |i, j| if i >= j { entry(i, j) } else { Complex64::default() });
            let mut rest = Mat::from_fn(m, m, |i, j| entry(p + i, p + j));
            let mut guard = PivotGuard { floor: 1e-12, perturbed: 0, smallest: f64::MAX };
            factor_panel(panel.as_mut(), &mut guard);
            let d = diagonal(panel.as_ref());
            subtract_symmetric(rest.as_mut(), panel.as_ref().subrows(p, m), &d);
            let l = |i: usize, k: usize| match i.cmp(&k) {
                std::cmp::Ordering::Less => Complex64::default(),
                std::cmp::Ordering::Equal => 1.0.into(),
                std::cmp::Ordering::Greater => panel[(i, k)],
            };
            let mut worst = 0.0_f64;
            for i in 0..n {
                for j in 0..=i {
                    let mut sum: Complex64 = (0..p.min(j + 1)).map(|k| l(i, k) * d[k] * l(j, k)).sum();
                    if j >= p {
                        sum += rest[(i - p, j - p)];
                    }
                    worst = worst.max((sum - entry(i, j)).norm());
                }
            }
            // some hundred roundings of numbers of size 3 n
            assert!(worst < 1e-13 * n as f64 * 10.0 && guard.perturbed == 0, "{p} {m}: {worst}");
        }
    }
}
