//! Driven structures in rectangular guide against closed forms and mode matching.

use mixwright_volume::{
    Conductor, Driven, Face, FieldSolution, Formulation, Layer, Medium, MeshSettings, Metal, Model, Order, PlanMesh,
    PlanSize, Port, PortShape, PrismMesh, Segment, Side, SolveSettings, Volume, Wall, triangulate,
};
use numerics::{Complex64, Quiet};
use proof::{CheckValue, Origin};
use std::f64::consts::PI;

const A: f64 = 22.86e-3;
const B: f64 = 10.16e-3;

/// Guide along y on a plan, heights `zs`, wave ports at both ends with reference planes at y = 0.
fn guide(plan: PlanMesh, zs: &[f64]) -> Model {
    let ys: Vec<f64> = plan.points.iter().map(|p| p[1]).collect();
    let (first, last) = (ys.iter().fold(f64::MAX, |a, &b| a.min(b)), ys.iter().fold(f64::MIN, |a, &b| a.max(b)));
    let mut mesh = PrismMesh::new(plan, zs.to_vec());
    mesh.mark_rim(Face::Electric);
    mesh.mark_rim_where(Face::Open, |_, n| n[1].abs() > 0.5);
    let at = |y: f64| -> Vec<u32> {
        let on = |e: usize| mesh.plan.edges[e].iter().all(|&v| (mesh.plan.points[v as usize][1] - y).abs() < 1e-9);
        (0..mesh.plan.edges.len()).filter(|&e| on(e)).map(|e| e as u32).collect()
    };
    let ports = [(first, -first), (last, last)]
        .map(|(y, shift_m)| PortShape::Wave { edges: at(y), n_modes: 1, shift_m, path: None })
        .to_vec();
    Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports }
}

fn straight(width: f64, n: usize, length: f64, m: usize, zs: &[f64]) -> Model {
    guide(PlanMesh::grid(&steps(width, n), &steps(length, m)).expect("a grid"), zs)
}

fn solve(model: Model, order: Order, freq_hz: f64) -> FieldSolution {
    Driven::new(model, SolveSettings { order, formulation: Some(Formulation::Field), single_precision: false })
        .expect("a model")
        .solve(freq_hz, &Quiet)
        .expect("a solution")
}

fn check_complex(what: &str, found: Complex64, expected: [f64; 2], within: f64, because: &str, origin: Origin) {
    CheckValue { what, expected: expected[0], within, because, origin }.check(found.re);
    CheckValue { what, expected: expected[1], within, because, origin }.check(found.im);
}

fn steps(length: f64, n: usize) -> Vec<f64> {
    (0..=n).map(|i| length * i as f64 / n as f64).collect()
}

#[test]
fn empty_guide_carries_the_textbook_wave() {
    let s = solve(straight(A, 9, 20e-3, 9, &[0.0, B]), Order::Second, 10e9);
    let beta = s.beta[0].expect("a wave port").re;
    CheckValue {
        what: "phase constant of TE10 at 10 GHz, rad/m",
        expected: 158.238_256,
        within: 0.01,
        because: "sine over nine second-order cells: relative error of β² below 1e-4",
        origin: Origin::Derived { how: "β² = k² − (π/a)², textbook" },
    }
    .check(beta);
    // Both planes were moved to y = 0: the far one by the whole length.
    let how = Origin::Derived { how: "matched line of no length" };
    check_complex("S21 at common plane", s.scattering[(1, 0)], [1.0, 0.0], 4e-4, "dispersion of cells of λ/16", how);
    assert!(s.scattering[(0, 0)].norm() < 1e-4, "{}", s.scattering[(0, 0)]);
    assert!(
        s.report.reciprocity_defect < 1e-12 && s.report.power_defect.expect("real modes") < 1e-10,
        "{:?}",
        s.report
    );
}

