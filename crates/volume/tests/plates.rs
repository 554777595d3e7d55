//! Parallel-plate line with sheet ports: exact in the plane wave between plates, down to direct current.

use mixwright_volume::{
    Conductor, Driven, FieldSolution, Formulation, Layer, Medium, MeshSettings, Metal, Model, Order, PlanSize, Port,
    SolveSettings, Surface, Volume, Wall, skin_depth_m,
};
use numerics::{CMatrix, Complex64, Quiet};
use proof::{CheckValue, Origin};
use std::f64::consts::TAU;

const W: f64 = 1.5e-3;
const H: f64 = 0.2e-3;
const LENGTH: f64 = 4e-3;
const MU: f64 = 1.256_637_062e-6;
const EPS: f64 = 8.854_187_813e-12;

/// Plates on top and bottom, magnetic walls along the sides, a port at y = 0 and, if `open_end`,
/// one at the far end; else the far end is a short.
fn plates(plates: Wall, far: Wall, n_ports: usize, medium: Medium) -> Model {
    let port = |y: f64| Port::Upright {
        line: [[0.0, y], [W, y]],
        z_m: [0.0, H],
        plus: mixwright_volume::Pad::Upper,
        reference_ohm: 50.0,
    };
    let volume = Volume {
        x_m: [0.0, W],
        y_m: [0.0, LENGTH],
        layers: vec![Layer { name: "fill".into(), thickness_m: H, medium }],
        blocks: vec![],
        conductors: vec![],
        walls: [Wall::Magnetic, Wall::Magnetic, Wall::Magnetic, far, plates, plates],
        ports: (0..n_ports).map(|k| port([0.0, LENGTH][k])).collect(),
    };
    volume.mesh(&mesh_settings()).expect("a mesh")
}

fn mesh_settings() -> MeshSettings {
    MeshSettings {
        edge_m: 0.6e-3,
        plan: PlanSize { size_max_m: 0.8e-3, growth: 0.5, hints: vec![([0.3 * W, 0.3 * LENGTH], 0.3e-3)] },
        height_m: H,
        height_growth: 2.0,
        height_max_m: H,
        levels_m: vec![],
        symmetry: None,
    }
}

fn solve(model: Model, order: Order, form: Option<Formulation>, freq_hz: f64) -> FieldSolution {
    Driven::new(model, SolveSettings { order, formulation: form, single_precision: false })
        .expect("a model")
        .solve(freq_hz, &Quiet)
        .expect("a solution")
}

fn impedance(s: Complex64) -> Complex64 {
    50.0 * (1.0 + s) / (1.0 - s)
}

#[test]
fn both_ports_see_the_line_of_the_textbook() {
    let eps = 2.9;
    let f = 10e9;
    for form in [Formulation::Field, Formulation::Stabilised] {
        let s = solve(plates(Wall::Electric, Wall::Magnetic, 2, Medium::lossless(eps)), Order::Second, Some(form), f);
        let z0 = (MU / EPS / eps).sqrt() * H / W;
        let theta = TAU * f * (MU * EPS * eps).sqrt() * LENGTH;
        // Chain matrix of a line between 50 ohm.
        let j = Complex64::i();
        let (a, b, c) = (Complex64::from(theta.cos()), j * z0 * theta.sin(), j * theta.sin() / z0);
        let sum = 2.0 * a + b / 50.0 + c * 50.0;
        let (s11, s21) = ((b / 50.0 - c * 50.0) / sum, 2.0 / sum);
        let worst = (s.scattering[(0, 0)] - s11).norm().max((s.scattering[(1, 0)] - s21).norm());
        CheckValue {
            what: "S11 and S21 of the plates against the line, largest error",
            expected: 0.0,
            within: 2e-5,
            because: "plane wave on second-order cells of a fortieth of the wavelength",
            origin: Origin::Derived { how: "chain matrix of a uniform line, Z0 = η h/w" },
        }
        .check(worst);
        assert!(s.report.power_defect.expect("sheets") < 1e-9 && s.report.passivity_excess < 1e-9, "{:?}", s.report);
    }
}

