//! One front: assemble, eliminate its columns, hand on what is left.

use crate::Scalar;
use crate::dense::{PivotGuard, diagonal, factor_panel, subtract_symmetric};
use crate::elimination::{Supernode, triangle};
use faer::{MatMut, MatRef};

/// Columns of the factor that belong to one supernode: `L` below the diagonal, `D` on it.
#[derive(Debug)]
pub(crate) struct Panel<T> {
    /// Column-major, `width + rows` by `width`.
    pub values: Vec<T>,
    pub perturbed: usize,
    pub smallest: f64,
}

/// What a front passes to its parent: a packed lower triangle over the front's rows.
pub(crate) struct Contribution<T> {
    pub node: u32,
    pub values: Vec<T>,
}

/// Eliminates the columns of `node`; `entry(e)` is the scaled matrix entry number `e`.
pub(crate) fn eliminate<T: Scalar>(
    node: &Supernode,
    nodes: &[Supernode],
    children: Vec<Contribution<T>>,
    entry: impl Fn(u32) -> T,
    floor: f64,
) -> (Panel<T>, Vec<T>) {
    let (p, m) = (node.width as usize, node.rows.len());
    let height = p + m;
    let mut panel = vec![T::default(); height * p];
    let mut rest = vec![T::default(); m * m];
    for &(row, col, e) in &node.entries {
        panel[col as usize * height + row as usize] += entry(e);
    }
    for child in children {
        extend_add(node, &nodes[child.node as usize].rows, &child.values, &mut panel, &mut rest);
    }
    let mut guard = PivotGuard { floor, perturbed: 0, smallest: f64::INFINITY };
    factor_panel(MatMut::from_column_major_slice_mut(&mut panel, height, p), &mut guard);
    if m > 0 {
        let view = MatRef::from_column_major_slice(&panel, height, p);
        let d = diagonal(view);
        subtract_symmetric(MatMut::from_column_major_slice_mut(&mut rest, m, m), view.subrows(p, m), &d);
    }
    (Panel { values: panel, perturbed: guard.perturbed, smallest: guard.smallest }, pack(&rest, m))
}

/// Adds a child's contribution into the front.
fn extend_add<T: Scalar>(node: &Supernode, rows: &[u32], values: &[T], panel: &mut [T], rest: &mut [T]) {
    let (p, m) = (node.width as usize, node.rows.len());
    let height = p + m;
    let local = local_rows(node, rows);
    let mut at = 0;
    for (j, &col) in local.iter().enumerate() {
        let column = &values[at..at + rows.len() - j];
        at += rows.len() - j;
        let target = if col < p {
            &mut panel[col * height..(col + 1) * height]
        } else {
            &mut rest[(col - p) * m..(col - p + 1) * m]
        };
        let shift = if col < p { 0 } else { p };
        for (&row, &v) in local[j..].iter().zip(column) {
            target[row - shift] += v;
        }
    }
}

/// Local numbers of rising rows in the front of `node`.
fn local_rows(node: &Supernode, rows: &[u32]) -> Vec<usize> {
    let end = node.first + node.width;
    let mut k = 0;
    rows.iter()
        .map(|&row| {
            if row < end {
                return (row - node.first) as usize;
            }
            while node.rows[k] < row {
                k += 1;
            }
            node.width as usize + k
        })
        .collect()
}

fn pack<T: Scalar>(square: &[T], m: usize) -> Vec<T> {
    let mut out = Vec::with_capacity(triangle(m));
    for j in 0..m {
        out.extend_from_slice(&square[j * m + j..(j + 1) * m]);
    }
    out
}