#[test]
fn phase_error_falls_as_the_square_and_the_fourth_power() {
    for (order, cells, slope) in [(Order::First, [6, 9, 12], 2.0), (Order::Second, [3, 4, 6], 4.0)] {
        let errors = cells.map(|n| {
            let s = solve(straight(A, n, A, n, &[0.0, B]), order, 10e9);
            // Exact phase constant, so that both the mode's and the volume's dispersion count.
            let exact = (Complex64::new(0.0, -158.238_256 * A)).exp();
            let shift = (Complex64::new(0.0, 1.0) * s.beta[1].expect("wave") * A).exp();
            (s.scattering[(1, 0)] / shift - exact).norm()
        });
        let found = (errors[0] / errors[2]).ln() / (cells[2] as f64 / cells[0] as f64).ln();
        CheckValue {
            what: "order of convergence of the transmission phase",
            expected: slope,
            within: 0.4,
            because: "coarse meshes, next terms of the error still show",
            origin: Origin::Published {
                source: "F. Ihlenburg, I. Babuska, SIAM J. Numer. Anal. 34 (1997): phase error of order h^2p",
            },
        }
        .check(found);
    }
}

fn window(freq_hz: f64, half: f64) -> FieldSolution {
    let mid = A / 2.0;
    let reach = 15e-3;
    let wall = |a: f64, b: f64| Segment { ends: [[a, 0.0], [b, 0.0]], size_m: None };
    let size = PlanSize {
        size_max_m: 2.5e-3,
        growth: 0.4,
        hints: vec![([mid - half, 0.0], 0.02e-3), ([mid + half, 0.0], 0.02e-3)],
    };
    let plan =
        triangulate([0.0, A], [-reach, reach], &[wall(0.0, mid - half), wall(mid + half, A)], &size).expect("a mesh");
    let mut model = guide(plan, &[0.0, B]);
    let mesh = &mut model.mesh;
    for e in 0..mesh.plan.edges.len() {
        let in_plane = mesh.plan.edges[e].iter().all(|&v| mesh.plan.points[v as usize][1].abs() < 1e-12);
        if in_plane && (mesh.plan.edge_middle(e)[0] - mid).abs() > half {
            mesh.upright_faces[e] = Face::Electric;
        }
    }
    solve(model, Order::Second, freq_hz)
}

#[test]
fn inductive_window_of_no_thickness() {
    let origin = Origin::Derived {
        how: "mode matching with edge-condition bases, two resolutions agree to 5e-6 (check 3d.iris_h); configuration of Marcuvitz, Waveguide Handbook (1951)",
    };
    for (freq_hz, s11, s21) in [(8e9, [-0.6403, 0.4799], [0.3597, 0.4799]), (12e9, [-0.2293, 0.4204], [0.7707, 0.4204])]
    {
        let s = window(freq_hz, 11.43e-3 / 2.0);
        check_complex("S11 of the window", s.scattering[(0, 0)], s11, 0.002, "tolerance of the check", origin);
        check_complex("S21 of the window", s.scattering[(1, 0)], s21, 0.002, "tolerance of the check", origin);
        // A shunt element of no length in one mode: S21 = 1 + S11 exactly.
        assert!((s.scattering[(1, 0)] - s.scattering[(0, 0)] - 1.0).norm() < 0.002);
        assert!(s.report.passivity_excess < 1e-9 && s.report.power_defect.expect("real modes") < 1e-9);
    }
}

