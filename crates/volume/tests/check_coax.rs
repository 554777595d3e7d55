//! Steps and open ends of round coaxial lines: static capacitances against axisymmetric high-order elements.
//!
//! A thin wedge of the line between magnetic walls is solved, a degree wide, with straight chords for arcs.
//! Chords scale every circumference by the same factor, which is taken out. The wave is fed at the lower end through
//! a gap below the inner conductor that is alike in all structures.

mod common;
use common::*;
use mixwright_volume::{Face, Medium, Model, PlanMesh, PortShape, PrismMesh};
use numerics::Complex64;
use std::f64::consts::{LN_10, PI, TAU};

const HOW: &str = "axisymmetric high-order elements, two resolutions agree to 3e-6; compare P. I. Somlo, IEEE Trans. \
                   MTT-15 (1967) 48-53, and J. R. Whinnery et al., Proc. IRE 32 (1944) 695-709";
const EPS0: f64 = 8.854_187_812_8e-12;
const ANGLE: f64 = PI / 180.0;
/// Smallest cell at an edge, over the outer radius.
const LEAST: f64 = 3e-3;

/// Places from `low` to `high` through all `marks`, fine at those that are `edges`.
fn graded(low: f64, high: f64, edges: &[f64], least: f64, most: f64) -> Vec<f64> {
    let mut marks: Vec<f64> = edges.iter().copied().chain([low, high]).collect();
    marks.sort_by(f64::total_cmp);
    marks.dedup_by(|a, b| (*a - *b).abs() < 1e-12);
    let is_edge = |x: f64| edges.iter().any(|e| (e - x).abs() < 1e-12);
    let mut out = vec![low];
    for pair in marks.windows(2) {
        let length = pair[1] - pair[0];
        let mut cuts = vec![];
        for (here, sense) in [(pair[0], 1.0), (pair[1], -1.0)] {
            let (mut distance, mut step) = (0.0, least);
            while is_edge(here) && distance + step < 0.4 * length {
                distance += step;
                cuts.push(here + sense * distance);
                step = (2.0 * step).min(most);
            }
        }
        cuts.extend(pair);
        cuts.sort_by(f64::total_cmp);
        for gap in cuts.windows(2) {
            let n = ((gap[1] - gap[0]) / most).ceil().max(1.0) as usize;
            out.extend((1..=n).map(|k| gap[0] + (gap[1] - gap[0]) * k as f64 / n as f64));
        }
    }
    out
}

/// Heights of gap and step in units of the largest radius.
const HEIGHTS: [f64; 2] = [0.15, 2.6];