#[test]
fn static_fields_pass_the_patch_test_on_an_irregular_mesh() {
    // Far below resonance the open plates are a capacitor and the shorted plates an inductor, whose
    // constant fields every mesh holds exactly.
    for order in [Order::First, Order::Second] {
        for f in [1e2, 1e4] {
            let s = solve(plates(Wall::Electric, Wall::Magnetic, 1, Medium::lossless(2.9)), order, None, f);
            let c = 1.0 / (Complex64::i() * TAU * f * impedance(s.scattering[(0, 0)]));
            let expected = 2.9 * EPS * W * LENGTH / H;
            let origin = Origin::Derived { how: "C = ε w l / h, L = μ h l / w of uniform fields" };
            let because = "constant fields are exact; S near ±1 loses digits as the impedance leaves 50 ohm";
            let within = expected * (1e-9 + 1e-14 / (TAU * f * expected * 50.0));
            CheckValue { what: "capacitance of open plates, F", expected, within, because, origin }.check(c.re);
            let s = solve(plates(Wall::Electric, Wall::Electric, 1, Medium::lossless(2.9)), order, None, f);
            let l = impedance(s.scattering[(0, 0)]) / (Complex64::i() * TAU * f);
            let expected = MU * H * LENGTH / W;
            let within = expected * (1e-9 + 1e-14 * 50.0 / (TAU * f * expected));
            CheckValue { what: "inductance of shorted plates, H", expected, within, because, origin }.check(l.re);
        }
    }
}

#[test]
fn the_plain_form_loses_the_low_frequency_that_the_stabilised_one_keeps() {
    // Recorded so that the choice by frequency has a reason: at 100 Hz the capacitance of the plain
    // form is wrong by more than a tenth, although its backward error is perfect.
    let settings =
        SolveSettings { order: Order::First, formulation: Some(Formulation::Field), single_precision: false };
    let model = plates(Wall::Electric, Wall::Magnetic, 1, Medium::lossless(2.9));
    let s = Driven::new(model, settings).expect("a model").solve(1e2, &Quiet).expect("a solution");
    let c = 1.0 / (Complex64::i() * TAU * 1e2 * impedance(s.scattering[(0, 0)]));
    assert!((c.re * H / (2.9 * EPS * W * LENGTH) - 1.0).abs() > 0.1 && s.report.backward_error_max < 1e-14, "{c}");
}

#[test]
fn lossy_plates_go_from_direct_current_to_the_skin_effect() {
    let (conductivity, t) = (4.1e7, 3e-6);
    let sheet = |f: f64, far: Wall| {
        // Both plates as sheets of their true thickness, just inside the electric walls' place.
        let mut model = plates(Wall::Magnetic, far, 1, Medium::AIR);
        let face = mixwright_volume::Face::Surface(0);
        model.mesh.mark_rim_where(face, |_, n| n[2].abs() > 0.5);
        model.surfaces =
            vec![Surface::Conductor { conductivity_s_per_m: conductivity, thickness_m: t, roughness_m: 0.0 }];
        impedance(solve(model, Order::Second, None, f).scattering[(0, 0)])
    };
    // One face per plate carries half of a both-faced foil: thickness t/2 each.
    let f = 1e5;
    let z = sheet(f, Wall::Electric);
    CheckValue {
        what: "resistance of two shorted plates at low frequency, ohm",
        expected: 2.0 * LENGTH / (conductivity * t / 2.0 * W),
        within: 1e-4 * 2.0 * LENGTH / (conductivity * t / 2.0 * W),
        because: "skin depth a hundred times the foil; conduction along the plates is uniform",
        origin: Origin::Derived { how: "R = 2 l/(σ t_eff w), t_eff = t/2 a face" },
    }
    .check(z.re);
    let f = 1e9;
    let z = sheet(f, Wall::Electric);
    let zs = mixwright_volume::foil_impedance_ohm(f, conductivity, t);
    assert!(t > 0.5 * skin_depth_m(f, conductivity));
    let series = 2.0 * zs * LENGTH / W + Complex64::new(0.0, TAU * f * MU * H * LENGTH / W);
    let theta = (series * Complex64::new(0.0, TAU * f * EPS * W * LENGTH / H)).sqrt();
    let expected = series * theta.tanh() / theta;
    let within = 1e-4 * expected.norm();
    let origin = Origin::Derived { how: "Z tanh(√ZY)/√ZY with Z = 2 Z_s l/w + jωμ h l/w, Y = jωε w l/h" };
    let because = "nearly uniform fields on second-order cells";
    CheckValue { what: "series resistance of plates at 1 GHz, ohm", expected: expected.re, within, because, origin }
        .check(z.re);
    CheckValue { what: "series reactance of plates at 1 GHz, ohm", expected: expected.im, within, because, origin }
        .check(z.im);
}