#[test]
fn capacitive_window_of_no_thickness() {
    // The plan is the height of the guide times its length; the width stands upright, half of it
    // with a magnetic wall in the plane of symmetry.
    let gap = 5.08e-3;
    let (low, high) = ((B - gap) / 2.0, (B + gap) / 2.0);
    let wall = |a: f64, b: f64| Segment { ends: [[a, 0.0], [b, 0.0]], size_m: None };
    let size = PlanSize { size_max_m: 4e-3, growth: 0.6, hints: vec![([low, 0.0], 0.06e-3), ([high, 0.0], 0.06e-3)] };
    let plan = triangulate([0.0, B], [-14e-3, 14e-3], &[wall(0.0, low), wall(high, B)], &size).expect("a mesh");
    let mut model = guide(plan, &steps(A / 2.0, 3));
    let mesh = &mut model.mesh;
    mesh.mark_rim_where(Face::Open, |_, n| n[2] > 0.5);
    let n_layers = mesh.n_layers();
    for e in 0..mesh.plan.edges.len() {
        let in_plane = mesh.plan.edges[e].iter().all(|&v| mesh.plan.points[v as usize][1].abs() < 1e-12);
        if in_plane && (mesh.plan.edge_middle(e)[0] - B / 2.0).abs() > gap / 2.0 {
            mesh.upright_faces[e * n_layers..(e + 1) * n_layers].fill(Face::Electric);
        }
    }
    let s = solve(model, Order::Second, 10e9);
    let origin = Origin::Derived {
        how: "LSE mode matching, two resolutions agree to 2e-6 (check 3d.iris_e, gap half the height)",
    };
    check_complex(
        "S11 of the capacitive window",
        s.scattering[(0, 0)],
        [-0.032, -0.1761],
        0.002,
        "tolerance of the check",
        origin,
    );
    check_complex(
        "S21 of the capacitive window",
        s.scattering[(1, 0)],
        [0.968, -0.1761],
        0.002,
        "tolerance of the check",
        origin,
    );
}

#[test]
fn thick_inductive_window_from_a_description() {
    let half = 11.43e-3 / 2.0;
    let (mid, t, reach) = (A / 2.0, 2e-3, 14e-3);
    let bar = |a: f64, b: f64| Conductor {
        name: "window".into(),
        polygon: vec![[a, 0.0], [b, 0.0], [b, t], [a, t]],
        z_m: [0.0, B],
        metal: Metal::Perfect,
    };
    let volume = Volume {
        x_m: [0.0, A],
        y_m: [-reach, t + reach],
        layers: vec![Layer { name: "air".into(), thickness_m: B, medium: Medium::AIR }],
        blocks: vec![],
        conductors: vec![bar(0.0, mid - half), bar(mid + half, A)],
        walls: [Wall::Electric; 6],
        ports: [Side::YMin, Side::YMax]
            .map(|side| Port::Wave { side, range_m: None, n_modes: 1, shift_m: reach, path_m: None })
            .to_vec(),
    };
    let corners = [mid - half, mid + half].iter().flat_map(|&x| [0.0, t].map(|y| ([x, y], 0.1e-3))).collect();
    let settings = MeshSettings {
        edge_m: 1.5e-3,
        plan: PlanSize { size_max_m: 4e-3, growth: 0.5, hints: corners },
        height_m: B,
        height_growth: 2.0,
        height_max_m: B,
        levels_m: vec![],
        symmetry: None,
    };
    let s = solve(volume.mesh(&settings).expect("a mesh"), Order::Second, 10e9);
    let origin = Origin::Derived {
        how: "mode matching, confirmed by two-dimensional high-order elements to 2e-6 (check 3d.iris_h_thick)",
    };
    check_complex(
        "S11 of the thick window",
        s.scattering[(0, 0)],
        [-0.54441, 0.60672],
        0.002,
        "tolerance of the check",
        origin,
    );
    check_complex(
        "S21 of the thick window",
        s.scattering[(1, 0)],
        [0.43112, 0.38684],
        0.002,
        "tolerance of the check",
        origin,
    );
}