/// Capacitance of the full circle, farad, between the inner metal up to `inner` (radius of a height) and the outer
/// from `outer`, over a length `rest` above the step; radii and lengths in millimetre, all radii that any structure of the set has in `edges`.
fn capacitance(edges: &[f64], largest: f64, rest: f64, inner: impl Fn(f64) -> f64, outer: impl Fn(f64) -> f64) -> f64 {
    let [gap, step] = HEIGHTS.map(|h| h * largest);
    let top = step + rest;
    let start = 0.02 * edges[0];
    // the port stands at half the smallest radius
    let feed = 0.5 * edges[0];
    let mut marks = edges.to_vec();
    marks.push(feed);
    let mut rs = graded(start, largest, &marks, LEAST * largest, 0.15 * largest);
    rs.dedup_by(|a, b| (*a - *b).abs() < 1e-12);
    let zs = graded(0.0, top, &[gap, step], LEAST * largest, 0.3 * largest);
    let flat = PlanMesh::grid(&rs, &[-0.5, 0.5]).expect("a grid");
    // chords: x is the radius times the cosine of half the angle
    let points = flat.points.iter().map(|p| [p[0] * MM, 2.0 * p[0] * MM * (ANGLE / 2.0).tan() * p[1]]).collect();
    let plan = PlanMesh::from_triangles(points, flat.triangles).expect("a mesh");
    let mut mesh = PrismMesh::new(plan, zs.iter().map(|z| z * MM).collect());
    let n = mesh.n_layers();
    for t in 0..mesh.plan.triangles.len() {
        let r = mesh.plan.centre(t)[0] / MM;
        for l in 0..n {
            let z = 0.5 * (zs[l] + zs[l + 1]);
            if r > outer(z) || (z > gap && r < inner(z)) {
                mesh.media[t * n + l] = None;
            }
        }
    }
    mesh.mark_rim_where(Face::Electric, |p, d| d[2] < -0.5 || (d[0] > 0.9 && p[0] > 0.9 * largest * MM));
    mesh.mark_metal(|_, _| Face::Electric);
    let on = |v: u32| (mesh.plan.points[v as usize][0] / MM - feed).abs() < 1e-9;
    let edge = (0..mesh.plan.edges.len()).find(|&e| mesh.plan.edges[e].iter().all(|&v| on(v))).expect("the feed");
    let layers = (0..n).filter(|&l| zs[l + 1] < gap + 1e-9);
    let port = PortShape::Sheet {
        flat: vec![],
        upright: layers.map(|l| (edge as u32, l as u32)).collect(),
        direction: [0.0, 0.0, 1.0],
        width_m: mesh.plan.edge_length(edge),
        reference_ohm: 1e6,
    };
    let f = 1e7;
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![port] };
    let s = solve(model, f).scattering[(0, 0)];
    let z = 1e6 * (1.0 + s) / (1.0 - s);
    PI / (ANGLE / 2.0).tan() / (Complex64::i() * TAU * f * z).re
}

fn line(inner: f64, outer: f64) -> f64 {
    TAU * EPS0 * MM / (outer / inner).ln()
}

#[test]
fn steps_of_both_conductors() {
    let cases = [
        ("1/2/3", [1.0, 2.0, 3.0]),
        ("1/1.5/2.3", [1.0, 1.5, 2.3]),
        ("1/3/5", [1.0, 3.0, 5.0]),
        ("1/1.2/2.30259", [1.0, 1.2, LN_10]),
    ];
    for (radii, [a, b, c]) in cases {
        let name = format!("r={radii} mm");
        let edges = [a, b];
        let (at, rest) = (HEIGHTS[1] * c, c);
        let plain = capacitance(&edges, c, rest, |_| a, |_| c);
        let thicker = capacitance(&edges, c, rest, |z| if z > at { b } else { a }, |_| c);
        let found = thicker - plain - rest * (line(b, c) - line(a, c));
        check("3d.coax_step", &format!("C_d inner step {name}"), found * 1e15, HOW);
        let tighter = capacitance(&edges, c, rest, |_| a, |z| if z > at { b } else { c });
        let found = tighter - plain - rest * (line(a, b) - line(a, c));
        check("3d.coax_step", &format!("C_d outer step {name}"), found * 1e15, HOW);
    }
}

#[test]
fn open_ends_in_a_continued_shield() {
    let fifty = (-50.0 * TAU / 376.730_313_668_f64).exp();
    for (inner, outer, names) in [
        (fifty, 1.0, &["C_f shielded open, 50 ohm line, outer radius 1 mm", "same per cm of outer circumference"][..]),
        (1.52, 3.5, &["C_f open, 1.52/3.50 mm"]),
    ] {
        // the field above falls as exp(−2.4 z/outer)
        let (at, rest) = (HEIGHTS[1] * outer, 2.2 * outer);
        let plain = capacitance(&[inner], outer, rest, |_| inner, |_| outer);
        let ended = capacitance(&[inner], outer, rest, |z| if z > at { 0.0 } else { inner }, |_| outer);
        let found = ended - plain + rest * line(inner, outer);
        check("3d.coax_step", names[0], found * 1e15, HOW);
        if let Some(name) = names.get(1) {
            check("3d.coax_step", name, found * 1e15 / (TAU * outer * 0.1), HOW);
        }
    }
}
