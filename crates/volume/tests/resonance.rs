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
