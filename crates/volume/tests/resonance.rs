//! Resonances against closed forms, and against independent values on the very same meshes.

use mixwright_volume::{Face, Medium, Model, Order, PlanMesh, PrismMesh, resonances};
use proof::{CheckValue, Origin};
use quantity::constants::LIGHT_SPEED_M_PER_S;
use std::f64::consts::{PI, TAU};

fn steps(length: f64, n: usize) -> Vec<f64> {
    (0..=n).map(|i| length * i as f64 / n as f64).collect()
}

fn brick(size: [f64; 3], n: [usize; 3], slab: Option<(f64, Medium)>) -> Model {
    let plan = PlanMesh::grid(&steps(size[0], n[0]), &steps(size[1], n[1])).expect("a grid");
    let mut mesh = PrismMesh::new(plan, steps(size[2], n[2]));
    mesh.mark_rim(Face::Electric);
    let mut media = vec![Medium::AIR];
    if let Some((top, medium)) = slab {
        media.push(medium);
        let n_layers = mesh.n_layers();
        for l in (0..n_layers).filter(|&l| mesh.levels_m[l + 1] <= top * (1.0 + 1e-9)) {
            (0..mesh.plan.triangles.len()).for_each(|t| mesh.media[t * n_layers + l] = Some(1));
        }
    }
    Model { mesh, media, surfaces: vec![], ports: vec![] }
}

fn hertz(lambda: f64) -> f64 {
    lambda.sqrt() * LIGHT_SPEED_M_PER_S / TAU
}

const CAVITY: Origin = Origin::Derived { how: "f = c/2 √((m/a)²+(n/b)²+(p/d)²), textbook" };

#[test]
fn brick_cavity_has_the_values_of_an_independent_code_on_the_same_mesh() {
    let model = brick([1.0, 0.5, 0.75], [8, 4, 6], None);
    let found = resonances(&model, Order::First, hertz(60.0), 5).expect("resonances");
    let expected = [
        ("TM110", 53.613_503_18),
        ("TE011/TE201 a", 56.732_086_04),
        ("TE011/TE201 b", 56.757_365_97),
        ("TE/TM111", 67.273_248_43),
    ];
    for (name, value) in expected {
        let nearest = found.iter().map(|r| r.lambda.re).min_by(|a, b| (a - value).abs().total_cmp(&(b - value).abs()));
        CheckValue {
            what: name,
            expected: value,
            within: 1e-6 * value,
            because: "same mesh and functions, so only rounding differs; the value has ten digits",
            origin: Origin::Derived {
                how: "independent code, lowest-order prism elements, check 3d.prism_brick with n = 2",
            },
        }
        .check(nearest.expect("some resonance"));
    }
}

#[test]
fn rectangular_cavity_returns_its_first_eight_resonances() {
    let model = brick([20e-3, 10e-3, 15e-3], [8, 6, 6], None);
    let found = resonances(&model, Order::Second, 17e9, 8).expect("resonances");
    let expected = [
        12.491_352_4e9,
        16.758_907_9e9,
        18.015_284_7e9,
        18.015_284_7e9,
        19.512_116_2e9,
        19.512_116_2e9,
        21.198_528e9,
        21.345_232_4e9,
    ];
    for (r, expected) in found.iter().zip(expected) {
        CheckValue {
            what: "cavity resonance, Hz",
            expected,
            within: 1e-3 * expected,
            because: "some six cells a wavelength at second order",
            origin: CAVITY,
        }
        .check(r.freq_hz);
        assert!(r.quality > 1e9, "no loss, no width: {r:?}");
    }
}

#[test]
fn cavity_with_a_slab_and_its_loss() {
    let loss_tangent = 1e-3;
    let medium = Medium { loss_tangent, reference_hz: 9.09e9, ..Medium::lossless(4.0) };
    let model = brick([20e-3, 10e-3, 15e-3], [5, 2, 6], Some((5e-3, medium)));
    let found = resonances(&model, Order::Second, 9.0e9, 1).expect("resonances");
    CheckValue {
        what: "first TE10p resonance of a cavity with a slab of permittivity 4, Hz",
        expected: 9.090_977_88e9,
        within: 1e-3 * 9.09e9,
        because: "the tolerance of the check",
        origin: Origin::Derived {
            how: "root of tan(b1 t)/b1 + tan(b2 (d−t))/b2 = 0 (Harrington 1961, partially filled cavities)",
        },
    }
    .check(found[0].freq_hz);
    // Q = 1/(tanδ · share of electric energy in the slab); share from the closed-form field.
    let k = TAU * found[0].freq_hz / LIGHT_SPEED_M_PER_S;
    let (b1, b2) = ((4.0 * k * k - (PI / 20e-3).powi(2)).sqrt(), (k * k - (PI / 20e-3).powi(2)).sqrt());
    let (t, rest) = (5e-3, 10e-3);
    let slab = 4.0 / (b1 * t).sin().powi(2) * (t / 2.0 - (2.0 * b1 * t).sin() / (4.0 * b1));
    let air = 1.0 / (b2 * rest).sin().powi(2) * (rest / 2.0 - (2.0 * b2 * rest).sin() / (4.0 * b2));
    let expected = (slab + air) / (slab * loss_tangent);
    CheckValue {
        what: "quality factor by dielectric loss in the slab",
        expected,
        within: 0.01 * expected,
        because: "field energies of a mesh with six layers; the loss is a first-order change",
        origin: Origin::Derived {
            how: "electric energies of E_y = sin(b1 z), sin(b2 (d−z)) matched at the slab face"
        },
    }
    .check(found[0].quality);
}