#[test]
fn lossy_filling_has_the_textbook_phase_constant() {
    let mut model = straight(A, 6, 12e-3, 3, &[0.0, B]);
    model.media = vec![Medium { loss_tangent: 0.02, ..Medium::lossless(2.2) }];
    let s = solve(model, Order::Second, 10e9);
    let eps = Medium { loss_tangent: 0.02, ..Medium::lossless(2.2) }.relative_permittivity(10e9);
    let k = 2.0 * PI * 10e9 / 299_792_458.0;
    let beta = (eps * k * k - (PI / A).powi(2)).sqrt();
    let found = s.beta[0].expect("a wave port");
    let how = Origin::Derived { how: "β² = εk² − (π/a)²" };
    check_complex(
        "β of the lossy guide, 1/m",
        found,
        [beta.re, beta.im],
        2e-4 * beta.re,
        "sine over six second-order cells",
        how,
    );
}

/// A guide with an off-centre post, as model.
fn post(scale: f64, points: impl Fn([f64; 2]) -> [f64; 2]) -> PlanMesh {
    let grid = PlanMesh::grid(&steps(A * scale, 5), &steps(12e-3 * scale, 4)).expect("a grid");
    PlanMesh::from_triangles(grid.points.iter().map(|&p| points(p)).collect(), grid.triangles).expect("a mesh")
}

fn with_post(mut model: Model, at: [f64; 2]) -> Model {
    let n = model.mesh.n_layers();
    let t = (0..model.mesh.plan.triangles.len())
        .min_by(|&a, &b| {
            let d = |t: usize| {
                let c = model.mesh.plan.centre(t);
                (c[0] - at[0]).hypot(c[1] - at[1])
            };
            d(a).total_cmp(&d(b))
        })
        .expect("a triangle");
    model.mesh.media[t * n] = None;
    model.mesh.mark_metal(|_, _| Face::Electric);
    model
}

#[test]
fn scaling_and_renumbering_change_nothing() {
    let s = |model: Model, f: f64| solve(model, Order::Second, f).scattering;
    let at = [0.3 * A, 4e-3];
    let one = s(with_post(guide(post(1.0, |p| p), &[0.0, B]), at), 11e9);
    let small = s(with_post(guide(post(1e-3, |p| p), &[0.0, B * 1e-3]), [at[0] * 1e-3, at[1] * 1e-3]), 11e12);
    // Same equations but for rounding, times the condition number.
    assert!((&one - &small).max_abs() < 1e-9, "{}", (&one - &small).max_abs());
    let grid = post(1.0, |p| p);
    let n = grid.points.len() as u32;
    let moved = |v: u32| (v * 7 + 3) % n; // n = 30 points has no factor 7
    let mut points = vec![[0.0; 2]; n as usize];
    (0..n).for_each(|v| points[moved(v) as usize] = grid.points[v as usize]);
    let triangles = grid.triangles.iter().rev().map(|t| t.map(moved)).collect();
    let renumbered = PlanMesh::from_triangles(points, triangles).expect("a mesh");
    let other = s(with_post(guide(renumbered, &[0.0, B]), at), 11e9);
    assert!((&one - &other).max_abs() < 1e-9, "{}", (&one - &other).max_abs());
    assert!(one[(0, 0)].norm() > 0.05, "the post must be seen: {}", one[(0, 0)]);
}

#[test]
fn mirrored_structure_swaps_the_ports_exactly() {
    let s = |model: Model| solve(model, Order::Second, 11e9).scattering;
    let length = 12e-3;
    let one = s(with_post(guide(post(1.0, |p| p), &[0.0, B]), [0.3 * A, 4e-3]));
    let flipped = post(1.0, |p| [A - p[0], length - p[1]]);
    let other = s(with_post(guide(flipped, &[0.0, B]), [0.7 * A, length - 4e-3]));
    // Turned by half a turn: port 1 is now where port 2 was; reference planes stay at y = 0, so
    // compare magnitudes, which do not depend on them in a lossless guide.
    let d = (0..2).map(|i| (one[(i, i)].norm() - other[(1 - i, 1 - i)].norm()).abs()).fold(0.0, f64::max);
    assert!(d < 1e-9 && (one[(1, 0)].norm() - other[(1, 0)].norm()).abs() < 1e-9, "{d}");
}
