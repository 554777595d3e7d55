//! Cavities with singular edges on the finer meshes of an independent code, lowest-order elements.

use crate::report;
use mixwright_volume::{Face, Medium, Model, Order, PlanMesh, PrismMesh, VolumeError, resonances};
use std::f64::consts::TAU;

fn steps(from: f64, to: f64, n: usize) -> Vec<f64> {
    (0..=n).map(|i| from + (to - from) * i as f64 / n as f64).collect()
}

/// L of the square (−1,1)² less (0,1) × (−1,0), height 1, mesh 2n × 2n × n.
fn thick_l(n: usize) -> Result<PrismMesh, VolumeError> {
    let side = steps(-1.0, 1.0, 2 * n);
    let mut mesh = PrismMesh::new(PlanMesh::grid(&side, &side)?, steps(0.0, 1.0, n));
    mesh.mark_rim(Face::Electric);
    for t in 0..mesh.plan.triangles.len() {
        let c = mesh.plan.centre(t);
        if c[0] > 0.0 && c[1] < 0.0 {
            mesh.media[t * n..(t + 1) * n].fill(None);
        }
    }
    mesh.mark_metal(|_, _| Face::Electric);
    Ok(mesh)
}

/// Box 1 × 1 × 0.5 with a fin x = 0.5, y < 0.5 of full height, mesh 2n × 2n × n.
fn fin(n: usize) -> Result<PrismMesh, VolumeError> {
    let side = steps(0.0, 1.0, 2 * n);
    let mut mesh = PrismMesh::new(PlanMesh::grid(&side, &side)?, steps(0.0, 0.5, n));
    mesh.mark_rim(Face::Electric);
    for e in 0..mesh.plan.edges.len() {
        let on = mesh.plan.edges[e].iter().all(|&v| (mesh.plan.points[v as usize][0] - 0.5).abs() < 1e-12);
        if on && mesh.plan.edge_middle(e)[1] < 0.5 {
            mesh.upright_faces[e * n..(e + 1) * n].fill(Face::Electric);
        }
    }
    Ok(mesh)
}

fn nearest(mesh: PrismMesh, values: &[f64]) -> Result<Vec<f64>, VolumeError> {
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let middle = values.iter().sum::<f64>() / values.len() as f64;
    let target = 1.01 * middle.sqrt() * 299_792_458.0 / TAU;
    let found = resonances(&model, Order::First, target, 5)?;
    let near = |v: &f64| {
        let list = found.iter().map(|r| r.lambda.re);
        list.min_by(|a, b| (a - v).abs().total_cmp(&(b - v).abs())).unwrap_or(f64::NAN)
    };
    Ok(values.iter().map(near).collect())
}

pub(crate) fn run() -> Result<(), VolumeError> {
    type Shape = fn(usize) -> Result<PrismMesh, VolumeError>;
    let shapes: [(&str, Shape, [f64; 3]); 2] = [
        ("thick L", thick_l, [9.639_723_8, 11.345_226_2, 13.403_635_8]),
        ("fin cavity", fin, [33.485_319, 43.614_714, 49.348_022]),
    ];
    for (name, shape, guess) in shapes {
        let mut before: Option<(usize, Vec<f64>)> = None;
        for n in [8, 12, 16] {
            let found = nearest(shape(n)?, &guess)?;
            for (k, value) in found.iter().enumerate() {
                report("3d.prism_singular", &format!("{name} n={n} lambda_{}", k + 1), *value);
            }
            if let Some((m, old)) = before {
                for k in [0, 2] {
                    let exact = guess[k];
                    let order = ((old[k] - exact) / (found[k] - exact)).ln() / (n as f64 / m as f64).ln();
                    report("3d.prism_singular", &format!("{name} observed order lambda_{} n={m}->{n}", k + 1), order);
                }
            }
            before = Some((n, found));
        }
    }
    let plan = PlanMesh::grid(&steps(0.0, 1.0, 24), &steps(0.0, 0.5, 12))?;
    let mut mesh = PrismMesh::new(plan, steps(0.0, 0.75, 18));
    mesh.mark_rim(Face::Electric);
    let modes = ["TM110", "TE011/TE201 a", "TE011/TE201 b", "TE/TM111"];
    let found = nearest(mesh, &[49.814_1, 56.993_5, 56.993_9, 66.934_2])?;
    for (mode, value) in modes.iter().zip(found) {
        report("3d.prism_brick", &format!("n=6 lambda {mode}"), value);
    }
    Ok(())
}