#[test]
fn eigenvalues_converge_with_twice_the_order_of_the_elements() {
    let exact = PI * PI * (1.0 + 1.0 / 0.5625); // TE101 of the box 1 × 0.5 × 0.75
    for (order, cells, slope) in [(Order::First, [2, 4, 6], 2.0), (Order::Second, [1, 2, 3], 4.0)] {
        let errors = cells.map(|n| {
            let model = brick([1.0, 0.5, 0.75], [2 * n, n, n], None);
            let found = resonances(&model, order, hertz(exact), 1).expect("resonances");
            (found[0].lambda.re - exact).abs()
        });
        let found = (errors[1] / errors[2]).ln() / 1.5_f64.ln();
        CheckValue {
            what: "order of convergence of an eigenvalue",
            expected: slope,
            within: 0.4,
            because: "coarse meshes, next terms of the error still show",
            origin: Origin::Published {
                source: "J. C. Nedelec, Numer. Math. 35 (1980): energy error of order h^p, eigenvalues twice that",
            },
        }
        .check(found);
        assert!(errors[1] < errors[0], "{errors:?}");
    }
}

#[test]
fn wall_loss_gives_the_quality_factor_of_the_textbook() {
    let (a, b, d, conductivity) = (20e-3, 10e-3, 15e-3, 5.8e7);
    let mut model = brick([a, b, d], [5, 2, 4], None);
    model.mesh.mark_rim(Face::Surface(0));
    model.surfaces = vec![mixwright_volume::Surface::Conductor {
        conductivity_s_per_m: conductivity,
        thickness_m: f64::INFINITY,
        roughness_m: 0.0,
    }];
    let f = 12.491_352_4e9;
    let found = resonances(&model, Order::Second, f, 1).expect("resonances");
    let (k, eta, rs) = (TAU * f / LIGHT_SPEED_M_PER_S, 376.730_313_668, (PI * f * 4e-7 * PI / conductivity).sqrt());
    let expected = (k * a * d).powi(3) * b * eta
        / (2.0 * PI * PI * rs)
        / (2.0 * a.powi(3) * b + 2.0 * b * d.powi(3) + a.powi(3) * d + a * d.powi(3));
    CheckValue {
        what: "wall quality factor of TE101",
        expected,
        within: 0.01 * expected,
        because: "the tangential magnetic field of a coarse second-order mesh is good to half a per cent",
        origin: Origin::Published {
            source: "D. M. Pozar, Microwave Engineering, rectangular cavity, wall Q of TE10l with l = 1",
        },
    }
    .check(found[0].quality);
}

/// Eigenvalues of a plan between magnetic walls, uniform upright: two-dimensional fields in the plan.
fn flat(plan: PlanMesh, target: f64, count: usize) -> Vec<f64> {
    let mut mesh = PrismMesh::new(plan, vec![0.0, 0.05]);
    mesh.mark_rim(Face::Electric);
    mesh.mark_rim_where(Face::Open, |_, n| n[2].abs() > 0.5);
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let found = resonances(&model, Order::Second, hertz(target), count).expect("resonances");
    found.iter().map(|r| r.lambda.re).collect()
}

