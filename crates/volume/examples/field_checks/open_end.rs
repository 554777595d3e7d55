//! Microstrip open end: static excess capacitance, on a grid that sees the uniform line alike everywhere.
//!
//! Reference: own three-dimensional high-order elements with a separable Green matrix, two resolutions agree to 2e-4.
//! Published closed forms (M. Kirschning, R. H. Jansen, N. H. L. Koster, Electron. Lett. 17 (1981) 123-125) are 6 to
//! 10 % lower. The end of half a strip between ground and walls far away, the middle of the strip a magnetic wall.

use crate::report;
use mixwright_volume::{
    Driven, Face, Medium, Model, Order, PlanMesh, PortShape, PrismMesh, SolveSettings, VolumeError,
};
use numerics::{Complex64, Quiet};
use std::f64::consts::TAU;

const EPS0: f64 = 8.854_187_812_8e-12;
/// Height of the substrate, metre; its value does not matter.
const H: f64 = 1e-3;
/// Half the length of the strip and the place of walls, in heights of the substrate.
const LENGTH: f64 = 5.0;
const FAR: f64 = 16.0;
/// Smallest cell at an edge, in heights, and growth from cell to cell.
const LEAST: f64 = 4e-3;
const RATIO: f64 = 2.7;

/// Places from `low` to `high` that shrink towards `edge` in between by `ratio`, down to `least`.
fn graded(low: f64, edge: f64, high: f64, least: f64, ratio: f64) -> Vec<f64> {
    let side = |reach: f64| {
        let (mut out, mut at, mut step) = (vec![], 0.0, least);
        while at + 1.4 * step < reach {
            at += step;
            out.push(at);
            step *= ratio;
        }
        out.push(reach);
        out
    };
    let mut below: Vec<f64> = side(edge - low).iter().rev().map(|d| edge - d).collect();
    below.push(edge);
    below.extend(side(high - edge).iter().map(|d| edge + d));
    below
}

/// Capacitance of half a strip up to `end` (in heights), farad.
fn capacitance(eps: f64, width: f64, end: f64, least: f64, walls: Face) -> Result<f64, VolumeError> {
    let xs = graded(0.0, 0.5 * width, FAR, least, RATIO);
    let ys = graded(0.0, LENGTH, LENGTH + FAR, least, RATIO);
    let zs = graded(0.0, 1.0, FAR, least, RATIO);
    let scale = |v: &[f64]| v.iter().map(|x| x * H).collect::<Vec<f64>>();
    let mut mesh = PrismMesh::new(PlanMesh::grid(&scale(&xs), &scale(&ys))?, scale(&zs));
    let (n, levels) = (mesh.n_layers(), mesh.n_levels());
    mesh.mark_rim_where(Face::Electric, |_, d| d[2] < -0.5);
    // the far end stays magnetic: the uniform line runs into it
    mesh.mark_rim_where(walls, |_, d| d[2] > 0.5 || d[0] > 0.5);
    let surface = zs.iter().position(|z| *z == 1.0).expect("a level");
    for t in 0..mesh.plan.triangles.len() {
        mesh.media[t * n..t * n + surface].fill(Some(1));
        let c = mesh.plan.centre(t);
        if c[0] < 0.5 * width * H && c[1] < end * H {
            mesh.flat_faces[t * levels + surface] = Face::Electric;
        }
    }
    let on = |v: u32| mesh.plan.points[v as usize][1] == 0.0 && mesh.plan.points[v as usize][0] <= 0.5 * width * H;
    let edges: Vec<usize> = (0..mesh.plan.edges.len()).filter(|&e| mesh.plan.edges[e].iter().all(|&v| on(v))).collect();
    let port = PortShape::Sheet {
        flat: vec![],
        upright: edges.iter().flat_map(|&e| (0..surface).map(move |l| (e as u32, l as u32))).collect(),
        direction: [0.0, 0.0, 1.0],
        width_m: 0.5 * width * H,
        reference_ohm: 1e5,
    };
    let model = Model { mesh, media: vec![Medium::AIR, Medium::lossless(eps)], surfaces: vec![], ports: vec![port] };
    let f = 1e7;
    let settings = SolveSettings { order: Order::Second, formulation: None, single_precision: false };
    let s = Driven::new(model, settings)?.solve(f, &Quiet)?.scattering[(0, 0)];
    let z = 1e5 * (1.0 + s) / (1.0 - s);
    Ok(1.0 / (Complex64::i() * TAU * f * z).re)
}

/// Excess capacitance over `ε₀ h` and excess length over `h` of the whole strip.
fn excess(eps: f64, width: f64, least: f64, walls: Face) -> Result<[f64; 2], VolumeError> {
    let per_height = capacitance(eps, width, 2.0 * FAR + LENGTH, least, walls)? / (LENGTH + FAR);
    let excess = capacitance(eps, width, LENGTH, least, walls)? - LENGTH * per_height;
    Ok([2.0 * excess / (EPS0 * H), excess / per_height])
}

pub(crate) fn run() -> Result<(), VolumeError> {
    for (name, eps, width) in [
        ("er=9.8 w/h=1", 9.8, 1.0),
        ("er=9.8 w/h=2", 9.8, 2.0),
        ("er=2.2 w/h=3.04", 2.2, 3.04),
        ("er=12.9 w/h=0.7", 12.9, 0.7),
        ("er=3.8 w/h=2", 3.8, 2.0),
    ] {
        // Walls that carry charge lower the excess and walls that carry none raise it: the truth lies between.
        let both = [excess(eps, width, LEAST, Face::Electric)?, excess(eps, width, LEAST, Face::Open)?];
        println!(
            "| | {name}: metal and magnetic walls at {FAR} heights | | {:.4}, {:.4} | | |",
            both[0][0], both[1][0]
        );
        report("3d.open_end", &format!("C_oc/(eps0 h) {name}"), 0.5 * (both[0][0] + both[1][0]));
        report("3d.open_end", &format!("dl/h {name}"), 0.5 * (both[0][1] + both[1][1]));
    }
    Ok(())
}
