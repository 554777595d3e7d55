//! Numeric factorisation over the tree of fronts, and solution with its factors.

use crate::elimination::{Analysis, Supernode};
use crate::front::{Contribution, Panel, eliminate};
use crate::{Scalar, SparseError, SymmetricMatrix};
use faer::linalg::matmul::matmul;
use faer::linalg::triangular_solve::{solve_unit_lower_triangular_in_place, solve_unit_upper_triangular_in_place};
use faer::{Accum, Mat, MatMut, MatRef, Par};
use numerics::{Cancelled, Watch};
use std::sync::OnceLock;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Pivots of the equilibrated matrix below this share of one (double precision) are replaced by it.
/// Small enough to leave honest pivots alone, large enough for refinement to repair the change.
pub const PIVOT_FLOOR: f64 = 1e-11;
/// Multiply-adds of a subtree above which its children are given to different threads.
const SPLIT_MIN: f64 = 2e7;

/// How the factorisation went.
#[derive(Debug, Clone, PartialEq)]
pub struct FactorReport {
    /// Order of the matrix.
    pub unknowns: usize,
    /// Entries stored in the factor.
    pub factor_entries: usize,
    /// Real floating-point operations, a complex multiply-add counted as eight.
    pub flops: f64,
    /// Pivots that were replaced because they were too small.
    pub perturbed_pivots: usize,
    /// Smallest pivot magnitude of the equilibrated matrix.
    pub pivot_min: f64,
    /// True when the factor is held in single precision.
    pub single_precision: bool,
}

/// Factors of an equilibrated matrix.
pub(crate) struct Factor<T> {
    panels: Vec<Panel<T>>,
    pub report: FactorReport,
}

struct Job<'a, T, U> {
    nodes: &'a [Supernode],
    matrix: &'a SymmetricMatrix<U>,
    panels: Vec<OnceLock<Panel<T>>>,
    floor: f64,
    watch: &'a dyn Watch,
    done: AtomicUsize,
}

impl<T: Scalar> Factor<T> {
    /// Factors the matrix, whose entries are of order one.
    pub(crate) fn new<U: Scalar>(
        analysis: &Analysis,
        matrix: &SymmetricMatrix<U>,
        watch: &dyn Watch,
    ) -> Result<Self, SparseError> {
        let nodes = &analysis.nodes;
        let floor = PIVOT_FLOOR * (T::EPSILON / f64::EPSILON).sqrt();
        let job = Job {
            nodes,
            matrix,
            panels: (0..nodes.len()).map(|_| OnceLock::new()).collect(),
            floor,
            watch,
            done: AtomicUsize::new(0),
        };
        let roots: Vec<u32> = (0..nodes.len() as u32).filter(|&s| nodes[s as usize].parent == u32::MAX).collect();
        for &root in &roots {
            job.subtree(root)?;
        }
        let panels: Vec<Panel<T>> =
            job.panels.into_iter().map(|p| p.into_inner().expect("every front was eliminated")).collect();
        let report = FactorReport {
            unknowns: analysis.unknowns(),
            factor_entries: analysis.factor_entries,
            flops: analysis.multiply_adds * T::FLOPS_PER_MULTIPLY_ADD,
            perturbed_pivots: panels.iter().map(|p| p.perturbed).sum(),
            pivot_min: panels.iter().map(|p| p.smallest).fold(f64::INFINITY, f64::min),
            single_precision: T::EPSILON > 2.0 * f64::EPSILON,
        };
        if !report.pivot_min.is_finite() && report.unknowns > 0 {
            return Err(SparseError::Singular { n: report.unknowns, why: "a pivot is not finite".into() });
        }
        Ok(Self { panels, report })
    }

