//! Cut-off of ridged guides, and cavities with singular edges on the meshes of an independent code.

mod common;
use common::*;
use mixwright_volume::{Face, Formulation, Medium, Model, Order, PlanMesh, PrismMesh, Volume, Wall, cost, resonances};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::{PI, TAU};

const RIDGE: &str = "two-dimensional high-order elements, two resolutions agree to 7e-8; charts of S. Hopfer, IRE \
                     Trans. MTT-3 (Oct. 1955) 20-29";
const CODE: &str = "independent code, lowest-order elements on prisms, same mesh";

fn steps(from: f64, to: f64, n: usize) -> Vec<f64> {
    (0..=n).map(|i| from + (to - from) * i as f64 / n as f64).collect()
}

fn hertz(lambda: f64) -> f64 {
    lambda.sqrt() * LIGHT_SPEED_M_PER_S / TAU
}

/// Lowest cut-offs of one parity of H_z, hertz: the quarter or half of a ridged guide as a flat cavity.
fn cut_offs(volume: &Volume, corner: [f64; 2], near_hz: f64, count: usize) -> Vec<f64> {
    let settings = sizes(2.5 * MM, 0.5, vec![(corner, 0.04 * MM)], [MM; 2]);
    let model = volume.mesh(&settings).expect("a mesh");
    let found = resonances(&model, Order::Second, near_hz, count).expect("resonances");
    found.iter().map(|r| r.freq_hz).collect()
}

#[test]
fn ridged_guides_have_their_cut_offs() {
    // height of the modelled part, ridge width, gap of the modelled part, name
    let cases = [
        (10.0, 10.0, 5.0, "single a=20,b=10,s=10,d=5"),
        // upper half of a double ridge: the middle plane is electric for modes even in height
        (4.5, 6.0, 1.5, "double a=20,b=9,s=6,d=3"),
        (10.0, 4.0, 2.0, "single a=20,b=10,s=4,d=2"),
    ];
    for (height, width, gap, name) in cases {
        let half = |symmetry: Wall| Volume {
            x_m: [0.0, 10.0 * MM],
            y_m: [0.0, height * MM],
            layers: vec![air(MM)],
            blocks: vec![],
            conductors: vec![metal([0.0, width / 2.0 * MM], [gap * MM, height * MM], [0.0, MM])],
            walls: [symmetry, Wall::Electric, Wall::Electric, Wall::Electric, Wall::Magnetic, Wall::Magnetic],
            ports: vec![],
        };
        let corner = [width / 2.0 * MM, gap * MM];
        let of = |mode: &str| row("3d.ridge", &format!("fc_{mode} {name}")).0 * 1e9;
        // H_z odd across the middle: TE10, TE30, with a magnetic wall for the electric field.
        let nearest = |list: &[f64], f: f64| {
            list.iter().copied().min_by(|a, b| (a - f).abs().total_cmp(&(b - f).abs())).expect("some")
        };
        let mut lowest = 0.0;
        for mode in ["TE10", "TE30", "TE20"] {
            let wall = if mode == "TE20" { Wall::Electric } else { Wall::Magnetic };
            let f = of(mode);
            let found = nearest(&cut_offs(&half(wall), corner, 0.98 * f, 2), f);
            check("3d.ridge", &format!("fc_{mode} {name}"), found / 1e9, RIDGE);
            if mode == "TE10" {
                lowest = found;
            }
        }
        let wave = LIGHT_SPEED_M_PER_S / lowest / (20.0 * MM);
        check("3d.ridge", &format!("lambda_c/a TE10 {name}"), wave, RIDGE);
    }
}

/// All eigenvalues near `target` of a cavity with electric walls, lowest-order elements, 1/m².
fn lowest(mesh: PrismMesh, target: f64) -> Vec<f64> {
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let found = resonances(&model, Order::First, hertz(target), 4).expect("resonances");
    found.iter().map(|r| r.lambda.re).collect()
}

fn nearest(list: &[f64], value: f64) -> f64 {
    list.iter().copied().min_by(|a, b| (a - value).abs().total_cmp(&(b - value).abs())).expect("some")
}

/// L of the square (−1,1)² less (0,1) × (−1,0), height 1, mesh 2n × 2n × n.
fn thick_l(n: usize) -> PrismMesh {
    let side = steps(-1.0, 1.0, 2 * n);
    let mut mesh = PrismMesh::new(PlanMesh::grid(&side, &side).expect("a grid"), steps(0.0, 1.0, n));
    mesh.mark_rim(Face::Electric);
    for t in 0..mesh.plan.triangles.len() {
        let c = mesh.plan.centre(t);
        if c[0] > 0.0 && c[1] < 0.0 {
            mesh.media[t * n..(t + 1) * n].fill(None);
        }
    }
    mesh.mark_metal(|_, _| Face::Electric);
    mesh
}

/// Box 1 × 1 × 0.5 with a fin x = 0.5, y < 0.5 of full height, mesh 2n × 2n × n.
fn fin(n: usize) -> PrismMesh {
    let side = steps(0.0, 1.0, 2 * n);
    let mut mesh = PrismMesh::new(PlanMesh::grid(&side, &side).expect("a grid"), steps(0.0, 0.5, n));
    mesh.mark_rim(Face::Electric);
    for e in 0..mesh.plan.edges.len() {
        let on = mesh.plan.edges[e].iter().all(|&v| (mesh.plan.points[v as usize][0] - 0.5).abs() < 1e-12);
        if on && mesh.plan.edge_middle(e)[1] < 0.5 {
            mesh.upright_faces[e * n..(e + 1) * n].fill(Face::Electric);
        }
    }
    mesh
}