#[test]
fn metal_solved_inside_agrees_with_its_surface_impedance() {
    // A strip of metal across half the gap, thin against the skin depth, as body and as surface.
    let (conductivity, t, f) = (1e5, 20e-6, 1e9);
    let of = |metal: Metal| {
        let strip = Conductor {
            name: "strip".into(),
            polygon: vec![[0.0, 0.0], [W, 0.0], [W, LENGTH], [0.0, LENGTH]],
            z_m: [0.0, t],
            metal,
        };
        let volume = Volume {
            x_m: [0.0, W],
            y_m: [0.0, LENGTH],
            layers: vec![Layer { name: "air".into(), thickness_m: H, medium: Medium::AIR }],
            blocks: vec![],
            conductors: vec![strip],
            walls: [Wall::Magnetic, Wall::Magnetic, Wall::Magnetic, Wall::Electric, Wall::Magnetic, Wall::Electric],
            ports: vec![Port::Upright {
                line: [[0.0, 0.0], [W, 0.0]],
                z_m: [t, H],
                plus: mixwright_volume::Pad::Upper,
                reference_ohm: 50.0,
            }],
        };
        let s = solve(
            volume.mesh(&MeshSettings { height_m: t / 2.0, height_max_m: H, ..mesh_settings() }).expect("a mesh"),
            Order::Second,
            None,
            f,
        );
        assert!(s.report.power_defect.expect("sheet") < 1e-8, "{:?}", s.report);
        impedance(s.scattering[(0, 0)])
    };
    let body = of(Metal::Inside { conductivity_s_per_m: conductivity });
    let foil = of(Metal::Finite { conductivity_s_per_m: conductivity, thickness_m: 2.0 * t, roughness_m: 0.0 });
    CheckValue {
        what: "resistance of a strip solved inside against its surface impedance, ohm",
        expected: foil.re,
        within: 0.01 * foil.re,
        because: "one-dimensional diffusion holds away from the ends, which are a few skin depths of four millimetres",
        origin: Origin::Derived { how: "two roads: field inside the metal, and coth surface impedance with the magnetic wall below as plane of symmetry" },
    }
    .check(body.re);
}

#[test]
fn a_port_closed_by_a_resistor_equals_the_resistor_in_the_field() {
    let (f, r) = (20e9, 35.0);
    let two = solve(plates(Wall::Electric, Wall::Magnetic, 2, Medium::AIR), Order::Second, None, f).scattering;
    let gamma = Complex64::from((r - 50.0) / (r + 50.0));
    let closed = two[(0, 0)] + two[(0, 1)] * gamma * two[(1, 0)] / (1.0 - gamma * two[(1, 1)]);
    let mut model = plates(Wall::Electric, Wall::Magnetic, 1, Medium::AIR);
    model.mesh.mark_rim_where(mixwright_volume::Face::Surface(0), |_, n| n[1] > 0.5);
    model.surfaces = vec![Surface::Resistor { ohm_per_square: r * W / H }];
    let inside = solve(model, Order::Second, None, f).scattering[(0, 0)];
    let d: CMatrix = CMatrix::column(&[closed - inside]);
    // The field across the sheet is uniform, so lumped and spread resistor are one and the same.
    assert!(d.max_abs() < 1e-6, "{closed} {inside}");
}