    /// Overwrites the columns of `x` (in elimination order, scaled) by the solution.
    pub(crate) fn solve_in_place(&self, nodes: &[Supernode], x: &mut Mat<T>) {
        let width = x.ncols();
        let minus = -T::unit();
        for (node, panel) in nodes.iter().zip(&self.panels) {
            let (p, m) = (node.width as usize, node.rows.len());
            let view = MatRef::from_column_major_slice(&panel.values, p + m, p);
            let (top, low) = view.split_at_row(p);
            let first = node.first as usize;
            solve_unit_lower_triangular_in_place(top, x.as_mut().subrows_mut(first, p), Par::Seq);
            if m > 0 {
                let mut y = Mat::zeros(m, width);
                matmul(y.as_mut(), Accum::Replace, low, x.as_ref().subrows(first, p), minus, Par::Seq);
                for j in 0..width {
                    for (k, &row) in node.rows.iter().enumerate() {
                        x[(row as usize, j)] += y[(k, j)];
                    }
                }
            }
        }
        for (node, panel) in nodes.iter().zip(&self.panels).rev() {
            let (p, m) = (node.width as usize, node.rows.len());
            let view = MatRef::from_column_major_slice(&panel.values, p + m, p);
            let (top, low) = view.split_at_row(p);
            let first = node.first as usize;
            for j in 0..width {
                for k in 0..p {
                    x[(first + k, j)] /= top[(k, k)];
                }
            }
            if m > 0 {
                let y = Mat::from_fn(m, width, |k, j| x[(node.rows[k] as usize, j)]);
                let target: MatMut<'_, T> = x.as_mut().subrows_mut(first, p);
                matmul(target, Accum::Add, low.transpose(), y.as_ref(), minus, Par::Seq);
            }
            solve_unit_upper_triangular_in_place(top.transpose(), x.as_mut().subrows_mut(first, p), Par::Seq);
        }
    }
}

impl<T: Scalar, U: Scalar> Job<'_, T, U> {
    /// Eliminates all fronts of the subtree that ends at `top` and returns what it passes up.
    fn subtree(&self, top: u32) -> Result<Vec<T>, Cancelled> {
        let node = &self.nodes[top as usize];
        if node.work_below < SPLIT_MIN || node.children.len() < 2 {
            return if node.work_below < SPLIT_MIN || node.children.is_empty() {
                self.in_sequence(top)
            } else {
                let values = self.subtree(node.children[0])?;
                self.front(top, vec![Contribution { node: node.children[0], values }])
            };
        }
        let parts = self.children(&node.children)?;
        self.front(top, parts)
    }

    fn children(&self, list: &[u32]) -> Result<Vec<Contribution<T>>, Cancelled> {
        if let [one] = list {
            return Ok(vec![Contribution { node: *one, values: self.subtree(*one)? }]);
        }
        let (a, b) = list.split_at(list.len() / 2);
        let (a, b) = rayon::join(|| self.children(a), || self.children(b));
        let mut out = a?;
        out.extend(b?);
        Ok(out)
    }

    fn in_sequence(&self, top: u32) -> Result<Vec<T>, Cancelled> {
        let mut stack: Vec<Contribution<T>> = Vec::new();
        for s in self.nodes[top as usize].first_descendant..=top {
            let n_children = self.nodes[s as usize].children.len();
            let parts = stack.split_off(stack.len() - n_children);
            let values = self.front(s, parts)?;
            stack.push(Contribution { node: s, values });
        }
        Ok(stack.pop().expect("the top front was eliminated").values)
    }

    fn front(&self, s: u32, parts: Vec<Contribution<T>>) -> Result<Vec<T>, Cancelled> {
        let node = &self.nodes[s as usize];
        let entry = |e: u32| T::narrow(self.matrix.values[e as usize].widen());
        let (panel, rest) = eliminate(node, self.nodes, parts, entry, self.floor);
        assert!(self.panels[s as usize].set(panel).is_ok(), "front {s} was eliminated twice");
        let done = self.done.fetch_add(1, Ordering::Relaxed) + 1;
        if done.is_multiple_of(256) || done == self.nodes.len() {
            self.watch.step("factorise", done, self.nodes.len())?;
        }
        Ok(rest)
    }
}