#[test]
fn singular_cavities_on_the_meshes_of_an_independent_code() {
    for (name, shape) in [("thick L", thick_l as fn(usize) -> PrismMesh), ("fin cavity", fin)] {
        let exact = [1, 2, 3].map(|k| row("3d.prism_singular", &format!("{name} exact lambda_{k}")).0);
        let found = [4, 8].map(|n| {
            let list = lowest(shape(n), 1.01 * exact[1]);
            [1, 2, 3].map(|k| {
                let quantity = format!("{name} n={n} lambda_{k}");
                let value = nearest(&list, row("3d.prism_singular", &quantity).0);
                check("3d.prism_singular", &quantity, value, CODE);
                value
            })
        });
        for k in [0, 2] {
            let order = ((found[0][k] - exact[k]) / (found[1][k] - exact[k])).ln() / 2f64.ln();
            check("3d.prism_singular", &format!("{name} observed order lambda_{} n=4->8", k + 1), order, CODE);
        }
    }
}

#[test]
fn brick_on_the_meshes_of_an_independent_code() {
    let mut errors: Vec<[f64; 3]> = Vec::new();
    let exact = ["TM110", "TE011/TE201 a", "TE/TM111"].map(|m| row("3d.prism_brick", &format!("exact lambda {m}")).0);
    let closed = [5.0, 4.0 + 1.0 / 0.5625, 5.0 + 1.0 / 0.5625].map(|x| PI * PI * x);
    for (mode, (stated, closed)) in ["TM110", "TE011/TE201 a", "TE/TM111"].iter().zip(exact.iter().zip(closed)) {
        check("3d.prism_brick", &format!("exact lambda {mode}"), closed, "closed form");
        check("3d.prism_brick", &format!("exact sqrt(lambda) {mode}"), stated.sqrt(), "closed form");
    }
    for n in [2, 4] {
        let plan = PlanMesh::grid(&steps(0.0, 1.0, 4 * n), &steps(0.0, 0.5, 2 * n)).expect("a grid");
        let mut mesh = PrismMesh::new(plan, steps(0.0, 0.75, 3 * n));
        mesh.mark_rim(Face::Electric);
        let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
        let found: Vec<f64> =
            resonances(&model, Order::First, hertz(58.0), 5).expect("resonances").iter().map(|r| r.lambda.re).collect();
        let at = |mode: &str| {
            let quantity = format!("n={n} lambda {mode}");
            let value = nearest(&found, row("3d.prism_brick", &quantity).0);
            check("3d.prism_brick", &quantity, value, CODE);
            value
        };
        let values = [at("TM110"), at("TE011/TE201 a"), at("TE/TM111")];
        at("TE011/TE201 b");
        errors.push([0, 1, 2].map(|k| (values[k] - exact[k]).abs()));
    }
    for (k, mode) in ["TM110", "TE011/TE201 a", "TE/TM111"].iter().enumerate() {
        let order = (errors[0][k] / errors[1][k]).log2();
        check("3d.prism_brick", &format!("observed order {mode} n=2->4"), order, CODE);
    }
}

#[test]
fn smallest_brick_of_an_independent_code() {
    let plan = PlanMesh::grid(&steps(0.0, 1.0, 4), &steps(0.0, 0.5, 2)).expect("a grid");
    let mut mesh = PrismMesh::new(plan, steps(0.0, 0.75, 3));
    mesh.mark_rim(Face::Electric);
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let unknowns = cost(&model, Order::First, Formulation::Field, 1e9).expect("a cost").unknowns;
    check("3d.prism_brick", "unknowns on 4x2x3 grid", unknowns as f64, CODE);
    let found: Vec<f64> =
        resonances(&model, Order::First, hertz(40.0), 3).expect("resonances").iter().map(|r| r.lambda.re).collect();
    for (name, root) in [("first", 5.375_765_26), ("second", 7.466_513_75)] {
        let quantity = format!("{name} nonzero sqrt(lambda) 4x2x3 grid");
        check("3d.prism_brick", &quantity, nearest(&found, root * root).sqrt(), CODE);
    }
    // as many gradients as nodes inside: the eigenvalues left out
    let inner = 3 * 2;
    check("3d.prism_brick", "zero eigenvalues on 4x2x3 grid = interior nodes", inner as f64, "count of nodes");
    let all = resonances(&model, Order::First, hertz(40.0), unknowns - inner).expect("all that is left");
    assert_eq!(all.len(), unknowns - inner);
    assert!(resonances(&model, Order::First, hertz(40.0), unknowns - inner + 1).is_err());
}

/// A turned and shifted plan has the same resonances.
#[test]
fn turning_the_plan_changes_nothing() {
    let found = |angle: f64| {
        let turn = |p: &[f64; 2]| {
            let (s, c) = angle.sin_cos();
            // bent lines of the grid, so that no direction is special
            let p = [p[0] + 0.1 * p[1] * p[1], p[1] + 0.05 * (3.0 * p[0]).sin()];
            [c * p[0] - s * p[1] + 0.3 * angle, s * p[0] + c * p[1]]
        };
        let flat = PlanMesh::grid(&steps(0.0, 1.0, 4), &steps(0.0, 0.7, 3)).expect("a grid");
        let plan = PlanMesh::from_triangles(flat.points.iter().map(turn).collect(), flat.triangles).expect("a mesh");
        let mut mesh = PrismMesh::new(plan, steps(0.0, 0.5, 2));
        mesh.mark_rim(Face::Electric);
        let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
        resonances(&model, Order::Second, 0.25e9, 4).expect("resonances")
    };
    let straight = found(0.0);
    for angle in [0.5, 1.3, 4.0] {
        for (a, b) in straight.iter().zip(found(angle)) {
            assert!((a.freq_hz / b.freq_hz - 1.0).abs() < 1e-8, "{angle}: {} against {}", a.freq_hz, b.freq_hz);
        }
    }
}