#[test]
fn cost_is_known_beforehand_and_a_key_names_the_solution() {
    use mixwright_volume::{cache_bytes, cost};
    let model = plates(Wall::Electric, Wall::Magnetic, 2, Medium::AIR);
    let settings =
        SolveSettings { order: Order::Second, formulation: Some(Formulation::Field), single_precision: false };
    let c = cost(&model, Order::Second, Formulation::Field, 1e10).expect("an estimate");
    let report = Driven::new(model.clone(), settings).expect("a model").solve(10e9, &Quiet).expect("a solution").report;
    assert_eq!((c.unknowns, c.factor_entries), (report.unknowns - 2, report.factor_entries));
    assert!(c.check(1 << 30).is_ok() && c.check(1000).expect_err("too little").to_string().contains("bytes"));
    let key = cache_bytes(&model, &settings, &[1e9]);
    assert_eq!(key, cache_bytes(&plates(Wall::Electric, Wall::Magnetic, 2, Medium::AIR), &settings, &[1e9]));
    let mut other = model.clone();
    other.media[0].permittivity = f64::from_bits(1.0_f64.to_bits() + 1);
    assert_ne!(key, cache_bytes(&other, &settings, &[1e9]));
    assert_ne!(key, cache_bytes(&model, &settings, &[1e9, 2e9]));
}

#[test]
fn field_picture_shows_the_uniform_field() {
    // One watt into shorted plates at low frequency: |V| = √(2·50)·|1+S11|, field V/h near the port.
    let model = plates(Wall::Electric, Wall::Magnetic, 1, Medium::AIR);
    let mut driven =
        Driven::new(model, SolveSettings { order: Order::Second, formulation: None, single_precision: false })
            .expect("a model");
    let fields = driven.cell_fields(1e6, 0, &Quiet).expect("fields");
    let expected = 2.0 * 100.0_f64.sqrt() / H;
    for e in &fields {
        CheckValue {
            what: "upright field between open plates at 1 W, V/m",
            expected,
            within: 1e-6 * expected,
            because: "wave effects of 4 mm at 1 MHz are of order 1e-8",
            origin: Origin::Derived { how: "open circuit doubles the wave of √(2 P R) volt" },
        }
        .check(e[2].norm());
        assert!(e[0].norm() + e[1].norm() < 1e-6 * expected);
    }
    let text = driven.field_file(1e6, 0, &Quiet).expect("a file");
    let cells = format!("NumberOfCells=\"{}\"", fields.len());
    assert!(text.contains(&cells) && text.trim_end().ends_with("</VTKFile>"));
    assert!(driven.cell_fields(1e6, 1, &Quiet).is_err());
}

#[test]
fn single_precision_gives_the_same_answer_and_gives_up_where_it_cannot() {
    let model = plates(Wall::Electric, Wall::Magnetic, 2, Medium::lossless(2.9));
    let of = |single_precision, f| {
        let settings = SolveSettings { order: Order::Second, formulation: Some(Formulation::Field), single_precision };
        let mut driven = Driven::new(model.clone(), settings).expect("a model");
        assert_eq!(driven.n_ports(), 2);
        driven.solve(f, &Quiet).expect("a solution")
    };
    let (single, double) = (of(true, 60e9), of(false, 60e9));
    assert!(single.report.single_precision && !double.report.single_precision);
    // Both are refined to a backward error of 1e-12 or better.
    assert!((&single.scattering - &double.scattering).max_abs() < 1e-9);
    // Far down the factor has no digits left, and the answer comes from double precision.
    assert!(!of(true, 1e4).report.single_precision);
}
