//! Factor once, solve many times, check every answer.

use crate::elimination::Analysis;
use crate::factor::Factor;
use crate::{FactorReport, Scalar, SparseError, SymmetricMatrix};
use faer::Mat;
use num_complex::{Complex32, Complex64};
use numerics::Watch;
use std::sync::{Arc, Mutex};

/// Largest backward error of an accepted solution: some thousand roundings.
pub const BACKWARD_ERROR_MAX: f64 = 1e-12;
/// Largest relative residual of an accepted solution. A singular system has solutions of small
/// backward error and huge size; they betray themselves by the residual.
pub const RESIDUAL_MAX: f64 = 1e-5;
/// Backward error, entry by entry, at which refinement has nothing left to gain. Going by entries
/// also gets unknowns of a small scale right (R. D. Skeel, "Iterative refinement implies numerical
/// stability for Gaussian elimination", Math. Comp. 35 (1980)).
const ENTRY_ERROR_GOAL: f64 = 4.0 * f64::EPSILON;
/// Most refinement steps with a double and a single precision factor.
const REFINEMENTS: (usize, usize) = (4, 30);
/// Right-hand sides solved together.
const BLOCK: usize = 32;

/// Precision of the stored factor.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Precision {
    /// Double precision throughout.
    Double,
    /// Single precision factor with double precision refinement, half the time and memory; when the
    /// refinement does not reach the goal, the matrix is factored again in double precision.
    Single,
}

/// Solutions of one system for several right-hand sides.
#[derive(Debug, Clone)]
pub struct Solution<T> {
    /// One vector of unknowns for each right-hand side.
    pub columns: Vec<Vec<T>>,
    /// `‖Ax−b‖∞ / (‖A‖∞‖x‖∞ + ‖b‖∞)` of each column, of the equilibrated system.
    pub backward_errors: Vec<f64>,
    /// `‖Ax−b‖∞ / ‖b‖∞` of each column, of the equilibrated system.
    pub residuals: Vec<f64>,
    /// Most refinement steps any column took.
    pub refinements: usize,
}

enum Kind<T> {
    Double(Factor<T>),
    Single(Factor<Complex32>),
}

/// A factored matrix.
pub struct Solver<T> {
    analysis: Arc<Analysis>,
    scale: Vec<f64>,
    scaled: SymmetricMatrix<T>,
    norm: f64,
    kind: Mutex<Arc<Kind<T>>>,
}

impl<T: Scalar> Solver<T> {
    /// Factors `matrix`, whose pattern must be the one analysed.
    pub fn new(
        analysis: &Arc<Analysis>,
        matrix: SymmetricMatrix<T>,
        precision: Precision,
        watch: &dyn Watch,
    ) -> Result<Self, SparseError> {
        if matrix.pattern() != &analysis.pattern {
            return Err(SparseError::Shape {
                expected: "the pattern that was analysed".into(),
                found: format!("another one of order {}", matrix.order()),
            });
        }
        if !matrix.is_finite() {
            return Err(SparseError::NotFinite { what: "matrix".into() });
        }
        let scale = matrix.equilibration();
        let mut scaled = matrix;
        let pattern = scaled.pattern().clone();
        for j in 0..scale.len() {
            for (k, &i) in pattern.column_range(j).zip(pattern.column(j)) {
                scaled.values[k] = scaled.values[k].scaled(scale[i as usize] * scale[j]);
            }
        }
        let kind = match precision {
            Precision::Double => Kind::Double(Factor::new(analysis, &scaled, watch)?),
            Precision::Single => Kind::Single(Factor::new(analysis, &scaled, watch)?),
        };
        let norm = scaled.norm_inf();
        Ok(Self { analysis: analysis.clone(), scale, scaled, norm, kind: Mutex::new(Arc::new(kind)) })
    }

    /// How the factorisation went; after a fall-back, that of the double precision factor.
    pub fn report(&self) -> FactorReport {
        match &*self.kind() {
            Kind::Double(f) => f.report.clone(),
            Kind::Single(f) => f.report.clone(),
        }
    }

    /// Solves for all right-hand sides; every column is refined and checked.
    pub fn solve(&self, rhs: &[Vec<T>], watch: &dyn Watch) -> Result<Solution<T>, SparseError> {
        let n = self.scale.len();
        let mut out = Solution { columns: vec![], backward_errors: vec![], residuals: vec![], refinements: 0 };
        for (block_idx, block) in rhs.chunks(BLOCK).enumerate() {
            watch.step("solve", block_idx * BLOCK, rhs.len())?;
            for b in block {
                if b.len() != n {
                    return Err(SparseError::Shape {
                        expected: format!("right-hand sides of length {n}"),
                        found: format!("{}", b.len()),
                    });
                }
                if !b.iter().all(|v| v.modulus().is_finite()) {
                    return Err(SparseError::NotFinite { what: "right-hand side".into() });
                }
            }
            self.solve_block(block, block_idx * BLOCK, &mut out, watch)?;
        }
        Ok(out)
    }

    fn kind(&self) -> Arc<Kind<T>> {
        self.kind.lock().expect("no holder of this lock panics").clone()
    }

