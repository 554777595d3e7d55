//! What the process makes of a drawing: metal grown by its width bias and shifted by its registration.

use crate::layout::{PortPlace, Terminal};
use crate::{Layout, Point, Polygon, Role, Stackup, StackupError};

/// A corner sharper than this is cut instead of growing without end: distance of the corner over that of the edges.
const SPIKE_MAX: f64 = 4.0;

impl Layout {
    /// The metal as it is made in `stack`: every edge moved outward by half the width bias of its layer, then the layer
    /// shifted by its registration; the edges of internal ports go with their layer.
    pub fn as_made(&self, stack: &Stackup) -> Result<Self, StackupError> {
        let mut made = self.clone();
        for layer in &stack.layers {
            let Role::Metal { width_bias_m, registration_m } = &layer.role else { continue };
            let (bias, shift) = (width_bias_m.nominal, registration_m.map(|r| r.nominal));
            if bias == 0.0 && shift == [0.0; 2] {
                continue;
            }
            let moved = |p: Point| [p[0] + shift[0], p[1] + shift[1]];
            for shape in made.shapes.iter_mut().filter(|s| s.layer == layer.name) {
                let grown = widened(shape.polygon.corners(), 0.5 * bias);
                shape.polygon = Polygon::new(&grown.into_iter().map(moved).collect::<Vec<_>>())?;
            }
            let follow = |terminal: &mut Terminal| {
                if terminal.layer == layer.name {
                    terminal.edge = terminal.edge.map(moved);
                }
            };
            for port in &mut made.ports {
                if let PortPlace::Gap { plus, minus } = &mut port.place {
                    follow(plus);
                    follow(minus);
                }
            }
        }
        Ok(made)
    }
}

/// Corners of a counter-clockwise outline with every edge moved outward.
fn widened(corners: &[Point], by: f64) -> Vec<Point> {
    let n = corners.len();
    let outward = |a: Point, b: Point| {
        let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
        let length = dx.hypot(dy);
        [dy / length, -dx / length]
    };
    (0..n)
        .map(|k| {
            let p = corners[k];
            let (u, v) = (outward(corners[(k + n - 1) % n], p), outward(p, corners[(k + 1) % n]));
            // the corner keeps its distance from both moved edges
            let share = (by / (1.0 + u[0] * v[0] + u[1] * v[1])).clamp(-SPIKE_MAX * by.abs(), SPIKE_MAX * by.abs());
            [p[0] + share * (u[0] + v[0]), p[1] + share * (u[1] + v[1])]
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_edge_moves_outward_by_its_share_and_a_notch_closes() {
        let square = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]];
        let wide = widened(&square, 0.1);
        assert_eq!(wide, vec![[-0.1, -0.1], [2.1, -0.1], [2.1, 1.1], [-0.1, 1.1]]);
        // an L: the inner corner moves into the notch
        let l = [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [1.0, 1.0], [1.0, 2.0], [0.0, 2.0]];
        let inner = widened(&l, 0.1)[3];
        assert!((inner[0] - 1.1).abs() < 1e-12 && (inner[1] - 1.1).abs() < 1e-12, "{inner:?}");
    }
}