#[test]
fn domain_with_a_reentrant_corner_has_its_published_eigenvalues() {
    use mixwright_volume::{PlanSize, Segment, triangulate};
    // L: the square (−1,1)² less its quarter (0,1) × (−1,0), which is filled with metal.
    let cut = |ends| Segment { ends, size_m: None };
    let size = PlanSize { size_max_m: 0.4, growth: 0.4, hints: vec![([0.0, 0.0], 0.01)] };
    let lines = [cut([[0.0, -1.0], [0.0, 0.0]]), cut([[0.0, 0.0], [1.0, 0.0]])];
    let square = triangulate([-1.0, 1.0], [-1.0, 1.0], &lines, &size).expect("a mesh");
    let kept = (0..square.triangles.len()).filter(|&t| !(square.centre(t)[0] > 0.0 && square.centre(t)[1] < 0.0));
    let triangles: Vec<[u32; 3]> = kept.map(|t| square.triangles[t]).collect();
    let mut used: Vec<u32> = triangles.iter().flatten().copied().collect();
    used.sort_unstable();
    used.dedup();
    let place = |v: u32| used.binary_search(&v).expect("used") as u32;
    let points = used.iter().map(|&v| square.points[v as usize]).collect();
    let plan = PlanMesh::from_triangles(points, triangles.iter().map(|t| t.map(place)).collect()).expect("a mesh");
    let found = flat(plan, 5.0, 5);
    let expected = [1.475_621_823_97, 3.534_031_366_78, 9.869_604_401_09, 9.869_604_401_09, 11.389_479_397_9];
    for (k, (found, expected)) in found.iter().zip(expected).enumerate() {
        CheckValue {
            what: "eigenvalue of the L, 1/m²",
            expected,
            within: if k == 0 { 0.01 } else { 1e-3 } * expected,
            because: "tolerance of the check; the first field is singular at the corner",
            origin: Origin::Published {
                source: "M. Dauge, benchmark computations for Maxwell equations, 2DomA; digits by M. Durufle",
            },
        }
        .check(*found);
    }
}

#[test]
fn fin_cavity_has_the_values_of_an_independent_code_on_the_same_mesh() {
    // Box 1 × 1 × 0.5 with a fin x = 0.5, y < 0.5 of full height and no thickness, n = 4.
    let mut model = brick([1.0, 1.0, 0.5], [8, 8, 4], None);
    let mesh = &mut model.mesh;
    let n_layers = mesh.n_layers();
    for e in 0..mesh.plan.edges.len() {
        let m = mesh.plan.edge_middle(e);
        let on = mesh.plan.edges[e].iter().all(|&v| (mesh.plan.points[v as usize][0] - 0.5).abs() < 1e-12);
        if on && m[1] < 0.5 {
            mesh.upright_faces[e * n_layers..(e + 1) * n_layers].fill(Face::Electric);
        }
    }
    let found = resonances(&model, Order::First, hertz(45.0), 3).expect("resonances");
    for expected in [38.581_99, 45.225_744_9, 51.373_835_2] {
        let nearest =
            found.iter().map(|r| r.lambda.re).min_by(|a, b| (a - expected).abs().total_cmp(&(b - expected).abs()));
        CheckValue {
            what: "eigenvalue of the fin cavity, n = 4, 1/m²",
            expected,
            within: 2e-6 * expected,
            because: "same mesh and functions; the values have seven digits or more",
            origin: Origin::Derived { how: "independent code, lowest-order prism elements, check 3d.prism_singular" },
        }
        .check(nearest.expect("some resonance"));
    }
}

#[test]
fn ridged_guide_has_its_cut_off() {
    use mixwright_volume::{PlanSize, Segment, triangulate};
    // a = 20, b = 10, single ridge of width 10 that leaves a gap of 5 mm; half with a magnetic wall.
    let mm = 1e-3;
    let line = |ends| Segment { ends, size_m: None };
    let size = PlanSize { size_max_m: 2.5 * mm, growth: 0.5, hints: vec![([5.0 * mm, 5.0 * mm], 0.05 * mm)] };
    let ridge = [line([[0.0, 5.0 * mm], [5.0 * mm, 5.0 * mm]]), line([[5.0 * mm, 5.0 * mm], [5.0 * mm, 10.0 * mm]])];
    let plan = triangulate([0.0, 10.0 * mm], [0.0, 10.0 * mm], &ridge, &size).expect("a mesh");
    let mut mesh = PrismMesh::new(plan, vec![0.0, mm]);
    for t in 0..mesh.plan.triangles.len() {
        let c = mesh.plan.centre(t);
        if c[0] < 5.0 * mm && c[1] > 5.0 * mm {
            mesh.media[t] = None;
        }
    }
    mesh.mark_rim(Face::Electric);
    // Odd H_z is TE10: a magnetic wall in the plane of symmetry.
    mesh.mark_rim_where(Face::Open, |_, n| n[2].abs() > 0.5 || n[0] < -0.5);
    mesh.mark_metal(|_, _| Face::Electric);
    let model = Model { mesh, media: vec![Medium::AIR], surfaces: vec![], ports: vec![] };
    let found = resonances(&model, Order::Second, 5.4e9, 1).expect("resonances");
    CheckValue {
        what: "cut-off of TE10 of a single-ridge guide, Hz",
        expected: 5.366_5e9,
        within: 1e-3 * 5.366_5e9,
        because: "tolerance of the check",
        origin: Origin::Derived { how: "two-dimensional high-order elements, two resolutions agree to 7e-8 (check 3d.ridge); charts of S. Hopfer, IRE Trans. MTT-3 (1955)" },
    }
    .check(found[0].freq_hz);
}