    fn solve_block(
        &self,
        block: &[Vec<T>],
        first_column: usize,
        out: &mut Solution<T>,
        watch: &dyn Watch,
    ) -> Result<(), SparseError> {
        let n = self.scale.len();
        let b: Vec<Vec<T>> = block.iter().map(|b| (0..n).map(|i| b[i].scaled(self.scale[i])).collect()).collect();
        let mut best = self.refine(&b);
        let single = matches!(&*self.kind(), Kind::Single(_));
        if single && !(0..b.len()).all(|k| best.good(k)) {
            let factor = Factor::new(&self.analysis, &self.scaled, watch)?;
            *self.kind.lock().expect("no holder of this lock panics") = Arc::new(Kind::Double(factor));
            best = self.refine(&b);
        }
        let good: Vec<bool> = (0..b.len()).map(|k| best.good(k)).collect();
        for (k, x) in best.x.into_iter().enumerate() {
            let found = best.errors[k];
            if !good[k] {
                return Err(SparseError::Inaccurate {
                    n,
                    column: first_column + k,
                    found,
                    wanted: BACKWARD_ERROR_MAX,
                    residual: best.residuals[k],
                    perturbed: self.report().perturbed_pivots,
                });
            }
            out.columns.push(x.iter().zip(&self.scale).map(|(v, &s)| v.scaled(s)).collect());
            out.backward_errors.push(found);
            out.residuals.push(best.residuals[k]);
        }
        out.refinements = out.refinements.max(best.steps);
        Ok(())
    }

    /// Solution of the equilibrated system by repeated correction; keeps the best iterate seen.
    fn refine(&self, b: &[Vec<T>]) -> Refined<T> {
        let kind = self.kind();
        let n = self.scale.len();
        let steps_max = if matches!(&*kind, Kind::Single(_)) { REFINEMENTS.1 } else { REFINEMENTS.0 };
        let mut best = Refined {
            x: vec![vec![T::default(); n]; b.len()],
            errors: vec![f64::INFINITY; b.len()],
            entry_errors: vec![f64::INFINITY; b.len()],
            residuals: vec![f64::INFINITY; b.len()],
            steps: 0,
        };
        let mut open: Vec<usize> = (0..b.len()).collect();
        let mut x = best.x.clone();
        let mut r: Vec<Vec<T>> = b.to_vec();
        for step in 0..=steps_max {
            let rhs: Vec<&Vec<T>> = open.iter().map(|&k| &r[k]).collect();
            let corrections = self.apply(&kind, &rhs);
            let mut next = Vec::new();
            for (&k, dx) in open.iter().zip(&corrections) {
                for (a, d) in x[k].iter_mut().zip(dx) {
                    *a += *d;
                }
                let ax = self.scaled.times(&x[k]);
                r[k] = b[k].iter().zip(&ax).map(|(b, a)| *b - *a).collect();
                let (size_r, size_x, size_b) = (largest(&r[k]), largest(&x[k]), largest(&b[k]));
                let scale = self.norm * size_x + size_b;
                let error = if scale > 0.0 { size_r / scale } else { size_r };
                let entry_error = entry_error(&r[k], &b[k], &self.scaled.times_magnitudes(&x[k]));
                let gains = entry_error < 0.5 * best.entry_errors[k];
                if entry_error < best.entry_errors[k] || best.errors[k].is_infinite() {
                    best.errors[k] = error;
                    best.entry_errors[k] = entry_error;
                    best.residuals[k] = if size_b > 0.0 { size_r / size_b } else { size_r };
                    best.x[k].clone_from(&x[k]);
                    best.steps = best.steps.max(step);
                }
                if gains && entry_error > ENTRY_ERROR_GOAL {
                    next.push(k);
                }
            }
            open = next;
            if open.is_empty() {
                break;
            }
        }
        best
    }

    /// Approximate inverse of the equilibrated matrix times each right-hand side.
    fn apply(&self, kind: &Kind<T>, rhs: &[&Vec<T>]) -> Vec<Vec<T>> {
        let nodes = &self.analysis.nodes;
        let order = &self.analysis.order;
        let n = order.len();
        let mut out = vec![vec![T::default(); n]; rhs.len()];
        match kind {
            Kind::Double(factor) => {
                let mut x = Mat::from_fn(n, rhs.len(), |k, j| rhs[j][order[k] as usize]);
                factor.solve_in_place(nodes, &mut x);
                for (j, column) in out.iter_mut().enumerate() {
                    for (k, &v) in order.iter().enumerate() {
                        column[v as usize] = x[(k, j)];
                    }
                }
            }
            Kind::Single(factor) => {
                let size: Vec<f64> = rhs.iter().map(|r| largest(r)).map(|s| if s > 0.0 { s } else { 1.0 }).collect();
                let narrow = |v: T, s: f64| Complex32::narrow(v.widen() / Complex64::from(s));
                let mut x = Mat::from_fn(n, rhs.len(), |k, j| narrow(rhs[j][order[k] as usize], size[j]));
                factor.solve_in_place(nodes, &mut x);
                for (j, column) in out.iter_mut().enumerate() {
                    for (k, &v) in order.iter().enumerate() {
                        column[v as usize] = T::narrow(x[(k, j)].widen() * size[j]);
                    }
                }
            }
        }
        out
    }
}

struct Refined<T> {
    x: Vec<Vec<T>>,
    errors: Vec<f64>,
    entry_errors: Vec<f64>,
    residuals: Vec<f64>,
    steps: usize,
}

/// Largest `|r_i| / (|A||x| + |b|)_i`.
fn entry_error<T: Scalar>(r: &[T], b: &[T], ax: &[f64]) -> f64 {
    let each = r.iter().zip(b).zip(ax).map(|((r, b), ax)| {
        let scale = ax + b.modulus();
        if scale > 0.0 { r.modulus() / scale } else { r.modulus() }
    });
    each.fold(0.0, |a, e| if e.is_nan() { f64::INFINITY } else { a.max(e) })
}

impl<T> Refined<T> {
    fn good(&self, k: usize) -> bool {
        self.errors[k] <= BACKWARD_ERROR_MAX && self.residuals[k] <= RESIDUAL_MAX
    }
}

fn largest<T: Scalar>(x: &[T]) -> f64 {
    x.iter().map(|v| v.modulus()).fold(0.0, |a, b| if b.is_nan() { f64::NAN } else { a.max(b) })
}
